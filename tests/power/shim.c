/* Logs, in order, what a process does to the files of one folder: preloaded, it stands before the C library.
 * A record: kind (c create/open, w write, t truncate, s sync, u unlink), path length, offset, size, path, data. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <unistd.h>

#define MOST 4096
static char *names[MOST];
static int log_fd = -1;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

static void *real(const char *name) { return dlsym(RTLD_NEXT, name); }

static int watched(const char *path) {
    const char *folder = getenv("POWER_FOLDER");
    return folder && path && strncmp(path, folder, strlen(folder)) == 0;
}

static void note(char kind, const char *path, int64_t offset, const void *data, int64_t size) {
    static int (*open_)(const char *, int, ...);
    static ssize_t (*write_)(int, const void *, size_t);
    int32_t length = strlen(path);
    char head[21];
    pthread_mutex_lock(&lock);
    if (log_fd < 0) {
        open_ = real("open64");
        write_ = real("write");
        log_fd = open_(getenv("POWER_LOG"), O_WRONLY | O_CREAT | O_APPEND, 0600);
    }
    head[0] = kind;
    memcpy(head + 1, &length, 4);
    memcpy(head + 5, &offset, 8);
    memcpy(head + 13, &size, 8);
    write_(log_fd, head, 21);
    write_(log_fd, path, length);
    if (kind == 'w') write_(log_fd, data, size);
    pthread_mutex_unlock(&lock);
}

static int opened(int fd, const char *path, int flags) {
    if (fd >= 0 && fd < MOST) {
        free(names[fd]);
        names[fd] = watched(path) ? strdup(path) : NULL;
        if (names[fd] && (flags & O_CREAT)) note('c', path, 0, 0, 0);
    }
    return fd;
}

#define OPEN(name)                                             \
    int name(const char *path, int flags, ...) {               \
        int (*next)(const char *, int, ...) = real(#name);     \
        va_list more;                                          \
        va_start(more, flags);                                 \
        mode_t mode = va_arg(more, int);                       \
        va_end(more);                                          \
        return opened(next(path, flags, mode), path, flags);   \
    }
OPEN(open)
OPEN(open64)

static const char *name_of(int fd) { return fd >= 0 && fd < MOST ? names[fd] : NULL; }

int close(int fd) {
    int (*next)(int) = real("close");
    if (fd >= 0 && fd < MOST) { free(names[fd]); names[fd] = NULL; }
    return next(fd);
}

#define PWRITE(name)                                                          \
    ssize_t name(int fd, const void *data, size_t size, off_t offset) {       \
        ssize_t (*next)(int, const void *, size_t, off_t) = real(#name);      \
        ssize_t done = next(fd, data, size, offset);                          \
        if (done > 0 && name_of(fd)) note('w', name_of(fd), offset, data, done); \
        return done;                                                          \
    }
PWRITE(pwrite)
PWRITE(pwrite64)

ssize_t write(int fd, const void *data, size_t size) {
    ssize_t (*next)(int, const void *, size_t) = real("write");
    off_t offset = name_of(fd) ? lseek(fd, 0, SEEK_CUR) : 0;
    ssize_t done = next(fd, data, size);
    if (done > 0 && name_of(fd)) note('w', name_of(fd), offset, data, done);
    return done;
}

#define TRUNCATE(name)                                         \
    int name(int fd, off_t size) {                             \
        int (*next)(int, off_t) = real(#name);                 \
        int done = next(fd, size);                             \
        if (done == 0 && name_of(fd)) note('t', name_of(fd), size, 0, 0); \
        return done;                                           \
    }
TRUNCATE(ftruncate)
TRUNCATE(ftruncate64)

#define SYNC(name)                                             \
    int name(int fd) {                                         \
        int (*next)(int) = real(#name);                        \
        int done = next(fd);                                   \
        if (done == 0 && name_of(fd)) note('s', name_of(fd), 0, 0, 0); \
        return done;                                           \
    }
SYNC(fsync)
SYNC(fdatasync)

int unlink(const char *path) {
    int (*next)(const char *) = real("unlink");
    int done = next(path);
    if (done == 0 && watched(path)) note('u', path, 0, 0, 0);
    return done;
}
