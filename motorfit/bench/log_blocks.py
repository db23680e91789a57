"""Short stretches of a long log: a straight line through each, without the odd spike.

A stretch keeps what later steps need of its samples, so that neighbouring stretches can be
put together as if the samples were still there.

Its limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray

#: A sample so many robust standard deviations from its stretch's line is a spike.
_SPIKE = 6.0
_MAD = 1.4826  # standard deviation over median absolute deviation of normal scatter

#: A step of time longer than so many usual ones is a gap; one in this share may be one.
_GAP, _GAP_SHARE = 5.0, 0.002


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """A straight line against time through each stretch, of one quantity; shape (n,) each.

    A stretch without samples of the quantity has a count of 0 and NaN for its value.
    """

    count: FloatArray  # samples
    time: FloatArray  # their mean [s]
    value: FloatArray  # their mean
    slope: FloatArray
    spread: FloatArray  # sum of squares of time about its mean
    squares: FloatArray  # sum of squares about the line
    pairs: FloatArray  # neighbouring samples
    products: FloatArray  # sum over them of the products of their residuals
    first: FloatArray  # residual of the first sample
    last: FloatArray
    early: FloatArray  # time of the first sample from the mean
    late: FloatArray

    def chosen(self, which: IntArray) -> Lines:
        """Those of some of the stretches."""
        return Lines(**{each.name: getattr(self, each.name)[which] for each in fields(self)})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """Consecutive stretches of a log, none across a gap; every array has shape (n,)."""

    rows: IntArray  # of the first sample of each
    size: IntArray  # samples
    time: FloatArray  # their mean [s]
    part: IntArray  # number of the part between gaps that it belongs to, counting from 0
    lines: Mapping[str, Lines]
    spikes: Mapping[str, int]  # samples left out

    def __len__(self) -> int:
        return len(self.rows)


def usual_step(steps: FloatArray) -> float:
    """Longest of the steps of time that are usual in a log; 0 where it has none.

    Repeated stamps are no steps, and a few in a thousand may be gaps.
    """
    real = steps[steps > 0]
    if not len(real):
        return 0.0
    rank = int((1.0 - _GAP_SHARE) * (len(real) - 1))
    return float(np.partition(real, rank)[rank])


def is_gap(step: FloatArray | float, usual: float) -> BoolArray:
    """Tell steps of time that are several usual ones."""
    return np.asarray(np.asarray(step) > _GAP * usual) if usual > 0 else np.zeros_like(step, bool)


def stretches(
    rows: IntArray,
    time: FloatArray,
    columns: Mapping[str, FloatArray],
    *,
    size: int,
    steps: Mapping[str, float],
    starts: IntArray | None = None,
) -> Stretches:
    """Cut a piece of a log into stretches of equally many samples.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        The row of each sample in its file.
    time : ndarray, shape (n,)
        Finite, not running backwards. [s]
    columns : mapping of str to ndarray, shape (n,) each
        NaN where nothing was written.
    size : int
        Samples in a stretch; the last of a part may be shorter.
    steps : mapping of str to float
        The written step of each column: scatter below it is rounding, not a measure of spikes.
    starts : ndarray of int, optional
        Where a new part of the log begins, behind a gap; nothing is averaged across.

    Returns
    -------
    Stretches
        In the order of time.
    """
    inner = np.empty(0, np.int64) if starts is None else starts[(starts > 0) & (starts < len(time))]
    bounds = np.concatenate([[0], inner, [len(time)]]).astype(np.int64)
    pieces: list[Stretches] = []
    for grid in _grids(bounds, size):
        moments = _Moments.of(grid.of(time))
        lines: dict[str, Lines] = {}
        spikes: dict[str, int] = {}
        for name, values in columns.items():
            lines[name], spikes[name] = _clean_lines(
                moments, grid.of(values), grid.mask, 0.5 * steps.get(name, 0.0)
            )
        pieces.append(
            Stretches(
                rows=rows[grid.begins],
                size=grid.counts,
                time=_means(moments.time, grid.mask),
                part=np.searchsorted(bounds, grid.begins, side="right") - 1,
                lines=lines,
                spikes=spikes,
            )
        )
    return joined(pieces, [False] * len(pieces), renumber=False)


def joined(
    pieces: Sequence[Stretches], behind_gap: Sequence[bool], *, renumber: bool = True
) -> Stretches:
    """Put pieces of a log one behind the other.

    Parameters
    ----------
    pieces : sequence of Stretches
        At least one, in the order of time.
    behind_gap : sequence of bool
        Whether a new part of the log begins with each.
    renumber : bool
        Whether the parts of each piece count from 0.
    """
    part, before = [], 0
    for piece, new in zip(pieces, behind_gap, strict=True):
        before += int(new)
        part.append(piece.part + before if renumber else piece.part)
        before += int(piece.part[-1]) if renumber and len(piece) else 0
    names = pieces[0].lines
    return Stretches(
        rows=np.concatenate([piece.rows for piece in pieces]),
        size=np.concatenate([piece.size for piece in pieces]),
        time=np.concatenate([piece.time for piece in pieces]),
        part=np.concatenate(part),
        lines={name: _joined_lines([piece.lines[name] for piece in pieces]) for name in names},
        spikes={name: sum(piece.spikes[name] for piece in pieces) for name in names},
    )


def _joined_lines(lines: Sequence[Lines]) -> Lines:
    return Lines(
        **{
            each.name: np.concatenate([getattr(line, each.name) for line in lines])
            for each in fields(Lines)
        }
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Grid:
    """Samples laid out with one stretch a line; where they differ in length, with a mask."""

    begins: IntArray
    counts: IntArray
    index: IntArray | slice
    mask: BoolArray | None

    def of(self, values: FloatArray) -> FloatArray:
        taken = values[self.index]
        return taken if self.mask is not None else taken.reshape(len(self.begins), -1)


def _grids(bounds: IntArray, size: int) -> Iterator[_Grid]:
    if len(bounds) > 2:
        yield _ragged(bounds, size)
        return
    end = int(bounds[-1])
    whole = end // size * size
    for begin, stop, width in ((0, whole, size), (whole, end, end - whole)):
        if stop > begin:
            begins = np.arange(begin, stop, width)
            yield _Grid(
                begins=begins,
                counts=np.full(len(begins), width),
                index=slice(begin, stop),
                mask=None,
            )


def _ragged(bounds: IntArray, size: int) -> _Grid:
    lengths = np.diff(bounds)
    numbers = -(-lengths // size)
    part = np.repeat(np.arange(len(lengths)), numbers)
    within = np.arange(len(part)) - np.repeat(np.cumsum(numbers) - numbers, numbers)
    begins = bounds[part] + within * size
    counts = np.minimum(size, bounds[part + 1] - begins)
    places = np.arange(size)
    mask = places < counts[:, None]
    index = np.where(mask, begins[:, None] + places, begins[:, None])
    return _Grid(begins=begins, counts=counts, index=index, mask=mask)


def _means(values: FloatArray, mask: BoolArray | None) -> FloatArray:
    if mask is None:
        return np.asarray(values.mean(axis=1))
    return np.asarray(np.where(mask, values, 0.0).sum(axis=1) / mask.sum(axis=1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moments:
    """Times of samples, a stretch a line, with what every quantity needs of them."""

    time: FloatArray
    mean: FloatArray
    from_mean: FloatArray
    spread: FloatArray

    @classmethod
    def of(cls, time: FloatArray) -> _Moments:
        mean = time.mean(axis=1)
        from_mean = time - mean[:, None]
        spread = np.einsum("ij,ij->i", from_mean, from_mean)
        return cls(time=time, mean=mean, from_mean=from_mean, spread=spread)


def _clean_lines(
    moments: _Moments, values: FloatArray, mask: BoolArray | None, rounding: float
) -> tuple[Lines, int]:
    """Lines through the samples that are no spikes, and how many are."""
    if not np.isfinite(values.sum()):
        written = np.isfinite(values)
        mask = written if mask is None else mask & written
    time = moments.time
    lines, worst = _plain_lines(moments, values) if mask is None else _lines(time, values, mask)
    usual = _usual_scatter(lines)
    odd = _perhaps_with_spikes(lines, worst, usual, rounding)
    if not len(odd):
        return lines, 0
    here = np.ones(values[odd].shape, np.bool_) if mask is None else mask[odd]
    kept = here & ~_spikes(time[odd], values[odd], here, max(usual, rounding))
    lost = int(here.sum() - kept.sum())
    if not lost:
        return lines, 0
    mended, _ = _lines(time[odd], values[odd], kept)
    for each in fields(Lines):
        getattr(lines, each.name)[odd] = getattr(mended, each.name)
    return lines, lost


def _usual_scatter(lines: Lines) -> float:
    """Scatter of the middle one of the stretches; 0 where none has enough samples."""
    enough = lines.count > 2
    if not enough.any():
        return 0.0
    return float(np.sqrt(np.median(lines.squares[enough] / (lines.count[enough] - 2.0))))


def _perhaps_with_spikes(
    lines: Lines, worst: FloatArray, usual: float, rounding: float
) -> IntArray:
    """Find the few stretches worth a closer look: a far sample, or far more scatter than usual."""
    square = lines.squares / np.maximum(lines.count, 1.0)
    far = worst**2 > np.minimum(16.0, 0.6 * lines.count) * square
    wide = square > 9.0 * usual**2
    possible = (lines.count >= 5) & (worst > _SPIKE * max(rounding, 0.5 * usual))
    return np.flatnonzero((far | wide) & possible)


def _spikes(time: FloatArray, values: FloatArray, mask: BoolArray, smallest: float) -> BoolArray:
    """Samples far from the line through the medians of both halves of their stretch.

    In a few samples the median deviation is small by chance: the scale has a smallest size.
    """
    shown = np.where(mask, values, np.nan)
    half = values.shape[1] // 2
    moments = np.where(mask, time, np.nan)
    rise, run = (_medians(each[:, half:]) - _medians(each[:, :half]) for each in (shown, moments))
    slope = np.divide(rise, run, out=np.zeros_like(rise), where=np.abs(run) > 0)
    slope[~np.isfinite(slope)] = 0.0
    level = shown - slope[:, None] * (moments - _medians(moments)[:, None])
    off = np.abs(level - _medians(level)[:, None])
    scale = np.maximum(_MAD * _medians(off), smallest)
    with np.errstate(invalid="ignore"):
        return np.asarray(mask & (off > _SPIKE * scale[:, None]) & (scale[:, None] >= 0))


def _medians(values: FloatArray) -> FloatArray:
    """Median of each line, NaN where it is empty."""
    ordered = np.sort(values, axis=1)  # NaN last
    count = np.isfinite(values).sum(axis=1)
    line = np.arange(len(values))
    low, high = np.maximum(count - 1, 0) // 2, np.maximum(count, 1) // 2
    if not values.shape[1]:
        return np.full(len(values), np.nan)
    return np.asarray(0.5 * (ordered[line, low] + ordered[line, np.minimum(high, low + 1)]))


def _plain_lines(moments: _Moments, values: FloatArray) -> tuple[Lines, FloatArray]:
    """Lines where every sample counts, and the size of the largest residual."""
    height, width = values.shape
    means = values.mean(axis=1)
    from_mean, spread = moments.from_mean, moments.spread
    residual = values - means[:, None]
    cross = np.einsum("ij,ij->i", from_mean, residual)
    slope = np.divide(cross, spread, out=np.zeros(height), where=spread > 0)
    residual -= slope[:, None] * from_mean
    lines = Lines(
        count=np.full(height, float(width)),
        time=moments.mean.copy(),
        value=means,
        slope=slope,
        spread=spread.copy(),
        squares=np.einsum("ij,ij->i", residual, residual),
        pairs=np.full(height, float(width - 1)),
        products=np.einsum("ij,ij->i", residual[:, 1:], residual[:, :-1]),
        first=residual[:, 0].copy(),
        last=residual[:, -1].copy(),
        early=from_mean[:, 0].copy(),
        late=from_mean[:, -1].copy(),
    )
    return lines, np.maximum(residual.max(axis=1), -residual.min(axis=1))


def _lines(time: FloatArray, values: FloatArray, mask: BoolArray) -> tuple[Lines, FloatArray]:
    """Lines through the samples of a mask, and the size of the largest residual."""
    count = mask.sum(axis=1).astype(np.float64)
    shares = np.maximum(count, 1.0)
    moments = np.where(mask, time, 0.0).sum(axis=1) / shares
    means = np.where(mask, values, 0.0).sum(axis=1) / shares
    from_mean = np.where(mask, time - moments[:, None], 0.0)
    plain, worst = _plain_lines(
        _Moments.of(from_mean), np.where(mask, values - means[:, None], 0.0)
    )
    residual = np.where(mask, values - means[:, None] - plain.slope[:, None] * from_mean, 0.0)
    both = mask[:, 1:] & mask[:, :-1]
    lines = replace(
        plain,
        count=count,
        time=moments,
        value=np.where(count > 0, means, np.nan),
        squares=np.einsum("ij,ij->i", residual, residual),
        pairs=both.sum(axis=1).astype(np.float64),
        products=np.einsum("ij,ij->i", residual[:, 1:], residual[:, :-1]),
    )
    return lines, worst
