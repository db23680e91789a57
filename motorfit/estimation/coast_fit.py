"""The curve through what a log has of the fall, and how well that is known.

Its limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from motorfit.arrays import BoolArray, FloatArray
from motorfit.estimation.coast_curve import CoastCurve, Sampled, fit_curve
from motorfit.estimation.coast_trim import (
    ENGAGED,
    FEWEST,
    SPIKE,
    STANDING,
    off_neighbours,
    running_median,
)
from motorfit.estimation.correlated import CorrelatedFit, correlated_fit
from motorfit.estimation.ripple import Ripple, ripple_of

BELOW_SMALLEST = "brush drop may fade"

#: The errors' correlation is looked for in so many means of neighbouring readings at most: a
#: curve of four parameters loses nothing by it.
_MEANS = 500

#: Means of more readings than this are taken as means of so many.
_MOST_AVERAGED = 30

#: From so many readings on three rates are fitted, and two below.
_THREE_RATES = 8

#: A reading so many robust standard deviations off its neighbours' residuals is a spike; one
#: of a row at either end so far off the curve does not belong to the fall.
_OFF = 6.0

#: So many readings tell what is usual about one of them, odd.
_NEIGHBOURHOOD = 57

#: What is off by a smaller share of the range is no reason to leave a reading out.
_NO_MATTER = 1e-5

#: Readings of a running median, odd.
_STEADIED = 5

#: Fits at most, each without what stood out of the one before.
_ROUNDS = 4

#: Terms beyond the three that are looked for, for the misfit.
_BENDS = 2


@dataclass(frozen=True, kw_only=True, eq=False)
class CoastFit:
    """A curve through k readings, with their sizes."""

    curve: CoastCurve
    where: Sampled  # the instants
    time: FloatArray  # (k,) from the first of them on [s]
    x: FloatArray  # (k,)
    count: FloatArray  # (k,) samples that each is the mean of
    size: FloatArray  # (k,) standard deviation of one such sample, up to a factor [x]
    step: float  # one digit of the display [x]

    @cached_property
    def weight(self) -> FloatArray:
        """Of each residual: relative to its standard deviation, (k,)."""
        return np.asarray(np.sqrt(self.count / self.count.mean()) / self.size)

    @cached_property
    def off(self) -> FloatArray:
        """Shown less fitted, (k,)."""
        return self.x - self.curve.sampled(self.where)


def fit_fall(
    stamps: FloatArray,
    x: FloatArray,
    count: FloatArray,
    reasons: NDArray[np.object_],
    *,
    step: float,
    smallest: float | None,
) -> CoastFit | None:
    """Least squares, again and again without what stands out.

    Parameters
    ----------
    stamps, x, count : ndarray, shape (n,)
        Instants [s], what was shown, and the samples that each is the mean of.
    reasons : ndarray of str, shape (n,)
        "" where a reading counts. Those found on the way are added in place.
    step : float
        One digit of the display.
    smallest : float, optional
        Readings from where the curve is below this do not count.

    Returns
    -------
    CoastFit or None
        None where too few readings are left, or no curve goes through them.
    """
    fit = None
    if smallest is not None:
        _leave_out_low(x, reasons, smallest)
    for turn in range(_ROUNDS):
        use = np.flatnonzero(reasons == "")
        if len(use) < FEWEST:
            return None
        fit = _fitted(stamps[use] - stamps[use[0]], x[use], count[use], step, fit)
        if not fit.curve.is_sound(fit.where):
            return None
        if turn == _ROUNDS - 1 or not _leave_out(fit, use, reasons, smallest):
            break
    return fit


def _leave_out_low(x: FloatArray, reasons: NDArray[np.object_], smallest: float) -> None:
    """Mark what lies well below the smallest: its bend would spoil the first curve."""
    use = np.flatnonzero(reasons == "")
    low = running_median(x[use], _STEADIED) < smallest if len(use) else np.zeros(0, dtype=bool)
    if low.any():
        reasons[use[int(np.argmax(low)) :]] = BELOW_SMALLEST


def _fitted(
    time: FloatArray, x: FloatArray, count: FloatArray, step: float, last: CoastFit | None
) -> CoastFit:
    """By sizes that are known from the fit before; twice, where there was none."""
    size = np.ones(len(x)) if last is None else np.interp(-x, -last.x[::-1], last.size[::-1])
    rates = 3 if len(x) >= _THREE_RATES else 2
    for _ in range(2):
        curve, where = fit_curve(time, x, np.sqrt(count) / size, rates)
        fitted = curve.sampled(where)
        size = _sizes((x - fitted) * np.sqrt(count / count.mean()), fitted, step)
    return CoastFit(curve=curve, where=where, time=time, x=x, count=count, size=size, step=step)


def _sizes(off: FloatArray, fitted: FloatArray, step: float) -> FloatArray:
    """Standard deviation of each reading: a constant part and one that grows with the value."""
    from scipy.optimize import nnls

    square = np.minimum(off**2, 12.0 * float(np.median(off**2)) + step**2)  # spikes aside
    design = np.column_stack([np.ones(len(off)), (fitted / np.abs(fitted).max()) ** 2])
    least = max(step**2 / 12.0, 1e-12 * float(np.ptp(fitted)) ** 2)
    variance = np.full(len(off), max(float(np.mean(square)), least))
    for _ in range(4):
        found, _ = nnls(design / variance[:, None], square / variance)
        variance = np.maximum(design @ found, least)
    return np.asarray(np.sqrt(variance))


def _leave_out(
    fit: CoastFit, use: NDArray[np.int64], reasons: NDArray[np.object_], smallest: float | None
) -> bool:
    """Mark what stands out, and say whether anything did."""
    off = fit.off * fit.weight
    least = max(2.0 * fit.step, _NO_MATTER * float(np.ptp(fit.x))) * float(np.median(fit.weight))
    found = np.full(len(use), "", dtype=object)
    found[_standing_out(fit.time, off, least)] = SPIKE
    head, tail = _astray(off, least)
    found[:head], found[len(use) - tail :] = ENGAGED, STANDING
    fitted = fit.x - fit.off
    if smallest is not None and (fitted < smallest).any():
        found[int(np.argmax(fitted < smallest)) :] = BELOW_SMALLEST
    reasons[use] = found
    return bool(np.any(found != ""))


def _standing_out(time: FloatArray, off: FloatArray, least: float) -> BoolArray:
    """Single readings far off their neighbours' residuals."""
    if len(off) < 12:
        return np.zeros(len(off), dtype=np.bool_)
    away = np.abs(off_neighbours(time, off))
    # the sizes of the readings are known roughly: what is usual at the top is not at the bottom
    near = median_filter(away, _NEIGHBOURHOOD, mode="nearest")
    usual = 1.4826 * np.maximum(near, np.median(away))
    return np.asarray(away > np.maximum(_OFF * usual, least))


def _astray(off: FloatArray, least: float) -> tuple[int, int]:
    """How many readings at the head and at the tail are off the curve in one go."""
    if len(off) < 12:
        return 0, 0
    far = np.abs(off) > max(_OFF * 1.4826 * float(np.median(np.abs(off))), least)
    most = len(off) // 4
    return min(int(np.argmin(far)), most), min(int(np.argmin(far[::-1])), most)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Refined:
    """A curve fitted with errors that remember."""

    curve: CoastCurve
    covariance: FloatArray  # (m, m) of the rates
    fit: CorrelatedFit
    ripple: Ripple


def refine(fit: CoastFit) -> Refined:
    """Fit a curve anew, with the correlation of its residuals, and ripple that they show."""
    m = len(fit.curve.nodes)
    first, ripple = _step(fit, fit.curve, None)
    curve = fit.curve.moved(fit.curve.parameters + first.coefficients[-m - 1 :])
    if not curve.is_sound(fit.where):  # too far for one step
        curve = fit.curve
    found, _ = _step(fit, curve, ripple)
    curve = curve.moved(curve.parameters + found.coefficients[-m - 1 :])
    return Refined(curve=curve, covariance=found.covariance[-m:, -m:], fit=found, ripple=ripple)


def _step(
    fit: CoastFit, curve: CoastCurve, ripple: Ripple | None, bends: int = 0
) -> tuple[CorrelatedFit, Ripple]:
    """Steps of the parameters; before them coefficients of ripple and of further bends."""
    own = 1 + len(curve.nodes)
    scale = np.sqrt(fit.count.mean()) / fit.size
    slopes = curve.slopes(fit.where, bends) * scale[:, None]
    off = (fit.x - curve.sampled(fit.where)) * scale
    rows, count = _means(np.column_stack([slopes, off, fit.time]), fit.count)
    slopes, off, time = rows[:, :-2], rows[:, -2], rows[:, -1]
    if ripple is None:
        ripple = ripple_of(time, slopes, off)
    lines = ripple.columns(time)
    rounding = fit.step / np.sqrt(12.0) * float(np.median(scale))
    found = correlated_fit(
        np.column_stack([lines, slopes[:, own:], slopes[:, :own]]),
        off,
        time,
        count=count / count.mean(),
        least=rounding / np.sqrt(len(fit.x) / len(time)) if fit.count.max() == 1.0 else 0.0,
        ignore=lines.shape[1] + bends + 1,
        averaged=int(min(np.median(count), _MOST_AVERAGED)),
    )
    return found, ripple


def _means(rows: FloatArray, count: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means of neighbouring readings, weighted by their samples, and the samples of each."""
    width = -(-len(rows) // _MEANS)
    starts = np.arange(0, len(rows) - width + 1, width)
    whole = np.add.reduceat(count, starts)
    return np.add.reduceat(rows * count[:, None], starts, axis=0) / whole[:, None], whole


def misfit(fit: CoastFit, refined: Refined) -> float:
    """How surely further terms of the rate are not zero, as deviations of the normal law.

    Parameters
    ----------
    fit : CoastFit
        The readings.
    refined : Refined
        Their curve.

    Returns
    -------
    float
        Zero where too few readings tell.
    """
    from scipy.special import fdtrc, ndtri

    if len(refined.curve.nodes) < 3 or len(fit.x) < 12:
        return 0.0
    found, ripple = _step(fit, refined.curve, refined.ripple, _BENDS)
    lines = 2 * len(ripple.cycles)
    where = slice(lines, lines + _BENDS)
    bends = found.coefficients[where]
    ratio = float(bends @ np.linalg.solve(found.covariance[where, where], bends)) / _BENDS
    chance = float(fdtrc(_BENDS, found.degrees_of_freedom, ratio))
    return float(-ndtri(0.5 * max(chance, 1e-300)))


def independent_covariance(fit: CoastFit, curve: CoastCurve, variance: FloatArray) -> FloatArray:
    """Covariance of the rates if no reading knew of another; of k variances, (m, m)."""
    slopes = curve.slopes(fit.where) / np.sqrt(variance)[:, None]
    m = len(curve.nodes)
    return np.asarray(np.linalg.inv(slopes.T @ slopes)[-m:, -m:])


def neighbours_correlation(off: FloatArray, terms: int) -> float:
    """Correlation of neighbouring residuals, less what the fitted curve took out of it.

    A smooth curve takes from an autoregressive series of correlation r the share
    ``terms (1 + r)/(1 - r)/n`` of its squares and of the products of neighbours alike.

    Parameters
    ----------
    off : ndarray, shape (n,)
        Residuals of equal size, in order.
    terms : int
        Parameters of the curve.
    """
    seen = float(off[1:] @ off[:-1]) / max(float(off @ off), 1e-300)
    rho = seen
    for _ in range(30):
        taken = min(terms * (1.0 + rho) / (1.0 - rho) / len(off), 0.9)
        rho = float(np.clip(seen * (1.0 - taken) + taken, -0.99, 0.99))
    return rho
