"""Machines that are let go: what is logged of them, and what is behind it."""

from dataclasses import replace

import numpy as np
import pytest

from motorfit.machine.brushed import BrushedMachine, loss_torque
from motorfit.quantities import Stated
from motorfit.simulation.bench import simulate, simulate_with_truth
from motorfit.simulation.instruments import VirtualKit, handheld_meters, virtual_meter
from motorfit.simulation.log_plans import CoastDownPlan, LogNoise, usual_coast_downs
from motorfit.simulation.plan import BenchPlan, Conditions, usual_plan

#: With dry friction alone: 0.02 N m on 1e-3 kg m2 is 20 rad/s2, 400 rad/s in 20 s.
DRY = BrushedMachine(emf_constant=0.05, armature_resistance=0.5, coulomb_torque=0.02)
INERTIA = 1e-3

#: Nothing wanders, and the winding is at the reference temperature.
STILL = Conditions(winding=Stated(25.0), friction_row=0.0, friction_run=0.0)

OPEN = CoastDownPlan(start_speed=400.0, step=0.5)


def perfect(**changes):
    """A kit without errors, which shows nine digits."""
    meters = {
        name: virtual_meter(name, name, resolution=1e-9)
        for name in ("voltage", "current", "speed", "time")
    }
    meters["load"] = virtual_meter("load", "resistors")
    return VirtualKit(meters=meters | changes)


def logged(*plans, machine=DRY, kit=None, seed=1, **conditions):
    """The coast-downs of a bench on which nothing else is done."""
    return simulate(
        machine,
        plan=BenchPlan(coast_downs=plans),
        kit=kit or perfect(),
        conditions=replace(STILL, **conditions),
        moment_of_inertia=INERTIA,
        seed=seed,
    ).runs


def test_dry_friction_worked_by_hand():
    """Speed falls by 20 rad/s a second to a stop after 20 s (CD-4, first row)."""
    (run,) = logged(replace(OPEN, records=("speed", "voltage")))
    time, speed = run.get("time"), run.get("speed")
    assert time == pytest.approx(np.arange(0.0, 21.25, 0.5), abs=1e-9)
    assert speed == pytest.approx(np.maximum(400.0 - 20.0 * time, 0.0), abs=1e-6)
    assert run.get("voltage") == pytest.approx(0.05 * speed, abs=1e-7)  # an open machine's EMF
    assert "load" not in run.readings
    assert "current" not in run.readings


def test_energy_on_a_resistor_is_that_of_the_shaft():
    """What friction and the circuit took is J w^2 / 2, by the trapezoids of a fine log.

    Trapezoids of 1 ms on a decay of 1.3 s are good to (1e-3 / 1.3)^2 / 12 = 5e-8 of a
    smooth curve, and to half a step at its end.
    """
    plan = replace(OPEN, load=4.5, records=("speed", "voltage"), load_columns="current", step=1e-3)
    (run,) = logged(plan)
    speed, given = run.get("speed"), -run.get("current")
    power = 0.05 * given * speed + loss_torque(DRY, speed) * speed
    assert np.trapezoid(power, run.get("time")) == pytest.approx(0.5 * INERTIA * 400.0**2, rel=1e-5)


def test_loaded_readings_follow_from_the_speed():
    """Through 0.5 + 4.5 + 0.2 ohm with an ammeter in it; read behind leads of 0.1 ohm."""
    ammeter = virtual_meter("current", "A", resolution=1e-9, burden=0.2)
    kit = replace(perfect(current=ammeter), leads=0.1)
    both = replace(OPEN, load=4.5, records=("speed", "voltage"), load_columns="current and load")
    (run,) = logged(both, kit=kit)
    current = 0.05 * run.get("speed") / 5.3
    assert -run.get("current") == pytest.approx(current, abs=1e-8)
    assert run.get("voltage") == pytest.approx(4.7 * current, abs=1e-8)
    assert run.get("load").tolist() == [4.5] * len(run)


def test_without_an_ammeter_there_is_no_burden():
    ammeter = virtual_meter("current", "A", resolution=1e-9, burden=0.2)
    plan = replace(OPEN, load=4.5, records=("speed", "voltage"))
    (run,) = logged(plan, kit=perfect(current=ammeter))
    assert "current" not in run.readings
    assert run.get("voltage") == pytest.approx(0.05 * run.get("speed") * 0.9, abs=1e-8)


def test_the_resistor_is_the_one_of_the_load_test():
    """Its error is drawn once, whatever it is used for."""
    plan = BenchPlan(
        load_speeds=(200.0,),
        load_resistors=(4.7,),
        coast_downs=(replace(OPEN, load=4.7, load_columns="current and load"),),
    )
    kit = perfect(load=virtual_meter("load", "R", percent=5.0))
    bench = simulate(DRY, plan=plan, kit=kit, conditions=STILL, moment_of_inertia=1e-3, seed=1)
    load, coasting = bench.runs
    true = [-run.get("voltage")[0] / run.get("current")[0] for run in (load, coasting)]
    assert true[1] == pytest.approx(true[0], rel=1e-7)
    assert true[0] != pytest.approx(4.7, rel=1e-4)
    assert bench.settings.shelf.resistors == ("4.7 ohm",)


def test_the_meter_is_the_one_of_the_other_tests():
    """A gain of a range is drawn once; a log is taken in the range of its start."""
    meter = virtual_meter("voltage", "V", percent=1.0, digits=2, counts=4000)
    plan = BenchPlan(open_circuit_speeds=(300.0,), coast_downs=(OPEN,))
    kit = perfect(voltage=meter)
    bench, truth = simulate_with_truth(
        DRY, plan=plan, kit=kit, conditions=STILL, moment_of_inertia=1e-3, seed=3
    )
    (error,) = [error for error in truth.errors if error.quantity == "voltage"]
    assert error.step == pytest.approx(0.01, rel=1e-12)
    (run,) = bench.of_kind("coast-down")
    expected = (1.0 + error.gain) * truth.true["coast-down.csv"]["voltage"] + error.offset
    assert run.get("voltage") == pytest.approx(expected, abs=0.005 + 1e-9)
    assert run.written_step["voltage"] == pytest.approx(0.01, rel=1e-12)


def test_a_meter_that_changes_its_range_shows_small_values_finer():
    """4000 counts: 20 V to 0.01 V, the last half volt to 0.001 V."""
    meter = virtual_meter("voltage", "V", counts=4000)
    plan = replace(OPEN, noise=LogNoise(autorange=True))
    (run,) = logged(plan, kit=perfect(voltage=meter))
    assert run.written_step["voltage"] == pytest.approx(0.001, rel=1e-9)


def test_log_begins_with_the_drive_engaged_and_goes_on_when_it_stands():
    plan = replace(OPEN, engaged=2.0, idle=3.0, records=("speed",))
    (run,) = logged(plan)
    time, speed = run.get("time"), run.get("speed")
    assert speed == pytest.approx(np.clip(400.0 - 20.0 * (time - 2.0), 0.0, 400.0), abs=1e-6)
    assert time[-1] == pytest.approx(2.0 + 20.0 + 3.0, abs=0.5)


def test_duration_ends_a_log_before_the_machine_stands():
    (run,) = logged(replace(OPEN, duration=5.0))
    assert run.get("time")[-1] == pytest.approx(5.0, abs=1e-9)


def test_added_inertia_slows_the_fall_and_is_said():
    """1e-3 more halves the deceleration; what is written is drawn around."""
    added = Stated(1e-3, 0.0, "0.001 kg m2")
    (run,) = logged(replace(OPEN, records=("speed",), added_inertia=added))
    assert run.get("speed")[:4] == pytest.approx([400.0, 395.0, 390.0, 385.0], abs=1e-6)
    assert run.added_inertia == added


def test_true_added_inertia_is_within_what_is_stated():
    added = Stated(1e-3, 2e-5)
    plan = BenchPlan(coast_downs=(replace(OPEN, added_inertia=added),))
    true = [
        simulate_with_truth(
            DRY, plan=plan, kit=perfect(), conditions=STILL, moment_of_inertia=1e-3, seed=seed
        )[1].added_inertia["coast-down.csv"]
        for seed in range(40)
    ]
    assert 0.98e-3 <= min(true) < 0.985e-3
    assert 1.015e-3 < max(true) <= 1.02e-3


def test_friction_is_one_draw_a_run():
    """The first second's fall is 20 rad/s2 times the run's own share, to the end."""
    runs = logged(*[replace(OPEN, records=("speed",))] * 3, friction_run=0.1)
    shares = []
    for run in runs:
        moving = run.get("speed") > 15.0
        fall = -np.diff(run.get("speed")[moving]) / 0.5 / 20.0
        assert np.ptp(fall) < 1e-6
        shares.append(fall[0])
    assert np.ptp(shares) > 0.01


def test_truth_tells_the_friction_of_each_run():
    _, truth = simulate_with_truth(
        DRY,
        plan=BenchPlan(coast_downs=(replace(OPEN, records=("speed",)),)),
        kit=perfect(),
        conditions=replace(STILL, friction_run=0.1),
        moment_of_inertia=1e-3,
        seed=1,
    )
    speed = truth.true["coast-down.csv"]["speed"]
    assert truth.friction["coast-down.csv"] == pytest.approx((speed[0] - speed[1]) / 10, rel=1e-6)
    assert truth.moment_of_inertia == 1e-3


def test_files_are_numbered_or_named():
    plans = (OPEN, OPEN, replace(OPEN, name="open"), replace(OPEN, name="open"))
    assert [run.source.name for run in logged(*plans)] == [
        "coast-down.csv",
        "coast-down-2.csv",
        "coast-down-open.csv",
        "coast-down-open-2.csv",
    ]


def test_usual_coast_downs_have_about_150_samples():
    machine = replace(DRY, viscous_coefficient=5e-5)
    plans = usual_coast_downs(machine, INERTIA, start_speed=400.0, load=4.5)
    assert [plan.load for plan in plans] == [None, None, 4.5, 4.5]
    for run in logged(*plans, machine=machine):
        assert 80 < len(run) < 260


def test_usual_coast_downs_of_a_machine_that_never_stands():
    """Viscous friction alone: to 2 % of its speed."""
    machine = replace(DRY, coulomb_torque=0.0, viscous_coefficient=1e-4)
    plan = usual_coast_downs(machine, INERTIA, start_speed=400.0, load=4.5, runs=1)[0]
    (run,) = logged(replace(plan, records=("speed",)), machine=machine)
    assert run.get("speed")[-1] == pytest.approx(8.0, rel=0.05)


def test_other_readings_stay_as_they_are():
    """The same seed gives the same open-circuit readings with logs and without."""
    plan = usual_plan(DRY)
    with_logs = replace(plan, coast_downs=(OPEN, replace(OPEN, load=4.7)))
    before = simulate(DRY, plan=plan, seed=5).runs
    after = simulate(DRY, plan=with_logs, moment_of_inertia=1e-3, seed=5).runs
    assert len(after) == len(before) + 2
    for run, same in zip(before, after, strict=False):
        for quantity, values in run.readings.items():
            np.testing.assert_array_equal(values, same.readings[quantity])


def test_inertia_is_needed():
    with pytest.raises(ValueError, match="moment_of_inertia must be positive for a coast-down"):
        simulate(DRY, plan=BenchPlan(coast_downs=(OPEN,)), seed=1)


def test_a_machine_that_never_stands_needs_a_duration():
    smooth = replace(DRY, coulomb_torque=0.0, viscous_coefficient=1e-4)
    with pytest.raises(ValueError, match="never stands: give the duration"):
        logged(OPEN, machine=smooth)


def test_kit_without_a_clock():
    meters = {name: meter for name, meter in handheld_meters().items() if name != "time"}
    with pytest.raises(ValueError, match="the kit has no meter for time"):
        logged(OPEN, kit=VirtualKit(meters=meters))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"start_speed": 0.0}, "start_speed must be positive, found 0.0"),
        ({"step": -1.0}, "step must be positive, found -1.0"),
        ({"records": ()}, "records must name voltage, speed or both"),
    ],
)
def test_plans_that_cannot_be(changes, says):
    with pytest.raises(ValueError, match=says):
        replace(OPEN, **changes)
