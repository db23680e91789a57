"""Readings of a known machine: what is shown, and what is behind it."""

from dataclasses import replace

import numpy as np
import pytest

from motorfit.bench.kinds import KINDS
from motorfit.machine.brushed import BrushedMachine
from motorfit.meter import Calibration
from motorfit.quantities import Stated
from motorfit.simulation.bench import simulate, simulate_with_truth
from motorfit.simulation.instruments import (
    VirtualKit,
    VirtualMeter,
    handheld_meters,
    virtual_kit,
    virtual_meter,
)
from motorfit.simulation.plan import BenchPlan, Conditions, usual_plan

#: 10 V at 200 rad/s; on 4.5 ohm 2 A and 9 V, worked by hand.
SMALL = BrushedMachine(emf_constant=0.05, armature_resistance=0.5, coulomb_torque=0.01)

#: Nothing wanders, and the winding is at the reference temperature.
STILL = Conditions(
    winding=Stated(25.0),
    friction_row=0.0,
    friction_run=0.0,
    drive_scatter=0.0,
    supply_scatter=0.0,
    position_effect=0.0,
)

DRIVEN = BenchPlan(open_circuit_speeds=(200.0,), load_speeds=(200.0,), load_resistors=(4.5,))


def perfect(**changes):
    """A kit without errors, which shows nine digits."""
    meters = {
        name: virtual_meter(name, name, resolution=1e-9)
        for name in ("voltage", "current", "speed", "torque", "winding")
    }
    meters["load"] = virtual_meter("load", "resistors")
    return VirtualKit(meters=meters | changes)


def only_run(bench, kind):
    (run,) = bench.of_kind(kind)
    return run


def still(plan, kit=None, **changes):
    return simulate(
        SMALL, plan=plan, kit=kit or perfect(), conditions=replace(STILL, **changes), seed=1
    )


def test_driven_readings_worked_by_hand():
    """0.05 x 200 = 10 V; 10/(0.5 + 4.5) = 2 A; 10 - 2 x 0.5 = 9 V. The display has 1e-9."""
    bench = still(DRIVEN)
    assert only_run(bench, "open-circuit").get("voltage") == pytest.approx([10.0], abs=1e-9)
    load = only_run(bench, "load")
    assert load.get("voltage") == pytest.approx([9.0], abs=1e-8)
    assert load.get("current") == pytest.approx([-2.0], abs=1e-8)
    assert load.get("load").tolist() == [4.5]


def test_free_running_worked_by_hand():
    """0.01/0.05 = 0.2 A; (12 - 0.2 x 0.5)/0.05 = 238 rad/s."""
    run = only_run(still(BenchPlan(supply_voltages=(12.0,))), "no-load-motor")
    assert run.get("current") == pytest.approx([0.2], abs=1e-8)
    assert run.get("speed") == pytest.approx([238.0], abs=1e-6)


def test_brake_worked_by_hand():
    """(0.09 + 0.01)/0.05 = 2 A; (12 - 2 x 0.5)/0.05 = 220 rad/s."""
    run = only_run(still(BenchPlan(brake_torques=(0.09,), brake_voltage=12.0)), "brake")
    assert run.get("current") == pytest.approx([2.0], abs=1e-8)
    assert run.get("speed") == pytest.approx([220.0], abs=1e-6)
    assert run.get("torque") == pytest.approx([0.09], abs=1e-9)


def test_held_rotor_is_as_warm_as_the_winding():
    """0.5 ohm at 25 degC is 0.596339 ohm at 75 degC: factor 1.192678, copper, K = 234.5."""
    bench = still(BenchPlan(resistance_currents=(2.0,)), winding=Stated(75.0))
    voltage = only_run(bench, "resistance").get("voltage")
    assert voltage == pytest.approx([2 * 0.5 * 1.192678], abs=1e-6)


def test_standing_brush_drop_is_its_own():
    """At 2 A the brushes (scale 0.1 A) have all of their drop: 2 x 0.5 + 0.3."""
    plan = BenchPlan(resistance_currents=(2.0,))
    voltage = only_run(still(plan, standing_brush_drop=0.3), "resistance").get("voltage")
    assert voltage == pytest.approx([1.3], abs=1e-8)


def test_burden_of_the_ammeter_is_in_the_circuit():
    """10/(0.5 + 4.5 + 0.2) A, and the voltmeter is across resistor and ammeter."""
    kit = perfect(current=virtual_meter("current", "A", resolution=1e-9, burden=0.2))
    load = only_run(still(DRIVEN, kit), "load")
    assert load.get("current") == pytest.approx([-10 / 5.2], abs=1e-8)
    assert load.get("voltage") == pytest.approx([10 / 5.2 * 4.7], abs=1e-8)


def test_no_ammeter_has_no_burden():
    kit = perfect(current=virtual_meter("current", "A", resolution=1e-9, burden=0.2))
    load = only_run(still(replace(DRIVEN, load_columns="load"), kit), "load")
    assert "current" not in load.readings
    assert load.get("voltage") == pytest.approx([9.0], abs=1e-8)


def test_leads_lie_before_the_voltmeter():
    """10/(0.5 + 0.1 + 4.5) A through 4.5 ohm."""
    load = only_run(still(DRIVEN, replace(perfect(), leads=0.1)), "load")
    assert load.get("voltage") == pytest.approx([10 / 5.1 * 4.5], abs=1e-8)


def test_leads_of_a_motor_drop_what_its_current_takes():
    """A supply of 12 V held at the machine is read 0.1 ohm times its current higher."""
    run = only_run(
        still(BenchPlan(supply_voltages=(12.0,)), replace(perfect(), leads=0.1)), "no-load-motor"
    )
    current = run.get("current")
    assert current > 0.1
    assert run.get("voltage") == pytest.approx(12.0 + 0.1 * current, abs=1e-8)


def test_voltmeter_that_loads_the_machine():
    """0.5 ohm in series with 1000 ohm: 10 x 1000/1000.5 V."""
    poor = virtual_meter("voltage", "V", resolution=1e-9, input_resistance=1000.0)
    run = only_run(still(DRIVEN, perfect(voltage=poor)), "open-circuit")
    assert run.get("voltage") == pytest.approx([10 * 1000 / 1000.5], abs=1e-7)


def test_gain_and_offset_of_a_meter():
    """1.01 x 10 + 0.02, and 1.01 x 9 + 0.02."""
    wrong = replace(virtual_meter("voltage", "V", resolution=1e-9), gain=0.01, offset=0.02)
    bench = still(DRIVEN, perfect(voltage=wrong))
    assert only_run(bench, "open-circuit").get("voltage") == pytest.approx([10.12], abs=1e-8)
    assert only_run(bench, "load").get("voltage") == pytest.approx([9.11], abs=1e-8)


def test_meter_of_a_driven_machine_errs_upwards_in_magnitude():
    """An ammeter shows 2 x 1.01 + 0.005 A; inside, a driven machine's current is negative."""
    wrong = replace(virtual_meter("current", "A", resolution=1e-9), gain=0.01, offset=0.005)
    assert only_run(still(DRIVEN, perfect(current=wrong)), "load").get("current") == pytest.approx(
        [-2.025], abs=1e-8
    )


def test_zero_reading_shows_the_offset():
    wrong = replace(virtual_meter("current", "A", resolution=0.001), offset=0.0123)
    plan = BenchPlan(zeros=("current",), zero_repeats=2)
    run = only_run(still(plan, perfect(current=wrong)), "zero")
    assert run.get("current") == pytest.approx([0.012, 0.012], abs=1e-12)


def test_resistor_is_off_its_nominal_value():
    """A reading is (1 + g) times the true value: 4.5 stands on 4.5/1.05 ohm."""
    resistors = VirtualMeter(stated=virtual_meter("load", "R", percent=5.0).stated, gain=0.05)
    load = only_run(still(DRIVEN, perfect(load=resistors)), "load")
    true = -load.get("voltage") / load.get("current")
    assert true == pytest.approx([4.5 / 1.05], rel=1e-8)
    assert load.get("load").tolist() == [4.5]


def test_each_resistor_has_an_error_of_its_own():
    plan = replace(DRIVEN, load_resistors=(2.0, 4.0, 8.0), load_speeds=(100.0, 200.0))
    kit = perfect(load=virtual_meter("load", "R", percent=5.0))
    load = only_run(still(plan, kit), "load")
    off = load.get("load") / (-load.get("voltage") / load.get("current")) - 1.0
    assert np.unique(off.round(6)).size == 3
    assert np.abs(off).max() < 0.05


def test_display_of_a_meter_with_counts():
    """4000 counts: below 4 V three decimals, above two, above 40 V one."""
    meter = virtual_meter("voltage", "V", counts=4000)
    speeds = (1.23456 / 0.05, 12.3456 / 0.05, 123.456 / 0.05)
    run = only_run(
        still(BenchPlan(open_circuit_speeds=speeds), perfect(voltage=meter)), "open-circuit"
    )
    assert run.get("voltage").tolist() == [1.235, 12.35, 123.5]
    assert run.written_step["voltage"] == pytest.approx(0.001, rel=1e-12)


def test_error_over_the_end_of_a_range_is_shown_in_the_next():
    """3.999 V read 1 % too high does not fit the 4 V range of 4000 counts."""
    meter = replace(virtual_meter("voltage", "V", counts=4000), gain=0.01)
    plan = BenchPlan(open_circuit_speeds=(3.999 / 0.05,))
    run = only_run(still(plan, perfect(voltage=meter)), "open-circuit")
    assert run.get("voltage").tolist() == [4.04]


def test_one_gain_for_all_readings_of_a_range():
    plan = BenchPlan(open_circuit_speeds=tuple(np.linspace(100, 600, 20)))
    meter = virtual_meter("voltage", "V", percent=1.0, resolution=1e-9)
    bench, truth = simulate_with_truth(
        SMALL, plan=plan, kit=perfect(voltage=meter), conditions=STILL, seed=5
    )
    shown = only_run(bench, "open-circuit").get("voltage")
    ratio = shown / truth.true["open-circuit.csv"]["voltage"] - 1.0
    (gain,) = [error.gain for error in truth.errors if error.quantity == "voltage"]
    assert ratio == pytest.approx(np.full(20, gain), abs=1e-9)


def test_repeatability_is_new_at_each_reading():
    """400 readings: the standard deviation of a standard deviation is 1/sqrt(800)."""
    plan = BenchPlan(open_circuit_speeds=(200.0,), repeats=400)
    meter = virtual_meter("voltage", "V", resolution=1e-9, repeatability=0.003, noise=0.04)
    shown = only_run(still(plan, perfect(voltage=meter)), "open-circuit").get("voltage")
    expected = np.hypot(0.003 * 10.0, 0.04)
    assert shown.std() == pytest.approx(expected, rel=4 / np.sqrt(800))


def test_friction_wanders_from_row_to_row():
    """Current is loss over k, so its relative spread is that of the friction."""
    plan = BenchPlan(supply_voltages=(12.0,), repeats=400)
    current = only_run(still(plan, friction_row=0.05), "no-load-motor").get("current")
    assert current.std() / current.mean() == pytest.approx(0.05, rel=4 / np.sqrt(800))


def test_friction_wanders_from_run_to_run():
    plan = BenchPlan(supply_voltages=(12.0, 24.0), runs=3)
    runs = still(plan, friction_run=0.05).of_kind("no-load-motor")
    assert [run.source.name for run in runs] == [
        "no-load-motor.csv",
        "no-load-motor-2.csv",
        "no-load-motor-3.csv",
    ]
    currents = np.array([run.get("current") for run in runs])
    assert np.ptp(currents, axis=1) == pytest.approx(np.zeros(3), abs=1e-8)
    assert np.ptp(currents[:, 0]) > 0.001


def test_readings_of_one_setting_share_its_drift():
    plan = BenchPlan(
        load_speeds=(100.0, 200.0), load_resistors=(4.5,), repeats=3, label_settings=True
    )
    run = only_run(still(plan, setting_drift=0.02), "load")
    assert run.setting == ("1", "1", "1", "2", "2", "2")
    off = run.get("speed") / np.repeat([100.0, 200.0], 3)
    assert np.ptp(off[:3]) == pytest.approx(0.0, abs=1e-9)
    assert abs(off[0] - off[3]) > 1e-4


def test_both_directions():
    """3 % more EMF in one direction than in the other, of their mean."""
    plan = BenchPlan(open_circuit_speeds=(200.0,), directions=("a", "b"))
    run = only_run(still(plan, direction_effect=0.03), "open-circuit")
    assert run.direction == ("a", "b")
    assert run.get("voltage") == pytest.approx([10.15, 9.85], abs=1e-8)


def test_magnets_are_as_warm_as_the_winding():
    """Ferrite loses 0.2 % a kelvin: 10 V at 25 degC is 9 V at 75 degC."""
    plan = BenchPlan(open_circuit_speeds=(200.0,))
    bench = still(plan, winding=Stated(75.0), magnet="ferrite")
    assert only_run(bench, "open-circuit").get("voltage") == pytest.approx([9.0], abs=1e-8)


def test_winding_column_shows_the_heat_of_the_current():
    """2 A or a little less heats by about 4 x 5 K; hot, the current is smaller."""
    plan = replace(DRIVEN, winding=True)
    load = only_run(still(plan, heating=5.0), "load")
    assert 40.0 < load.get("winding")[0] < 45.0
    assert 1.9 < -load.get("current")[0] < 2.0


def test_heating_settles_where_the_current_agrees_with_it():
    """The warm winding's resistance gives the very current that warms it."""
    load = only_run(still(replace(DRIVEN, winding=True), heating=5.0), "load")
    current, winding = -load.get("current")[0], load.get("winding")[0]
    # the current is shown to nanoamperes; rounds of heating and solving end at 1e-13
    assert winding == pytest.approx(STILL.winding.value + 5.0 * current**2, abs=1e-6)
    resistance = -load.get("voltage")[0] + SMALL.emf_constant * load.get("speed")[0]
    warm = (234.5 + winding) / (234.5 + 25.0)
    assert resistance == pytest.approx(SMALL.armature_resistance * warm * current, rel=1e-6)


def test_a_load_test_gathers_its_heat_row_by_row():
    """First-order: after n rows of one current the rise is 1 - exp(-n / rows) of its end."""
    plan = replace(DRIVEN, winding=True, repeats=4)
    bench = still(plan, warming=5.0, warming_rows=2.0)
    current, winding = (only_run(bench, "load").get(name) for name in ("current", "winding"))
    risen = 1.0 - np.exp(-np.arange(1, 5) / 2.0)
    # the current falls by a few per cent on the way, and the heat with its square
    assert (winding - STILL.winding.value) == pytest.approx(5.0 * current**2 * risen, rel=0.05)
    assert (np.diff(np.abs(current)) < 0).all()
    assert only_run(bench, "open-circuit").get("winding") == pytest.approx(STILL.winding.value)


def test_drift_that_hangs_together_remembers_the_row_before():
    """Standard deviation and correlation of 4000 readings, within four standard errors.

    Those of a first-order process of correlation 0.7 are 1 / sqrt(2 n) and 1 / sqrt(n),
    times sqrt((1 + r^2) / (1 - r^2)) = 1.7 for the first and 0.7 for the second.
    """
    plan = BenchPlan(open_circuit_speeds=(200.0,), repeats=4000)
    drifted = still(plan, serial_drift=0.002, serial_correlation=0.7)
    off = only_run(drifted, "open-circuit").get("speed") / 200.0 - 1.0
    assert np.std(off) == pytest.approx(0.002, rel=4 * 1.7 / 8000**0.5)
    assert np.corrcoef(off[1:], off[:-1])[0, 1] == pytest.approx(0.7, abs=4 * 0.7 / 4000**0.5)


def test_driven_torque_is_negative_inside():
    """k i + loss = 0.05 x 2 + 0.01 N m has to be put in."""
    load = only_run(still(replace(DRIVEN, driven_torque=True)), "load")
    assert load.get("torque") == pytest.approx([-0.11], abs=1e-8)


def test_true_winding_is_within_what_is_stated():
    winding = Stated(22.0, 5.0, "22 degC +- 5 K")
    plan = BenchPlan(zeros=("voltage",))
    conditions = replace(STILL, winding=winding)
    true = [
        simulate_with_truth(SMALL, plan=plan, conditions=conditions, seed=seed)[1].winding
        for seed in range(40)
    ]
    assert 17.0 <= min(true) < 19.0
    assert 25.0 < max(true) <= 27.0


def test_calibration_replaces_the_gain():
    calibration = Calibration(gain=0.02, half_width=0.001, text="+2 % +- 0.1 %")
    meter = virtual_meter("voltage", "V", percent=0.5, resolution=1e-9, calibration=calibration)
    shown = only_run(still(DRIVEN, perfect(voltage=meter)), "open-circuit").get("voltage")
    assert 10 * 1.019 <= shown[0] <= 10 * 1.021


def test_the_same_seed_gives_the_same_bench():
    first, again, other = (simulate(SMALL, seed=seed) for seed in (3, 3, 4))
    for run, same in zip(first.runs, again.runs, strict=True):
        for quantity, values in run.readings.items():
            np.testing.assert_array_equal(values, same.readings[quantity])
    assert any(
        not np.array_equal(run.get("voltage"), different.get("voltage"))
        for run, different in zip(first.runs, other.runs, strict=True)
    )


def test_bench_is_as_one_that_was_read():
    bench = simulate(SMALL, seed=1, name="small")
    assert bench.settings.machine.name == "small"
    for run in bench.runs:
        assert set(run.readings) <= KINDS[run.kind].columns
        assert set(run.readings) == set(run.written_step)
        assert run.rows.tolist() == list(range(2, len(run) + 2))
        assert {name for name in run.readings if name != "position"} <= {
            quantity for quantity, _ in bench.instruments
        }


def test_usual_plan_fits_the_machine():
    """The highest open-circuit voltage is the one asked for: 0.05 x top speed."""
    plan = usual_plan(SMALL, top_voltage=20.0)
    assert max(plan.open_circuit_speeds) == pytest.approx(20.0 / 0.05, rel=1e-12)
    assert plan.load_resistors == (1.5, 3.0, 6.0)


def test_motor_that_does_not_start():
    stiff = replace(SMALL, coulomb_torque=10.0)
    with pytest.raises(ValueError, match="does not start at every planned voltage: 12 V"):
        simulate(stiff, plan=BenchPlan(supply_voltages=(12.0,)), conditions=STILL, seed=1)


def test_missing_meter_is_named():
    kit = VirtualKit(meters={"voltage": handheld_meters()["voltage"]})
    with pytest.raises(ValueError, match="the kit has no meter for speed"):
        simulate(SMALL, plan=BenchPlan(open_circuit_speeds=(100.0,)), kit=kit, seed=1)


def test_meter_without_a_display():
    with pytest.raises(ValueError, match="voltage meter needs counts or resolution"):
        virtual_meter("voltage", "V")


def test_kit_of_stated_instruments():
    """What is stated is taken; an assumed instrument, or an open display, is a plain one's."""
    plain = handheld_meters()
    stated = replace(plain["voltage"].stated, id="mine", counts=None)
    assumed = replace(plain["current"].stated, id="assumed", assumed=True)
    kit = virtual_kit({("voltage", ""): stated, ("current", ""): assumed}, leads=0.1)
    assert kit.meters["voltage"].stated == replace(stated, counts=4000)
    assert kit.meters["current"] == plain["current"]
    assert kit.leads == 0.1
