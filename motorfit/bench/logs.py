"""A log of millions of rows: read in pieces, and reduced to some thousands of averages.

Nothing of the file is kept but numbers of short stretches, so that memory does not grow
with the log beyond these. Pieces in which all is plain are read by pandas; any other piece
is read as a small sheet is, with the same messages.
"""

from __future__ import annotations

import hashlib
import os
from collections import deque
from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from motorfit.bench.columns import lay_out
from motorfit.bench.encoding import decode, read_beginning, read_pieces
from motorfit.bench.kinds import TestKind, drive_alone
from motorfit.bench.log_collect import CollectedLog
from motorfit.bench.log_layout import LogLayout, lay_out_log
from motorfit.bench.log_pieces import LogSizes, ReadLines, read_lines
from motorfit.bench.runs import SheetReadings, read_runs
from motorfit.bench.settings import SpeedTable
from motorfit.bench.shaft_remarks import shaft_remarks
from motorfit.bench.tables import split_table
from motorfit.meter import Instrument

_BEGINNINGS = (32_000, 256_000, 4_000_000)  # bytes, until a reading is among them
_HELPERS = 3  # threads beside the first, where there are processors for them

USUAL = LogSizes()


@dataclass(frozen=True, slots=True, kw_only=True)
class LogReadings:
    """What came out of a long log, and the digest of its file."""

    sheet: SheetReadings
    fingerprint: str


def read_log(
    path: Path,
    test: TestKind,
    *,
    speed: SpeedTable,
    instruments: Mapping[tuple[str, str], Instrument],
    sizes: LogSizes = USUAL,
) -> LogReadings | None:
    """Read a sheet that follows time and has very many rows.

    The readings of its run are averages over blocks of neighbouring samples, shorter
    where something changes fast; `Run.blocks` says of how many samples, how they scatter
    and how neighbours hang together. Spikes are left out of the averages, and no block
    reaches across a gap in time or a change of setting or direction.

    Parameters
    ----------
    path : Path
        The file.
    test, speed, instruments
        As for `motorfit.bench.runs.read_runs`.
    sizes : LogSizes, optional
        How the log is cut.

    Returns
    -------
    LogReadings or None
        None where the sheet is short, or so unusual that it has to be read in one.

    Raises
    ------
    BenchProblemsError, LocatedError
        With everything that is wrong with headers and cells, as far as the first
        twenty; the rest of a file with more is not read.
    """
    if not test.follows_time or not _may_be_long(path, sizes):
        return None
    log = _beginning(path, test, speed, instruments, sizes)
    if log is None:
        return None
    digest = hashlib.sha256()
    with path.open("rb") as file:
        digest.update(file.read(log.start))
    collected = CollectedLog(log=log, sizes=sizes)
    for content, piece in _in_turn(log, digest, collected.size, sizes):
        collected.add(content, piece)
        if collected.too_many_problems:
            break
    sheet = collected.readings(instruments)
    if sheet is None:
        return None
    return LogReadings(sheet=sheet, fingerprint=f"sha256:{digest.hexdigest()}")


def _may_be_long(path: Path, sizes: LogSizes) -> bool:
    """Whether a file is so large that it may have so many rows, of at least four bytes each."""
    try:
        return path.is_file() and path.stat().st_size > 4 * sizes.long
    except OSError:
        return False


def _beginning(
    path: Path,
    test: TestKind,
    speed: SpeedTable,
    instruments: Mapping[tuple[str, str], Instrument],
    sizes: LogSizes,
) -> LogLayout | None:
    """Lay out a log by its beginning; what is wrong with its headers is told at once."""
    for length in _BEGINNINGS:
        content = read_beginning(path, length)
        if not content or content.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in content:
            return None
        sheet = split_table(path, decode(path, content))
        if sheet is None or not len(sheet):
            continue
        if shaft_remarks(path, sheet.remarks, test).uncoupled:
            test = drive_alone(test)
        layout, problems = lay_out(sheet, test)
        if problems:
            read_runs(sheet, test, speed=speed, instruments=instruments)
        log = lay_out_log(path, content, sheet, layout, test, speed)
        if log is not None:
            rows = (path.stat().st_size - log.start) / log.line_length
            return log if rows > sizes.long else None
    return None


def _in_turn(
    log: LogLayout, digest: hashlib._Hash, size: int, sizes: LogSizes
) -> Iterator[tuple[bytes, ReadLines | None]]:
    """Read the pieces of a log in all threads, and yield them in the order of the file."""
    helpers = min(_processors() - 1, _HELPERS)
    waiting: deque[tuple[bytes, Future[ReadLines | None]]] = deque()
    with ThreadPoolExecutor(max(helpers, 1)) as pool:
        for content in read_pieces(log.path, log.start, sizes.piece):
            digest.update(content)
            busy = sum(not future.done() for _, future in waiting)
            if busy < 2 * helpers:
                waiting.append((content, pool.submit(read_lines, log, content, size)))
            else:
                here: Future[ReadLines | None] = Future()
                here.set_result(read_lines(log, content, size))
                waiting.append((content, here))
            while waiting and (waiting[0][1].done() or len(waiting) > 4 * (helpers + 1)):
                content, future = waiting.popleft()
                yield content, future.result()
        for content, future in waiting:
            yield content, future.result()


def _processors() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
