"""Pieces of a long log, as stretches that can be joined."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.log_averages import EVENLY
from motorfit.bench.log_blocks import Stretches, is_gap, stretches, usual_step
from motorfit.bench.log_layout import LogLayout, read_plain

#: A sheet with more rows than this is read as a log.
LONG = 20_000

_PIECE = 4_000_000  # bytes
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

    lines: int
    stretches: Stretches
    first: float  # times of its first and last sample [s]
    last: float
    step: float  # a usual one [s]
    decimals: Mapping[str, int]


def plain_piece(log: LogLayout, content: bytes, size: int) -> Piece | None:
    """Read some lines of a log into stretches; None where they need a closer look."""
    plain = read_plain(log, content)
    if plain is None:
        return None
    return cut(log, plain.lines, plain.rows, plain.time, plain.columns, plain.decimals, size)


def cut(
    log: LogLayout,
    lines: int,
    rows: IntArray,
    time: FloatArray,
    columns: Mapping[str, FloatArray],
    decimals: Mapping[str, int],
    size: int,
    starts: IntArray | None = None,
) -> Piece | None:
    """Cut what was read into stretches; None where there is nothing to cut."""
    if not len(time):
        return None
    steps = np.diff(time)
    middle = float(np.median(steps[:: max(1, len(steps) // 512)])) if len(steps) else 0.0
    if starts is not None or (len(steps) and not 0 < float(steps.max()) <= 5 * middle):
        middle = usual_step(steps)
        gaps = np.flatnonzero(is_gap(steps, middle)) + 1
        starts = gaps if starts is None else np.union1d(gaps, starts)
    written = {
        name: 10.0 ** -log.decimals[name] * abs(log.places[name].factor)
        for name in columns
        if name in log.decimals
    }
    return Piece(
        lines=lines,
        stretches=stretches(rows, time, columns, size=size, steps=written, starts=starts),
        first=float(time[0]),
        last=float(time[-1]),
        step=middle,
        decimals=decimals,
    )
