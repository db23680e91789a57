"""Many variations of one bench, solved together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.errors import FitError
from motorfit.estimation.problem import Problem
from motorfit.estimation.solver import Soft, Solution, solve

#: Bytes that the work on resamples may take by default, beside the resamples themselves.
MEMORY = 2.0**28


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Resamples:
    """B variations of a bench of n rows with r nuisances."""

    shift: FloatArray  # (B, n, 4) or (1, n, 4): added to what was shown, SI
    mean: FloatArray  # (B, r): prior means of the nuisances
    weight: FloatArray | None = None  # (B, n): how many times each row counts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solved:
    """Where each resample has its least sum of squares."""

    theta: FloatArray  # (B, p + r); NaN where not settled
    settled: BoolArray  # (B,)


def solve_together(
    problem: Problem,
    solution: Solution,
    log_variance: FloatArray,
    resamples: Resamples,
    *,
    soft: Soft | None = None,
    bounded: bool = True,
    memory: float = MEMORY,  # noqa: ARG001
) -> Solved:
    """Solve every resample as `motorfit.estimation.solver.solve` would."""
    count, machine = len(resamples.mean), len(problem.free)
    theta = np.full((count, len(solution.theta)), np.nan)
    settled = np.zeros(count, dtype=bool)
    priors = problem.priors(log_variance)
    if not bounded:
        priors = replace(priors, lower=np.full_like(priors.lower, -np.inf))
    shift = np.broadcast_to(resamples.shift, (count, *resamples.shift.shape[1:]))
    for index in range(count):
        conditions = problem.conditions.shifted(shift[index])
        if resamples.weight is not None:
            counts = np.maximum(resamples.weight[index], 1e-9)
            conditions = conditions.weighted(conditions.weight * counts)
        mean = np.concatenate([np.zeros(machine), resamples.mean[index]])
        scales = np.exp(log_variance)
        try:
            with np.errstate(all="ignore"):
                found = solve(
                    conditions, replace(priors, mean=mean), solution.theta, scales, soft=soft
                )
        except (FitError, np.linalg.LinAlgError, ValueError):
            continue
        theta[index], settled[index] = found.theta, True
    return Solved(theta=theta, settled=settled)
