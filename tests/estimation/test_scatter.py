"""Variance components against closed forms."""

import numpy as np
import pytest
from condition_models import without_prior

from motorfit.arrays import FloatArray
from motorfit.estimation.scale_priors import PRIOR_READINGS
from motorfit.estimation.scatter import (
    Scales,
    Stacked,
    effective_degrees_of_freedom,
    estimate_scales,
    project,
    variance_slopes,
)

#: The last step of a log variance is below 1e-4, the error after it half the square.
SETTLED = 1e-8


def stacked(
    residual: FloatArray,
    patterns: list[FloatArray],
    *,
    design: FloatArray | None = None,
    fixed: float = 0.0,
    ridge: float = 0.0,
) -> Stacked:
    """A stack that estimates a mean, unless another design is given."""
    count = len(residual)
    design = np.ones((count, 1)) if design is None else design
    return Stacked(
        residual=residual,
        design=design,
        fixed=fixed * np.eye(count),
        patterns=np.array(patterns).reshape(len(patterns), count, count),
        ridge=ridge * np.eye(design.shape[1]),
    )


def residuals_of_size(deviation: float, count: int = 8, seed: int = 1) -> FloatArray:
    """Residuals about a mean with exactly this standard deviation (count - 1 freedom)."""
    drawn = np.random.default_rng(seed).normal(size=count)
    drawn -= drawn.mean()
    return drawn * deviation / np.sqrt(drawn @ drawn / (count - 1))


def groups(count: int, size: int) -> FloatArray:
    """Which reading belongs to which group, (count size, count)."""
    return np.repeat(np.eye(count), size, axis=0)


def test_one_component_is_the_residual_variance():
    """Closed form: restricted likelihood of independent readings gives RSS/(n - p)."""
    scales = estimate_scales(without_prior(stacked(residuals_of_size(0.5), [np.eye(8)])))

    assert np.exp(scales.log_variance) == pytest.approx([0.25], rel=SETTLED)
    # Fisher's information of a log variance is (n - p)/2
    assert scales.covariance == pytest.approx(np.array([[2 / 7]]), rel=1e-9)


def test_what_is_known_is_taken_off():
    """Closed form: with known variance V0 in every reading the component is s2 - V0."""
    stack = stacked(residuals_of_size(0.5), [np.eye(8)], fixed=0.1)

    found = np.exp(estimate_scales(without_prior(stack)).log_variance)

    assert found == pytest.approx([0.25 - 0.1], rel=1e-6)


def test_balanced_groups_are_the_analysis_of_variance():
    """Closed form (one-way random effects): MSW and (MSB - MSW)/m, for six groups of five."""
    rng = np.random.default_rng(20240501)
    belongs = groups(6, 5)
    readings = 3.0 + belongs @ rng.normal(0.0, 0.8, 6) + rng.normal(0.0, 0.3, 30)
    means = readings.reshape(6, 5).mean(axis=1)
    within = float(np.sum((readings.reshape(6, 5) - means[:, None]) ** 2) / 24)
    between = float(5 * np.sum((means - means.mean()) ** 2) / 5)
    stack = stacked(-readings, [np.eye(30), belongs @ belongs.T])

    scales = estimate_scales(without_prior(stack))

    expected = [within, (between - within) / 5]
    assert np.exp(scales.log_variance) == pytest.approx(expected, rel=1e-6)
    projected = project(stack, scales.log_variance)
    assert projected.covariance == pytest.approx(np.array([[between / 30]]), rel=1e-6)
    # the mean hangs on the groups alone: MSB has 6 - 1 degrees of freedom
    slopes = variance_slopes(stack, projected, scales.log_variance)[:, 0]
    freedom = effective_degrees_of_freedom(projected.covariance[0], slopes, scales)
    assert freedom == pytest.approx([5.0], rel=1e-5)


@pytest.mark.parametrize("deviation", [0.1, 0.5, 1.0, 2.0, 10.0])
def test_the_prior_counts_as_readings_of_the_usual_size(deviation):
    """Closed form of an inverse chi-square prior: (RSS + r)/(n - p + r) and n - p + r freedom.

    The step at which the iteration stops, 1e-4, may be short of the end by as much where the
    prior's curvature holds it back.
    """
    stack = stacked(residuals_of_size(deviation), [np.eye(8)])

    scales = estimate_scales(stack)

    expected = (7 * deviation**2 + PRIOR_READINGS) / (7 + PRIOR_READINGS)
    assert np.exp(scales.log_variance) == pytest.approx([expected], rel=1e-4)
    projected = project(stack, scales.log_variance)
    slopes = variance_slopes(stack, projected, scales.log_variance)[:, 0]
    freedom = effective_degrees_of_freedom(projected.covariance[0], slopes, scales)
    assert freedom == pytest.approx([7 + PRIOR_READINGS], rel=1e-9)


def test_no_residual_leaves_the_usual_size():
    """One reading, one parameter: nothing is learnt, and the prior's own freedom is left."""
    stack = stacked(np.array([5.0]), [np.eye(1)])

    scales = estimate_scales(stack)

    assert scales.log_variance == pytest.approx([0.0], abs=1e-12)
    assert 2 / scales.covariance[0, 0] == pytest.approx(PRIOR_READINGS, rel=1e-9)


def test_perfect_repeats_do_not_make_a_perfect_meter():
    """Three equal readings: (0 + r)/(2 + r) of the usual variance, not zero."""
    scales = estimate_scales(stacked(np.zeros(3), [np.eye(3)]))

    expected = PRIOR_READINGS / (2 + PRIOR_READINGS)
    assert np.exp(scales.log_variance) == pytest.approx([expected], rel=1e-4)


def test_the_start_does_not_matter():
    stack = stacked(residuals_of_size(0.5), [np.eye(8)])

    found = [estimate_scales(stack, np.array([t])).log_variance[0] for t in (-6.0, 0.0, 6.0)]

    assert found == pytest.approx([found[1]] * 3, abs=2e-4)  # twice the last step allowed


def test_a_bench_without_components_has_no_scales():
    scales = estimate_scales(stacked(np.ones(3), [], fixed=1.0))

    assert scales.log_variance.shape == (0,)
    assert scales.covariance.shape == (0, 0)


def test_readings_in_groups_know_the_mean_less_well():
    """Closed form: the mean of G groups of m has variance s_g2/G + s2/(G m)."""
    belongs = groups(4, 3)
    stack = stacked(np.zeros(12), [np.eye(12), belongs @ belongs.T])

    found = project(stack, np.log([0.5, 2.0])).covariance

    assert found == pytest.approx(np.array([[2.0 / 4 + 0.5 / 12]]), rel=1e-12)


def test_projection_forgets_what_the_parameters_take_up():
    """P X = 0 by definition, and P V P = P (both exact up to rounding)."""
    design = np.random.default_rng(3).normal(size=(7, 2))
    belongs = groups(7, 1)
    stack = stacked(np.ones(7), [np.eye(7), np.diag(np.arange(7.0))], design=design, fixed=0.3)
    projected = project(stack, np.log([1.0, 0.2]))
    total = 0.3 * np.eye(7) + belongs + 0.2 * np.diag(np.arange(7.0))

    assert projected.projection @ design == pytest.approx(np.zeros((7, 2)), abs=1e-12)
    twice = projected.projection @ total @ projected.projection
    assert twice == pytest.approx(projected.projection, abs=1e-12)


def test_parameters_of_very_different_size():
    """Scaling a column by 1e-12 scales its standard deviation by 1e12 and no other."""
    design = np.random.default_rng(3).normal(size=(7, 2))
    plain = project(stacked(np.ones(7), [np.eye(7)], design=design), np.zeros(1)).covariance
    scaled = stacked(np.ones(7), [np.eye(7)], design=design * [1.0, 1e-12])

    found = project(scaled, np.zeros(1)).covariance

    factor = np.array([1.0, 1e12])
    assert found == pytest.approx(plain * factor * factor[:, None], rel=1e-12)


def test_a_held_parameter_keeps_its_residual():
    """A ridge far above the information leaves all n degrees of freedom to the scatter."""
    residual = np.full(8, 0.5)

    held = estimate_scales(without_prior(stacked(residual, [np.eye(8)], ridge=1e12)))

    assert np.exp(held.log_variance) == pytest.approx([0.25], rel=SETTLED)
    assert 2 / held.covariance[0, 0] == pytest.approx(8.0, rel=1e-9)


def test_slopes_are_those_of_the_covariance():
    """Central differences with steps of 1e-5, good to 1e-9 of the covariance."""
    belongs = groups(4, 3)
    design = np.stack([np.ones(12), np.arange(12.0)], axis=-1)
    stack = stacked(np.ones(12), [np.eye(12), belongs @ belongs.T], design=design, fixed=0.1)
    at = np.log([0.5, 2.0])
    slopes = variance_slopes(stack, project(stack, at), at)

    for component, step in enumerate(1e-5 * np.eye(2)):
        up, down = project(stack, at + step).covariance, project(stack, at - step).covariance
        assert slopes[component] == pytest.approx((up - down) / 2e-5, rel=1e-6, abs=1e-9)


def test_degrees_of_freedom_of_a_sum():
    """Welch and Satterthwaite (JCGM 100, G.2b): (1 + 2)^2/(1/5 + 4/10), exact."""
    scales = Scales(log_variance=np.zeros(2), covariance=np.diag([2 / 5, 2 / 10]))

    found = effective_degrees_of_freedom(np.array([3.0]), np.array([[1.0], [2.0]]), scales)

    assert found == pytest.approx([9 / 0.6], rel=1e-12)


def test_no_scatter_means_infinite_freedom():
    scales = Scales(log_variance=np.zeros(1), covariance=np.eye(1))

    found = effective_degrees_of_freedom(np.array([1.0, 1.0]), np.array([[0.0, 1.0]]), scales)

    assert found.tolist() == [np.inf, 2.0]
