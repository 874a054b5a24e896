/* A wall clock that a test can set: preloaded, it adds the seconds that stand in the file WALL_OFFSET to CLOCK_REALTIME.
 * The clocks that nobody sets, and every wait, stay as they are. */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

static const char *offset;

__attribute__((constructor)) static void begin(void) {
    const char *name = getenv("WALL_OFFSET");
    int file = name ? open(name, O_RDONLY) : -1;
    void *mapped = file < 0 ? MAP_FAILED : mmap(NULL, 16, PROT_READ, MAP_SHARED, file, 0);
    if (mapped != MAP_FAILED) offset = mapped;
}

int clock_gettime(clockid_t clock, struct timespec *now) {
    int result = syscall(SYS_clock_gettime, clock, now);
    if (clock == CLOCK_REALTIME && result == 0 && offset) now->tv_sec += atoi(offset);
    return result;
}
