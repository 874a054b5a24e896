"""Hears recordings in worker processes, on this machine or a Dask cluster; what was heard before comes from a cache."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from multiprocessing import get_context
from pathlib import Path
from typing import Any, cast

from voicelog.drill.hearing import Hearing, hear, hearing_from, hearing_text
from voicelog.drill.script import DrillError
from voicelog.grammar.loader import load_grammar
from voicelog.recognisers.base import Listener
from voicelog.recognisers.pronunciations import TYPED_ONLY_FILE, models_directory
from voicelog.recognisers.registry import recogniser
from voicelog.recognisers.sphinx import ADAPTATION

CACHE = ".heard"
"""Folder of the cache in the folder of the drills."""
_AHEAD = 2
"""Tasks handed out for each worker, so that none waits and the recordings of a large library are not all in memory."""
_CODE = ("audio", "grammar", "parse", "dialogue", "recognisers", "session.py", "events.py", "drill/hearing.py")
"""What of voicelog decides what is heard."""
_CONNECT_S = 10
Pool = tuple[Executor, int]
"""Worker processes, and how many tasks they do at once."""
Overlay = tuple[tuple[str, bytes], ...]
"""The files of an overlay directory, name and content, so that a worker on another machine has them."""


@dataclass(frozen=True)
class Task:
    """One recording for one recogniser; holds all that a worker needs but voicelog itself."""

    listener: str
    audio: bytes
    """The file as it is."""
    suffix: str
    """Of the file's name."""
    overlays: tuple[Overlay, ...]
    code: str
    """What ``code_digest`` gives where the task was made."""


@dataclass(frozen=True)
class Heard:
    """What came of one task."""

    listener: str
    recording: Path
    hearing: Hearing
    cached: bool


def overlay_files(directories: Iterable[Path]) -> tuple[Overlay, ...]:
    """The grammar and pronunciation files of overlay directories."""
    return tuple(
        tuple((path.name, path.read_bytes()) for path in sorted(directory.iterdir()) if _is_read(path))
        for directory in directories
    )


def _is_read(path: Path) -> bool:
    return path.suffix in (".toml", ".dict", ADAPTATION) or path.name == TYPED_ONLY_FILE


@cache
def code_digest() -> str:
    """Of the code and the pronunciations that decide what is heard; a change of them makes old results stale."""
    package = Path(str(files("voicelog")))
    paths = [
        path for name in _CODE for path in ((package / name).rglob("*.py") if "." not in name else [package / name])
    ]
    digest = hashlib.sha256()
    for path in sorted([*paths, *models_directory().glob("*.dict"), *models_directory().glob("*.txt")]):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()


def cache_key(task: Task, grammar_digest: str) -> str:
    """Name of a result in the cache: of the sound, the recogniser with its model, the grammar and the code."""
    sound = hashlib.sha256(task.audio).hexdigest()
    parts = (task.listener, recogniser(task.listener).is_available().detail, grammar_digest, task.code, sound)
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]


def hear_all(
    recordings: Sequence[Path],
    listeners: Sequence[str],
    overlays: Sequence[Path],
    kept: Path,
    pool: Pool,
) -> Iterator[Heard]:
    """Hear every recording by every recogniser; each result is kept as soon as it is there.

    Args:
        recordings: files.
        listeners: names of recognisers that can run here.
        overlays: further grammar directories.
        kept: folder of the cache; made if need be.
        pool: runs ``hear_task``.

    Raises:
        DrillError: a worker died, or the cache cannot be written.
    """
    executor, at_once = pool
    digest = load_grammar(*overlays).digest
    packed = overlay_files(overlays)
    try:
        kept.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DrillError(f"{kept} cannot be made: {error.strerror}", "Free the folder of the drills.") from error
    running: dict[Future[str], tuple[str, Path, Path]] = {}
    try:
        for listener in listeners:
            for recording in recordings:
                task = Task(listener, recording.read_bytes(), recording.suffix, packed, code_digest())
                place = kept / f"{cache_key(task, digest)}.json"
                known = _known(place)
                if known:
                    yield Heard(listener, recording, known, cached=True)
                    continue
                if len(running) >= _AHEAD * at_once:
                    yield from _finished(running)
                running[executor.submit(hear_task, task)] = (listener, recording, place)
        while running:
            yield from _finished(running)
    except BrokenProcessPool as error:
        raise DrillError(
            "a worker process ended, perhaps for want of memory",
            "Run it again with fewer --jobs; it goes on from here.",
        ) from error
    finally:
        for future in running:
            future.cancel()


def _finished(running: dict[Future[str], tuple[str, Path, Path]]) -> Iterator[Heard]:
    done, _ = wait(running, return_when=FIRST_COMPLETED)
    for future in done:
        listener, recording, place = running.pop(future)
        text = future.result()
        beside = place.with_suffix(f".{os.getpid()}.part")
        beside.write_text(text, encoding="ascii")
        beside.replace(place)
        yield Heard(listener, recording, hearing_from(text), cached=False)


def _known(place: Path) -> Hearing | None:
    """What was heard before; a torn or foreign file is as good as none."""
    try:
        return hearing_from(place.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None


def hear_task(task: Task) -> str:
    """Do one task in this process, which keeps its recogniser open for the next one.

    Returns:
        The hearing as JSON.

    Raises:
        DrillError: this machine runs other code than the one that asks.
        AudioError, RecogniserError: the recording or the recogniser cannot be used.
    """
    if task.code != code_digest():
        raise DrillError("a worker runs another version of voicelog", "Install the same version on every machine.")
    listener = _Open.listener_for(task.listener, task.overlays)
    with tempfile.TemporaryDirectory(prefix="voicelog-drill-") as folder:
        path = Path(folder) / f"drill{task.suffix}"
        path.write_bytes(task.audio)
        return hearing_text(hear(path, listener, load_grammar(*_Open.directories)))


class _Open:
    """The one recogniser that a worker process holds open: two would be too much for a small machine."""

    key: tuple[str, tuple[Overlay, ...]] | None = None
    listener: Listener
    directories: tuple[Path, ...] = ()
    folder: tempfile.TemporaryDirectory[str]

    @classmethod
    def listener_for(cls, name: str, overlays: tuple[Overlay, ...]) -> Listener:
        if cls.key == (name, overlays):
            return cls.listener
        if cls.key is not None:
            cls.key = None
            cls.listener.close()
        cls.folder = tempfile.TemporaryDirectory(prefix="voicelog-overlays-")
        cls.directories = tuple(_laid_out(Path(cls.folder.name), overlays))
        cls.listener = recogniser(name).open(load_grammar(*cls.directories))
        cls.key = (name, overlays)
        return cls.listener


def _laid_out(folder: Path, overlays: tuple[Overlay, ...]) -> Iterator[Path]:
    for number, overlay in enumerate(overlays):
        directory = folder / str(number)
        directory.mkdir()
        for name, content in overlay:
            (directory / name).write_bytes(content)
        yield directory


@contextmanager
def workers(jobs: int, scheduler: str = "") -> Iterator[Pool]:
    """Worker processes, and how many: as many as asked for here, or those of a Dask cluster.

    Args:
        jobs: processes on this machine.
        scheduler: address of a Dask scheduler, such as ``tcp://host:8786``; '' for this machine.

    Raises:
        DrillError: no Dask here, no scheduler there, or it has no workers.
    """
    if not scheduler:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
            try:
                yield pool, jobs
            except BaseException:
                pool.shutdown(wait=True, cancel_futures=True)
                raise
        return
    try:
        from distributed import Client
    except ImportError as error:
        raise DrillError("Dask is not installed", "Install the extra: pip install 'voicelog[cluster]'.") from error
    try:
        client = cast(Any, Client)(scheduler, timeout=_CONNECT_S)
    except (OSError, ValueError) as error:
        raise DrillError(f"no Dask scheduler answers at {scheduler}", "Start one: dask scheduler.") from error
    with client:
        count = sum(worker["nthreads"] for worker in client.scheduler_info(n_workers=-1)["workers"].values())
        if not count:
            raise DrillError(f"the cluster at {scheduler} has no workers", f"Start some: dask worker {scheduler}.")
        # A task whose worker dies is done again by another one; a recording sounds the same twice.
        yield client.get_executor(pure=False, retries=_AHEAD), count


def own_cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def write_json(table: Any, path: Path) -> None:
    """Write a table, whole or not at all.

    Raises:
        DrillError: it cannot be written.
    """
    try:
        beside = path.with_name(f"{path.name}.part")
        beside.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise DrillError(f"{path} cannot be written: {error.strerror}", "Name a folder you may write to.") from error
