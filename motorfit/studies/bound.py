r"""The least uncertainty that anybody could have who knew how large every scatter is.

The readings of a scenario as they would be without any error, its own condition equations
linear about the true parameters, and the covariance V of what was simulated. Logs stand for the
rates they are reduced to, with the covariance that a log of the usual noise gives them:

.. math:: \mathrm{Cov}(\hat\theta) = (X^\mathsf{T} V^{-1} X)^{-1}, \qquad
          V = V_\text{scatter} + \sum_j u_j^2\, z_j z_j^\mathsf{T}

z_j what an instrument's error or a temperature moves, u_j its prior standard deviation. No
linear estimator has less variance (Gauss and Markov, with the priors as readings).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.bench.records import Bench
from motorfit.estimation.physics import T0, VB, B, J, K, R
from motorfit.estimation.problem import Problem, pose
from motorfit.estimation.rows import CURRENT, SPEED
from motorfit.estimation.scatter import Projected, Stacked, project
from motorfit.studies.noise import Noise, instrument_errors, scatter_covariance
from motorfit.studies.scenarios import SCENARIOS, Scenario
from motorfit.studies.truth import noise_free, true_parameters, with_exact_rates

#: Parameters by their symbol.
SYMBOLS = {"k": K, "R": R, "Vb": VB, "T0": T0, "b": B, "J": J}

#: Predictions: terminal voltage at half and at full load current, and the watts of turning,
#: all at full speed.
PREDICTIONS = ("V half", "V full", "loss W")

QUANTITIES = (*SYMBOLS, *PREDICTIONS)

#: Draws behind the ideal width: its chance error is about 0.4 %.
_DRAWS = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """Where the predictions of a scenario are made; the machine drives, so i < 0."""

    speed: float  # [rad/s]
    full_current: float  # [A]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """The best that could be had of one quantity."""

    deviation: float  # standard deviation of the best linear estimator
    half_width: float  # of its error's symmetric interval at the level
    instruments: float  # share of instruments and temperatures in its variance


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What a scenario is held against."""

    truths: Mapping[str, float]  # of all quantities that its equations have
    limits: Mapping[str, Limit]  # of those that its readings determine
    point: Point
    readings: int


def minimum_variance(design: FloatArray, covariance: FloatArray) -> Projected:
    """Generalised least squares with a known covariance.

    Parameters
    ----------
    design : ndarray, shape (N, p)
        Change of each condition equation with each parameter.
    covariance : ndarray, shape (N, N)
        Of the condition equations, priors included.

    Returns
    -------
    Projected
        Its covariance is the bound.
    """
    size, parameters = design.shape
    alone = Stacked(
        residual=np.zeros(size),
        design=design,
        fixed=covariance,
        patterns=np.zeros((0, size, size)),
        ridge=np.zeros((parameters, parameters)),
    )
    return project(alone, np.zeros(0))


@cache
def reference(name: str, level: float, draw: Literal["rectangular", "normal"]) -> Reference:
    """What a scenario of `SCENARIOS` is held against, worked out once."""
    return reference_of(SCENARIOS[name].drawn(draw), level)


def reference_of(scenario: Scenario, level: float) -> Reference:
    """What a scenario is held against.

    Parameters
    ----------
    scenario : Scenario
        Plan, machine, kit and conditions.
    level : float
        Coverage of the ideal interval.

    Returns
    -------
    Reference
    """
    bench = noise_free(scenario)
    problem = pose(_without_zeros(bench))
    full = true_parameters(scenario)
    theta = np.zeros(len(problem.start))
    theta[: len(problem.free)] = full[list(problem.free)]
    problem = with_exact_rates(problem, theta)
    at = problem.conditions.linearise(theta)
    noise = Noise(scenario=scenario, bench=bench, problem=problem, theta=theta, at=at)
    errors = instrument_errors(noise)
    scatter = scatter_covariance(noise)
    present = problem.conditions.present
    design = at.design[present][:, : len(problem.free)]
    known = errors.influence * errors.deviation
    best = minimum_variance(design, scatter + known @ known.T)
    point = _point(problem)
    weights = _weights(problem, point)
    told = _determined(best, design, weights, problem)
    limits = {}
    for quantity in told:
        reach = weights[quantity] @ best.gain
        by_scatter = float(reach @ scatter @ reach)
        parts = reach @ known
        variance = by_scatter + float(parts @ parts)
        limits[quantity] = Limit(
            deviation=variance**0.5,
            half_width=_half_width(by_scatter, parts, errors.rectangular, level),
            instruments=float(parts @ parts) / variance,
        )
    truths = {name: float(each @ full[list(problem.free)]) for name, each in weights.items()}
    return Reference(
        truths=truths, limits=limits, point=point, readings=sum(len(run) for run in bench.runs)
    )


def _without_zeros(bench: Bench) -> Bench:
    return replace(bench, runs=tuple(run for run in bench.runs if run.kind != "zero"))


def _point(problem: Problem) -> Point:
    """Full speed and the largest load current of the plan."""
    rows, values = problem.conditions.rows, problem.conditions.nominal.values
    driven = np.isin(rows.kind, ("open-circuit", "load"))
    load = np.isin(rows.kind, ("load",))
    return Point(
        speed=float(np.max(values[driven, SPEED])),
        full_current=float(np.min(values[load, CURRENT])),
    )


def _weights(problem: Problem, point: Point) -> dict[str, FloatArray]:
    """Each quantity as a combination of the free parameters; far above i0 the drop is Vb."""
    combined: dict[str, dict[int, float]] = {
        symbol: {index: 1.0} for symbol, index in SYMBOLS.items()
    }
    for name, share in (("V half", 0.5), ("V full", 1.0)):
        current = share * point.full_current
        combined[name] = {K: point.speed, R: current, VB: float(np.sign(current))}
    combined["loss W"] = {T0: point.speed, B: point.speed**2}
    return {
        name: np.array([parts.get(index, 0.0) for index in problem.free])
        for name, parts in combined.items()
        if set(parts) <= set(problem.free)
    }


def _determined(
    best: Projected, design: FloatArray, weights: dict[str, FloatArray], problem: Problem
) -> list[str]:
    """Quantities that the readings tell to better than what is plausible without them."""
    told = []
    projector = best.covariance @ design.T @ best.weight @ design
    for name, combination in weights.items():
        sized = combination * problem.size
        off = (combination @ projector - combination) * problem.size
        variance = float(combination @ best.covariance @ combination)
        if np.linalg.norm(off) < 1e-6 * np.linalg.norm(sized) and variance < sized @ sized:
            told.append(name)
    return told


def _half_width(
    by_scatter: float, parts: FloatArray, rectangular: BoolArray, level: float
) -> float:
    """Half of the symmetric interval of a sum of one normal and several other errors."""
    rng = np.random.default_rng(0)
    error = by_scatter**0.5 * rng.standard_normal(_DRAWS)
    for part, is_rectangular in zip(parts.tolist(), rectangular, strict=True):
        if is_rectangular:
            error += part * rng.uniform(-(3.0**0.5), 3.0**0.5, _DRAWS)
        else:
            error += part * rng.standard_normal(_DRAWS)
    return float(np.quantile(np.abs(error), level))
