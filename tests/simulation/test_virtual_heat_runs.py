"""Heat runs, breakaway, levers and the drive's power on a virtual bench."""

from dataclasses import replace

import numpy as np
import pytest

from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.heating import OneBody, TwoBodies
from motorfit.quantities import Stated
from motorfit.simulation.bench import simulate, simulate_with_truth
from motorfit.simulation.heat_plans import BreakawayPlan, DrivePlan, HeatRunPlan
from motorfit.simulation.instruments import VirtualKit, virtual_meter
from motorfit.simulation.plan import BenchPlan, Conditions

#: 0.5 ohm and no brush drop: at 4 A 8 W, cold.
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

BODY = OneBody(thermal_resistance=2.0, time_constant=1000.0)
HELD = HeatRunPlan(current=4.0, bodies=BODY, duration=3000.0, step=100.0)

#: Copper: 259.5 K from no resistance to 25 degC.
COLD = 234.5 + 25.0


def perfect(**changes):
    """A kit without errors, which shows nine digits."""
    names = [
        "voltage",
        "current",
        "speed",
        "torque",
        "force",
        "arm",
        "drive_power",
        "winding",
        "ambient",
        "time",
    ]
    meters = {name: virtual_meter(name, name, resolution=1e-9) for name in names}
    meters["load"] = virtual_meter("load", "resistors")
    return VirtualKit(meters=meters | changes)


def still(plan, machine=SMALL, **changes):
    bench = simulate(
        machine, plan=plan, kit=perfect(), conditions=replace(STILL, **changes), seed=1
    )
    return bench.runs


def heated(plan, machine=SMALL, **changes):
    (run,) = still(BenchPlan(heat_runs=(plan,)), machine, **changes)
    return run


def temperature(run, machine=SMALL):
    """Of a winding without brush drop, from volts and amps."""
    ratio = run.get("voltage") / run.get("current") / machine.armature_resistance
    return ratio * COLD - 234.5


def test_one_body_warms_as_its_equation_says():
    """P = 8 W (1 + rise/259.5): rise = 16 K / g (1 - exp(-g t / 1000 s)), g = 1 - 16/259.5."""
    run = heated(HELD)
    time = run.get("time")
    assert time.tolist() == list(range(0, 3100, 100))
    g = 1.0 - 16.0 / COLD
    expected = 16.0 / g * (1.0 - np.exp(-g * time / 1000.0))
    # shown to 1e-9 V of 2 V is 1e-7 K
    assert temperature(run) - 25.0 == pytest.approx(expected, abs=1e-6)
    assert run.get("ambient").tolist() == [25.0] * len(run)
    assert "winding" not in run.readings


def test_thermometer_in_the_winding_sees_the_same():
    run = heated(replace(HELD, records=("voltage", "winding")))
    assert run.get("winding") == pytest.approx(temperature(run), abs=1e-6)


def test_two_bodies_end_where_both_resistances_lead():
    two = TwoBodies(
        winding_to_frame=0.8,
        winding_time_constant=50.0,
        frame_to_air=1.2,
        frame_time_constant=800.0,
    )
    run = heated(replace(HELD, bodies=two, duration=40000.0, step=40.0))
    rise = temperature(run) - 25.0
    assert rise[-1] == pytest.approx(16.0 / (1.0 - 16.0 / COLD), abs=1e-6)
    # the first minute and a half is the winding's own: faster than one body by far
    assert rise[2] > 2 * (temperature(heated(replace(HELD, step=80.0)))[1] - 25.0)


def test_cooling_goes_on_from_where_the_heat_run_ended():
    """With next to no current the rise falls by 1/e in a time constant, to air."""
    plan = replace(HELD, cooling=2000.0, cooling_step=500.0, cooling_current=0.01)
    run = heated(plan)
    time, rise = run.get("time"), temperature(run) - 25.0
    cooling = time > 3000.0
    assert time[cooling].tolist() == [3500.0, 4000.0, 4500.0, 5000.0]
    assert run.get("current")[cooling] == pytest.approx(np.full(4, 0.01), abs=1e-9)
    end = rise[time == 3000.0].item()
    # 0.01 A makes 5e-5 W, 1e-4 K; shown to 1e-9 of 0.005 V is 1e-4 K
    left = end * np.exp(-(time[cooling] - 3000.0) / 1000.0)
    assert rise[cooling] == pytest.approx(left, abs=5e-4)


def test_air_that_warms_takes_the_winding_along_a_time_constant_behind():
    """Without heat: the winding follows a ramp r of the air at r (t - tau (1 - exp(-t/tau)))."""
    plan = replace(HELD, current=1e-3, ambient_drift=0.01, records=("winding",))
    run = heated(plan)
    time = run.get("time")
    assert run.get("ambient") == pytest.approx(25.0 + 0.01 * time, abs=1e-8)
    behind = 0.01 * (time - 1000.0 * (1.0 - np.exp(-time / 1000.0)))
    # the air stands still for 10 s at a time: 0.05 K either way, smoothed by the winding
    assert run.get("winding") - 25.0 == pytest.approx(behind, abs=2e-3)


def test_turning_rotor_is_warmed_by_its_loss_and_shows_its_speed():
    """0.01 N m at 200 rad/s are 2 W more; volts are EMF and drop."""
    run = heated(replace(HELD, speed=200.0, records=("voltage", "winding")))
    assert run.get("speed") == pytest.approx(np.full(len(run), 200.0), abs=1e-9)
    g = 1.0 - 16.0 / COLD
    rise = 2.0 * 10.0 / g * (1.0 - np.exp(-g * run.get("time") / 1000.0))
    assert run.get("winding") - 25.0 == pytest.approx(rise, abs=1e-6)
    resistance = 0.5 * (1.0 + rise / COLD)
    assert run.get("voltage") == pytest.approx(10.0 + 4.0 * resistance, abs=1e-7)


def test_brush_drop_is_in_the_volts_and_in_the_heat():
    run = heated(replace(HELD, records=("voltage", "winding")), replace(SMALL, brush_drop=1.0))
    assert run.get("voltage")[0] == pytest.approx(4.0 * 0.5 + 1.0, abs=1e-8)
    rise = run.get("winding")[1] - 25.0
    assert rise == pytest.approx(24.0 * (1 - np.exp(-0.1)), rel=0.01)  # 12 W in place of 8 W


def test_settings_and_truth_tell_how_the_rotor_was():
    plan = BenchPlan(heat_runs=(replace(HELD, speed=100.0), replace(HELD, speed=200.0)))
    bench, truth = simulate_with_truth(SMALL, plan=plan, kit=perfect(), conditions=STILL, seed=1)
    assert bench.settings.heat_run.rotor == "turning"
    assert [run.source.name for run in bench.runs] == ["heat-run.csv", "heat-run-2.csv"]
    assert truth.bodies == {"heat-run.csv": BODY, "heat-run-2.csv": BODY}


def test_held_and_turning_are_not_of_one_bench():
    with pytest.raises(ValueError, match="all with the rotor held, or all turning"):
        still(BenchPlan(heat_runs=(HELD, replace(HELD, speed=100.0))))


def test_a_heat_run_lasts():
    with pytest.raises(ValueError, match="duration must be positive, found 0"):
        replace(HELD, duration=0.0)


def test_breakaway_is_friction_and_cogging():
    """0.03 N m and up to 0.01 N m by position, which helps the other way round."""
    plan = BreakawayPlan(
        friction=0.03, cogging=0.01, steps=1, positions=100, scatter=0.0, directions=("a", "b")
    )
    (run,) = still(BenchPlan(breakaway=plan))
    one, other = run.get("torque")[:100], run.get("torque")[100:]
    assert run.direction == ("a",) * 100 + ("b",) * 100
    assert one.max() == pytest.approx(0.04, abs=1e-5)  # the top lies within 1.8 degrees
    assert one + other == pytest.approx(np.full(100, 0.06), abs=1e-8)
    assert run.get("position")[1] == pytest.approx(2 * np.pi / 100, rel=1e-12)


def test_breakaway_scatters_and_never_pulls():
    plan = BreakawayPlan(friction=0.01, cogging=0.05, positions=40, repeats=10, scatter=0.2)
    (run,) = still(BenchPlan(breakaway=plan))
    torque = run.get("torque").reshape(40, 10)
    assert torque.min() == 0.0
    spread = torque.std(axis=1)[torque.min(axis=1) > 0].mean()
    assert spread == pytest.approx(0.002, rel=0.1)  # 20 % of 0.01 N m, some 200 readings


def test_lever_in_place_of_a_torque_sensor():
    """0.11 N m drive a machine that gives 2 A; on 0.2 m they are 0.55 N."""
    plan = BenchPlan(
        load_speeds=(200.0,),
        load_resistors=(4.5,),
        brake_torques=(0.09,),
        brake_voltage=12.0,
        driven_torque=True,
        arm=0.2,
        breakaway=BreakawayPlan(friction=0.03, positions=1, scatter=0.0),
    )
    load, brake, breakaway = still(plan)
    assert load.get("force") == pytest.approx([-0.55], abs=1e-8)  # a driven machine's is negative
    assert brake.get("force") == pytest.approx([0.45], abs=1e-8)
    assert breakaway.get("force") == pytest.approx([0.15], abs=1e-8)
    for run in (load, brake, breakaway):
        assert run.get("arm") == pytest.approx([0.2], abs=1e-12)
        assert "torque" not in run.readings


def test_drive_takes_its_own_power_and_the_machines():
    """20 W + 0.1 x 200 + 1e-4 x 200^2 = 44 W alone; 0.11 N m x 200 rad/s = 22 W at 80 %."""
    plan = BenchPlan(
        load_speeds=(200.0,),
        load_resistors=(4.5,),
        drive=DrivePlan(alone_speeds=(200.0,), efficiency=0.8),
    )
    load, alone = still(plan)
    assert alone.uncoupled
    assert alone.source.name == "open-circuit-drive-alone.csv"
    assert alone.get("drive_power") == pytest.approx([44.0], abs=1e-7)
    assert set(alone.readings) == {"speed", "drive_power"}
    assert load.get("drive_power") == pytest.approx([44.0 + 22.0 / 0.8], abs=1e-7)
    assert "torque" not in load.readings
