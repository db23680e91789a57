"""Scales of scatter, drawn as the residuals would allow."""

import numpy as np
import pytest
from scipy import stats
from virtual_benches import PLANS, TRUE

from motorfit.estimation import scale_draws
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.scale_draws import RestrictedLikelihood, draw_likely, draw_scales
from motorfit.estimation.scatter import project
from motorfit.simulation.bench import simulate


@pytest.fixture(scope="module")
def joint():
    return fit_jointly(pose(simulate(TRUE, plan=PLANS["whole"], seed=3)))


def from_the_definition(joint, log_variance):
    """The restricted likelihood and its prior as docs/numbers.md has them, dense."""
    stack, projected = joint.stack, project(joint.stack, log_variance)
    total = stack.fixed + np.tensordot(np.exp(log_variance), stack.patterns, axes=1)
    information = stack.design.T @ projected.weight @ stack.design + stack.ridge
    size = 1.0 / np.sqrt(np.diag(information))
    volume = np.linalg.slogdet(total)[1] - 2.0 * np.sum(np.log(size))
    volume += np.linalg.slogdet(information * size[:, None] * size)[1]
    square = stack.residual @ projected.projection @ stack.residual
    weight, t = stack.prior.readings, log_variance
    prior = weight * np.where(stack.prior.even, 0.5 * t**2, np.exp(-t) + t)
    return -0.5 * (volume + square + np.sum(prior))


def test_density_is_the_restricted_likelihood_times_its_prior(joint):
    """Woodbury's identity against the dense matrices; 1e-6 for what inverses lose."""
    best = joint.scales.log_variance
    others = best + np.random.default_rng(1).normal(size=(6, len(best)))

    found = RestrictedLikelihood.of(joint)(np.vstack([best, others]))

    expected = [from_the_definition(joint, each) for each in (best, *others)]
    assert found - found[0] == pytest.approx(np.subtract(expected, expected[0]), abs=1e-6)


def test_density_does_not_hang_on_how_much_is_done_at_a_time(joint, monkeypatch):
    """Sets of scales one by one: the same to the last digits."""
    likelihood = RestrictedLikelihood.of(joint)
    scales = np.random.default_rng(1).normal(size=(7, len(joint.scales.log_variance)))
    together = likelihood(scales)

    monkeypatch.setattr(scale_draws, "_NUMBERS", 1)

    assert likelihood(scales) == pytest.approx(together, rel=1e-12)


def test_one_scale_is_inverse_chi_square():
    r"""A plain sample of n readings of one mean: nu = n - 1, and the prior's readings.

    exp(-t) is chi-square over its sum of squares: with the sum equal to nu, the density of t
    is that of -log(chi2/nu). Kolmogorov and Smirnov at a chance of 0.001, fixed seed.
    """
    nu = 9.0

    def log_density(log_variance):
        t = log_variance[:, 0]
        return -0.5 * nu * (t + np.exp(-t))

    drawn = draw_likely(
        log_density, np.zeros(1), np.array([[2 / nu]]), 1000, np.random.default_rng(2)
    )

    assert stats.kstest(nu * np.exp(-drawn[:, 0]), stats.chi2(nu).cdf).pvalue > 0.001


def test_scales_that_only_their_sum_tells_apart_stay_together():
    r"""Two variances of which the residuals know the sum, on 40 degrees of freedom.

    The sum keeps within 3 % + 20 %, a chi-square's 22 % with allowance for the priors'
    pull; each of them may be anything between nothing and all.
    """
    freedom = 40.0

    def log_density(log_variance):
        parts = np.exp(log_variance)
        total = parts.sum(axis=1) / 2.0
        prior = (log_variance + np.exp(-log_variance)).sum(axis=1)
        return -0.5 * freedom * (np.log(total) + 1.0 / total) - prior

    drawn = draw_likely(log_density, np.zeros(2), np.eye(2), 2000, np.random.default_rng(3))

    total = np.exp(drawn).sum(axis=1) / 2.0
    assert np.std(np.log(total)) < 0.25
    assert np.std(drawn[:, 0]) > 0.5
    assert np.corrcoef(drawn.T)[0, 1] < -0.5


def test_draws_lie_about_the_estimate(joint):
    """The estimate is the mode: the median is within one standard deviation of it."""
    drawn = draw_scales(joint, 500, np.random.default_rng(4))

    deviation = np.sqrt(np.diag(joint.scales.covariance))
    assert np.all(np.abs(np.median(drawn, axis=0) - joint.scales.log_variance) < deviation)


def test_same_seed_same_draws(joint):
    one, other = (draw_scales(joint, 50, np.random.default_rng(5)) for _ in range(2))

    assert np.array_equal(one, other)
