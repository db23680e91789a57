"""The worked examples of the GUM (JCGM 100:2008) that go through the solver and its uncertainty.

Tolerance: half a unit of the last printed digit, unless a test says otherwise.
"""

import numpy as np
import pytest
from condition_models import (
    Linear,
    Model,
    no_priors,
    published,
    scaled_stack,
    solved,
    without_prior,
)

from motorfit.arrays import FloatArray
from motorfit.estimate import coverage_factor
from motorfit.estimation.scatter import (
    Scales,
    effective_degrees_of_freedom,
    estimate_scales,
    project,
    variance_slopes,
)
from motorfit.estimation.solver import Linearised, Solution, condition_covariance, solve


class Impedance(Model):
    """Rows of (V, I, phi); a condition equation for each wanted quantity.

    f_j = theta_j - g_j(V, I, phi), so that theta of a single row has the covariance of the
    equations.
    """

    def __init__(self, read: FloatArray, covariance: FloatArray, wanted: tuple[int, ...]) -> None:
        names = tuple("RXZ"[j] for j in wanted)
        super().__init__(np.broadcast_to(covariance, (len(read), 3, 3)), names, len(wanted))
        self.read, self.wanted = read, list(wanted)

    def linearise(self, theta: FloatArray, shift: FloatArray | None = None) -> Linearised:
        v, i, phi = (self.read if shift is None else self.read + shift).T
        cosine, sine, zero = np.cos(phi), np.sin(phi), np.zeros_like(v)
        value = np.stack([v / i * cosine, v / i * sine, v / i], axis=-1)
        slopes = np.array(
            [
                [cosine / i, -v / i**2 * cosine, -v / i * sine],
                [sine / i, -v / i**2 * sine, v / i * cosine],
                [1 / i, -v / i**2, zero],
            ]
        )
        rows, count = len(v), len(self.wanted)
        return Linearised(
            residual=theta - value[:, self.wanted],
            design=np.broadcast_to(np.eye(count), (rows, count, count)),
            sensitivity=-np.moveaxis(slopes, -1, 0)[:, self.wanted],
            sensitivity_slope=np.zeros((rows, count, 3, count)),
        )


def welch_satterthwaite(uncertainties: np.ndarray, degrees_of_freedom: np.ndarray) -> float:
    """JCGM 100, G.2b: what the fit's formula makes of independent contributions."""
    scales = Scales(
        log_variance=np.zeros(len(uncertainties)), covariance=np.diag(2.0 / degrees_of_freedom)
    )
    variance = np.array([np.sum(uncertainties**2)])
    changes = (uncertainties**2)[:, None]
    return float(effective_degrees_of_freedom(variance, changes, scales)[0])


def five_sets() -> FloatArray:
    """H.2, Table H.2: five simultaneous readings of V, I and phi, (5, 3)."""
    data = published("gum-h2")
    return np.stack(
        [data["V_volt"], data["I_milliampere"] / 1000.0, data["phi_rad"]], axis=-1
    ).astype(float)


def impedance(wanted: tuple[int, ...], *, correlated: bool = True) -> Impedance:
    """H.2.3, approach 1: one row, the means of five sets with the covariance of these means."""
    readings = five_sets()
    covariance = np.cov(readings, rowvar=False) / len(readings)
    if not correlated:
        covariance = np.diag(np.diag(covariance))
    return Impedance(readings.mean(axis=0, keepdims=True), covariance, wanted)


def correlation(covariance: FloatArray) -> FloatArray:
    deviation = np.sqrt(np.diag(covariance))
    return covariance / np.outer(deviation, deviation)


@pytest.mark.parametrize("wanted", [(0, 1), (0, 2), (1, 2)])
def test_h2_values_of_correlated_readings(wanted):
    """H.2, Table H.3: R = 127.732, X = 219.847, Z = 254.260 ohm (254.25970 unrounded)."""
    equations = impedance(wanted)
    solution = solve(equations, no_priors(2), np.full(2, 200.0), np.ones(1))

    published_values = np.array([127.732, 219.847, 254.260])[list(wanted)]
    assert solution.theta == pytest.approx(published_values, abs=5.1e-4)


def test_h2_uncertainties_and_correlations():
    """H.2, Tables H.3 and H.4: the sandwich A S A' of correlated inputs.

    Standard uncertainties 0.071, 0.295 and 0.236 ohm; 0.2956 unrounded is one unit beside
    the printed 0.295, so 0.001 is allowed. Correlations -0.588, -0.485 and 0.993; the
    second is -0.48526 from unrounded readings.
    """
    equations = impedance((0, 1, 2))
    at = equations.linearise(np.zeros(3))
    found = condition_covariance(equations, at, np.zeros(3), np.ones(1))[0]

    assert np.sqrt(np.diag(found)) == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    between = correlation(found)
    assert [between[0, 1], between[0, 2], between[1, 2]] == pytest.approx(
        [-0.588, -0.485, 0.993], abs=6e-4
    )


def covariance_of(solution: Solution) -> FloatArray:
    """Inverse of the expected information."""
    weight = np.linalg.inv(solution.covariance)
    design = solution.linearised.design
    return np.linalg.inv(np.einsum("nap,nab,nbs->ps", design, weight, design))


def test_h2_covariance_of_what_the_solver_finds():
    """H.2, Table H.4, from two equations of one row: r(R, X) = -0.588."""
    solution = solve(impedance((0, 1)), no_priors(2), np.full(2, 200.0), np.ones(1))
    found = covariance_of(solution)

    assert np.sqrt(np.diag(found)) == pytest.approx([0.071, 0.295], abs=1e-3)
    assert correlation(found)[0, 1] == pytest.approx(-0.588, abs=5e-4)


@pytest.mark.parametrize(
    ("wanted", "between"), [((0, 1), -0.588), ((0, 2), -0.485), ((1, 2), 0.993)]
)
def test_h2_five_sets_as_five_rows(wanted, between):
    """H.2.4, approach 2 (Table H.4): every set by itself, parameters common to all.

    The guide takes the plain mean of five results; the fit weighs each row by its own
    slopes, which differ by the 0.3 % of the readings. That moves the means by less than 2 % of
    their uncertainty, and changes the third digit of none of the correlations.
    """
    readings = five_sets()
    equations = Impedance(readings, np.cov(readings, rowvar=False), wanted)
    solution = solve(equations, no_priors(2), np.full(2, 200.0), np.ones(1))
    found = covariance_of(solution)

    values = np.array([127.732, 219.847, 254.260])[list(wanted)]
    deviations = np.array([0.071, 0.295, 0.236])[list(wanted)]
    assert np.sqrt(np.diag(found)) == pytest.approx(deviations, abs=1e-3)
    assert np.all(np.abs(solution.theta - values) < 0.02 * deviations)
    assert correlation(found)[0, 1] == pytest.approx(between, abs=6e-4)


def test_h2_without_the_correlations_is_wrong():
    """Uncorrelated inputs would give 0.194, 0.201 and 0.204 ohm: the tests above see that."""
    equations = impedance((0, 1, 2), correlated=False)
    at = equations.linearise(np.zeros(3))
    found = condition_covariance(equations, at, np.zeros(3), np.ones(1))[0]

    assert np.sqrt(np.diag(found)) == pytest.approx([0.194, 0.201, 0.204], abs=1e-3)


def calibration_line() -> tuple[FloatArray, FloatArray, float, float]:
    """H.3: parameters, covariance, residual deviation, degrees of freedom of the slope."""
    data = published("gum-h3")
    offset = data["t_degC"].to_numpy(float) - 20.0
    equations = Linear(np.stack([np.ones_like(offset), offset], -1), data["b_degC"].to_numpy(float))
    solution = solved(equations)
    stack = scaled_stack(equations, solution)
    scales = estimate_scales(without_prior(stack))
    projected = project(stack, scales.log_variance)
    slopes = variance_slopes(stack, projected, scales.log_variance)
    freedom = effective_degrees_of_freedom(projected.covariance[1:, 1], slopes[:, 1:, 1], scales)
    deviation = float(np.exp(0.5 * scales.log_variance[0]))
    return solution.theta, projected.covariance, deviation, float(freedom[0])


def test_h3_calibration_line():
    """H.3: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, s = 0.0035, 9 degrees of freedom."""
    theta, covariance, deviation, freedom = calibration_line()

    assert theta[0] == pytest.approx(-0.1712, abs=5e-5)
    assert theta[1] == pytest.approx(0.00218, abs=5e-6)
    assert covariance[0, 0] ** 0.5 == pytest.approx(0.0029, abs=5e-5)
    assert covariance[1, 1] ** 0.5 == pytest.approx(0.00067, abs=5e-6)
    assert correlation(covariance)[0, 1] == pytest.approx(-0.930, abs=5e-4)
    assert deviation == pytest.approx(0.0035, abs=5e-5)
    assert freedom == pytest.approx(9.0, rel=1e-6)


def test_h3_sum_of_squares():
    """H.3: 0.000110096583109 in the GTC library's documentation, all digits."""
    _, _, deviation, _ = calibration_line()

    assert 9 * deviation**2 == pytest.approx(0.000110096583109, rel=1e-8)


def test_h3_prediction_with_covariance():
    """H.3: b(30) = -0.1494 with u = 0.0041; without the covariance it would be 0.0073."""
    theta, covariance, _, _ = calibration_line()
    gradient = np.array([1.0, 10.0])

    assert theta @ gradient == pytest.approx(-0.1494, abs=5e-5)
    assert (gradient @ covariance @ gradient) ** 0.5 == pytest.approx(0.0041, abs=5e-5)
    assert (np.diag(covariance) @ gradient**2) ** 0.5 == pytest.approx(0.0073, abs=5e-5)


def test_h1_effective_degrees_of_freedom_of_an_end_gauge():
    """H.1.6: contributions of 25, 9.7, 2.9 and 16.6 nm; nu = 16.7, t99(16) = 2.92, U = 93 nm.

    16.76 with the unrounded sum of squares, so 0.1 is allowed on nu.
    """
    contributions = np.array([25.0, 9.7, 2.9, 16.6])
    freedom = welch_satterthwaite(contributions, np.array([18.0, 25.6, 50.0, 2.0]))

    combined = np.sqrt(np.sum(contributions**2))
    assert combined == pytest.approx(32.0, abs=0.5)
    assert freedom == pytest.approx(16.7, abs=0.1)
    factor = coverage_factor(0.99, np.floor(freedom))
    assert factor == pytest.approx(2.92, abs=5e-3)
    assert factor * 32.0 == pytest.approx(93.0, abs=0.5)


def test_h1_part_of_the_budget():
    """H.1.3.2: 5.8, 3.9 and 6.7 nm with 24, 5 and 8 give 9.7 nm with nu = 25.6.

    25.4 with the unrounded sum of squares; the printed 25.6 has the rounded 9.7 in it.
    """
    parts = np.array([5.8, 3.9, 6.7])

    assert np.sqrt(np.sum(parts**2)) == pytest.approx(9.7, abs=0.05)
    assert welch_satterthwaite(parts, np.array([24.0, 5.0, 8.0])) == pytest.approx(25.6, abs=0.3)


def test_g4_product_of_three_readings():
    """G.4.1, example: 0.25, 0.57 and 0.82 % from 10, 5 and 15 readings; U95 = 2.2 %."""
    parts = np.array([0.25, 0.57, 0.82])
    freedom = welch_satterthwaite(parts, np.array([9.0, 4.0, 14.0]))

    combined = np.sqrt(np.sum(parts**2))
    assert combined == pytest.approx(1.03, abs=5e-3)
    assert freedom == pytest.approx(19.0, abs=0.05)
    factor = coverage_factor(0.95, np.floor(freedom + 0.05))
    assert factor == pytest.approx(2.09, abs=5e-3)
    assert factor * combined == pytest.approx(2.2, abs=0.05)


def test_infinite_degrees_of_freedom_count_as_known():
    """G.4.3: Type B with nu infinite adds nothing to the sum: 2 u^4/(u1^4/nu1 ...)."""
    found = welch_satterthwaite(np.array([1.0, 1.0]), np.array([5.0, np.inf]))

    assert found == pytest.approx(20.0, rel=1e-12)  # (1 + 1)^2 / (1/5)


@pytest.mark.parametrize(
    ("freedom", "factors"),
    [
        (1, (1.84, 6.31, 12.71, 13.97, 63.66, 235.78)),
        (2, (1.32, 2.92, 4.30, 4.53, 9.92, 19.21)),
        (3, (1.20, 2.35, 3.18, 3.31, 5.84, 9.22)),
        (5, (1.11, 2.02, 2.57, 2.65, 4.03, 5.51)),
        (10, (1.05, 1.81, 2.23, 2.28, 3.17, 3.96)),
        (20, (1.03, 1.72, 2.09, 2.13, 2.85, 3.42)),
        (50, (1.01, 1.68, 2.01, 2.05, 2.68, 3.16)),
        (np.inf, (1.000, 1.645, 1.960, 2.000, 2.576, 3.000)),
    ],
)
def test_table_g2(freedom, factors):
    """Table G.2; 0.01 allowed, since some last digits are cut, not rounded (9.925 as 9.92)."""
    levels = (0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973)

    found = [coverage_factor(level, freedom) for level in levels]

    assert found == pytest.approx(factors, abs=0.01)
