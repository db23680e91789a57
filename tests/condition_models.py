"""Small models in the form that the joint solver takes, for checks against the outside."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from motorfit.arrays import FloatArray
from motorfit.estimation.assemble import Assembled
from motorfit.estimation.conditions import BrushedConditions, Thermal
from motorfit.estimation.joint import Joint, stack
from motorfit.estimation.physics import VB, K, R
from motorfit.estimation.problem import Problem
from motorfit.estimation.rows import Influence, Nuisance, Rows
from motorfit.estimation.scale_priors import PRIOR_READINGS, ScalePrior
from motorfit.estimation.scatter import Scales, Stacked, estimate_scales, project
from motorfit.estimation.solver import (
    Linearised,
    Priors,
    Solution,
    condition_covariance,
    solve,
)
from motorfit.estimation.standing import determined

DATA = Path(__file__).parent / "published" / "data"


def published(name: str) -> pd.DataFrame:
    """One published data set; its source is the remark in its first line."""
    return pd.read_csv(DATA / f"{name}.csv", comment="#")


class Model:
    """n readings of q quantities, m equations each that have no scatter of their own."""

    def __init__(self, covariance: FloatArray, names: tuple[str, ...], equations: int = 1) -> None:
        self.covariance, self.names = covariance, names
        self.present = np.ones((len(covariance), equations), dtype=bool)

    def reading_covariance(self, scales: FloatArray) -> FloatArray:
        """One scale: a factor on every variance."""
        return scales[0] * self.covariance

    def own_variance(
        self,
        theta: FloatArray,  # noqa: ARG002 - part of the interface
        scales: FloatArray,  # noqa: ARG002 - part of the interface
    ) -> FloatArray:
        """None."""
        rows, equations = self.present.shape
        return np.zeros((rows, equations, equations))


class StraightLine(Model):
    """y = intercept + slope x, with errors in x and in y."""

    def __init__(self, x: FloatArray, y: FloatArray, var_x: FloatArray, var_y: FloatArray) -> None:
        covariance = np.zeros((len(x), 2, 2))
        covariance[:, 0, 0], covariance[:, 1, 1] = var_x, var_y
        super().__init__(covariance, ("intercept", "slope"))
        self.readings = np.stack([x, y], axis=-1)

    def linearise(self, theta: FloatArray, shift: FloatArray | None = None) -> Linearised:
        """f = y - intercept - slope x."""
        x, y = (self.readings if shift is None else self.readings + shift).T
        ones = np.ones_like(x)
        slopes = np.zeros((len(x), 1, 2, 2))
        slopes[:, 0, 0, 1] = -1.0
        return Linearised(
            residual=(y - theta[0] - theta[1] * x)[:, None],
            design=np.stack([-ones, -x], axis=-1)[:, None, :],
            sensitivity=np.stack([-theta[1] * ones, ones], axis=-1)[:, None, :],
            sensitivity_slope=slopes,
        )


class Linear(Model):
    """y = X theta with exact X; all y have this variance."""

    def __init__(self, design: FloatArray, y: FloatArray, variance: FloatArray | float = 1.0):
        covariance = np.broadcast_to(variance, y.shape)[:, None, None] * np.ones((1, 1, 1))
        super().__init__(covariance, tuple(f"b{j}" for j in range(design.shape[1])))
        self.matrix, self.y = design, y

    def linearise(self, theta: FloatArray, shift: FloatArray | None = None) -> Linearised:
        """f = y - X theta."""
        y = self.y if shift is None else self.y + shift[:, 0]
        rows, parameters = self.matrix.shape
        return Linearised(
            residual=(y - self.matrix @ theta)[:, None],
            design=-self.matrix[:, None, :],
            sensitivity=np.ones((rows, 1, 1)),
            sensitivity_slope=np.zeros((rows, 1, 1, parameters)),
        )


def no_priors(count: int) -> Priors:
    """Nothing known of the parameters, no bounds."""
    return Priors(
        mean=np.zeros(count),
        deviation=np.full(count, np.inf),
        lower=np.full(count, -np.inf),
        upper=np.full(count, np.inf),
    )


def ordinary_least_squares(equations: Model) -> FloatArray:
    """Where a fit begins: no errors in the regressors, all equations alike."""
    at = equations.linearise(np.zeros(len(equations.names)))
    return np.linalg.lstsq(-at.design[:, 0, :], at.residual[:, 0])[0]


def solved(equations: Model, start: FloatArray | None = None) -> Solution:
    """The joint solver without priors, at the stated variances."""
    count = len(equations.names)
    begin = ordinary_least_squares(equations) if start is None else start
    return solve(equations, no_priors(count), begin, np.ones(1))


def without_prior(stacked: Stacked) -> Stacked:
    """The same, with a prior of the scales that is worth next to no reading."""
    return replace(stacked, prior=ScalePrior.worth(1e-20, len(stacked.patterns)))


def scaled_stack(equations: Model, solution: Solution) -> Stacked:
    """The equations about a solution, all variances with one unknown factor."""
    variance = condition_covariance(
        equations, equations.linearise(solution.theta), solution.theta, np.ones(1)
    )
    rows, parameters = solution.linearised.design[:, 0, :].shape
    return Stacked(
        residual=solution.linearised.residual[:, 0],
        design=solution.linearised.design[:, 0, :],
        fixed=np.zeros((rows, rows)),
        patterns=np.diag(variance[:, 0, 0])[None],
        ridge=np.zeros((parameters, parameters)),
    )


def bench_rows(shown: FloatArray, **fields: object) -> Rows:
    """Rows that read voltage, speed, current and torque (n, 4) with perfect meters.

    Driven load rows at 25 degC without a torque equation; ``fields`` change that.
    """
    count = len(shown)
    plain: dict[str, object] = {
        "shown": shown,
        "present": np.tile([True, False], (count, 1)),
        "metered": np.ones(count, dtype=bool),
        "load": np.full(count, np.inf),
        "load_extra": np.zeros(count),
        "input_conductance": np.zeros(count),
        "lead_resistance": 0.0,
        "winding": np.full(count, 25.0),
        "magnets": np.full(count, 25.0),
        "standing": np.zeros(count, dtype=bool),
        "reverse": np.zeros(count, dtype=bool),
        "rounding": np.zeros((count, 4)),
        "unread": np.zeros((count, 4)),
        "torque_from": np.zeros(count, dtype=np.int64),
        "added_inertia": np.zeros(count),
        "file": ("load.csv",) * count,
        "row": np.arange(2, count + 2),
        "kind": ("load",) * count,
        "note": ("",) * count,
    }
    return Rows(**(plain | fields))  # type: ignore[arg-type]


#: Copper and ferrite, reported at 25 degC.
THERMAL = Thermal(reference=25.0, winding_constant=234.5, magnet_coefficient=-0.002)


def voltage_conditions(
    shown: FloatArray, deviation: FloatArray, influence: Influence | None = None
) -> BrushedConditions:
    """k, R and Vb from voltage equations, with constant deviations of the readings.

    Currents must be far above 1 mA, so that the whole brush drop is there.
    """
    rows = bench_rows(shown)
    return BrushedConditions(
        rows,
        Influence.none(len(rows), 0) if influence is None else influence,
        free=(K, R, VB),
        thermal=THERMAL,
        brush_current_scale=1e-3,
        patterns=np.broadcast_to(deviation, (1, len(rows), 4)),
        friction=np.zeros(1),
    )


def as_problem(
    conditions: BrushedConditions,
    patterns: FloatArray,
    *,
    nuisances: tuple[Nuisance, ...] = (),
    components: tuple[str, ...] = ("voltage",),
) -> Problem:
    """Conditions for some of k, R and Vb, as if a bench had been posed."""
    free = tuple(conditions.free)
    size = np.array([{K: 0.1, R: 1.0, VB: 1.0}[index] for index in free])
    begin = [{K: 0.1, R: 0.5, VB: 0.5}[index] for index in free]
    return Problem(
        assembled=Assembled(
            rows=conditions.rows,
            influence=conditions.influence,
            nuisances=nuisances,
            components=components,
            patterns=patterns,
            friction=np.zeros(len(components)),
            scale_prior=ScalePrior.worth(PRIOR_READINGS, len(components)),
            brush_current_scale=conditions.brush_current_scale,
            winding_used=(25.0, 25.0),
        ),
        conditions=conditions,
        free=free,
        start=np.concatenate([begin, [nuisance.mean for nuisance in nuisances]]),
        size=size,
        magnet_coefficient=-0.002,
    )


def joint_of(problem: Problem, *, known: bool) -> Joint:
    """The problem solved at the usual scatter, which is exactly that (known) or is estimated.

    Estimated without the prior of the scales, and not solved again: for one component without
    anything fixed beside it the estimates do not hang on its size.
    """
    count = len(problem.assembled.components)
    start = np.zeros(count)
    solution = solve(problem.conditions, problem.priors(start), problem.start, np.exp(start))
    stacked = stack(problem, solution, None)
    scales = (
        Scales(log_variance=start, covariance=1e-12 * np.eye(count))
        if known
        else estimate_scales(without_prior(stacked))
    )
    return Joint(
        problem=problem,
        solution=solution,
        scales=scales,
        standing=determined(problem.conditions, solution, np.exp(start), problem.size),
        stack=stacked,
        projected=project(stacked, scales.log_variance),
    )
