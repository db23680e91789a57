"""Condition equations of a machine against an independent program for errors in variables.

Source: odrpack 0.7.0 (ODRPACK95: orthogonal distance regression by trust region, covariance
linearised at the adjusted readings), its stopping rules at 1e-14 and its covariance without
the factor of the residual variance.

Estimates and standard errors agree to 1e-6: odrpack adjusts every reading, the joint solver
eliminates them, which is exact where the equations are linear in the readings, as these are
for given parameters. What is left is the stopping rules and odrpack's difference quotients.
The first test also shows that leaving out the errors of the regressors would be seen.
"""

import numpy as np
import odrpack
import pytest
from condition_models import (
    THERMAL,
    as_problem,
    bench_rows,
    joint_of,
    no_priors,
    voltage_conditions,
)
from scipy import stats

from motorfit.arrays import FloatArray
from motorfit.estimation.conditions import BrushedConditions
from motorfit.estimation.physics import T0, VB, B, K, R
from motorfit.estimation.rows import Influence
from motorfit.estimation.solver import Solution, solve
from motorfit.estimation.uncertainty import split_uncertainty

AGREE = 1e-6

CONSTANT, RESISTANCE, DROP = 0.085, 0.62, 0.9  # V s/rad, ohm, V: an invented machine
COULOMB, VISCOUS = 0.03, 1.2e-4  # N m, N m s/rad

#: Standard deviations of voltage, speed, current and torque, large on purpose.
DEVIATION = np.array([0.05, 4.0, 0.15, 0.01])

TIGHT = {"sstol": 1e-14, "partol": 1e-14, "maxit": 500}


def grid(sign: float) -> tuple[FloatArray, FloatArray]:
    """Twenty speeds [rad/s] and currents [A] of that sign."""
    speed, current = np.meshgrid([50.0, 120.0, 200.0, 300.0], [0.5, 1.0, 2.0, 4.0, 7.0])
    return speed.ravel(), sign * current.ravel()


def read(voltage: FloatArray, speed: FloatArray, current: FloatArray, torque: FloatArray | float):
    """What instruments with `DEVIATION` show of these."""
    true = np.stack(np.broadcast_arrays(voltage, speed, current, torque), axis=-1)
    rng = np.random.default_rng(20240501)
    return true + rng.normal(size=true.shape) * DEVIATION


def standard_errors(solution: Solution) -> FloatArray:
    """From the expected information at the adjusted readings."""
    weight = np.linalg.inv(solution.covariance)
    design = solution.linearised.design
    information = np.einsum("nap,nab,nbs->ps", design, weight, design)
    return np.sqrt(np.diag(np.linalg.inv(information)))


def solved(conditions: BrushedConditions, start: list[float]) -> Solution:
    return solve(conditions, no_priors(len(start)), np.array(start), np.ones(1))


def assert_agrees(solution: Solution, reference: odrpack.OdrResult) -> None:
    assert reference.success
    assert solution.theta == pytest.approx(reference.beta, rel=AGREE)
    deviations = np.sqrt(np.diag(reference.cov_beta))
    assert standard_errors(solution) == pytest.approx(deviations, rel=AGREE)
    chi_square = solution.whitened @ solution.whitened
    assert chi_square == pytest.approx(reference.sum_square, rel=AGREE)


def driven() -> FloatArray:
    """A driven machine's voltage, speed and current, all read with errors."""
    speed, current = grid(-1.0)
    return read(CONSTANT * speed + RESISTANCE * current - DROP, speed, current, 0.0)


def driven_by_odrpack(shown: FloatArray) -> odrpack.OdrResult:
    """v = k w + R i - Vb with errors in v, w and i."""
    ones = np.ones(len(shown))
    return odrpack.odr_fit(
        lambda x, beta: beta[0] * x[0] + beta[1] * x[1] - beta[2],
        shown[:, [1, 2]].T.copy(),
        shown[:, 0].copy(),
        np.array([0.1, 0.5, 0.5]),
        weight_x=DEVIATION[[1, 2]] ** -2.0,
        weight_y=DEVIATION[0] ** -2.0,
        jac_beta=lambda x, _: np.stack([x[0], x[1], -ones]),
        jac_x=lambda _, beta: np.stack([beta[0] * ones, beta[1] * ones]),
        **TIGHT,
    )


def test_voltage_equation_with_errors_in_all_variables():
    """v = k w + R i - Vb of a driven machine: voltage, speed and current all uncertain."""
    shown = driven()

    solution = solved(voltage_conditions(shown, DEVIATION), [0.1, 0.5, 0.5])

    reference = driven_by_odrpack(shown)
    assert_agrees(solution, reference)
    ones = np.ones(len(shown))
    without = np.linalg.lstsq(np.stack([shown[:, 1], shown[:, 2], -ones], axis=-1), shown[:, 0])[0]
    assert np.all(np.abs(without / reference.beta - 1) > 100 * AGREE)


def test_a_resistor_instead_of_an_ammeter():
    """i = -v/R_L: the voltmeter's error enters twice. v = (k w - Vb)/(1 + R/R_L) for odrpack."""
    speed, load = (a.ravel() for a in np.meshgrid([80.0, 160.0, 240.0, 320.0], [1.0, 2.2, 10.0]))
    voltage = (CONSTANT * speed - DROP) / (1 + RESISTANCE / load)
    shown = read(voltage, speed, 0.0 * speed, 0.0)
    shown[:, 2] = 0.0
    rows = bench_rows(shown, metered=np.zeros(len(load), dtype=bool), load=load)
    conditions = BrushedConditions(
        rows,
        Influence.none(len(rows), 0),
        free=(K, R, VB),
        thermal=THERMAL,
        brush_current_scale=1e-3,
        patterns=np.broadcast_to(DEVIATION, (1, len(rows), 4)),
        friction=np.zeros(1),
    )

    solution = solved(conditions, [0.1, 0.5, 0.5])

    reference = odrpack.odr_fit(
        lambda x, beta: (beta[0] * x[0] - beta[2]) / (1 + beta[1] / x[1]),
        np.stack([shown[:, 1], load]),
        shown[:, 0].copy(),
        np.array([0.1, 0.5, 0.5]),
        weight_x=np.array([DEVIATION[1] ** -2.0, 1.0]),
        weight_y=DEVIATION[0] ** -2.0,
        fix_x=np.array([False, True]),
        diff_scheme="central",
        **TIGHT,
    )
    # central differences of odrpack's own, good to about 1e-7
    assert_agrees(solution, reference)


def test_voltage_and_torque_of_a_brake_test_together():
    """Two equations a row share speed, current and k: five parameters, a 2x2 block a row."""
    speed, current = grid(1.0)
    shown = read(
        CONSTANT * speed + RESISTANCE * current + DROP,
        speed,
        current,
        CONSTANT * current - COULOMB - VISCOUS * speed,
    )
    rows = bench_rows(shown, present=np.ones((len(shown), 2), dtype=bool))
    conditions = BrushedConditions(
        rows,
        Influence.none(len(rows), 0),
        free=(K, R, VB, T0, B),
        thermal=THERMAL,
        brush_current_scale=1e-3,
        patterns=np.broadcast_to(DEVIATION, (1, len(rows), 4)),
        friction=np.zeros(1),
    )
    start = [0.1, 0.5, 0.5, 0.02, 1e-4]

    solution = solved(conditions, start)

    reference = odrpack.odr_fit(
        lambda x, beta: np.stack(
            [
                beta[0] * x[0] + beta[1] * x[1] + beta[2],
                beta[0] * x[1] - beta[3] - beta[4] * x[0],
            ]
        ),
        shown[:, [1, 2]].T.copy(),
        shown[:, [0, 3]].T.copy(),
        np.array(start),
        weight_x=DEVIATION[[1, 2]] ** -2.0,
        weight_y=DEVIATION[[0, 3]] ** -2.0,
        diff_scheme="central",
        **TIGHT,
    )
    assert_agrees(solution, reference)


@pytest.mark.parametrize("known", [True, False], ids=["deviations known", "scaled by residuals"])
@pytest.mark.parametrize("level", [0.68, 0.95, 0.99])
def test_linear_intervals_of_a_driven_machine(known, level):
    """Mind which errors are scaled: ``cov_beta`` is not, ``sd_beta`` is by the residuals.

    Known deviations go with ``cov_beta`` and the normal quantile; deviations of which only the
    ratios are known with ``sd_beta`` and Student's t at n - p. Here the residuals' variance is
    1.165 of the stated, so that a wrong choice would be 8 % off.

    The scale is the restricted likelihood's about the linearised equations: 1e-4 of its log
    variance is its last step, and half the square of that is left.
    """
    shown = driven()
    reference = driven_by_odrpack(shown)
    conditions = voltage_conditions(shown, DEVIATION)
    patterns = np.broadcast_to(DEVIATION, (1, len(shown), 4))

    uncertainty = split_uncertainty(joint_of(as_problem(conditions, patterns), known=known))
    found = [
        uncertainty.estimate(weights, value=value, unit="1", level=level).interval
        for weights, value in zip(np.eye(3), uncertainty.joint.machine, strict=True)
    ]

    freedom = len(shown) - 3
    error = np.sqrt(np.diag(reference.cov_beta)) if known else reference.sd_beta
    factor = stats.norm.ppf(0.5 + level / 2) if known else stats.t.ppf(0.5 + level / 2, freedom)
    expected = reference.beta[:, None] + np.outer(error, [-factor, factor])
    assert np.array(found) == pytest.approx(expected, rel=AGREE)
    ratio = reference.sd_beta**2 / np.diag(reference.cov_beta)
    assert ratio == pytest.approx(np.full(3, reference.sum_square / freedom), rel=1e-9)
