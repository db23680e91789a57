"""What a profile predicts, how surely, and what it refuses."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_profile import INSTRUMENTS, SCATTER, VALUES, gain, invented_profile

from motorfit.errors import NotMeasuredError, ProfileError
from motorfit.estimate import NotKnown
from motorfit.profile.model import Combination, Constants

SPEED = 200.0


def combination(of: str, unit: str, value: float, uncertainty: float, **at: float) -> Combination:
    return Combination(
        of=of,
        at=at,
        value=value,
        unit=unit,
        standard_uncertainty=uncertainty,
        interval=(value - 2 * uncertainty, value + 2 * uncertainty),
        degrees_of_freedom=7.0,
    )


LOSS_AT_SPEED = combination(
    "coulomb_torque + viscous_coefficient*speed", "N.m", 0.028, 0.001, speed=SPEED
)


def test_values_follow_the_physics():
    """By hand: 0.055 x 200 - 0.8 x 2 - 0.6 V; 0.055 x 2 + 0.02 + 4e-5 x 200 N m."""
    profile = invented_profile()
    # tanh(20) differs from 1 by 1e-17
    assert profile.voltage(speed=SPEED, current=-2.0).value == pytest.approx(8.8, rel=1e-12)
    assert profile.torque(speed=SPEED, current=-2.0).value == pytest.approx(-0.138, rel=1e-12)
    assert profile.terminal_power(speed=SPEED, current=-2.0).value == pytest.approx(-17.6)
    assert profile.power(speed=SPEED, current=-2.0).value == pytest.approx(-17.6)
    assert profile.shaft_power(speed=SPEED, current=-2.0).value == pytest.approx(-27.6)
    assert profile.efficiency(speed=SPEED, current=-2.0).value == pytest.approx(17.6 / 27.6)
    assert profile.loss(speed=SPEED).value == pytest.approx(0.028, rel=1e-12)
    assert profile.loss_power(speed=SPEED).value == pytest.approx(5.6, rel=1e-12)


def test_current_settles_on_a_resistor_and_at_a_voltage():
    """By hand: (11 - 0.6) V / (0.8 + 4.4) ohm given; (13.2 - 11 - 0.6) V / 0.8 ohm drawn."""
    profile = invented_profile()
    assert profile.current(speed=SPEED, load=4.4).value == pytest.approx(-2.0, rel=1e-9)
    assert profile.current(speed=SPEED, voltage=13.2).value == pytest.approx(2.0, rel=1e-9)


def test_uncertainty_of_voltage_by_hand():
    """Scatter by hand, g = (200, -2, -1); both gains: 8.8 V of the voltmeter, 1.6 V of R."""
    profile = invented_profile()
    k, r, v = (SCATTER[n] for n in ("emf_constant", "armature_resistance", "brush_drop"))
    scatter = (200 * k) ** 2 + (2 * r) ** 2 + v**2 + 2 * 2 * 1 * (-0.9) * r * v
    gain_deviation = 0.005 / np.sqrt(3)
    expected = np.sqrt(scatter + (8.8 * gain_deviation) ** 2 + (1.6 * gain_deviation) ** 2)
    # linear in the parameters; the brush current scale adds nothing at 20 times itself
    assert profile.voltage(speed=SPEED, current=-2.0).standard_uncertainty == pytest.approx(
        expected, rel=1e-9
    )


def test_uncertainty_of_current_on_a_resistor_by_hand():
    """i = (k w - Vb)/(R + RL), so the slopes are w/5.2, -i/5.2 and -1/5.2 ohm."""
    profile = invented_profile(instruments=())
    k, r, v = (SCATTER[n] for n in ("emf_constant", "armature_resistance", "brush_drop"))
    scatter = (200 * k) ** 2 + (2 * r) ** 2 + v**2 + 2 * 2 * 1 * (-0.9) * r * v
    # a central difference over 1 % of R misses 1/R by its square, 2e-6 of (R + RL)
    found = profile.current(speed=SPEED, load=4.4).standard_uncertainty
    assert found == pytest.approx(np.sqrt(scatter) / 5.2, rel=1e-5)


def test_correlation_of_resistance_and_brush_drop_narrows_the_prediction():
    """They trade off at -0.9: near 3 A their errors cancel, alone they would not."""
    profile = invented_profile(instruments=())
    alone = replace(profile, scatter_covariance=np.diag(np.diag(profile.scatter_covariance)))
    together = profile.voltage(speed=SPEED, current=-3.0).standard_uncertainty
    # by hand: 0.03 V each, so sqrt(2 - 1.8) against sqrt(2) of it, and 0.004 V of k
    assert together == pytest.approx(np.hypot(0.03 * np.sqrt(0.2), 0.004), rel=1e-6)
    assert alone.voltage(speed=SPEED, current=-3.0).standard_uncertainty == pytest.approx(
        np.hypot(0.03 * np.sqrt(2.0), 0.004), rel=1e-6
    )


def test_a_doubtful_brush_scale_widens_small_currents_only():
    """At i0, d tanh(x)/d ln x = 0.42, times 0.6 V, times ln 3/sqrt(3); by hand."""
    profile = invented_profile(instruments=(), scatter_covariance=np.zeros((5, 5)), without=())
    small, large = profile.voltage(speed=SPEED, current=[-0.1, -2.0]).standard_uncertainty
    by_hand = 0.6 / np.cosh(1.0) ** 2 * np.log(3) / np.sqrt(3)
    # a central difference over a factor of 1.89 is 4 % off where tanh bends most
    assert small == pytest.approx(by_hand, rel=0.06)
    assert large < 1e-9


def test_degrees_of_freedom_are_those_of_the_scatter_where_it_is_all():
    profile = invented_profile(instruments=(), freedom=5.0)
    found = profile.voltage(speed=SPEED, current=-2.0).degrees_of_freedom
    # nothing but scatter, all of it with 5: rounding of the ratio of variances
    assert found == pytest.approx(5.0, rel=1e-6)


def test_degrees_of_freedom_by_welch_and_satterthwaite():
    """JCGM 100, G.4.1: nu = 5 (u/u_s)^4 with infinitely many for the instruments."""
    scatter = invented_profile(instruments=()).loss(speed=SPEED).standard_uncertainty
    both = invented_profile(freedom=5.0).loss(speed=SPEED)
    expected = 5.0 * (both.standard_uncertainty / scatter) ** 4
    assert both.degrees_of_freedom == pytest.approx(expected, rel=1e-9)


def test_without_scatter_degrees_of_freedom_are_infinite():
    profile = invented_profile(scatter_covariance=np.zeros((5, 5)))
    assert np.isinf(profile.loss(speed=SPEED).degrees_of_freedom)


def test_interval_narrows_with_level_and_stays_possible():
    profile = invented_profile()
    efficiency = profile.efficiency(speed=SPEED, current=-2.0)
    low, high = efficiency.interval(0.95)
    inner_low, inner_high = efficiency.interval(0.8)
    assert low < inner_low < efficiency.value < inner_high < high <= 1.0
    unsure = replace(efficiency, standard_uncertainty=np.asarray(3.0))
    assert [end.item() for end in unsure.interval()] == [0.0, 1.0]
    assert invented_profile().loss(speed=0.0).interval(0.999)[0] >= 0.0


@pytest.mark.parametrize("level", [0.0, 1.0, 95.0, float("nan")])
def test_level_must_be_a_probability(level):
    with pytest.raises(ValueError, match="level must be between 0 and 1, found"):
        invented_profile().loss(speed=SPEED).interval(level)


def test_heat_acts_on_resistance_and_magnets():
    """By hand: R x (234.5 + 60)/(234.5 + 25) at 60 degC; k x (1 - 0.002 x 20) at 45 degC."""
    profile = invented_profile()
    hot = profile.voltage(speed=SPEED, current=-2.0, winding=60.0, magnets=45.0)
    expected = 0.055 * 0.96 * 200 - 0.8 * 294.5 / 259.5 * 2 - 0.6
    assert hot.value == pytest.approx(expected, rel=1e-12)


def test_reference_temperature_is_the_default():
    profile = invented_profile()
    cold = profile.efficiency(speed=SPEED, load=4.4)
    stated = profile.efficiency(speed=SPEED, load=4.4, winding=25.0, magnets=25.0)
    assert cold.value == stated.value
    assert not stated.extrapolated


def test_unknown_magnets_cannot_be_heated():
    profile = invented_profile(constants=Constants(magnet_coefficient=None))
    with pytest.raises(ProfileError, match=r"what the magnets are made of.*machine\.toml"):
        profile.voltage(speed=SPEED, current=-2.0, magnets=60.0)
    assert profile.voltage(speed=SPEED, current=-2.0).value == pytest.approx(8.8)


def test_arguments_broadcast_together():
    profile = invented_profile()
    table = profile.torque(
        speed=np.linspace(50, 250, 4)[:, None], load=[1.0, 4.7, np.inf], winding=40.0
    )
    for array in (
        table.value,
        table.standard_uncertainty,
        table.degrees_of_freedom,
        table.extrapolated,
        *table.interval(),
    ):
        assert array.shape == (4, 3)
    # each place is what it is by itself; only rounding differs
    alone = profile.torque(speed=250.0, load=4.7, winding=40.0)
    assert table.value[3, 1] == pytest.approx(alone.value, rel=1e-12)
    assert table.standard_uncertainty[3, 1] == pytest.approx(alone.standard_uncertainty, rel=1e-9)


@pytest.mark.parametrize(
    ("point", "outside"),
    [
        ({"speed": 200.0, "current": -2.0}, False),
        ({"speed": 250.0, "current": -6.0}, False),  # the ends were tested
        ({"speed": 251.0, "current": -2.0}, True),
        ({"speed": 49.0, "current": -2.0}, True),
        ({"speed": 200.0, "current": 6.1}, True),  # range is of magnitudes
        ({"speed": 200.0, "current": -2.0, "winding": 46.0}, True),
        ({"speed": 200.0, "current": 0.0, "winding": 46.0}, False),  # heat needs current
        ({"speed": 250.0, "load": 1.0}, True),  # 7.3 A
    ],
)
def test_extrapolation_is_marked(point, outside):
    assert invented_profile().voltage(**point).extrapolated.item() is outside


@pytest.mark.parametrize(
    ("winding", "outside"), [(25.0, False), (32.0, False), (45.0, False), (24.0, True)]
)
def test_the_reference_temperature_is_no_extrapolation(winding, outside):
    """Tested between 40 and 45 degC, reported at 25: resistance is had between these."""
    warm = replace(invented_profile().range, winding=(40.0, 45.0))
    profile = invented_profile(range=warm)
    found = profile.voltage(speed=SPEED, current=-2.0, winding=winding)
    assert bool(found.extrapolated) is outside


def test_extrapolation_is_marked_place_by_place():
    found = invented_profile().loss(speed=[40.0, 100.0, 300.0]).extrapolated
    assert found.tolist() == [True, False, True]


@pytest.mark.parametrize(
    ("missing", "ask", "needs"),
    [
        ("emf_constant", "voltage", "open-circuit"),
        ("armature_resistance", "voltage", "load with two resistors"),
        ("brush_drop", "terminal_power", "load with two resistors"),
        ("coulomb_torque", "torque", "no-load-motor"),
        ("viscous_coefficient", "efficiency", "no-load-motor at a second voltage"),
    ],
)
def test_what_is_not_known_is_refused_with_the_test_that_measures_it(missing, ask, needs):
    profile = invented_profile(without=(missing,))
    with pytest.raises(NotMeasuredError, match=f"cannot be predicted: .*{needs}"):
        getattr(profile, ask)(speed=SPEED, current=-2.0)


def test_what_is_not_needed_may_be_unknown():
    electrical = invented_profile(without=("coulomb_torque", "viscous_coefficient"))
    assert electrical.voltage(speed=SPEED, current=-2.0).value == pytest.approx(8.8)
    open_circuit = invented_profile(without=("armature_resistance", "brush_drop"))
    assert open_circuit.voltage(speed=SPEED, current=0.0).value == pytest.approx(11.0)
    assert open_circuit.voltage(speed=SPEED, load=np.inf).value == pytest.approx(11.0)
    mechanical = invented_profile(without=("emf_constant", "armature_resistance", "brush_drop"))
    assert mechanical.loss(speed=SPEED).value == pytest.approx(0.028)


def test_corrections_nobody_measured_count_as_zero_and_others_do_not():
    profile = invented_profile()
    for standing in ("unmeasured", "assumed"):
        windage = NotKnown(unit="N.m.s2/rad2", standing=standing, needs="coast-down")
        kept = replace(profile, parameters=dict(profile.parameters, windage_coefficient=windage))
        assert kept.loss(speed=SPEED).value == pytest.approx(0.028)
    windage = NotKnown(unit="N.m.s2/rad2", standing="combined", needs="coast-down")
    tangled = replace(profile, parameters=dict(profile.parameters, windage_coefficient=windage))
    with pytest.raises(NotMeasuredError, match=r"windage coefficient is not known.*coast-down"):
        tangled.loss(speed=SPEED)


def test_loss_known_at_one_speed_is_told_there_and_nowhere_else():
    profile = invented_profile(
        without=("coulomb_torque", "viscous_coefficient"), combinations=(LOSS_AT_SPEED,)
    )
    found = profile.loss(speed=[SPEED, SPEED * 1.0009])
    assert found.value == pytest.approx([0.028, 0.028])
    assert found.standard_uncertainty == pytest.approx([0.001, 0.001])
    assert found.degrees_of_freedom == pytest.approx([7.0, 7.0])
    with pytest.raises(NotMeasuredError, match=r"known at 1909\.9 rpm only"):
        profile.loss(speed=[SPEED, SPEED * 1.002])


def test_a_combination_adds_its_uncertainty_in_full():
    """Its correlation with k is not in the profile: u = |i| u(k) + u(loss), the worst of all."""
    profile = invented_profile(
        without=("coulomb_torque", "viscous_coefficient"),
        combinations=(LOSS_AT_SPEED,),
        instruments=(),
    )
    found = profile.torque(speed=SPEED, current=-2.0)
    assert found.value == pytest.approx(-0.11 - 0.028)
    assert found.standard_uncertainty == pytest.approx(2 * 2e-5 + 0.001, rel=1e-9)


def test_voltage_lost_inside_known_at_one_current():
    profile = invented_profile(
        without=("armature_resistance", "brush_drop"),
        combinations=(
            combination("armature_resistance + brush_drop/current", "Ohm", 1.1, 0.01, current=2.0),
        ),
    )
    assert profile.voltage(speed=SPEED, current=-2.0).value == pytest.approx(11.0 - 2.2)
    with pytest.raises(NotMeasuredError, match="known at 2 A only"):
        profile.voltage(speed=SPEED, current=-2.1)
    with pytest.raises(NotMeasuredError, match="known at 2 A only"):
        profile.voltage(speed=SPEED, current=-2.0, winding=60.0)


def test_one_resistor_predicts_that_resistor_alone():
    """i = A w - B with A = 0.055/5.2 and B = 0.6/5.2, as with the parts: 2 A at 200 rad/s."""
    profile = invented_profile(
        without=("emf_constant", "armature_resistance", "brush_drop"),
        combinations=(
            combination(
                "emf_constant / (armature_resistance + load)",
                "A.s/rad",
                0.055 / 5.2,
                1e-5,
                load=4.4,
            ),
            combination(
                "brush_drop / (armature_resistance + load)", "A", 0.6 / 5.2, 0.005, load=4.4
            ),
        ),
    )
    current = profile.current(speed=SPEED, load=4.4)
    assert current.value == pytest.approx(-2.0, rel=1e-9)
    # the worst correlation: 200 x 1e-5 A and 0.005 A
    assert current.standard_uncertainty == pytest.approx(0.007, rel=1e-6)
    assert profile.voltage(speed=SPEED, load=4.4).value == pytest.approx(8.8, rel=1e-9)
    with pytest.raises(NotMeasuredError, match=r"known on the resistor of the test, 4\.4 ohm"):
        profile.current(speed=SPEED, load=4.5)
    with pytest.raises(NotMeasuredError, match="EMF constant"):
        profile.torque(speed=SPEED, load=4.4)
    # a hot winding or warm magnets have another slope, and nobody knows which
    with pytest.raises(NotMeasuredError, match=r"known on the resistor of the test"):
        profile.current(speed=SPEED, load=4.4, winding=60.0)
    with pytest.raises(NotMeasuredError, match=r"known on the resistor of the test"):
        profile.current(speed=SPEED, load=4.4, magnets=60.0)


@pytest.mark.parametrize(
    "point", [{}, {"current": 1.0, "load": 2.0}, {"load": 2.0, "voltage": 12.0}]
)
def test_one_thing_fixes_the_operating_point(point):
    with pytest.raises(ValueError, match="give exactly one of current, load and voltage"):
        invented_profile().torque(speed=SPEED, **point)


def test_impossible_points_are_refused():
    profile = invented_profile()
    with pytest.raises(ValueError, match="speed must be zero or positive"):
        profile.loss(speed=[100.0, -1.0])
    with pytest.raises(ValueError, match="load must be positive"):
        profile.current(speed=SPEED, load=0.0)


def test_a_missing_point_stays_in_its_own_place():
    found = invented_profile().current(speed=[100.0, np.nan, 200.0], load=4.4)
    assert np.isnan(invented_profile().current(speed=100.0, load=np.nan).value)
    assert np.isnan(found.value).tolist() == [False, True, False]
    assert np.isnan(found.standard_uncertainty).tolist() == [False, True, False]
    assert found.extrapolated.tolist() == [False, False, False]


@settings(max_examples=25)
@given(st.floats(1.0, 500.0), st.floats(0.1, 1e3))
def test_ways_to_the_same_point_agree(speed, load):
    """A resistor, the voltage across it and the current through it are one point."""
    profile = invented_profile()
    current = profile.current(speed=speed, load=load).value
    voltage = profile.voltage(speed=speed, load=load).value
    # the roots are found to 1e-14 of the EMF
    assert voltage == pytest.approx(-load * current, rel=1e-9, abs=1e-9)
    for ask in ("torque", "terminal_power", "shaft_power"):
        by_load = getattr(profile, ask)(speed=speed, load=load).value
        by_current = getattr(profile, ask)(speed=speed, current=current).value
        by_voltage = getattr(profile, ask)(speed=speed, voltage=voltage).value
        assert by_load == pytest.approx(by_current, rel=1e-9, abs=1e-9)
        assert by_voltage == pytest.approx(by_current, rel=1e-6, abs=1e-6)


@settings(max_examples=8)
@given(st.floats(120.0, 240.0), st.floats(1.0, 8.0))
def test_propagation_agrees_with_monte_carlo(speed, load):
    """First order against 20 000 draws, at currents well above the brush scale: nearly linear."""
    from motorfit.machine.brushed import terminal_voltage
    from motorfit.machine.operating import current_on_resistor

    profile = invented_profile(freedom=1e6)
    draws = profile.sample(20_000, np.random.default_rng(7)).machine()
    voltages = terminal_voltage(draws, speed, current_on_resistor(draws, speed, load))
    predicted = profile.voltage(speed=speed, load=load)
    # the spread of 20 000 draws is known to 0.5 %, their mean to 0.7 % of it: six of these
    assert predicted.standard_uncertainty == pytest.approx(np.std(voltages), rel=0.03)
    assert predicted.value == pytest.approx(
        np.mean(voltages), abs=0.045 * float(predicted.standard_uncertainty)
    )


def test_a_parameter_at_its_bound_is_varied_within_it():
    """At zero only upwards: the slope of a linear equation is the same."""
    profile = invented_profile(instruments=())
    drop = replace(profile.estimate("brush_drop"), value=0.0)
    bounded = replace(profile, parameters=dict(profile.parameters, brush_drop=drop))
    free = profile.voltage(speed=SPEED, current=-2.0).standard_uncertainty
    found = bounded.voltage(speed=SPEED, current=-2.0)
    assert found.standard_uncertainty == pytest.approx(free, rel=1e-9)
    assert found.value == pytest.approx(9.4)


def test_covariance_is_scatter_and_the_instruments():
    profile = invented_profile()
    names = profile.covariance_order
    expected = profile.scatter_covariance.copy()
    for error in INSTRUMENTS:
        column = np.array([error.sensitivity.get(name, 0.0) for name in names])
        expected += np.outer(column, column) * 0.005**2 / 3
    assert profile.covariance == pytest.approx(expected, rel=1e-12, abs=1e-30)
    # its diagonal is what each estimate says of itself
    stated = [profile.estimate(name).standard_uncertainty for name in names]
    assert np.sqrt(np.diag(profile.covariance)) == pytest.approx(stated, rel=1e-12)


def test_a_normal_instrument_error_counts_as_its_deviation():
    error = replace(gain("voltage", "meter A", emf_constant=1.0), shape="normal")
    profile = invented_profile(instruments=(error,), scatter_covariance=np.zeros((5, 5)))
    assert profile.covariance[0, 0] == pytest.approx(0.005**2, rel=1e-12)


def test_the_machine_of_a_profile_has_its_values():
    machine = invented_profile(without=("coulomb_torque",)).brushed_machine()
    assert machine.emf_constant == VALUES["emf_constant"]
    assert machine.coulomb_torque == 0.0
    assert machine.brush_current_scale == 0.1
