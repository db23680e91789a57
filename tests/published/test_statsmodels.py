"""Where weights are fixed, the joint fit is generalised least squares: against statsmodels.

Source: statsmodels 0.15.0, ``GLS`` (errors of instruments as a covariance of the readings,
coefficients' covariance not scaled by the residuals) and ``MixedLM`` (variance components by
restricted likelihood).
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from condition_models import THERMAL, as_problem, bench_rows, without_prior

from motorfit.arrays import FloatArray
from motorfit.estimation.conditions import BrushedConditions
from motorfit.estimation.joint import stack
from motorfit.estimation.physics import VB, K, R
from motorfit.estimation.problem import Problem
from motorfit.estimation.rows import VOLTAGE, Influence, Nuisance
from motorfit.estimation.scatter import Stacked, estimate_scales, project
from motorfit.estimation.solver import solve

#: Both sides solve the same normal equations; what is left is rounding and, in the joint
#: solver, a stop once the sum of squares changes by less than 1e-13 of itself.
AGREE = 1e-6

VOLT = 0.03  # standard deviation of a repeated voltage reading; speed and current are exact
OFFSETS, LEADS, GAIN = (0.04, 0.15), 0.008, 0.004  # prior deviations: V in two ranges, ohm, 1


def driven() -> tuple[FloatArray, FloatArray]:
    """Speeds and currents of an invented driven machine, and the voltages a meter showed.

    Returns the exact regressors (k, R, Vb) and the voltages, which have one leads' drop,
    one offset below 20 V, another above, and scatter.
    """
    speed, current = (a.ravel() for a in np.meshgrid([80.0, 160.0, 320.0], [-0.6, -1.7, -4.0, -7]))
    design = np.stack([speed, current, -np.ones_like(speed)], axis=-1)
    voltage = design @ [0.085, 0.62, 0.9] + 0.01 * current
    voltage += np.where(voltage < 20.0, 0.03, -0.2)
    return design, voltage + np.random.default_rng(20240501).normal(0.0, VOLT, len(voltage))


def posed(gain: float) -> tuple[Problem, FloatArray, FloatArray]:
    """The machine above as a problem, with the same regressors and voltages beside it."""
    design, voltage = driven()
    shown = np.stack([voltage, design[:, 0], design[:, 1], 0.0 * voltage], axis=-1)
    rows = bench_rows(shown)
    nuisances = [
        Nuisance(quantity="voltage", error="offset", deviation=OFFSETS[0], range="20 V"),
        Nuisance(quantity="voltage", error="offset", deviation=OFFSETS[1], range="200 V"),
        Nuisance(quantity="leads", error="offset", deviation=LEADS),
    ]
    if gain:
        nuisances.append(Nuisance(quantity="voltage", error="gain", deviation=gain))
    influence = Influence.none(len(rows), len(nuisances))
    influence.offset[voltage < 20.0, VOLTAGE, 0] = 1.0
    influence.offset[voltage >= 20.0, VOLTAGE, 1] = 1.0
    influence.leads[2] = 1.0
    influence.gain[:, VOLTAGE, 3:] = 1.0
    patterns = np.zeros((1, len(rows), 4))
    patterns[:, :, VOLTAGE] = VOLT
    conditions = BrushedConditions(
        rows,
        influence,
        free=(K, R, VB),
        thermal=THERMAL,
        brush_current_scale=1e-3,
        patterns=patterns,
        friction=np.zeros(1),
    )
    problem = as_problem(conditions, patterns, nuisances=tuple(nuisances))
    return problem, design, voltage


def test_errors_of_instruments_as_parameters_or_as_covariance():
    """Two offsets and the leads: parameters with a prior here, a covariance of v there."""
    problem, design, voltage = posed(gain=0.0)
    below = np.where(voltage < 20.0, 1.0, 0.0)
    known = np.stack([OFFSETS[0] * below, OFFSETS[1] * (1 - below), LEADS * design[:, 1]], axis=-1)
    covariance = VOLT**2 * np.eye(len(voltage)) + known @ known.T

    reference = sm.GLS(voltage, design, sigma=covariance).fit(cov_type="fixed scale")
    solution = solve(problem.conditions, problem.priors(np.zeros(1)), problem.start, np.ones(1))

    assert solution.theta[:3] == pytest.approx(reference.params, rel=AGREE)
    found = project(stack(problem, solution, None), np.zeros(1)).covariance
    assert np.sqrt(np.diag(found)) == pytest.approx(reference.bse, rel=AGREE)
    # without the offsets k and Vb would be others; R, on this grid, has no part in them
    plain = sm.OLS(voltage, design).fit()
    assert np.all(np.abs(plain.params / reference.params - 1)[[0, 2]] > 100 * AGREE)


def test_a_gain_in_common_through_the_linearised_stack():
    """With a gain too, whose effect is linear only about the solution: GLS of that stack.

    Its estimates are the solver's own only where the solver has found the minimum.
    """
    problem, _, _ = posed(gain=GAIN)
    solution = solve(problem.conditions, problem.priors(np.zeros(1)), problem.start, np.ones(1))
    stacked = stack(problem, solution, None)
    covariance = stacked.fixed + stacked.patterns[0]
    linearised = stacked.residual - stacked.design @ solution.theta[:3]

    reference = sm.GLS(linearised, -stacked.design, sigma=covariance).fit(cov_type="fixed scale")

    assert solution.theta[:3] == pytest.approx(reference.params, rel=AGREE)
    found = project(stacked, np.zeros(1)).covariance
    assert np.sqrt(np.diag(found)) == pytest.approx(reference.bse, rel=AGREE)


def test_variance_components_of_uneven_groups():
    """Restricted likelihood of groups of 2 to 9 readings with a slope: no closed form.

    Found to agree to 3e-8: after a last step of less than 1e-4 in a log variance half its
    square is left, and the estimates hang on the variances only weakly. Errors: GLS at its
    variances, since MixedLM takes its own from a numerical Hessian over all parameters.
    """
    rng = np.random.default_rng(20240501)
    group = np.repeat(np.arange(8), [2, 3, 4, 5, 6, 7, 8, 9])
    x = rng.uniform(0.0, 10.0, len(group))
    y = 1.0 + 0.5 * x + rng.normal(0.0, 0.7, 8)[group] + rng.normal(0.0, 0.4, len(group))
    design = np.stack([np.ones_like(x), x], axis=-1)
    belongs = np.eye(8)[group]
    components = Stacked(
        residual=y,
        design=-design,
        fixed=np.zeros((len(y), len(y))),
        patterns=np.array([np.eye(len(y)), belongs @ belongs.T]),
        ridge=np.zeros((2, 2)),
    )

    scales = estimate_scales(without_prior(components))
    projected = project(components, scales.log_variance)

    table = pd.DataFrame({"y": y, "x": x, "group": group})
    reference = sm.MixedLM.from_formula("y ~ x", table, groups="group").fit(reml=True, gtol=1e-10)
    variances = np.array([reference.scale, reference.cov_re.to_numpy()[0, 0]])
    assert np.exp(scales.log_variance) == pytest.approx(variances, rel=1e-6)
    assert -projected.gain @ y == pytest.approx(reference.fe_params.to_numpy(), rel=1e-8)
    covariance = variances[0] * np.eye(len(y)) + variances[1] * belongs @ belongs.T
    fixed = sm.GLS(y, design, sigma=covariance).fit(cov_type="fixed scale")
    assert np.sqrt(np.diag(projected.covariance)) == pytest.approx(fixed.bse, rel=1e-6)
