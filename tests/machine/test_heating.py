"""Heat runs, continuous current and overload: heat balance by hand, and each against the other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from motorfit.machine.heating import (
    MAGNET_LIMIT,
    PERMITTED_RISE,
    OneBody,
    TwoBodies,
    Winding,
    continuous_current,
    heat_run,
    limiting_rise,
    overload_time,
    permitted_rise,
)

WINDING = Winding(resistance=0.8, brush_drop=0.6)
ONE = OneBody(thermal_resistance=2.0, time_constant=900.0)
TWO = TwoBodies(
    winding_to_frame=0.8, winding_time_constant=50.0, frame_to_air=1.2, frame_time_constant=1200.0
)


def test_permitted_rises_are_the_standards():
    """IEC 60034-1, commutator armature windings by resistance: 80, 105, 125 K."""
    assert [PERMITTED_RISE[name] for name in ("130", "155", "180")] == [80.0, 105.0, 125.0]


def test_other_classes_keep_ten_kelvin_for_the_hottest_spot():
    for name in ("105", "120"):
        assert PERMITTED_RISE[name] == float(name) - 40.0 - 10.0


def test_the_permitted_temperature_stays_in_other_air():
    """80 K over 40 degC is 120 degC: 95 K over 25 degC, 70 K over 50 degC, none over 120."""
    found = permitted_rise("130", [25.0, 50.0, 120.0, 150.0])
    assert found.tolist() == [95.0, 70.0, 0.0, 0.0]
    assert permitted_rise("130", -20.0) == permitted_rise("130", 0.0)


def test_a_class_that_nobody_knows_is_refused():
    with pytest.raises(ValueError, match=r"insulation must be one of 105, 120.*found 'F'"):
        permitted_rise("F")


def test_heat_run_agrees_with_an_integrator():
    """7 A through 0.8 ohm and 0.6 V, 9 W of loss; the copper loss grows as 234.5 tells."""
    times = np.array([10.0, 300.0, 2000.0])

    def rate(_t, y):
        copper = 49.0 * 0.8 * (234.5 + 22.0 + y) / 259.5
        return (2.0 * (copper + 4.2 + 9.0) - y) / 900.0

    found = solve_ivp(
        rate, (0.0, 2000.0), [3.0], t_eval=times, method="DOP853", rtol=1e-12, atol=1e-12
    )
    run = heat_run(times, -7.0, WINDING, ONE, ambient=22.0, loss_power=9.0, start_rise=3.0)
    assert run.winding - 22.0 == pytest.approx(found.y[0], rel=1e-9)
    assert run.resistance == pytest.approx(0.8 * (234.5 + run.winding) / 259.5, rel=1e-14)
    assert run.power == pytest.approx(49.0 * run.resistance + 13.2, rel=1e-14)
    assert np.array_equal(run.frame, run.winding)


def test_heat_run_of_two_bodies_warms_the_winding_first():
    early = heat_run(60.0, 7.0, WINDING, TWO)
    late = heat_run(1e6, 7.0, WINDING, TWO)
    assert early.winding - 20.0 > 3.0 * (early.frame - 20.0)
    # steady: all heat goes through 1.2 K/W to the air
    assert late.frame - 20.0 == pytest.approx(1.2 * late.power, rel=1e-12)
    assert late.winding - late.frame == pytest.approx(0.8 * late.power, rel=1e-12)


def test_a_heat_run_goes_on_where_another_stopped():
    whole = heat_run(900.0, 7.0, WINDING, TWO, ambient=25.0)
    half = heat_run(400.0, 7.0, WINDING, TWO, ambient=25.0)
    rest = (half.winding - 25.0, half.frame - 25.0)
    again = heat_run(500.0, 7.0, WINDING, TWO, ambient=25.0, start_rise=rest)
    assert again.winding == pytest.approx(whole.winding, rel=1e-13)


def test_continuous_current_by_hand():
    """55 K over 40 degC at 2 K/W: 27.5 W. 0.8 ohm is 0.8 * 329.5/259.5 at 95 degC."""
    hot = 0.8 * 329.5 / 259.5
    plain = Winding(resistance=0.8)
    assert continuous_current(plain, 2.0, 55.0) == pytest.approx(np.sqrt(27.5 / hot), rel=1e-14)
    # 10 W of loss leave 17.5 W
    found = continuous_current(plain, 2.0, 55.0, loss_power=10.0)
    assert found == pytest.approx(np.sqrt(17.5 / hot), rel=1e-14)


def test_no_current_where_the_loss_alone_is_too_hot():
    assert continuous_current(WINDING, 2.0, 55.0, loss_power=30.0) == 0.0
    assert continuous_current(Winding(resistance=0.8), 2.0, 0.0) == 0.0


@given(
    resistance=st.floats(0.05, 20.0),
    drop=st.floats(0.0, 2.0),
    path=st.floats(0.2, 20.0),
    rise=st.floats(1.0, 125.0),
    ambient=st.floats(0.0, 50.0),
    share=st.floats(0.0, 0.9),
)
def test_a_long_run_at_the_continuous_current_ends_at_the_rise(
    resistance, drop, path, rise, ambient, share
):
    """What `continuous_current` promises `heat_run` finds; tolerance: the square root's 1e-16
    grown by the feedback, at most some hundred."""
    winding = Winding(resistance=resistance, brush_drop=drop)
    loss = share * rise / path
    current = continuous_current(winding, path, rise, ambient=ambient, loss_power=loss)
    body = OneBody(thermal_resistance=path, time_constant=1.0)
    run = heat_run(1e4, current, winding, body, ambient=ambient, loss_power=loss)
    assert run.winding - ambient == pytest.approx(rise, rel=1e-9)


def test_magnets_are_as_hot_as_the_winding_unless_two_bodies_tell_better():
    limit = MAGNET_LIMIT["neodymium"]
    assert limit == 80.0
    assert limiting_rise(55.0, 40.0, limit, ONE) == 40.0
    assert limiting_rise(55.0, 40.0, np.inf, ONE) == 55.0
    # the frame has 0.6 of the winding's rise: 40 K of it are 66.7 K of the winding
    assert limiting_rise(80.0, 40.0, limit, TWO) == pytest.approx(40.0 / 0.6, rel=1e-14)
    assert limiting_rise(55.0, 90.0, limit, ONE) == 0.0


@pytest.mark.parametrize("bodies", [ONE, TWO], ids=["one body", "two bodies"])
@pytest.mark.parametrize("start", [0.0, 20.0])
def test_overload_lasts_until_the_rise_is_there(bodies, start):
    """`heat_run` at that instant is at the permitted rise; tolerance: the search's."""
    currents = np.array([7.0, 15.0, 60.0])
    times = overload_time(
        currents, WINDING, bodies, 55.0, ambient=30.0, loss_power=3.0, start_rise=start
    )
    assert np.all(np.diff(times) < 0)
    starts = (start, start * 0.6) if bodies is TWO else start
    run = heat_run(
        times, currents, WINDING, bodies, ambient=30.0, loss_power=3.0, start_rise=starts
    )
    assert run.winding == pytest.approx([85.0] * 3, rel=1e-9)


@pytest.mark.parametrize("bodies", [ONE, TWO], ids=["one body", "two bodies"])
def test_overload_never_ends_below_the_continuous_current(bodies):
    most = continuous_current(WINDING, bodies.thermal_resistance, 55.0)
    times = overload_time(most * np.array([0.0, 0.9, 0.999, 1.001]), WINDING, bodies, 55.0)
    assert np.isinf(times).tolist() == [True, True, True, False]


@pytest.mark.parametrize("bodies", [ONE, TWO], ids=["one body", "two bodies"])
def test_no_time_is_left_where_it_is_too_hot_already(bodies):
    assert overload_time(10.0, WINDING, bodies, 55.0, start_rise=55.0) == 0.0
    assert overload_time(10.0, WINDING, bodies, 55.0, start_rise=70.0) == 0.0


def test_a_short_overload_takes_its_heat_along():
    """Far above, nothing has time to leave: C * rise / mean power, 450 J/K for 2 K/W, 900 s.

    Of the heat a thousandth leaves in a thousandth of the lag; the mean resistance misses
    the true growth by its square, 55/274.5 squared over 12: 3 parts in 1000.
    """
    plain = Winding(resistance=0.8)
    time = overload_time(300.0, plain, ONE, 55.0)
    mean = 300.0**2 * 0.8 * (234.5 + 40.0 + 27.5) / 259.5
    assert time == pytest.approx(450.0 * 55.0 / mean, rel=5e-3)


def test_overload_at_the_point_where_the_feedback_is_one():
    """At R p = 1 the rise is a straight line, R P0 t / tau; just beside it nearly so."""
    plain = Winding(resistance=0.8)
    current = np.sqrt(259.5 / (2.0 * 0.8))
    beside = current * np.array([1 - 1e-9, 1.0, 1 + 1e-9])
    times = overload_time(beside, plain, ONE, 55.0)
    straight = 900.0 * 55.0 / (2.0 * current**2 * 0.8 * 274.5 / 259.5)
    assert times == pytest.approx(straight, rel=1e-7)
