"""Draws from a profile: joint distribution, shared instruments, bounds."""

from dataclasses import replace

import numpy as np
import pytest
from invented_profile import INSTRUMENTS, gain, invented_profile

from motorfit.estimate import NotKnown
from motorfit.machine.brushed import terminal_voltage
from motorfit.profile.model import PARAMETER_UNITS
from motorfit.profile.sampling import sample_together

N = 40_000
SEED = 20240501


def stacked(draws) -> np.ndarray:
    return np.array([draws[name] for name in draws])


def test_draws_have_the_joint_covariance():
    profile = invented_profile(freedom=1e9)
    draws = stacked(profile.sample(N, np.random.default_rng(SEED)))
    scale = np.sqrt(np.diag(profile.covariance))
    found = np.cov(draws) / scale / scale[:, None]
    expected = profile.covariance / scale / scale[:, None]
    # a variance of N draws is known to sqrt(2/N) = 0.7 %: five of these
    assert found == pytest.approx(expected, abs=0.036)
    centre = draws.mean(axis=1) - [profile.estimate(n).value for n in profile.covariance_order]
    # a mean of N draws is known to 1/sqrt(N) = 0.5 % of the deviation: five of these
    assert np.abs(centre / scale).max() < 0.025


def test_few_readings_give_the_t_distribution():
    """97.5 % quantile of t with 3 degrees of freedom: 3.182 (JCGM 100, Table G.2: 3.18)."""
    profile = invented_profile(freedom=3.0, instruments=())
    draws = profile.sample(N, np.random.default_rng(SEED))
    k = profile.estimate("emf_constant")
    quantile = np.quantile((draws["emf_constant"] - k.value) / k.standard_uncertainty, 0.975)
    # density of t(3) there is 0.0114 x 1.0: sqrt(0.975 x 0.025/N)/0.0145 = 0.055; four of these
    assert quantile == pytest.approx(3.18, abs=0.22)


def test_correlated_parameters_stay_together_where_readings_are_few():
    """R i + Vb at 3 A has sqrt(0.2) of 0.03 V by scatter, with the tails of t(3) too."""
    profile = invented_profile(freedom=3.0, instruments=())
    draws = profile.sample(N, np.random.default_rng(SEED))
    drop = 3.0 * draws["armature_resistance"] + draws["brush_drop"] - 3.0
    quantile = np.quantile(drop / (0.03 * np.sqrt(0.2)), 0.975)
    assert quantile == pytest.approx(3.18, abs=0.22)  # as above


def test_instruments_are_rectangular():
    profile = invented_profile(
        instruments=(gain("voltage", "meter A", emf_constant=0.055),),
        scatter_covariance=np.zeros((5, 5)),
    )
    draws = profile.sample(N, np.random.default_rng(SEED))["emf_constant"] / 0.055 - 1.0
    assert np.abs(draws).max() <= 0.005 * (1 + 1e-9)
    # the share within half of the half-width is a half; 4 sqrt(0.25/N) = 0.01
    assert np.mean(np.abs(draws) < 0.0025) == pytest.approx(0.5, abs=0.01)


def test_the_same_seed_gives_the_same_draws():
    one = stacked(invented_profile().sample(50, np.random.default_rng(SEED)))
    two = stacked(invented_profile().sample(50, np.random.default_rng(SEED)))
    assert np.array_equal(one, two)


def test_a_shared_meter_cancels_in_a_difference_and_stays_in_an_average():
    meter = (gain("voltage", "meter A", emf_constant=0.055),)
    profiles = [
        invented_profile(instruments=meter, scatter_covariance=np.zeros((5, 5))) for _ in range(2)
    ]
    one, two = sample_together(profiles, 1000, np.random.default_rng(SEED))
    assert np.array_equal(one["emf_constant"], two["emf_constant"])


@pytest.mark.parametrize(
    "change",
    [{"id": "meter B"}, {"quantity": "speed"}, {"range": "40 V"}, {"error": "offset"}],
    ids=lambda change: next(iter(change)),
)
def test_another_error_has_a_draw_of_its_own(change):
    meter = gain("voltage", "meter A", emf_constant=0.055)
    profiles = [
        invented_profile(instruments=(error,), scatter_covariance=np.zeros((5, 5)))
        for error in (meter, replace(meter, **change))
    ]
    one, two = sample_together(profiles, 1000, np.random.default_rng(SEED))
    correlation = np.corrcoef(one["emf_constant"], two["emf_constant"])[0, 1]
    assert abs(correlation) < 0.13  # four times 1/sqrt(1000)


def test_a_meter_that_nobody_named_is_never_the_same():
    nameless = (gain("voltage", "", emf_constant=0.055),)
    profiles = [
        invented_profile(instruments=nameless, scatter_covariance=np.zeros((5, 5)))
        for _ in range(2)
    ]
    one, two = sample_together(profiles, 1000, np.random.default_rng(SEED))
    assert abs(np.corrcoef(one["emf_constant"], two["emf_constant"])[0, 1]) < 0.13  # as above


def test_draws_never_cross_their_bounds():
    profile = invented_profile(scatter_covariance=np.eye(5))  # absurdly uncertain
    draws = profile.sample(1000, np.random.default_rng(SEED))
    for name in ("brush_drop", "coulomb_torque", "viscous_coefficient"):
        assert draws[name].min() == 0.0
    assert draws["emf_constant"].min() == pytest.approx(0.055e-3, rel=1e-12)
    assert draws["armature_resistance"].min() == pytest.approx(0.8e-3, rel=1e-12)


def test_draws_make_machines_for_arrays_of_readings():
    draws = invented_profile(instruments=INSTRUMENTS).sample(7, np.random.default_rng(SEED))
    voltage = terminal_voltage(draws.machine(1), np.linspace(50, 250, 4), -2.0)
    assert voltage.shape == (7, 4)
    by_hand = (
        draws["emf_constant"][3] * 250
        - 2 * draws["armature_resistance"][3]
        - draws["brush_drop"][3] * np.tanh(2.0 / draws.brush_current_scale[3])
    )
    assert voltage[3, 3] == pytest.approx(by_hand, rel=1e-12)


def test_the_brush_current_scale_stays_within_a_factor_of_three():
    scale = invented_profile().sample(1000, np.random.default_rng(SEED)).brush_current_scale
    assert 0.1 / 3 <= scale.min() < 0.04
    assert 0.25 < scale.max() <= 0.3


def test_no_draws_are_draws_too():
    assert len(invented_profile().sample(0, np.random.default_rng(SEED))["emf_constant"]) == 0
    with pytest.raises(ValueError, match="n must be zero or positive, found -1"):
        invented_profile().sample(-1, np.random.default_rng(SEED))


def test_a_profile_that_knows_no_parameter_is_sampled_too():
    """One no-load row gives the loss at its speed and no parameter; Monte Carlo goes on."""
    needed = NotKnown(unit="1", standing="combined", needs="open-circuit")
    nothing = replace(
        invented_profile(),
        parameters={name: replace(needed, unit=unit) for name, unit in PARAMETER_UNITS.items()},
        covariance_order=(),
        scatter_covariance=np.zeros((0, 0)),
        instruments=(),
    )
    draws = nothing.sample(5, np.random.default_rng(SEED))
    assert len(draws) == 0
    assert draws.brush_current_scale.shape == (5,)
