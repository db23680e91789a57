r"""One coast-down, reduced to its rates of falling at three values.

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
from numpy.typing import NDArray

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.records import Run
from motorfit.estimate import coverage_factor
from motorfit.estimation.coast_curve import CoastCurve
from motorfit.estimation.coast_fit import (
    CoastFit,
    Refined,
    fit_fall,
    independent_covariance,
    misfit,
    neighbours_correlation,
    refine,
)
from motorfit.estimation.coast_stamps import told_apart
from motorfit.estimation.coast_trim import FEWEST, TOO_SHORT, coasting_part
from motorfit.instruments import range_of
from motorfit.meter import Instrument

BLANK = "blank"

#: A curve bends the wrong way, or otherwise than three terms can, from so many standard
#: deviations on: one steady log in some thousands.
SURE = 3.5

NOT_FALLING = "it does not slow down"

#: Values of the range among which those with the least correlated rates are chosen.
_CHOICES = 41


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
    ripple: tuple[float, ...] = ()  # periods of ripple that was allowed for, as shown [s]
    problem: str = ""  # why there are no rates

    @property
    def bends_back(self) -> bool:
        """Whether the loss surely rises ever less with x, which no three terms of it can."""
        return bool(self.curvature < -SURE * self.curvature_uncertainty)

    @property
    def normal_covariance(self) -> FloatArray:
        """Covariance of the normal law whose 95 % intervals are as wide, (m, m). [x2/s2]

        For a fit that weighs by covariances and takes them as known.
        """
        widened = coverage_factor(0.95, self.degrees_of_freedom) / coverage_factor(0.95, np.inf)
        return np.asarray(widened**2 * self.covariance)

    def rate(self, x: FloatArray) -> FloatArray:
        """Rates at other values, (n,). [x/s]"""
        return CoastCurve(start=0.0, nodes=self.nodes, rates=self.rates).rate(x)


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
    time, x = run.get("time"), run.get(quantity)
    reasons = np.full(len(time), "", dtype=object)
    known = np.isfinite(time) & np.isfinite(x)
    reasons[~known] = BLANK
    if known.any():
        time = time - time[known].min()
        x = x if np.median(x[known]) >= 0.0 else -x
    stamps = told_apart(time, reasons)
    step = _step_of(run, quantity, x, instrument)
    use = np.flatnonzero(reasons == "")
    found = coasting_part(stamps[use], x[use], step=step, lag=lag)
    reasons[use] = found.reasons
    nothing = _nothing(run, time, x, reasons, found.problem)
    if found.problem:
        return nothing
    count = np.ones(len(time)) if run.blocks is None else run.blocks.count.astype(float)
    fit = fit_fall(stamps, x, count, reasons, step=step, smallest=smallest)
    if fit is None:
        few = int(np.sum(reasons == "")) < FEWEST
        return _nothing(run, time, x, reasons, TOO_SHORT if few else NOT_FALLING)
    refined = refine(fit)
    if not (refined.curve.is_sound(fit.where) and _falls(refined)):
        return _nothing(run, time, x, reasons, NOT_FALLING)
    return _known(run, quantity, nothing, reasons, fit, refined)


def _step_of(run: Run, quantity: str, x: FloatArray, instrument: Instrument | None) -> float:
    """One digit of the display over most of the log; zero where nobody knows."""
    written = run.written_step.get(quantity, np.nan)
    steps = np.array([written])
    if instrument is not None:
        steps, _ = range_of(x, instrument, written)
    known = steps[np.isfinite(steps)]
    return float(np.median(known)) if len(known) else 0.0


def _falls(refined: Refined) -> bool:
    """Whether it slows down on the whole, by more than could be chance."""
    mean, variance = refined.curve.rates.mean(), refined.covariance.mean()
    return bool(np.isfinite(variance) and mean < -2.0 * np.sqrt(variance))


def _nothing(
    run: Run, time: FloatArray, x: FloatArray, reasons: NDArray[np.object_], problem: str
) -> Retardation:
    """A log of which nothing is known."""
    unknown = np.full(len(time), np.nan)
    return Retardation(
        nodes=np.empty(0),
        rates=np.empty(0),
        covariance=np.empty((0, 0)),
        degrees_of_freedom=0.0,
        current=None,
        kept=np.zeros(len(time), dtype=np.bool_),
        left_out=_left_out(reasons, run.rows),
        time=time,
        shown=x,
        fitted=unknown,
        residual=unknown,
        scatter=np.nan,
        correlation=np.nan,
        samples=0,
        effective=0.0,
        curvature=np.nan,
        curvature_uncertainty=np.nan,
        misfit=0.0,
        problem=problem,
    )


def _left_out(reasons: NDArray[np.object_], rows: IntArray) -> tuple[LeftOut, ...]:
    return tuple(
        LeftOut(
            reason=reason,
            count=int(np.sum(reasons == reason)),
            rows=tuple(int(row) for row in rows[reasons == reason]),
        )
        for reason in dict.fromkeys(str(text) for text in reasons if text)
    )


def _known(
    run: Run,
    quantity: str,
    nothing: Retardation,
    reasons: NDArray[np.object_],
    fit: CoastFit,
    refined: Refined,
) -> Retardation:
    curve, covariance = refined.curve, refined.covariance
    nodes = _nodes_apart(curve, covariance, fit.x)
    weights = curve.weights(nodes)
    kept = np.asarray(reasons == "", dtype=np.bool_)
    fitted = np.full(len(reasons), np.nan)
    fitted[kept] = curve.at(fit.time)
    residual = nothing.shown - fitted
    bend = _second_difference(curve.nodes)
    off = residual[kept] * fit.weight
    free = max(len(off) - 1 - len(nodes), 1)
    return replace(
        nothing,
        nodes=nodes,
        rates=weights @ curve.rates,
        covariance=weights @ covariance @ weights.T,
        degrees_of_freedom=refined.fit.degrees_of_freedom,
        current=_current_at(run, kept, nothing.shown, nodes),
        kept=kept,
        left_out=_left_out(reasons, run.rows),
        fitted=fitted,
        residual=residual,
        scatter=float(np.sqrt(np.sum(residual[kept] ** 2) / free)),
        correlation=neighbours_correlation(off, 1 + len(nodes)),
        samples=int(fit.count.sum()),
        effective=_effective(run, quantity, kept, fit, refined, float(off @ off) / free),
        curvature=float(-bend @ curve.rates),
        curvature_uncertainty=float(np.sqrt(bend @ covariance @ bend)),
        misfit=misfit(fit, refined),
        ripple=refined.ripple.periods,
    )


def _nodes_apart(curve: CoastCurve, covariance: FloatArray, x: FloatArray) -> FloatArray:
    """Values in the range whose rates are least correlated, descending."""
    grid = np.linspace(float(x.max()), float(x.min()), _CHOICES)
    weights = curve.weights(grid)
    spread = weights @ covariance @ weights.T
    sigma = np.sqrt(np.diag(spread))
    total = (spread / np.outer(sigma, sigma)) ** 2
    if len(curve.nodes) == 3:
        total = total[:, :, None] + total[None, :, :] + total[:, None, :]
    return grid[np.sort(np.unravel_index(int(np.argmin(total)), total.shape))]


def _second_difference(nodes: FloatArray) -> FloatArray:
    """Weights of the rates in their quadratic term; zeros where there is none."""
    if len(nodes) < 3:
        return np.zeros(len(nodes))
    return np.asarray(np.linalg.inv(np.vander(nodes, increasing=True))[2])


def _effective(
    run: Run, quantity: str, kept: BoolArray, fit: CoastFit, refined: Refined, variance: float
) -> float:
    """So many samples, each independent of the others, would know the rates as well."""
    each = variance / fit.weight**2
    scatter = None if run.blocks is None else run.blocks.scatter.get(quantity)
    if scatter is not None and np.nanmax(scatter[kept], initial=0.0) > 0.0:
        each = np.full(len(each), float(np.nanmean(scatter[kept] ** 2))) / fit.count
    independent = independent_covariance(fit, refined.curve, each)
    inflation = float(np.trace(np.linalg.solve(independent, refined.covariance))) / len(independent)
    return float(fit.count.sum()) / max(inflation, 1.0)


def _current_at(run: Run, kept: BoolArray, x: FloatArray, nodes: FloatArray) -> FloatArray | None:
    """Size of the logged current at the nodes, by a smooth curve over x."""
    current = np.abs(run.get("current"))
    known = kept & np.isfinite(current)
    if known.sum() < FEWEST:
        return None
    middle, half = float(np.mean(x[known])), float(np.ptp(x[known]))
    design = np.vander((x[known] - middle) / half, 3)
    found = np.linalg.lstsq(design, current[known], rcond=None)[0]
    return np.asarray(np.vander((nodes - middle) / half, 3) @ found)
