r"""One coast-down, reduced to its rate of falling at three values.

The shown quantity x of a coasting machine, speed or voltage, obeys
:math:`\dot x = -(d_0 + d_1 x + d_2 x^2)`, so that a log says no more than its rates at three
values of x, with their covariance. Everything that a log has of its own is dealt with here:
where the machine coasts and where it does not yet or no longer, spikes, the correlation of
neighbouring readings, ripple, the last digit. Gains and offsets of the meters are not: they
are shared with other tests.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.records import Run
from motorfit.estimation.coast_curve import CoastCurve, fit_curve
from motorfit.estimation.coast_trim import (
    FEWEST,
    SPIKE,
    TOO_SHORT,
    coasting_part,
)
from motorfit.estimation.correlated import CorrelatedFit, correlated_fit
from motorfit.estimation.ripple import ripple_columns
from motorfit.instruments import range_of
from motorfit.meter import Instrument

REPEATED = "repeated stamp"
BLANK = "blank"
BRUSHES = "brush drop no longer full"
NOT_FALLING = "it does not slow down"

#: The fit of the errors' correlation works on so many means of neighbouring readings at
#: most: a curve of four parameters loses nothing by it.
_MEANS = 160

#: From so many readings on three rates are fitted, and two below.
_THREE_RATES = 8

#: A reading this many robust standard deviations off the curve's neighbourhood is a spike.
_OFF = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Readings that do not count, and why."""

    reason: str
    count: int
    rows: tuple[int, ...]  # as a spreadsheet shows them


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Retardation:
    """A log of n readings, reduced to its rates at m values of the shown quantity x."""

    nodes: FloatArray  # (m,) descending, as shown: no calibration [x]
    rates: FloatArray  # (m,) dx/dt there, negative [x/s]
    covariance: FloatArray  # (m, m) of the rates, from the log alone [x2/s2]
    degrees_of_freedom: float  # of that covariance
    current: FloatArray | None  # (m,) size of the current at the nodes, where the log has one [A]
    kept: BoolArray  # (n,) readings that count
    left_out: tuple[LeftOut, ...]
    time: FloatArray  # (n,) since the first stamp [s]
    shown: FloatArray  # (n,) x, positive
    fitted: FloatArray  # (n,) NaN where left out
    residual: FloatArray  # (n,) shown less fitted, NaN where left out
    scatter: float  # standard deviation of a reading about the curve [x]
    correlation: float  # of neighbouring readings
    samples: int  # that count; of a reduced log those in its blocks
    effective: float  # so many independent ones would say as much
    curvature: float  # d2: negative where the loss bends the other way [1/(x s)]
    curvature_uncertainty: float
    misfit: float  # how surely the readings bend otherwise than three terms can [deviations]
    ripple: tuple[float, ...] = ()  # periods of the ripple that was allowed for [s]
    problem: str = ""  # why there are no rates

    def rate(self, x: FloatArray) -> FloatArray:
        """Rates at other values. [x/s]"""
        return CoastCurve(start=0.0, nodes=self.nodes, rates=self.rates).rate(x)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Kept:
    """The readings that count, from the first one on."""

    time: FloatArray  # (k,)
    x: FloatArray  # (k,)
    count: FloatArray  # (k,) samples in each
    step: float


def reduce_log(
    run: Run,
    quantity: Literal["voltage", "speed"],
    *,
    lag: float = 0.5,
    smallest: float | None = None,
    instrument: Instrument | None = None,
) -> Retardation:
    """Reduce the log of one coast-down to rates.

    Parameters
    ----------
    run : Run
        With readings of ``time`` and of the quantity.
    quantity : {"voltage", "speed"}
        What is looked at.
    lag : float
        Seconds that are left out behind the release, and before a stop: a few time
        constants of the meter. At most a quarter of the fall.
    smallest : float, optional
        Readings below are left out: the brush drop is not full there, for one.
    instrument : Instrument, optional
        What showed the quantity, for the size of its last digit; without it that of the
        written numbers.

    Returns
    -------
    Retardation
        With ``problem`` set and no nodes where there is nothing to be had.
    """
    time, x = run.get("time"), np.array(run.get(quantity))
    n = len(time)
    reasons = np.full(n, "", dtype=object)
    reasons[~(np.isfinite(time) & np.isfinite(x))] = BLANK
    time = time - (np.nanmin(time) if np.isfinite(time).any() else 0.0)
    if np.nanmedian(x) < 0.0 if np.isfinite(x).any() else False:
        x = -x
    stamps = _told_apart(time, reasons)
    step = _step_of(run, quantity, x, instrument)
    use = np.flatnonzero(reasons == "")
    found = coasting_part(stamps[use], x[use], step=step, lag=lag)
    reasons[use] = np.array(found.reasons, dtype=object) if len(use) else reasons[use]
    base = _nothing(run, time, x, reasons, found.problem)
    if found.problem:
        return base
    count = np.ones(n) if run.blocks is None else run.blocks.count.astype(float)
    return _reduced(run, base, stamps, count, reasons, step, smallest)


def _told_apart(time: FloatArray, reasons: np.ndarray) -> FloatArray:
    """Stamps that grow: of equal ones the first counts, or all where the clock is coarse."""
    use = np.flatnonzero(reasons == "")
    if len(use) < 2:
        return time
    t = time[use]
    fresh = np.concatenate([[True], np.diff(t) > 0.0])
    if np.mean(fresh) > 0.7:
        reasons[use[~fresh]] = REPEATED
        return time
    starts = np.flatnonzero(fresh)
    sizes = np.diff(np.concatenate([starts, [len(t)]]))
    widths = np.diff(t[starts])
    usual = float(np.median(widths)) if len(widths) else 1.0
    widths = np.minimum(np.concatenate([widths, [usual]]), usual)
    within = np.arange(len(t)) - np.repeat(starts, sizes)
    spread = np.array(time)
    spread[use] = t + within * np.repeat(widths / sizes, sizes)
    return spread


def _step_of(run: Run, quantity: str, x: FloatArray, instrument: Instrument | None) -> float:
    """One digit of the display over most of the log; zero where nobody knows."""
    written = run.written_step.get(quantity, np.nan)
    if instrument is None:
        return float(written) if np.isfinite(written) else 0.0
    steps, _ = range_of(x, instrument, written)
    known = steps[np.isfinite(steps)]
    return float(np.median(known)) if len(known) else 0.0


def _nothing(
    run: Run, time: FloatArray, x: FloatArray, reasons: np.ndarray, problem: str
) -> Retardation:
    n = len(time)
    return Retardation(
        nodes=np.empty(0),
        rates=np.empty(0),
        covariance=np.empty((0, 0)),
        degrees_of_freedom=0.0,
        current=None,
        kept=np.asarray(reasons == "", dtype=np.bool_) & (problem == ""),
        left_out=_told(reasons, run.rows),
        time=time,
        shown=x,
        fitted=np.full(n, np.nan),
        residual=np.full(n, np.nan),
        scatter=np.nan,
        correlation=np.nan,
        samples=0,
        effective=0.0,
        curvature=np.nan,
        curvature_uncertainty=np.nan,
        misfit=0.0,
        problem=problem,
    )


def _told(reasons: np.ndarray, rows: IntArray) -> tuple[LeftOut, ...]:
    found = []
    for reason in dict.fromkeys(text for text in reasons if text):
        where = np.flatnonzero(reasons == reason)
        found.append(
            LeftOut(
                reason=str(reason), count=len(where), rows=tuple(int(row) for row in rows[where])
            )
        )
    return tuple(found)


def _reduced(
    run: Run,
    base: Retardation,
    stamps: FloatArray,
    count: FloatArray,
    reasons: np.ndarray,
    step: float,
    smallest: float | None,
) -> Retardation:
    curve, kept, size = _curve_of(stamps, base.shown, count, reasons, step, smallest)
    if curve is None:
        return _nothing(run, base.time, base.shown, reasons, TOO_SHORT)
    floor = _floor(kept.x)
    fit = None
    periods: tuple[float, ...] = ()
    for _ in range(2):
        fit, periods = _refined(curve, kept, size, floor)
        curve = curve.moved(curve.parameters + fit.coefficients[-len(curve.parameters) :])
    m = len(curve.nodes)
    covariance = fit.covariance[-m:, -m:]
    if not np.all(np.isfinite(covariance)) or not np.all(np.isfinite(curve.rates)):
        return _nothing(run, base.time, base.shown, reasons, NOT_FALLING)
    if curve.rates.mean() > -1.0 * np.sqrt(covariance.mean()):
        return _nothing(run, base.time, base.shown, reasons, NOT_FALLING)
    nodes = _apart(curve, covariance, kept.x)
    weights = curve.weights(nodes)
    where = np.asarray(reasons == "", dtype=np.bool_)
    fitted = np.full(len(reasons), np.nan)
    fitted[where] = curve.at(kept.time, floor=floor)
    residual = base.shown - fitted
    bend = np.linalg.inv(np.vander(curve.nodes, m, increasing=True))[-1] if m == 3 else np.zeros(m)
    scatter, correlation, effective = _worth(residual[where] / size, kept, curve, fit, floor, size)
    return replace(
        base,
        nodes=nodes,
        rates=weights @ curve.rates,
        covariance=weights @ covariance @ weights.T,
        degrees_of_freedom=fit.degrees_of_freedom,
        current=_current_at(run, where, base.shown, nodes),
        kept=where,
        left_out=_told(reasons, run.rows),
        fitted=fitted,
        residual=residual,
        scatter=scatter,
        correlation=correlation,
        samples=int(kept.count.sum()),
        effective=effective,
        curvature=float(-bend @ curve.rates),
        curvature_uncertainty=float(np.sqrt(bend @ covariance @ bend)),
        misfit=_misfit(curve, kept, size, floor),
        ripple=periods,
    )


def _floor(x: FloatArray) -> float:
    return float(x.min() - 0.5 * np.ptp(x))


def _curve_of(
    stamps: FloatArray,
    x: FloatArray,
    count: FloatArray,
    reasons: np.ndarray,
    step: float,
    smallest: float | None,
) -> tuple[CoastCurve | None, _Kept, FloatArray]:
    """Least squares, again without what stands out of it or lies too low."""
    size = np.empty(0)
    for turn in range(3):
        use = np.flatnonzero(reasons == "")
        begin = stamps[use[0]] if len(use) else 0.0
        kept = _Kept(time=stamps[use] - begin, x=x[use], count=count[use], step=step)
        if len(use) < FEWEST:
            return None, kept, size
        rates = 3 if len(use) >= _THREE_RATES else 2
        if not len(size) or len(size) != len(use):
            size = np.ones(len(use))
        curve = fit_curve(kept.time, kept.x, np.sqrt(kept.count) / size, rates)
        fitted = curve.at(kept.time, floor=_floor(kept.x))
        off = kept.x - fitted
        size = _sizes(off, fitted, kept.count, step)
        if turn == 2:
            break
        spikes = _standing_out(off / size, step / float(np.median(size)))
        low = np.zeros(len(use), dtype=np.bool_)
        if smallest is not None and (fitted < smallest).any():
            low[np.argmax(fitted < smallest) :] = True
        reasons[use[spikes]] = SPIKE
        reasons[use[low]] = BRUSHES
    return curve, kept, size


def _standing_out(off: FloatArray, step: float) -> BoolArray:
    """Single readings far off their neighbours' residuals."""
    from scipy.ndimage import median_filter

    if len(off) < 12:
        return np.zeros(len(off), dtype=np.bool_)
    away = np.abs(off - median_filter(off, 5, mode="nearest"))
    usual = 1.4826 * float(np.median(away))
    return np.asarray(away > max(_OFF * usual, 2.0 * step) + 1e-12)


def _sizes(off: FloatArray, fitted: FloatArray, count: FloatArray, step: float) -> FloatArray:
    """Standard deviation of each reading: a constant part and one that grows with the value."""
    square = off**2
    grown = (fitted / np.abs(fitted).max()) ** 2
    design = np.column_stack([np.ones(len(off)), grown])
    least = max(step**2 / 12.0, 1e-12 * float(np.ptp(fitted)) ** 2)
    variance = np.full(len(off), max(float(np.mean(square)), least))
    for _ in range(4):
        found = _both_positive(design / variance[:, None], square / variance)
        variance = np.maximum(design @ found, least)
    return np.asarray(np.sqrt(variance))


def _both_positive(design: FloatArray, response: FloatArray) -> FloatArray:
    from scipy.optimize import nnls

    return np.asarray(nnls(design, response)[0])


def _refined(
    curve: CoastCurve, kept: _Kept, size: FloatArray, floor: float, bends: int = 0
) -> tuple[CorrelatedFit, tuple[float, ...]]:
    """Steps of the parameters, with errors that remember, on means of neighbours."""
    off = (kept.x - curve.at(kept.time, floor=floor)) / size
    slopes = curve.sensitivity(kept.time, floor=floor, bends=bends) / size[:, None]
    rows, time, count = _means(np.column_stack([slopes, off]), kept)
    lines, periods = ripple_columns(time, rows[:, :-1], rows[:, -1])
    own = 1 + len(curve.nodes)
    least = kept.step / np.sqrt(12.0) / float(np.median(size)) / np.sqrt(count.mean())
    fit = correlated_fit(
        np.column_stack([lines, rows[:, own:-1], rows[:, :own]]),
        rows[:, -1],
        time,
        size=np.ones(len(time)),
        count=count / count.mean(),
        least=least if kept.count.max() == 1.0 else 0.0,
        ignore=lines.shape[1] + bends + 1,
    )
    return fit, periods


def _means(rows: FloatArray, kept: _Kept) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means of neighbouring readings, weighted by their samples."""
    starts = np.arange(0, len(rows), -(-len(rows) // _MEANS))
    count = np.add.reduceat(kept.count, starts)
    weighted = np.add.reduceat(rows * kept.count[:, None], starts, axis=0)
    time = np.add.reduceat(kept.time * kept.count, starts) / count
    return weighted / count[:, None], time, count


def _apart(curve: CoastCurve, covariance: FloatArray, x: FloatArray) -> FloatArray:
    """Values in the range whose rates are least correlated, descending."""
    grid = np.linspace(float(x.max()), float(x.min()), 41)
    m = len(curve.nodes)
    weights = curve.weights(grid)
    spread = weights @ covariance @ weights.T
    sigma = np.sqrt(np.diag(spread))
    square = (spread / np.outer(sigma, sigma)) ** 2
    if m == 2:
        i, j = np.unravel_index(int(np.argmin(square)), square.shape)
        return grid[np.sort([i, j])]
    total = square[:, :, None] + square[None, :, :] + square[:, None, :]
    best = np.unravel_index(int(np.argmin(total)), total.shape)
    return grid[np.sort(np.array(best))]


def _worth(
    off: FloatArray,
    kept: _Kept,
    curve: CoastCurve,
    fit: CorrelatedFit,
    floor: float,
    size: FloatArray,
) -> tuple[float, float, float]:
    """Scatter of a reading, correlation of neighbours, number of independent samples."""
    n, m = len(off), len(curve.nodes)
    free = max(n - m - 1, 1)
    variance = float(off @ off) / free
    rho = _neighbours(off, m + 1)
    slopes = curve.sensitivity(kept.time, floor=floor) / size[:, None]
    independent = variance * np.linalg.inv(slopes.T @ slopes)
    ratio = np.linalg.solve(independent[-m:, -m:], fit.covariance[-m:, -m:])
    inflation = float(np.trace(ratio)) / m
    scatter = float(np.sqrt(variance * np.mean(size**2)))
    return scatter, rho, float(kept.count.sum()) / max(inflation, 1.0)


def _neighbours(off: FloatArray, terms: int) -> float:
    """Correlation of neighbouring residuals, less what the fitted curve took out of it.

    A smooth curve takes from an autoregressive series the share ``terms (1 + r)/(1 - r)/n``
    of its squares and of the products of neighbours alike.
    """
    n = len(off)
    seen = float(off[1:] @ off[:-1]) / max(float(off @ off), 1e-300)
    rho = seen
    for _ in range(30):
        taken = min(terms * (1.0 + rho) / (1.0 - rho) / n, 0.9)
        rho = float(np.clip(seen * (1.0 - taken) + taken, -0.99, 0.99))
    return rho


def _misfit(curve: CoastCurve, kept: _Kept, size: FloatArray, floor: float) -> float:
    """How surely further terms of the rate are not zero, as deviations of the normal law."""
    from scipy.special import fdtrc, ndtri

    if len(curve.nodes) < 3 or len(kept.x) < 12:
        return 0.0
    bends = 2
    fit, periods = _refined(curve, kept, size, floor, bends)
    where = slice(2 * len(periods), 2 * len(periods) + bends)
    b = fit.coefficients[where]
    ratio = float(b @ np.linalg.solve(fit.covariance[where, where], b)) / bends
    chance = float(fdtrc(bends, fit.degrees_of_freedom, ratio))
    return float(-ndtri(0.5 * max(chance, 1e-300)))


def _current_at(run: Run, where: BoolArray, x: FloatArray, nodes: FloatArray) -> FloatArray | None:
    """Size of the logged current at the nodes, by a smooth curve over x."""
    current = np.abs(run.get("current"))
    known = where & np.isfinite(current)
    if known.sum() < FEWEST:
        return None
    middle, half = float(np.mean(x[known])), float(np.ptp(x[known])) or 1.0
    design = np.vander((x[known] - middle) / half, 3)
    found = np.linalg.lstsq(design, current[known], rcond=None)[0]
    return np.asarray(np.vander((nodes - middle) / half, 3) @ found)
