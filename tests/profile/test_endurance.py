"""Continuous current and overload time from a profile: heat balance by hand, and what is said."""

from dataclasses import replace

import numpy as np
import pytest
from invented_profile import invented_profile, knowing

from motorfit.errors import NotMeasuredError
from motorfit.machine.heating import OneBody, Winding, continuous_current, overload_time
from motorfit.profile.model import Constants, ThermalBodies

#: Class 130, magnets that bear more than the winding does.
PLAIN = Constants(insulation="130", magnet="ferrite", heat_run_rotor="held")


def warm(constants: Constants = PLAIN, **changes):
    """2 K/W and a quarter of an hour."""
    return knowing(
        invented_profile(constants=constants, **changes),
        thermal_resistance=2.0,
        thermal_time_constant=900.0,
    )


def test_continuous_current_by_hand():
    """80 K over 40 degC at 2 K/W: 40 W = i^2 R_hot + 0.6 i, R_hot = 0.8 * 354.5/259.5."""
    hot = 0.8 * 354.5 / 259.5
    expected = (-0.6 + np.sqrt(0.36 + 4 * hot * 40.0)) / (2 * hot)
    found = warm().continuous_current(speed=0.0)
    assert found.value == pytest.approx(expected, rel=1e-12)
    assert found.unit == "A"
    assert not found.extrapolated
    assert found.assumed == ()
    low, high = found.interval()
    assert low < found.value < high


def test_the_loss_warms_as_well():
    """At 200 rad/s, 0.028 N m and so 5.6 W: 34.4 W are left for the current."""
    hot = 0.8 * 354.5 / 259.5
    expected = (-0.6 + np.sqrt(0.36 + 4 * hot * 34.4)) / (2 * hot)
    found = warm().continuous_current(speed=200.0)
    assert found.value == pytest.approx(expected, rel=1e-12)


def test_without_a_speed_the_fastest_tested_counts():
    fastest = warm().continuous_current(speed=250.0)
    found = warm().continuous_current()
    assert found.value == fastest.value
    assert found.assumed[0] == "turning at 2387 rpm, the fastest tested, with the loss it has there"


def test_without_a_known_loss_none_is_counted_and_that_is_said():
    profile = warm(without=("coulomb_torque", "viscous_coefficient"))
    found = profile.continuous_current()
    assert found.value == warm().continuous_current(speed=0.0).value
    assert "heat of turning not counted: the loss torque is not known" in found.assumed
    with pytest.raises(NotMeasuredError, match=r"continuous current cannot.*no-load-motor"):
        profile.continuous_current(speed=100.0)


def test_uncertainty_comes_from_the_thermal_resistance_above_all():
    """Without brush drop i ~ Rth^-1/2: 2 % of the thermal resistance is 1 % of the current;
    resistance adds 0.5 x 1.3 % and the brush drop a little."""
    found = warm().continuous_current(speed=0.0)
    assert 0.01 < found.standard_uncertainty / found.value < 0.013


def test_uncertainty_is_that_of_draws():
    """First order against 4000 draws, whose spread is known to 1.1 %; five of those."""
    profile = warm()
    draws = profile.sample(4000, np.random.default_rng(2))
    winding = Winding(resistance=draws["armature_resistance"], brush_drop=draws["brush_drop"])
    currents = continuous_current(winding, draws["thermal_resistance"], 80.0)
    found = profile.continuous_current(speed=0.0)
    assert found.standard_uncertainty == pytest.approx(np.std(currents), rel=0.06)
    low, high = found.interval()
    covered = np.mean((low < currents) & (currents < high))
    # binomial(4000, 0.95): five standard deviations are 0.017
    assert covered == pytest.approx(0.95, abs=0.017)


def test_unknown_insulation_counts_as_class_105():
    """55 K; class 105 itself says how the rise was come by."""
    unknown = warm(replace(PLAIN, insulation="unknown")).continuous_current(speed=0.0)
    stated = warm(replace(PLAIN, insulation="105")).continuous_current(speed=0.0)
    assert unknown.value == stated.value
    assert unknown.assumed[0].startswith("insulation unknown: class 105 assumed, permitted rise 55")
    assert stated.assumed[0].startswith("permitted rise of class 105 55 K over air of 40 degC")


@pytest.mark.parametrize(
    ("magnet", "coefficient", "says"),
    [
        ("neodymium", None, "magnets kept below 80 degC: neodymium of unknown grade, from memory"),
        ("unknown", -0.0012, "magnets kept below 80 degC: neodymium of unknown grade, from memory"),
        ("unknown", None, "magnets unknown: kept below 80 degC, as if they were neodymium"),
    ],
)
def test_magnets_limit_the_current(magnet, coefficient, says):
    """80 degC in 40 degC air is a rise of 40 K, half of what class 130 permits."""
    constants = replace(PLAIN, magnet=magnet, magnet_coefficient=coefficient)
    found = warm(constants).continuous_current(speed=0.0)
    hot = 0.8 * 314.5 / 259.5
    assert found.value == pytest.approx((-0.6 + np.sqrt(0.36 + 4 * hot * 20.0)) / (2 * hot))
    assert says in found.assumed


def test_ferrite_magnets_do_not():
    constants = replace(PLAIN, magnet="unknown", magnet_coefficient=-0.002)
    found = warm(constants).continuous_current(speed=0.0)
    assert found.value == warm().continuous_current(speed=0.0).value


def test_cool_magnets_on_a_frame_leave_the_winding_to_decide():
    """Two bodies, 1.2 of 2 K/W inside: the frame has 32 of the winding's 80 K."""
    one = warm(replace(PLAIN, magnet="neodymium"))
    part = one.estimate("thermal_resistance")
    lag = one.estimate("thermal_time_constant")
    two = replace(
        one,
        thermal_bodies=ThermalBodies(
            winding_to_frame=replace(part, value=1.2),
            winding_time_constant=replace(lag, value=40.0),
            frame_to_air=replace(part, value=0.8),
            frame_time_constant=lag,
        ),
    )
    found = two.continuous_current(speed=0.0)
    assert found.value == pytest.approx(warm().continuous_current(speed=0.0).value, rel=1e-12)
    assert found.assumed == ()
    # the light winding warms by itself first, long before the frame does
    quick = two.overload_time(current=30.0, speed=0.0).value
    assert quick < 0.3 * warm().overload_time(current=30.0, speed=0.0).value


@pytest.mark.parametrize(
    ("rotor", "speed", "says"),
    [("held", 200.0, "sheds heat better"), ("turning", 0.0, "sheds heat worse")],
)
def test_how_the_heat_run_was_made_is_said_where_it_matters(rotor, speed, says):
    profile = warm(replace(PLAIN, heat_run_rotor=rotor))
    assert says in profile.continuous_current(speed=speed).assumed[-1]
    other = 0.0 if speed else 200.0
    assert profile.continuous_current(speed=other).assumed == ()


def test_a_rotor_slower_than_in_the_heat_run_is_said_to_be():
    profile = warm(replace(PLAIN, heat_run_rotor="turning", heat_run_speed=200.0))
    assert profile.continuous_current(speed=190.0).assumed == ()
    says = "heat run at 1910 rpm: slower, it sheds heat worse than counted here"
    assert profile.continuous_current(speed=100.0).assumed == (says,)


def test_above_the_largest_current_tested_is_extrapolated():
    profile = warm()
    tested = replace(profile.range, current=(0.0, 2.0))
    assert replace(profile, range=tested).continuous_current(speed=0.0).extrapolated


def test_hotter_air_leaves_less():
    currents = warm().continuous_current(ambient=[20.0, 40.0, 60.0, 130.0], speed=0.0).value
    assert np.all(np.diff(currents) < 0)
    assert currents[-1] == 0.0


def test_without_a_heat_run_there_is_no_continuous_current():
    says = r"continuous current cannot be predicted: the thermal resistance.*heat-run"
    with pytest.raises(NotMeasuredError, match=says):
        invented_profile().continuous_current()
    with pytest.raises(NotMeasuredError, match=r"overload cannot.*thermal time constant.*heat-run"):
        invented_profile().overload_time(current=5.0)


def test_overload_time_is_the_machines():
    winding = Winding(resistance=0.8, brush_drop=0.6)
    body = OneBody(thermal_resistance=2.0, time_constant=900.0)
    currents = np.array([7.0, -12.0, 40.0])
    found = warm().overload_time(current=currents, speed=0.0, start_rise=10.0)
    expected = overload_time(currents, winding, body, 80.0, start_rise=10.0)
    assert found.value == pytest.approx(expected, rel=1e-12)
    assert found.unit == "s"
    assert found.extrapolated.tolist() == [True, True, True]


def test_an_overload_that_may_last_for_ever():
    """Just above the continuous current the upper end has none; below it the middle too."""
    most = warm().continuous_current(speed=0.0).value
    found = warm().overload_time(current=most * np.array([0.5, 1.005, 3.0]), speed=0.0)
    low, high = found.interval()
    assert np.isinf(found.value).tolist() == [True, False, False]
    assert np.isinf(high).tolist() == [True, True, False]
    assert np.all(low[1:] <= found.value[1:])


def test_a_negative_speed_is_refused():
    with pytest.raises(ValueError, match="speed must be zero or positive"):
        warm().continuous_current(speed=-1.0)


def test_what_is_not_told_lasts_neither_for_ever_nor_not_at_all():
    """A blank cell is a NaN here, and "all day" would be the wrong thing to say of it."""
    currents, airs = np.array([12.0, np.nan, 12.0]), np.array([40.0, 40.0, np.nan])

    lasts = warm().overload_time(current=currents, ambient=airs, speed=0.0)
    most = warm().continuous_current(ambient=airs, speed=0.0)

    assert np.isnan(lasts.value).tolist() == [False, True, True]
    assert np.isnan(lasts.interval()[1]).tolist() == [False, True, True]
    assert np.isnan(most.value).tolist() == [False, False, True]
