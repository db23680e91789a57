"""The joint solver on models small enough to be solved by hand."""

from dataclasses import replace

import numpy as np
import pytest
from condition_models import Linear, StraightLine, no_priors, solved
from hypothesis import given
from hypothesis import strategies as st

from motorfit.errors import FitError
from motorfit.estimation.solver import (
    Soft,
    condition_covariance,
    solution_at,
    solve,
    whiten,
)

ONE = np.ones(1)  # the scale of scatter: variances as stated
RISING = np.array([0.0, 1.0, 2.0, 3.0])

#: Linear problems are solved by one step, to rounding.
EXACT = 1e-12


def falling_line() -> Linear:
    """Readings 8, 6, 4, 2: intercept 8, slope -2."""
    return Linear(np.stack([np.ones(4), RISING], axis=-1), 8.0 - 2.0 * RISING)


def test_a_line_through_its_points():
    solution = solved(falling_line())

    assert solution.theta == pytest.approx([8.0, -2.0], rel=EXACT)
    assert solution.whitened == pytest.approx(np.zeros(4), abs=EXACT)


def test_a_parameter_ends_exactly_at_its_bound():
    """Slope at least zero: exactly zero, and the intercept is the mean of the readings, 5."""
    priors = replace(no_priors(2), lower=np.array([-np.inf, 0.0]))

    solution = solve(falling_line(), priors, np.array([1.0, 1.0]), ONE)

    assert solution.theta[1] == 0.0
    assert solution.theta[0] == pytest.approx(5.0, rel=1e-9)


def test_a_bound_from_above():
    """Intercept at most 6: exactly 6, slope of the line through it: -16/14."""
    priors = replace(no_priors(2), upper=np.array([6.0, np.inf]))
    readings = 8.0 - 2.0 * RISING
    slope = RISING @ (readings - 6.0) / (RISING @ RISING)

    solution = solve(falling_line(), priors, np.zeros(2), ONE)

    assert solution.theta[0] == 6.0
    assert solution.theta[1] == pytest.approx(slope, rel=1e-9)


def test_a_start_beyond_the_bounds_is_moved_inside():
    priors = replace(no_priors(2), lower=np.array([0.0, -5.0]), upper=np.array([10.0, 5.0]))

    solution = solve(falling_line(), priors, np.array([-100.0, 100.0]), ONE)

    assert solution.theta == pytest.approx([8.0, -2.0], rel=1e-9)


def test_fewer_equations_than_parameters():
    one_reading = Linear(np.ones((1, 2)), np.array([4.0]))

    with pytest.raises(FitError, match="fewer readings than parameters"):
        solve(one_reading, no_priors(2), np.zeros(2), ONE)


def test_a_prior_makes_up_for_a_reading():
    """Sum 4 +- 1, and the second 1 +- 1 beforehand: 3 and 1 with nothing left over."""
    one_reading = Linear(np.ones((1, 2)), np.array([4.0]))
    priors = replace(no_priors(2), mean=np.array([0.0, 1.0]), deviation=np.array([np.inf, 1.0]))

    solution = solve(one_reading, priors, np.zeros(2), ONE)

    assert solution.theta == pytest.approx([3.0, 1.0], rel=1e-9)


@given(
    reading=st.floats(-100, 100),
    mean=st.floats(-100, 100),
    deviation=st.floats(0.1, 10),
    prior=st.floats(0.1, 10),
)
def test_a_prior_is_one_more_reading(reading, mean, deviation, prior):
    """Closed form: the mean weighted by the reciprocals of the variances."""
    equations = Linear(np.ones((1, 1)), np.array([reading]), deviation**2)
    priors = replace(no_priors(1), mean=np.array([mean]), deviation=np.array([prior]))
    weights = np.array([deviation**-2, prior**-2])

    solution = solve(equations, priors, np.zeros(1), ONE)

    expected = weights @ [reading, mean] / weights.sum()
    assert solution.theta[0] == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_soft_directions_hold_what_the_readings_leave_open():
    """Only the sum is read, 10; the difference stays as at the centre, 3 - 1 = 2."""
    equations = Linear(np.ones((3, 2)), np.full(3, 10.0))
    soft = Soft(directions=np.array([[1.0, -1.0]]), centre=np.array([3.0, 1.0]))

    solution = solve(equations, no_priors(2), np.zeros(2), ONE, soft=soft)

    assert solution.theta == pytest.approx([6.0, 4.0], rel=1e-9)


def test_a_soft_direction_counts_as_an_equation():
    one_reading = Linear(np.ones((1, 2)), np.array([10.0]))
    soft = Soft(directions=np.array([[1.0, -1.0]]), centre=np.zeros(2))

    solution = solve(one_reading, no_priors(2), np.zeros(2), ONE, soft=soft)

    assert solution.theta == pytest.approx([5.0, 5.0], rel=1e-9)


def test_scales_weigh_readings_against_the_prior():
    """Reading 4 with variance 3 (scale 3), prior 0 with variance 1: 4 (1/3)/(1/3 + 1) = 1."""
    equations = Linear(np.ones((1, 1)), np.array([4.0]))
    priors = replace(no_priors(1), deviation=np.ones(1))

    solution = solve(equations, priors, np.zeros(1), np.array([3.0]))

    assert solution.theta == pytest.approx([1.0], rel=1e-9)


def test_errors_of_the_regressor_enter_with_the_slope():
    """Closed form for a line: var(f) = u(y)^2 + slope^2 u(x)^2 = 1 + 9 x 0.25."""
    line = StraightLine(RISING, RISING, np.full(4, 0.25), np.ones(4))
    theta = np.array([0.5, 3.0])
    at = line.linearise(theta)

    found = condition_covariance(line, at, theta, ONE)

    assert found[:, 0, 0] == pytest.approx(np.full(4, 3.25), rel=EXACT)
    residual, _ = whiten(line, theta, ONE, line.own_variance(theta, ONE))
    assert residual[:, 0] == pytest.approx((RISING - 0.5 - 3 * RISING) / np.sqrt(3.25), rel=EXACT)


def test_slopes_of_whitened_residuals_know_the_moving_weights():
    """By hand: r = f/s, dr/db = -x/s - f b u(x)^2/s^3; holding s would leave the second out."""
    line = StraightLine(RISING, RISING, np.full(4, 0.25), np.ones(4))
    residual = RISING - 0.5 - 3 * RISING

    theta = np.array([0.5, 3.0])
    _, jacobian = whiten(line, theta, ONE, line.own_variance(theta, ONE))

    expected = -RISING / np.sqrt(3.25) - residual * 3.0 * 0.25 / 3.25**1.5
    assert jacobian[:, 0, 1] == pytest.approx(expected, rel=EXACT)
    assert jacobian[:, 0, 0] == pytest.approx(np.full(4, -1 / np.sqrt(3.25)), rel=EXACT)


def test_the_design_is_taken_at_the_adjusted_readings():
    """Equal variances: a point is adjusted to its foot on the line, (x + b (y - a))/(1 + b^2)."""
    x, y = RISING, np.array([0.3, 0.8, 2.4, 2.9])
    line = StraightLine(x, y, np.ones(4), np.ones(4))
    theta = np.array([0.2, 0.9])

    found = solution_at(line, theta, ONE)

    foot = (x + 0.9 * (y - 0.2)) / (1 + 0.9**2)
    assert -found.linearised.design[:, 0, 1] == pytest.approx(foot, rel=EXACT)
    # the residual stays that of the observed point
    assert found.linearised.residual[:, 0] == pytest.approx(y - 0.2 - 0.9 * x, rel=EXACT)


def test_an_absent_equation_weighs_nothing():
    """The last reading is wild, but its equation is absent: the line of the other four."""
    design = np.stack([np.ones(5), np.arange(5.0)], axis=-1)
    equations = Linear(design, np.append(8.0 - 2.0 * RISING, 1e6))
    equations.present[4] = False

    solution = solve(equations, no_priors(2), np.zeros(2), ONE)

    assert solution.theta == pytest.approx([8.0, -2.0], rel=1e-9)
    assert len(solution.whitened) == 4
    at = equations.linearise(solution.theta)
    assert condition_covariance(equations, at, solution.theta, ONE)[4, 0, 0] == 1.0
