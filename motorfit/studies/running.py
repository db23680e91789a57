"""Many benches, a few at a time, on all cores: shared by the studies."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import TypeVar

Task = TypeVar("Task")
Done = TypeVar("Done")

#: Benches that a process takes at a time.
_HANDFUL = 5

#: Handfuls that wait for each process: what is ahead of the slowest bench stays small.
_AHEAD = 4


def run_all(
    one: Callable[[Task], Done], tasks: Iterable[Task], *, processes: int = 1
) -> Iterator[Done]:
    """Do every task, results in the order of the tasks whatever the number of processes.

    Parameters
    ----------
    one : callable
        Does one task; with several processes it is pickled.
    tasks : iterable
        Taken as they are needed.
    processes : int
        How many run at a time; with one, all happens in this one.

    Yields
    ------
    Whatever ``one`` gives.
    """
    if processes == 1:
        yield from map(one, tasks)
        return
    from collections import deque
    from concurrent.futures import Future, ProcessPoolExecutor
    from multiprocessing import get_context

    rest, waiting = iter(tasks), deque[Future[list[Done]]]()
    with (
        _one_thread_each(),
        ProcessPoolExecutor(
            processes, mp_context=get_context("spawn"), initializer=_leave_stopping_to_the_parent
        ) as pool,
    ):
        while True:
            while len(waiting) < processes * _AHEAD and (handful := list(islice(rest, _HANDFUL))):
                waiting.append(pool.submit(_each, one, handful))
            if not waiting:
                return
            yield from waiting.popleft().result()


def _each(one: Callable[[Task], Done], handful: Sequence[Task]) -> list[Done]:
    return [one(task) for task in handful]


def _leave_stopping_to_the_parent() -> None:
    """Ctrl-C reaches every process of a terminal; one message is enough."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Started processes inherit this; the matrices are too small to share one's work."""
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
    missing = [name for name in names if name not in os.environ]
    os.environ.update(dict.fromkeys(missing, "1"))
    try:
        yield
    finally:
        for name in missing:
            del os.environ[name]


def shown(done: Iterable[Done], total: int, words: str) -> Iterable[Done]:
    """The same with a progress bar on a terminal, and nothing when piped."""
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)
    if not console.is_terminal:  # a bar that is switched off still ends its line
        return done
    return track(done, words, total=total, console=console)


def commit() -> str:
    """The commit of the clone that this runs from; "" outside of one.

    With changes that are not in it, it ends in a plus sign.
    """
    here = Path(__file__).parent
    try:
        name = _git(here, "rev-parse", "--short", "HEAD")
        return name + ("+" if _git(here, "status", "--porcelain", "--", ".") else "")
    except (OSError, subprocess.CalledProcessError):
        return ""


def _git(folder: Path, *words: str) -> str:
    package = folder.parent
    asked = ["git", "-C", str(package), *words]
    return subprocess.run(asked, check=True, capture_output=True, text=True).stdout.strip()
