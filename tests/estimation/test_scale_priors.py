"""Priors of the scales of scatter, and that scales settle where they should."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import approx_fprime
from virtual_benches import PLANS, TRUE

from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.scale_draws import RestrictedLikelihood
from motorfit.estimation.scale_priors import ScalePrior
from motorfit.estimation.scatter import Stacked, estimate_scales
from motorfit.simulation.bench import simulate

#: The last step of a log variance is below this.
SETTLED = 1e-4

PRIOR = ScalePrior(readings=np.array([2.0, 4.0, 1.0]), even=np.array([False, False, True]))


@given(t=st.lists(st.floats(-3.0, 5.0), min_size=3, max_size=3))
def test_slope_is_the_derivative_of_the_density(t):
    """Forward differences over 1e-6: half of that times the curvature, at most 40, is off."""
    at = np.array(t)

    assert PRIOR.slope(at) == pytest.approx(approx_fprime(at, PRIOR.log_density, 1e-6), abs=1e-4)


@given(t=st.lists(st.floats(-3.0, 5.0), min_size=3, max_size=3))
def test_curvature_is_the_information_or_what_it_is_steeper_by(t):
    """Never less than minus the density's second derivative, so that no step goes too far."""
    at, small = np.array(t), 1e-4
    bend = -(PRIOR.slope(at + small) - PRIOR.slope(at - small)) / (2 * small)

    assert np.all(PRIOR.information + PRIOR.steepness(at) >= bend - 1e-5)


def test_usual_size_is_the_likeliest():
    assert PRIOR.slope(np.zeros(3)) == pytest.approx(np.zeros(3), abs=1e-15)


def test_an_even_prior_lets_a_good_meter_be_good():
    """Eight residuals a tenth of the usual size; the variance that the posterior is largest at.

    Inverse chi-square of two readings: (7 0.01 + 2) / (7 + 2) of the usual variance. The
    even one: where 7/2 (0.01 exp(-t) - 1) - t, the slope of the density, is zero.
    """
    drawn = np.random.default_rng(1).normal(size=8)
    drawn -= drawn.mean()
    stack = Stacked(
        residual=0.1 * drawn / np.sqrt(drawn @ drawn / 7),
        design=np.ones((8, 1)),
        fixed=np.zeros((8, 8)),
        patterns=np.eye(8)[None],
        ridge=np.zeros((1, 1)),
    )
    even = replace(stack, prior=ScalePrior(readings=np.array([2.0]), even=np.array([True])))

    plain = estimate_scales(stack).log_variance[0]
    found = estimate_scales(even).log_variance[0]

    assert plain == pytest.approx(np.log((7 * 0.01 + 2) / 9), abs=SETTLED)
    assert 3.5 * (0.01 * np.exp(-found) - 1) - found == pytest.approx(0.0, abs=5 * SETTLED)
    assert found < plain - 1.0


@pytest.mark.parametrize("name", ["whole", "lathe", "load by value", "one resistor"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_scales_settle_at_the_top_of_their_density(name, seed):
    """However hard to tell apart: no small step in any scale leads higher.

    The rounds of the joint fit stop where log variances change by less than 0.02: of the
    density, whose curvature is of order one, that is a few 1e-4.
    """
    joint = fit_jointly(pose(simulate(TRUE, plan=PLANS[name], seed=seed)))
    density, best = RestrictedLikelihood.of(joint), joint.scales.log_variance

    steps = np.vstack([best, best + 0.2 * np.eye(len(best)), best - 0.2 * np.eye(len(best))])
    heights = density(steps)

    assert np.all(heights[1:] <= heights[0] + 1e-3)
