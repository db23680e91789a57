"""From the short stretches of a log to some thousands of averages, dense where it changes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.log_blocks import Lines, Stretches
from motorfit.bench.records import Blocks

#: So many averages share the samples of a log evenly, and as many more follow each quantity.
EVENLY = 2000

#: A change below so many standard deviations of its two averages is scatter.
_CLEAR = 3.0

#: Scatter below this part of the largest value is rounding of the computation.
_ROUNDING = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Averages:
    """The averages of a log; every array has shape (n,)."""

    rows: IntArray  # of the first sample of each
    time: FloatArray  # mean of its samples [s]
    readings: Mapping[str, FloatArray]  # at that time, by the line through the samples
    blocks: Blocks


def averages(log: Stretches, *, evenly: int = EVENLY) -> Averages:
    """Put neighbouring stretches together where nothing is lost by it.

    Every average covers at most one part in `evenly` of the samples; where a quantity
    changes fast they are shorter, down to a single stretch. None reaches across a gap.

    Parameters
    ----------
    log : Stretches
        At least one.
    evenly : int
        How many averages there would be of a log that changes evenly.
    """
    begins = np.flatnonzero(_beginnings(log, evenly))
    owner = np.repeat(np.arange(len(begins)), np.diff([*begins, len(log)]))
    size = np.add.reduceat(log.size, begins)
    time = np.add.reduceat(log.size * log.time, begins) / size
    near = 0.5 * float(np.median(np.diff(log.time))) if len(log) > 1 else 0.0
    merged = {name: _Merged.of(lines, begins, owner) for name, lines in log.lines.items()}
    return Averages(
        rows=log.rows[begins],
        time=time,
        readings={name: line.at(time, near) for name, line in merged.items()},
        blocks=Blocks(
            count=size,
            scatter={name: line.scatter() for name, line in merged.items()},
            correlation={name: line.correlation() for name, line in merged.items()},
            samples=int(size.sum()),
        ),
    )


def _beginnings(log: Stretches, evenly: int) -> BoolArray:
    """Tell the stretches with which an average begins."""
    together = -(-len(log) // evenly)  # the most stretches of one average
    place = np.arange(len(log))
    share, within = np.divmod(place, together)
    count = _counts(log.lines.values(), share, together, evenly)[share]
    number = within * count // together
    begins = np.ones(len(log), np.bool_)
    begins[1:] = (np.diff(share) > 0) | (np.diff(number) != 0) | (np.diff(log.part) != 0)
    return begins


def _counts(lines: Iterable[Lines], share: IntArray, most: int, evenly: int) -> IntArray:
    """How many averages each equal share of the log is worth, by how much changes in it."""
    number = int(share[-1]) + 1
    worth = np.zeros(number)
    begins = np.searchsorted(share, np.arange(number))
    for line in lines:
        count = np.add.reduceat(line.count, begins)
        value = np.add.reduceat(np.where(line.count > 0, line.count * line.value, 0.0), begins)
        squares = np.add.reduceat(line.squares, begins)
        seen = np.flatnonzero(count > 0)
        if len(seen) < 2:
            continue
        mean = value[seen] / count[seen]
        doubt = squares[seen] / count[seen] ** 2
        clear = np.abs(np.diff(mean)) - _CLEAR * np.sqrt(doubt[1:] + doubt[:-1])
        change = np.maximum(clear, 0.0)
        total = change.sum()
        if total > 0:
            either = np.append(change, 0.0) + np.append(0.0, change)
            worth[seen] = np.maximum(worth[seen], 0.5 * either / total)
    counts: IntArray = np.clip(np.ceil(evenly * worth), 1, most).astype(np.int64)
    return counts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Merged:
    """Lines through all samples of the averages of one quantity; shape (n,) each."""

    count: FloatArray
    time: FloatArray
    value: FloatArray
    slope: FloatArray
    spread: FloatArray
    squares: FloatArray
    pairs: FloatArray
    products: FloatArray

    @classmethod
    def of(cls, lines: Lines, begins: IntArray, owner: IntArray) -> _Merged:
        """What least squares through the samples gives, from the lines of their stretches."""

        def total(values: FloatArray) -> FloatArray:
            return np.asarray(np.add.reduceat(np.where(lines.count > 0, values, 0.0), begins))

        count = total(lines.count)
        with np.errstate(invalid="ignore"):
            time = total(lines.count * lines.time) / count
            value = total(lines.count * lines.value) / count
        away = lines.time - time[owner]
        above = lines.value - value[owner]
        spread = total(lines.spread + lines.count * away**2)
        rise = total(lines.slope * lines.spread + lines.count * away * above)
        slope = np.divide(rise, spread, out=np.zeros(len(begins)), where=spread > 0)
        level, tilt = above - slope[owner] * away, lines.slope - slope[owner]
        return cls(
            count=count,
            time=time,
            value=value,
            slope=slope,
            spread=spread,
            squares=total(lines.squares + lines.count * level**2 + tilt**2 * lines.spread),
            pairs=total(lines.pairs),
            products=total(_products(lines, level, tilt)),
        )

    def at(self, time: FloatArray, near: float) -> FloatArray:
        """The line at the middle of the average, of which a quantity may have fewer samples.

        NaN where all of these lie to one side, so that the line would have to be drawn out
        further than they spread and than `near`.
        """
        off = np.abs(time - self.time)
        with np.errstate(invalid="ignore"):
            spread = np.sqrt(self.spread / self.count)
            return np.where(
                off <= np.maximum(spread, near),
                self.value + self.slope * (time - self.time),
                np.nan,
            )

    def scatter(self) -> FloatArray:
        """Standard deviation about the line; the usual one where there are too few samples."""
        enough = self.count > 2
        if not enough.any():
            return np.zeros(len(self.count))
        scatter = np.sqrt(self.squares / np.where(enough, self.count - 2, 1.0))
        return np.where(enough, scatter, np.median(scatter[enough]))

    def correlation(self) -> float:
        """The usual correlation of neighbouring samples about the line.

        The median over the averages, so that one with a step in it does not decide; the
        two constants that were fitted to n samples take 2/n from it.
        """
        rounding = _ROUNDING * np.nanmax(np.abs(self.value), initial=0.0)
        seen = (self.squares > self.count * rounding**2) & (self.pairs >= 4)
        if not seen.any():
            return 0.0
        count, squares = self.count[seen], self.squares[seen]
        each = self.products[seen] / self.pairs[seen] / (squares / count)
        return float(np.clip(np.median(each + 2.0 / count), -1.0, 1.0))


def _products(lines: Lines, level: FloatArray, tilt: FloatArray) -> FloatArray:
    """Products of neighbouring residuals about a line that is off by a level and a tilt."""
    step = (lines.late - lines.early) / np.maximum(lines.pairs, 1.0)
    spread = lines.spread - 0.5 * (lines.early**2 + lines.late**2 + lines.pairs * step**2)
    last = lines.last * (level + tilt * (lines.late + step))
    first = lines.first * (level + tilt * (lines.early - step))
    line = lines.pairs * level**2 + tilt**2 * spread - level * tilt * (lines.early + lines.late)
    return np.asarray(lines.products + line - first - last)
