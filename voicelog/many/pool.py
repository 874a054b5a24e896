"""Work over many files: on every processor, in order, with progress shown to a person and to no pipe."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from typing import TypeVar

from voicelog.errors import VoicelogError

Item = TypeVar("Item")
Made = TypeVar("Made")
_WORTH_A_PROCESS = 200
"""Fewer items than this are done sooner than processes start."""
_CHUNK = 64


def each(work: Callable[[Sequence[Item]], Made], items: Sequence[Item], what: str) -> Iterator[Made]:
    """What ``work`` makes of each run of items, in order.

    Args:
        work: takes a run of items; at the top level of its module, so that another process can find it.
        items: all of them.
        what: said beside the progress bar, such as ``reading``.

    Raises:
        VoicelogError: a process was ended from outside; also what ``work`` raises.
    """
    chunks = [items[at : at + _CHUNK] for at in range(0, len(items), _CHUNK)]
    workers = min(_processors(), len(chunks))
    if workers < 2 or len(items) < _WORTH_A_PROCESS:
        yield from _shown(map(work, chunks), len(items), what)
        return
    with _processes(workers) as pool:
        try:
            yield from _shown(pool.map(work, chunks), len(items), what)
        except BrokenProcessPool as error:
            raise VoicelogError(
                "a process that read cases was ended", "Check the free memory, then try again."
            ) from error
        finally:
            pool.shutdown(cancel_futures=True)


def apart(work: Callable[[Item], Made], item: Item) -> Made:
    """What ``work`` makes of one thing, in a process of its own: threads that it starts end with that, and so none
    runs when ``each`` forks. Raises what ``work`` raises."""
    with _processes(1) as pool:
        return pool.submit(work, item).result()


def _processes(count: int) -> ProcessPoolExecutor:
    # A fork needs no second import of everything, and here no thread runs yet.
    method = "fork" if "fork" in multiprocessing.get_all_start_methods() else None
    start = partial(signal.signal, signal.SIGINT, signal.SIG_IGN)
    return ProcessPoolExecutor(count, multiprocessing.get_context(method), initializer=start)


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _shown(made: Iterator[Made], items: int, what: str) -> Iterator[Made]:
    if not sys.stderr.isatty() or items < _WORTH_A_PROCESS:
        yield from made
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(what, total=items)
        for one in made:
            progress.advance(task, _CHUNK)
            yield one
