"""Pieces of a long log, as stretches that can be joined."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.log_averages import EVENLY
from motorfit.bench.log_blocks import Stretches, is_gap, stretches, usual_step
from motorfit.bench.log_layout import LogLayout, ObjectArray, read_plain
from motorfit.bench.records import ExcludedRow

#: A sheet with more rows than this is read as a log.
LONG = 20_000

_PIECE = 3_000_000  # bytes; larger ones leave the cache
_SHORTEST = 8  # samples of a stretch
_STRETCHES = 100_000  # of a whole log


@dataclass(frozen=True, slots=True, kw_only=True)
class LogSizes:
    """How a log is cut: from which size on, and into what."""

    long: int = LONG  # rows
    piece: int = _PIECE  # bytes
    stretches: int = _STRETCHES
    shortest: int = _SHORTEST  # samples of a stretch
    evenly: int = EVENLY  # averages of a log that changes evenly


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """A piece of a log as stretches, with what is needed to join it to the next."""

    stretches: Stretches
    first: float  # times of its first and last sample [s]
    last: float
    step: float  # a usual one [s]
    decimals: Mapping[str, int]
    marks: tuple[tuple[int, str, str], ...]  # row, setting, direction: the first, each change
    notes: tuple[tuple[int, str], ...]  # row and note: the first, each change


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadLines:
    """Plain lines of a log as a piece; none where no reading that counts is among them."""

    lines: int
    piece: Piece | None
    excluded: tuple[ExcludedRow, ...]


def read_lines(log: LogLayout, content: bytes, size: int) -> ReadLines | None:
    """Read some lines of a log into stretches; None where they need a closer look."""
    plain = read_plain(log, content)
    if plain is None:
        return None
    piece = cut(
        log, plain.rows, plain.time, plain.columns, plain.texts, decimals=plain.decimals, size=size
    )
    return ReadLines(lines=plain.lines, piece=piece, excluded=plain.excluded)


def cut(
    log: LogLayout,
    rows: IntArray,
    time: FloatArray,
    columns: Mapping[str, FloatArray],
    texts: Mapping[str, ObjectArray],
    *,
    decimals: Mapping[str, int],
    size: int,
) -> Piece | None:
    """Cut what was read into stretches; None where there is nothing to cut."""
    if not len(time):
        return None
    steps = np.diff(time)
    middle = float(np.median(steps[:: max(1, len(steps) // 512)])) if len(steps) else 0.0
    marks, starts = _marks(rows, texts)
    if len(steps) and not 0 < float(steps.max()) <= 5 * middle:
        middle = usual_step(steps)
        starts = np.union1d(starts, np.flatnonzero(is_gap(steps, middle)) + 1)
    written = {
        name: 10.0 ** -log.decimals[name] * abs(log.places[name].factor)
        for name in columns
        if name in log.decimals
    }
    return Piece(
        stretches=stretches(rows, time, columns, size=size, steps=written, starts=starts),
        first=float(time[0]),
        last=float(time[-1]),
        step=middle,
        decimals=decimals,
        marks=marks,
        notes=_notes(rows, texts),
    )


def _marks(
    rows: IntArray, texts: Mapping[str, ObjectArray]
) -> tuple[tuple[tuple[int, str, str], ...], IntArray]:
    """Setting and direction of the first reading and from each change on, and its place."""
    pair = [texts[name] for name in ("setting", "direction") if name in texts]
    changes = np.any([each[1:] != each[:-1] for each in pair], axis=0) if pair else ()
    places = np.flatnonzero(changes) + 1

    def text(name: str, place: int) -> str:
        return str(texts[name][place]) if name in texts else ""

    marks = tuple(
        (int(rows[place]), text("setting", place), text("direction", place))
        for place in (0, *places.tolist())
    )
    return marks, places


def _notes(rows: IntArray, texts: Mapping[str, ObjectArray]) -> tuple[tuple[int, str], ...]:
    if "note" not in texts:
        return ((int(rows[0]), ""),)
    notes = texts["note"]
    places = np.flatnonzero(np.append(True, notes[1:] != notes[:-1]))
    return tuple((int(rows[place]), str(notes[place])) for place in places.tolist())
