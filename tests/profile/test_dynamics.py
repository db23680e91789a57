"""Spinning down and linear models from a profile, by hand and against a control library."""

from dataclasses import replace

import control
import numpy as np
import pytest
from invented_profile import exact_profile, invented_profile, knowing

from motorfit.errors import NotMeasuredError, ProfileError
from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.coasting import coasting_time
from motorfit.profile.model import Combination, Constants

J = 1.2e-3


def turning(**changes):
    return knowing(invented_profile(**changes), moment_of_inertia=J)


def ratio(of: str, value: float, doubt: float) -> Combination:
    return Combination(
        of=f"{of}/moment_of_inertia",
        at={},
        value=value,
        unit="rad/s2" if of == "coulomb_torque" else "1/s",
        standard_uncertainty=doubt,
        interval=(value - 2 * doubt, value + 2 * doubt),
        degrees_of_freedom=30.0,
    )


RATIOS = (
    ratio("coulomb_torque", 0.02 / J, 0.02 * 0.02 / J),
    ratio("viscous_coefficient", 4e-5 / J, 0.05 * 4e-5 / J),
)


def test_coast_time_is_the_logarithm_of_the_textbook():
    """J/b ln((b w + T0)/T0), Coulomb and viscous friction only."""
    expected = J / 4e-5 * np.log((4e-5 * 200.0 + 0.02) / 0.02)
    found = turning().coast_time(start=200.0)
    assert found.value == pytest.approx(expected, rel=1e-12)
    assert found.unit == "s"
    assert not found.extrapolated


def test_from_a_speed_that_is_not_told_it_does_not_coast_for_ever():
    found = turning().coast_time(start=[200.0, np.nan])

    assert np.isnan(found.value).tolist() == [False, True]


def test_coast_time_on_a_resistor_is_the_machines():
    machine = BrushedMachine(
        emf_constant=0.055,
        armature_resistance=0.8,
        brush_drop=0.6,
        coulomb_torque=0.02,
        viscous_coefficient=4e-5,
        brush_current_scale=0.1,
    )
    loads = np.array([0.0, 2.0, 50.0])
    found = turning().coast_time(start=200.0, end=20.0, load=loads)
    expected = coasting_time(machine, J, 200.0, 20.0, load=loads)
    assert found.value == pytest.approx(expected, rel=1e-12)
    # a short circuit makes 13 A of 11 V; 6 A were tested
    assert found.extrapolated.tolist() == [True, False, False]


def test_uncertainty_of_a_coast_time_with_dry_friction_only():
    """J w/T0: 2 % of the inertia and 2 % of the torque, uncorrelated; 2.8 % together.

    Differences over half a standard uncertainty either way miss by a square, 1e-4.
    """
    plain = knowing(
        exact_profile(
            BrushedMachine(emf_constant=0.05, armature_resistance=1.0, coulomb_torque=0.02)
        ),
        moment_of_inertia=J,
    )
    order = plain.covariance_order
    covariance = np.array(plain.scatter_covariance)
    place = order.index("coulomb_torque")
    covariance[place, place] = (0.02 * 0.02) ** 2
    torque = replace(plain.estimate("coulomb_torque"), standard_uncertainty=4e-4, from_scatter=4e-4)
    profile = replace(
        plain,
        parameters={**plain.parameters, "coulomb_torque": torque},
        scatter_covariance=covariance,
    )
    found = profile.coast_time(start=[100.0, 200.0])
    assert found.value == pytest.approx([6.0, 12.0], rel=1e-12)
    share = found.standard_uncertainty / found.value
    assert share == pytest.approx(np.hypot(0.02, 0.02), rel=1e-3)
    low, high = found.interval(0.95)
    assert np.all((low < found.value) & (found.value < high))


def test_an_interval_covers_what_draws_give():
    """First order against 4000 draws: their spread of the rate is known to 1.1 %, and the
    curvature of a ratio at 2 and 4 % adds a tenth of a per cent."""
    profile = turning()
    draws = profile.sample(4000, np.random.default_rng(1))
    rates = 1.0 / coasting_time(draws.machine(), draws["moment_of_inertia"], 200.0)
    found = profile.coast_time(start=200.0)
    assert found.rate_uncertainty == pytest.approx(np.std(rates), rel=0.06)


def test_loss_over_inertia_is_enough_without_a_load():
    """One open run gives T0/J and b/J only; their parts add in full."""
    without = ("coulomb_torque", "viscous_coefficient")
    known = turning().coast_time(start=200.0, end=50.0)
    profile = invented_profile(without=without, combinations=RATIOS)
    found = profile.coast_time(start=200.0, end=50.0)
    assert found.value == pytest.approx(known.value, rel=1e-12)
    # of 2 % and 5 % of the two parts, in the middle 5/7 and 2/7 of the torque
    share = found.standard_uncertainty / found.value
    assert share == pytest.approx(0.02 * 0.8 + 0.05 * 0.2, rel=0.05)
    assert found.degrees_of_freedom == 30.0


@pytest.mark.parametrize("missing", [RATIOS[:1], RATIOS[1:], ()], ids=["T0", "b", "none"])
def test_half_of_the_loss_over_inertia_is_not_enough(missing):
    without = ("coulomb_torque", "viscous_coefficient")
    profile = invented_profile(without=without, combinations=missing)
    with pytest.raises(NotMeasuredError, match=r"coasting time cannot.*moment of inertia.*coast-"):
        profile.coast_time(start=200.0)


def test_a_resistor_needs_more_than_loss_over_inertia():
    without = ("coulomb_torque", "viscous_coefficient")
    profile = invented_profile(without=without, combinations=RATIOS)
    with pytest.raises(NotMeasuredError, match=r"moment of inertia are not known"):
        profile.coast_time(start=200.0, load=4.0)


def test_a_machine_that_may_never_stand_still():
    """No dry friction at all: for ever, and no upper end short of that."""
    smooth = BrushedMachine(emf_constant=0.05, armature_resistance=1.0, viscous_coefficient=1e-4)
    profile = knowing(exact_profile(smooth), moment_of_inertia=J)
    found = profile.coast_time(start=200.0, end=[0.0, 100.0])
    assert found.value[0] == np.inf
    assert found.interval()[1][0] == np.inf
    assert found.value[1] == pytest.approx(J / 1e-4 * np.log(2.0), rel=1e-12)
    assert np.isfinite(found.interval()[1][1])


def test_no_time_passes_between_equal_speeds():
    found = turning().coast_time(start=100.0, end=[100.0, 150.0])
    assert found.value.tolist() == [0.0, 0.0]
    assert np.array(found.interval()).tolist() == [[0.0, 0.0], [0.0, 0.0]]


def test_coasting_from_beyond_the_test_is_extrapolated():
    found = turning().coast_time(start=[250.0, 300.0])
    assert found.extrapolated.tolist() == [False, True]


@pytest.mark.parametrize(
    ("asked", "why"),
    [({"start": -1.0}, "zero or positive"), ({"start": 10.0, "load": -1.0}, "load must be zero")],
)
def test_what_cannot_be_asked_is_refused(asked, why):
    with pytest.raises(ValueError, match=why):
        turning().coast_time(**asked)


def test_a_level_is_between_zero_and_one():
    with pytest.raises(ValueError, match="level must be between 0 and 1, found 95"):
        turning().coast_time(start=100.0).interval(95)


def with_inductance(inductance: float | None = 2e-3, **changes):
    constants = Constants(inductance=inductance)
    return turning(constants=constants, **changes)


def test_transfer_function_and_state_space_agree_with_a_control_library():
    """python-control: inductance and rotor as two lags closed by the EMF."""
    profile = with_inductance()
    armature, rotor = control.tf([1.0], [2e-3, 0.8]), control.tf([1.0], [J, 4e-5])
    loop = control.feedback(armature * 0.055 * rotor, 0.055)
    omega = np.logspace(-2, 4, 50)
    expected = loop(1j * omega)
    numerator, denominator = profile.transfer_function().num, profile.transfer_function().den
    mine = np.polyval(numerator, 1j * omega) / np.polyval(denominator, 1j * omega)
    assert mine == pytest.approx(expected, rel=1e-9)
    space = profile.state_space()
    states = control.ss(space.A, space.B, space.C, space.D)
    assert states(1j * omega) == pytest.approx(expected, rel=1e-9)


def test_the_linear_model_steps_to_where_the_machine_settles():
    """Without brush drop and dry friction, 12 V: the free-running speed k V/(R b + k^2)."""
    from scipy.signal import step

    _, speed = step(with_inductance().transfer_function(), T=np.array([0.0, 10.0]))
    assert 12.0 * speed[-1] == pytest.approx(12.0 * 0.055 / (0.8 * 4e-5 + 0.055**2), rel=1e-9)


def test_a_hot_winding_and_windage_enter_the_linear_model():
    profile = knowing(with_inductance(), windage_coefficient=1e-7)
    space = profile.state_space(winding=75.0, speed=100.0)
    assert space.A[0, 0] == pytest.approx(-0.8 * 1.192_678 / 2e-3, rel=1e-6)
    assert space.A[1, 1] == pytest.approx(-(4e-5 + 2e-5) / J, rel=1e-12)


def test_a_linear_model_names_all_that_is_missing():
    profile = invented_profile(without=("viscous_coefficient",))
    says = (
        r"transfer function cannot be given: the viscous.*and the moment of inertia are not known"
    )
    with pytest.raises(ProfileError, match=rf"(?s){says}.*inductance is not known.*machine\.toml"):
        profile.transfer_function()
    with pytest.raises(ProfileError, match=r"state space cannot be given: The inductance is not"):
        with_inductance(None).state_space()
