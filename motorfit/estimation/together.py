r"""Many variations of one bench, solved together.

Each resample has the least sum of squares that `motorfit.estimation.solver.solve` would
find for it. Its exact slope costs a fraction of the equations' derivatives (see
`motorfit.estimation.chain`), and the information hardly differs from one resample to the
next: that of the bench itself is taken for all to begin with, and corrected by what the
steps show (`motorfit.estimation.secants`). Half a dozen rounds settle most of them.

Where a gain or a temperature can take what a constant gives, the best fits lie along a bent
valley. A constant and what multiplies it are therefore stepped on the scale of their
logarithms, where the valley is straight.

The few resamples that do not settle so get Gauss-Newton steps with information of their
own, and what even that leaves is solved singly.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.errors import FitError
from motorfit.estimation.conditions import BrushedConditions
from motorfit.estimation.problem import Problem
from motorfit.estimation.secants import Secants
from motorfit.estimation.solver import Priors, Soft, Solution, solve, whiten
from motorfit.estimation.squares import SquaresSlope

#: Bytes that the work on resamples may take by default, beside the resamples themselves.
MEMORY = 2.0**28

#: A resample is settled when its next step would be smaller than this, in standard
#: deviations, and lost when a step is larger than that.
_SETTLED, _LOST = 3e-8, 30.0
_SECANT_ROUNDS, _NEWTON_ROUNDS = 20, 6

#: Standard deviations from zero from which a constant may be stepped along its logarithm,
#: and those that stand for a parameter that multiplies nothing.
_CLEAR, _PLAIN = 5.0, 1e6

#: How much less or more a parameter may do here than at the start, for the steps to allow
#: for it.
_LEAST_STRETCH, _MOST_STRETCH = 0.3, 3.0

#: Readings in one block of resamples: its arrays stay in the processor's cache.
_BLOCK_READINGS = 14000
_ARRAYS = 100  # of that size at once, at most
_NEWTON_ARRAYS = 45  # of that size for each parameter, in steps of Gauss-Newton

#: A row that counts not at all still needs a covariance where it is solved singly.
_LEAST_COUNT = 1e-9

#: Information, relative to the bench's own, below which a resample does not know a parameter.
_NO_INFORMATION = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Resamples:
    """B variations of a bench of n rows with r nuisances."""

    shift: FloatArray  # (B, n, 4), or (1, n, 4) for all: added to what was shown, SI
    mean: FloatArray  # (B, r): prior means of the nuisances
    weight: FloatArray | None = None  # (B, n): how many times each row counts

    def __len__(self) -> int:
        return len(self.mean)

    def chosen(self, index: IntArray) -> Resamples:
        """Some of them."""
        shift = self.shift if len(self.shift) == 1 else self.shift[index]
        weight = None if self.weight is None else self.weight[index]
        return Resamples(shift=shift, mean=self.mean[index], weight=weight)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solved:
    """Where each resample has its least sum of squares."""

    theta: FloatArray  # (B, p + r); not a number where not settled
    settled: BoolArray  # (B,)


def solve_together(
    problem: Problem,
    solution: Solution,
    log_variance: FloatArray,
    resamples: Resamples,
    *,
    soft: Soft | None = None,
    bounded: bool = True,
    memory: float = MEMORY,
    threads: int | None = None,
) -> Solved:
    """Solve every resample as `motorfit.estimation.solver.solve` would.

    A resample is the bench had it shown something else: also where its equations' weights
    are concerned. What the equations themselves lack is held at its size at
    ``solution.theta``.

    Parameters
    ----------
    problem : Problem
        Of the bench, with p free machine parameters and r nuisances.
    solution : Solution
        Of the bench as it is: where every resample begins.
    log_variance : ndarray, shape (c,)
        Of the variance components, the same for all.
    resamples : Resamples
        B of them.
    soft : Soft, optional
        Directions that the readings leave open.
    bounded : bool
        Keep parameters within their bounds.
    memory : float
        Bytes that the work may take beside the resamples and the result, as long as it is
        enough for one block of them (some 10 MB). The result does not depend on it.
    threads : int, optional
        How many blocks are worked on at once, at most; as many as there are processors by
        default. The result does not depend on it.

    Returns
    -------
    Solved
    """
    batch = _Batch(problem, solution, log_variance, resamples, soft=soft, bounded=bounded)
    count = len(resamples)
    theta, settled = np.tile(solution.theta, (count, 1)), np.zeros(count, dtype=bool)
    for step, share in (
        (batch.secant, 1),
        (batch.newton, batch.newton_share),
        (batch.singly, 1),
    ):
        left = np.flatnonzero(~settled)
        length = max(1, batch.block // share)
        blocks = [left[start : start + length] for start in range(0, len(left), length)]
        workers = int(min(memory / batch.bytes, threads or os.cpu_count() or 1, len(blocks)))
        _improve(step, blocks, workers, theta, settled)
    theta[~settled] = np.nan
    return Solved(theta=theta, settled=settled)


def _improve(
    step: Callable[[IntArray, FloatArray], tuple[FloatArray, BoolArray]],
    blocks: list[IntArray],
    workers: int,
    theta: FloatArray,
    settled: BoolArray,
) -> None:
    """Improve the resamples in place, so many blocks of them at once."""

    def work(index: IntArray) -> None:
        theta[index], settled[index] = step(index, theta[index])

    if workers <= 1:
        for index in blocks:
            work(index)
        return
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, blocks))


class _Batch:
    """What all resamples of one bench share."""

    def __init__(
        self,
        problem: Problem,
        solution: Solution,
        log_variance: FloatArray,
        resamples: Resamples,
        *,
        soft: Soft | None,
        bounded: bool,
    ) -> None:
        self.conditions, self.centre = problem.conditions, solution.theta
        self.resamples, self.soft, self.scales = resamples, soft, np.exp(log_variance)
        self.machine = len(problem.free)
        priors = problem.priors(log_variance)
        if not bounded:
            priors = replace(priors, lower=np.full_like(priors.lower, -np.inf))
        self.priors: Priors = priors
        self.lower = priors.lower
        self.known = _known(priors, soft)
        with np.errstate(all="ignore"):
            own = self.conditions.own_variance(self.centre, self.scales)
            _, jacobian = whiten(self.conditions, self.centre, self.scales, own)
        self.rows = jacobian.reshape(-1, len(self.centre))
        information = self.rows.T @ self.rows + self.known
        self.size = 1.0 / np.sqrt(np.maximum(np.diag(information), np.finfo(float).tiny))
        self.covariance = self._inverse(information)
        self.deviation = np.sqrt(np.diag(self.covariance))
        self.squares = SquaresSlope(self.conditions, self.centre, self.scales)
        added = self.conditions.multiplied()
        clear = np.abs(added + self.centre) > _CLEAR * self.deviation
        self.added = np.where(clear & np.isfinite(added), added, _PLAIN * self.deviation)
        readings, parameters = len(jacobian), len(self.centre)
        self.block = max(1, _BLOCK_READINGS // max(readings, 1))
        per_row = 8 * self.block * readings
        self.bytes = _ARRAYS * per_row + 32 * self.block * parameters**2
        # Gauss-Newton keeps slopes by every parameter: fewer resamples at once
        self.newton_share = max(1, _NEWTON_ARRAYS * parameters // _ARRAYS)

    def secant(self, index: IntArray, theta: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Steps with the information of the bench itself, corrected by what they show."""
        with np.errstate(all="ignore"):
            return self._secant(index, theta, self._covariance(self.resamples.chosen(index)))

    def _secant(
        self, index: IntArray, theta: FloatArray, covariance: FloatArray
    ) -> tuple[FloatArray, BoolArray]:
        start, theta, settled = theta, theta.copy(), np.zeros(len(index), dtype=bool)
        resamples, left = self.resamples.chosen(index), np.arange(len(index))
        block = self.squares.varied(resamples.shift, resamples.weight)
        secants = Secants(covariance, self.deviation)
        slope = block.at(theta) + self.known_slope(theta, resamples.mean)
        last = np.zeros(len(index))
        for _ in range(_SECANT_ROUNDS):
            at = theta[left]
            secants.stretch = self._stretch(at, start[left])
            moved = self._along(at, secants.within(at - secants.solve(slope), self.lower))
            change = self._change(moved, at)
            ended = settled[left] | ~(change < _LOST)
            moved[ended] = at[ended]
            theta[left] = moved
            settled[left] |= ~ended & _settled(change, last)
            ended, last = ended | settled[left], change
            if ended.all():
                break
            if np.count_nonzero(ended) > len(left) / 2:
                left, at, moved, slope = left[~ended], at[~ended], moved[~ended], slope[~ended]
                last, secants = last[~ended], secants.chosen(~ended)
                resamples = self.resamples.chosen(index[left])
                block = self.squares.varied(resamples.shift, resamples.weight)
            before = slope
            slope = block.at(moved) + self.known_slope(moved, resamples.mean)
            secants.add(moved - at, slope - before)
        return theta, settled

    def _stretch(self, theta: FloatArray, start: FloatArray) -> FloatArray:
        """How much less each parameter does here than at the start: it multiplies others."""
        ratio = (self.added + theta) / (self.added + start)
        return np.where((ratio > _LEAST_STRETCH) & (ratio < _MOST_STRETCH), ratio, 1.0)

    def _along(self, theta: FloatArray, moved: FloatArray) -> FloatArray:
        """The same step on the scale on which a product is a sum."""
        whole, lower = self.added + theta, self.lower
        relative = (moved - theta) / whole
        bent = theta + whole * np.expm1(np.clip(relative, -1.0, 1.0))
        return np.where((moved > lower) & (np.abs(relative) < 1.0), np.maximum(bent, lower), moved)

    def _change(self, moved: FloatArray, before: FloatArray) -> FloatArray:
        """Largest step of each resample, in standard deviations."""
        return np.asarray(np.max(np.abs(moved - before) / self.deviation, axis=1, initial=0.0))

    def newton(self, index: IntArray, theta: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Stacked Gauss-Newton steps from the start, each with its own information."""
        try:
            with np.errstate(all="ignore"):
                return self._newton(index)
        except np.linalg.LinAlgError:  # one of them has run away
            return theta, np.zeros(len(index), dtype=bool)

    def _newton(self, index: IntArray) -> tuple[FloatArray, BoolArray]:
        resamples = self.resamples.chosen(index)
        conditions = self._varied(resamples.shift, _divisor(resamples.weight))
        own = conditions.own_variance(self.centre, self.scales)
        theta = np.tile(self.centre, (len(index), 1))
        settled, last = np.zeros(len(index), dtype=bool), np.zeros(len(index))
        for _ in range(_NEWTON_ROUNDS):
            residual, jacobian = whiten(conditions, theta, self.scales, own)
            rows = jacobian.reshape(len(theta), -1, theta.shape[-1])
            slope = (residual.reshape(len(theta), 1, -1) @ rows)[:, 0]
            slope += self.known_slope(theta, resamples.mean)
            covariance = self._inverse(rows.swapaxes(-1, -2) @ rows + self.known)
            secants = Secants(covariance, self.deviation)
            moved = secants.within(theta - secants.solve(slope), self.lower)
            moved[settled] = theta[settled]
            change, theta = self._change(moved, theta), moved
            settled |= _settled(change, last)
            last = change
            if settled.all():
                break
        left = np.flatnonzero(~settled & np.isfinite(theta).all(axis=1))
        if len(left):  # what Gauss-Newton leaves out of the information, the steps will show
            theta[left], settled[left] = self._secant(index[left], theta[left], covariance[left])
        return theta, settled

    def singly(self, index: IntArray, theta: FloatArray) -> tuple[FloatArray, BoolArray]:
        """One after the other, as the bench itself was solved."""
        found, settled = theta.copy(), np.zeros(len(index), dtype=bool)
        for place in range(len(index)):
            one = self.resamples.chosen(index[place : place + 1])
            weight = None if one.weight is None else _divisor(one.weight[0])
            conditions = self._varied(one.shift[0], weight)
            mean = np.concatenate([np.zeros(self.machine), one.mean[0]])
            try:
                with np.errstate(all="ignore"):
                    found[place] = solve(
                        conditions,
                        replace(self.priors, mean=mean),
                        self.centre,
                        self.scales,
                        soft=self.soft,
                    ).theta
            except (FitError, np.linalg.LinAlgError, ValueError):
                continue
            settled[place] = True
        return found, settled

    def _varied(self, shift: FloatArray, weight: FloatArray | None) -> BrushedConditions:
        varied = self.conditions.shifted(shift)
        return varied if weight is None else varied.weighted(varied.weight * weight)

    def known_slope(self, theta: FloatArray, mean: FloatArray) -> FloatArray:
        """Slope of half the sum of squares of priors and open directions, (B, p + r)."""
        slope = np.zeros_like(theta)
        nuisance = theta[:, self.machine :] - mean
        slope[:, self.machine :] = nuisance / self.priors.deviation[self.machine :] ** 2
        if self.soft is not None:
            directions = self.soft.directions
            slope += (theta - self.soft.centre) @ directions.T @ directions
        return slope

    def _covariance(self, resamples: Resamples) -> FloatArray:
        """Inverse of the information, of all or of each resample."""
        if resamples.weight is None:
            return self.covariance
        counts = np.repeat(resamples.weight, 2, axis=1)
        information = [(self.rows.T * count) @ self.rows for count in counts]
        return self._inverse(np.array(information) + self.known)

    def _inverse(self, information: FloatArray) -> FloatArray:
        """Inverse, also where a parameter is not known at all; its step is then none."""
        size = self.size[:, None] * self.size
        scaled = information * size + _NO_INFORMATION * np.eye(len(self.size))
        return np.asarray(np.linalg.inv(scaled) * size)


def _settled(change: FloatArray, last: FloatArray) -> BoolArray:
    """Whether the next step would be small, as much smaller than this as this than the last."""
    return np.asarray(change * np.fmin(change / last, 1.0) < _SETTLED)


def _divisor(weight: FloatArray | None) -> FloatArray | None:
    """Weights that a covariance can be divided by."""
    return None if weight is None else np.maximum(weight, _LEAST_COUNT)


def _known(priors: Priors, soft: Soft | None) -> FloatArray:
    """Information of priors and open directions."""
    information = np.diag(np.where(priors.given, priors.deviation**-2.0, 0.0))
    if soft is not None:
        information = information + soft.directions.T @ soft.directions
    return information
