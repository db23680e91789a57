"""What becomes of the readings, meters and conditions of a bench before it is fitted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from virtual_benches import TRUE, virtual

import motorfit as mf
from motorfit.bench.default_instruments import with_defaults
from motorfit.bench.records import Bench, Run
from motorfit.bench.settings import ConditionsTable, LeadsTable, MachineTable, Settings
from motorfit.estimation.assemble import assemble
from motorfit.estimation.effects import FRICTION, POSITION
from motorfit.estimation.rows import CURRENT, TORQUE, VOLTAGE
from motorfit.meter import Accuracy, Calibration, Instrument
from motorfit.quantities import Stated
from motorfit.simulation.bench import simulate
from motorfit.simulation.plan import BenchPlan, Conditions

BLANK = np.nan


def run(kind, **readings) -> Run:
    count = len(next(iter(readings.values())))
    return Run(
        kind=kind,
        source=Path(f"{kind}.csv"),
        rows=np.arange(2, count + 2),
        readings={key: np.asarray(values, float) for key, values in readings.items()},
        written_step=dict.fromkeys(readings, 0.01),
        setting=("",) * count,
        direction=("",) * count,
        note=("",) * count,
    )


def meter(quantity, **printed) -> dict:
    usual = {"quantity": quantity, "id": "", "accuracy": Accuracy(relative=0.01)}
    return {(quantity, ""): Instrument(**(usual | printed))}


def assembled(*runs, instruments=None, **tables):
    settings = Settings(machine=MachineTable(name="made by hand"), **tables)
    return assemble(
        Bench(
            source=Path("bench"),
            settings=settings,
            instruments=with_defaults(instruments or {}),
            runs=runs,
        )
    )


def errors(found, quantity, error):
    """Each such error: half-width, and the rows that it acts on with its size there."""
    return [
        (nuisance, number)
        for number, nuisance in enumerate(found.nuisances)
        if (nuisance.quantity, nuisance.error) == (quantity, error)
    ]


def brake(**changes):
    readings = {"speed": [100], "voltage": [12], "current": [2], "force": [5], "arm": [0.2]}
    return run("brake", **(readings | changes))


def test_a_digit_and_an_offset_of_a_scale_act_by_the_arm():
    """By hand: 0.01 N and 0.5 N at 0.2 m are 0.002 N m and 0.1 N m."""
    scale = meter("force", accuracy=Accuracy(absolute=0.5))
    found = assembled(brake(), instruments=scale)

    assert found.rows.shown[0, TORQUE] == pytest.approx(1.0)
    # a millionth of the reading is added, so that no reading is exact
    assert found.rows.rounding[0, TORQUE] == pytest.approx(0.002**2 / 12, rel=1e-4)
    ((offset, place),) = errors(found, "force", "offset")
    assert offset.half_width == 0.5
    assert found.influence.offset[0, TORQUE, place] == pytest.approx(0.2)


def test_a_ruler_is_one_error_of_all_torques():
    found = assembled(brake(), brake())

    ((arm, place),) = errors(found, "arm", "gain")
    assert arm.half_width == pytest.approx(0.01)  # a plain ruler, as docs and screen say
    assert found.influence.gain[:, TORQUE, place].tolist() == [1.0, 1.0]


def test_what_a_calibration_found_is_taken_off_the_readings():
    """10.1 V of a meter that reads 1 % high are 10 V."""
    checked = meter("voltage", calibration=Calibration(gain=0.01, half_width=0.001))
    driven = run("open-circuit", speed=[100.0], voltage=[10.1])

    found = assembled(driven, instruments=checked)

    assert found.rows.shown[0, VOLTAGE] == pytest.approx(10.0, rel=1e-12)
    ((gain, _),) = errors(found, "voltage", "gain")
    assert gain.half_width == 0.001


def test_offsets_of_a_driven_machine_turn_with_its_current():
    """An ammeter that shows too much makes the current into a generator too low."""
    ammeter = meter("current", accuracy=Accuracy(absolute=0.1))
    found = assembled(
        run("load", speed=[100.0], voltage=[8.0], current=[-2.0]),
        run("no-load-motor", speed=[100.0], voltage=[9.0], current=[0.5]),
        instruments=ammeter,
    )

    ((_, place),) = errors(found, "current", "offset")
    assert found.influence.offset[:, CURRENT, place].tolist() == [-1.0, 1.0]


def test_each_resistor_has_an_error_of_its_own():
    """5 % + 0.05 ohm of 1 ohm and of 10 ohm: 10 % and 5.5 %."""
    resistors = meter("load", accuracy=Accuracy(relative=0.05, absolute=0.05))
    driven = run("load", speed=[100.0] * 3, voltage=[4.0, 7.0, 4.1], load=[1.0, 10.0, 1.0])

    found = assembled(driven, instruments=resistors)

    one, ten = errors(found, "load", "gain")
    assert [one[0].half_width, ten[0].half_width] == pytest.approx([0.1, 0.055])
    assert ten[0].deviation == pytest.approx(0.055 / 3**0.5)  # rectangular: JCGM 100, 4.3.7
    assert (found.influence.load[:, one[1]] != 0).tolist() == [True, False, True]
    assert (found.influence.load[:, ten[1]] != 0).tolist() == [False, True, False]


def test_an_ammeter_stays_in_the_circuit_where_its_reading_is_blank():
    ammeter = meter("current", burden=0.03)
    driven = run(
        "load", speed=[100.0] * 2, voltage=[7.0, 7.0], current=[-1.0, BLANK], load=[BLANK, 7.0]
    )

    rows = assembled(driven, instruments=ammeter).rows

    assert rows.load_extra.tolist() == [0.0, 0.03]
    assert rows.load.tolist() == [np.inf, 7.0]
    assert rows.metered.tolist() == [True, False]


def test_a_voltmeter_takes_current_by_its_input_resistance():
    voltmeter = meter("voltage", input_resistance=1e4)
    rows = assembled(run("open-circuit", speed=[9.0], voltage=[1.0]), instruments=voltmeter).rows

    assert rows.input_conductance.tolist() == [1e-4]


OPEN = {"speed": [100.0, 200.0], "voltage": [8.0, 16.0]}


def test_magnets_are_as_warm_as_is_known():
    """Their own column first, then the air's, then what the settings say of either."""
    warm = {"winding": Stated(30.0, 2.0)}
    around = warm | {"ambient": Stated(21.0, 1.0)}
    own = around | {"magnets": Stated(40.0, 4.0)}
    columns = {"magnets": [50.0, BLANK], "ambient": [22.0, 23.0]}

    def magnets(conditions, **more):
        driven = run("open-circuit", **OPEN, **more)
        return assembled(driven, conditions=ConditionsTable(**conditions)).rows.magnets.tolist()

    assert magnets(warm) == [30.0, 30.0]
    assert magnets(around) == [21.0, 21.0]
    assert magnets(own) == [40.0, 40.0]
    assert magnets(own, **columns) == [50.0, 23.0]


def test_magnets_as_warm_as_the_winding_share_its_doubt():
    """One unknown temperature, not two that could differ."""
    warm = ConditionsTable(winding=Stated(30.0, 2.0))
    found = assembled(run("open-circuit", **OPEN), conditions=warm)

    ((doubt, place),) = [
        (n, at) for at, n in enumerate(found.nuisances) if n.error == "temperature"
    ]
    assert doubt.half_width == 2.0
    assert found.influence.winding[:, place].tolist() == [1.0, 1.0]
    assert found.influence.magnets[:, place].tolist() == [1.0, 1.0]


def test_doubt_of_the_leads_acts_on_all_rows():
    leads = LeadsTable(resistance=Stated(0.1, 0.02))
    found = assembled(run("open-circuit", **OPEN), leads=leads)

    ((doubt, place),) = errors(found, "leads", "offset")
    assert (doubt.half_width, doubt.unit) == (0.02, "Ohm")
    assert found.influence.leads[place] == 1.0
    assert found.rows.lead_resistance == 0.1


def test_held_readings_without_a_position_are_one_position():
    """Two at 0, one at 90 degrees, and a sheet that names none: three groups."""
    named = run("resistance", voltage=[1, 2, 2], current=[1, 2, 2], position=[0, 0, 1.57])
    nameless = run("resistance", voltage=[1, 2], current=[1, 2])

    found = assembled(named, nameless)

    groups = [
        np.flatnonzero(found.influence.resistance[:, place]).tolist()
        for _, place in errors(found, POSITION, "effect")
    ]
    assert groups == [[0, 1], [2], [3, 4]]


def test_volts_less_brushes_are_told_where_only_they_are_known():
    """k - Vb/w of the simulated machine: at one speed they are one number."""
    (combination,) = mf.fit(virtual("lathe, no open circuit")).profile.combinations

    expected = TRUE.emf_constant - TRUE.brush_drop / combination.at["speed"]
    assert combination.of == "emf_constant - brush_drop/speed"
    assert combination.value == pytest.approx(expected, abs=4 * combination.standard_uncertainty)
    # 0.0053 V s/rad of brushes are more than ten times what it is known to
    assert 10 * combination.standard_uncertainty < TRUE.brush_drop / combination.at["speed"]


def test_more_readings_help_against_scatter_alone():
    for shares in mf.fit(virtual("whole")).widths.values():
        assert [one.quantity for one in shares if one.more_readings_help] == ["scatter"]


def test_each_direction_has_its_own_constant():
    """Drawn 3 % apart, half of it either way; the meters are the same for both."""
    plan = BenchPlan(
        open_circuit_speeds=(60.0, 110.0, 160.0, 210.0),
        load_speeds=(60.0, 210.0),
        load_resistors=(2.2, 10.0),
        repeats=3,
        directions=("a", "b"),
    )
    bench = simulate(TRUE, plan=plan, conditions=Conditions(direction_effect=0.03), seed=5)

    found = mf.fit(bench).profile
    one, other = (found.directions[way]["emf_constant"] for way in "ab")

    assert found.range.direction == "a"
    assert one.value == pytest.approx(found.estimate("emf_constant").value, rel=1e-9)
    # scatter of 0.2 % a speed over a dozen readings leaves 0.1 %: four of these
    assert other.value / one.value == pytest.approx(0.985 / 1.015, abs=0.004)
    assert other.standard_uncertainty == pytest.approx(one.standard_uncertainty, rel=0.3)
    assert other.from_scatter == pytest.approx(one.from_scatter, rel=0.3)  # as many readings
    low, high = other.interval
    assert low < 0.985 * TRUE.emf_constant < high


def test_a_stated_inertia_is_rectangular_within_its_half_width():
    """u = a / sqrt(3), and 95 % of a rectangle lie within 0.95 a (JCGM 100, 4.3.7)."""
    bench = virtual("open circuit only")
    machine = MachineTable(name="made by hand", moment_of_inertia=Stated(0.002, 0.0001))
    bench = replace(bench, settings=bench.settings.model_copy(update={"machine": machine}))

    inertia = mf.fit(bench, level=0.95).profile.estimate("moment_of_inertia")

    assert inertia.standard_uncertainty == pytest.approx(0.0001 / 3**0.5)
    assert inertia.interval == pytest.approx((0.002 - 0.000095, 0.002 + 0.000095))
    assert inertia.standing == "assumed"


def test_the_tested_range_is_that_of_turning_and_of_what_was_connected():
    """A held rotor is no speed; what the voltmeter takes is no current that was tested."""
    tested = mf.fit(virtual("whole")).profile.range
    assert tested.speed[0] > 40.0  # the slowest turning row is planned at 60 rad/s
    assert mf.fit(virtual("open circuit only")).profile.range.current == (0.0, 0.0)


def test_turning_loss_is_torque_times_speed_with_all_that_belongs_to_it():
    loss = mf.fit(virtual("whole")).loss
    assert loss is not None

    torque, power = loss.torque, loss.power
    for name in ("value", "standard_uncertainty", "from_scatter", "from_instruments"):
        assert getattr(power, name) == pytest.approx(loss.speed * getattr(torque, name))
    assert power.interval == pytest.approx([loss.speed * end for end in torque.interval])
    true = TRUE.coulomb_torque + TRUE.viscous_coefficient * loss.speed
    assert abs(torque.value - true) < 4 * torque.standard_uncertainty


def test_readings_of_two_sheets_of_one_name_are_counted_together():
    """One table of driven readings holds open-circuit and load rows under one name."""
    bench = virtual("one resistor")
    table = Path("drill.csv")
    bench = replace(bench, runs=tuple(replace(run, source=table) for run in bench.runs))

    assert mf.fit(bench).counts == {"drill.csv": sum(map(len, bench.runs))}


def test_slope_and_intercept_on_one_resistor_are_known_as_well_as_the_meters():
    """The ammeter's 1.2 % / sqrt(3) = 0.7 % is the worst of what a slope of amperes has."""
    slope, intercept = mf.fit(virtual("one resistor, no open circuit")).profile.combinations

    assert slope.standard_uncertainty < 0.01 * slope.value
    assert intercept.standard_uncertainty < 0.1 * intercept.value


def test_degrees_of_freedom_are_equations_less_parameters():
    """Four open-circuit readings give one constant."""
    assert mf.fit(virtual("open circuit only")).degrees_of_freedom == 3.0


def test_scatter_is_told_as_a_standard_deviation():
    """Friction that truly scatters by 10 %: 90 rows tell that to 7 %; four of these."""
    bench = simulate(
        TRUE,
        plan=BenchPlan(supply_voltages=(8.0, 16.0, 24.0), repeats=30),
        conditions=Conditions(friction_row=0.1),
        seed=2,
    )
    (friction,) = [one for one in mf.fit(bench).scatter if one.name == FRICTION]

    assert friction.relative
    assert friction.standard_deviation == pytest.approx(0.1, rel=0.3)


def test_what_leans_on_the_plausible_is_not_called_measured():
    """v = (k w - Vb) + R i at one speed: R is had from what a brush drop can plausibly be."""
    known = mf.fit(virtual("lathe, no open circuit")).parameters["armature_resistance"]

    assert (known.standing, known.unit) == ("assumed", "Ohm")


def test_resistors_that_an_ohmmeter_read_have_its_digits_and_its_calibration():
    """By hand: 0.2 % left open and two digits of 0.01 ohm on 4.04 ohm; 1 % read too high."""
    ohmmeter = meter(
        "load",
        accuracy=Accuracy(relative=0.01, digits=2),
        calibration=Calibration(gain=0.01, half_width=0.002),
    )
    found = assembled(run("load", speed=[100.0], voltage=[8.0], load=[4.04]), instruments=ohmmeter)

    ((resistor, _),) = errors(found, "load", "gain")
    assert found.rows.load[0] == pytest.approx(4.0, rel=1e-12)
    assert resistor.half_width == pytest.approx(0.002 + 0.02 / 4.04, rel=1e-12)


def test_a_thermometer_has_digits_and_a_share_of_the_reading():
    """By hand: 1 % of 60 degC and five digits of 0.01 K."""
    thermometer = meter("winding", accuracy=Accuracy(relative=0.01, digits=5))
    found = assembled(
        run("resistance", voltage=[1.0, 1.2], current=[1.0, 1.0], winding=[20.0, 60.0]),
        instruments=thermometer,
    )

    acting = [
        (error, place)
        for error, place in errors(found, "winding", "temperature")
        if found.influence.winding[:, place].any()  # the other is the magnets' doubt
    ]
    ((error, place),) = acting
    assert error.half_width == pytest.approx(0.6 + 0.05, rel=1e-12)
    assert found.influence.winding[:, place].tolist() == [1.0, 1.0]


def test_magnets_are_as_warm_as_the_room_where_their_own_cell_is_blank():
    """Each row has the doubt of the thermometer that was read for it, and of no other."""
    found = assembled(
        run(
            "open-circuit",
            speed=[100.0, 100.0],
            voltage=[8.0, 8.0],
            magnets=[40.0, BLANK],
            ambient=[25.0, 25.0],
        )
    )

    ((_, own),) = errors(found, "magnets", "temperature")
    ((_, room),) = errors(found, "ambient", "temperature")
    assert found.rows.magnets.tolist() == [40.0, 25.0]
    assert found.influence.magnets[:, own].tolist() == [1.0, 0.0]
    assert found.influence.magnets[:, room].tolist() == [0.0, 1.0]
