"""What the readings of one setting share: the fit's variance component against clustering.

Source: statsmodels 0.15.0, ``OLS.fit(cov_type="cluster")``: the sandwich estimator, which takes
any dependence within a cluster from the residuals and knows nothing of variance components.
With many settings the two must agree, up to the chance in the sandwich.
"""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from condition_models import THERMAL, as_problem, bench_rows

from motorfit.arrays import FloatArray
from motorfit.estimation.conditions import BrushedConditions
from motorfit.estimation.effects import SETTING
from motorfit.estimation.joint import stack
from motorfit.estimation.physics import VB, K, R
from motorfit.estimation.rows import SPEED, VOLTAGE, Influence, Nuisance
from motorfit.estimation.scatter import Stacked, estimate_scales, project
from motorfit.estimation.solver import solution_at

SETTINGS, CURRENTS = 60, (-1.0, -3.0, -6.0)  # three readings at each setting of the drive [A]
CLUSTER = np.repeat(np.arange(SETTINGS), len(CURRENTS))
TRUTH = np.array([0.085, 0.62, 0.9])  # V s/rad, ohm, V: an invented machine
VOLT, SHARED = 0.05, 0.004  # scatter of a reading [V]; of a setting's speed, relative
BENCHES = 60


def linearised() -> tuple[Stacked, FloatArray]:
    """The bench's condition equations about the truth, and the regressors of (k, R, Vb)."""
    speed = np.repeat(np.linspace(60.0, 300.0, SETTINGS), len(CURRENTS))
    current = np.tile(CURRENTS, SETTINGS)
    design = np.stack([speed, current, -np.ones_like(speed)], axis=-1)
    rows = bench_rows(np.stack([design @ TRUTH, speed, current, 0.0 * speed], axis=-1))
    shared = Nuisance(
        quantity=SETTING, error="effect", deviation=0.002, shape="normal", component=1
    )
    influence = Influence.none(len(rows), SETTINGS)
    influence.gain[np.arange(len(rows)), SPEED, CLUSTER] = 1.0
    patterns = np.zeros((2, len(rows), 4))
    patterns[0, :, VOLTAGE] = 0.03
    conditions = BrushedConditions(
        rows,
        influence,
        free=(K, R, VB),
        thermal=THERMAL,
        brush_current_scale=1e-3,
        patterns=patterns,
        friction=np.zeros(2),
    )
    problem = as_problem(
        conditions, patterns, nuisances=(shared,) * SETTINGS, components=("voltage", SETTING)
    )
    solution = solution_at(conditions, np.concatenate([TRUTH, np.zeros(SETTINGS)]), np.ones(2))
    return stack(problem, solution, None), design


def clustered(design: FloatArray, residual: FloatArray) -> FloatArray:
    """Variances of the coefficients with any dependence within a setting."""
    found = sm.OLS(residual, design).fit(cov_type="cluster", cov_kwds={"groups": CLUSTER})
    return np.asarray(found.bse) ** 2


@pytest.fixture(scope="module")
def benches() -> dict[str, FloatArray]:
    """Variances of k, R and Vb from many benches, each (benches, 3), and the scales."""
    whole, design = linearised()
    rng = np.random.default_rng(20240501)
    found: dict[str, list[FloatArray]] = {name: [] for name in ("fit", "sandwich", "plain", "size")}
    for _ in range(BENCHES):
        off = SHARED * rng.normal(size=SETTINGS)[CLUSTER]
        residual = TRUTH[0] * design[:, 0] * off + VOLT * rng.normal(size=len(design))
        stacked = replace(whole, residual=residual)
        scales = estimate_scales(stacked)
        projected = project(stacked, scales.log_variance)
        whitener = np.linalg.cholesky(projected.weight).T
        found["fit"].append(np.diag(projected.covariance))
        found["sandwich"].append(clustered(whitener @ design, whitener @ residual))
        found["plain"].append(np.asarray(sm.OLS(residual, design).fit().bse) ** 2)
        found["size"].append(np.exp(0.5 * scales.log_variance) * [0.03, 0.002])
    return {name: np.array(rows) for name, rows in found.items()}


def test_the_sizes_of_both_scatters_are_found_again(benches):
    """The truth is known here: 0.05 V and 0.4 % of speed, four standard errors of the mean."""
    sizes = benches["size"]
    allowed = 4 * sizes.std(axis=0) / BENCHES**0.5
    assert np.all(np.abs(sizes.mean(axis=0) - [VOLT, SHARED]) < allowed)


def test_variances_agree_with_clustering_by_setting(benches):
    """At the fit's own weights: means of the ratio found are 1.00, 1.01 and 0.98.

    A sandwich of 60 clusters scatters by 13 to 25 % of a variance from bench to bench. The mean
    must agree within four of its standard errors, with 2 % beside for the sandwich's shortfall
    of about a parameter over the clusters.
    """
    ratio = benches["sandwich"] / benches["fit"]
    allowed = 4 * ratio.std(axis=0) / BENCHES**0.5 + 0.02
    assert np.all(np.abs(ratio.mean(axis=0) - 1.0) < allowed)


def test_plain_least_squares_would_be_wrong(benches):
    """Twice too sure of k, and R, which does not hang on the settings, at half its worth."""
    ratio = (benches["plain"] / benches["fit"]).mean(axis=0)

    assert ratio[0] < 0.65
    assert ratio[1] > 2.0
