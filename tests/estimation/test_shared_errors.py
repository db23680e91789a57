"""Which readings an unknown error is shared by."""

from dataclasses import replace

import numpy as np
import pytest

from motorfit.bench.default_instruments import default_instrument, with_defaults
from motorfit.bench.records import Run
from motorfit.estimation.assemble import assemble
from motorfit.estimation.effects import SETTING
from motorfit.estimation.rows import SPEED, TORQUE
from motorfit.machine.brushed import BrushedMachine
from motorfit.meter import Accuracy
from motorfit.simulation.bench import simulate
from motorfit.simulation.instruments import VirtualKit, handheld_meters, virtual_meter
from motorfit.simulation.plan import BenchPlan

MACHINE = BrushedMachine(
    emf_constant=0.08, armature_resistance=0.8, brush_drop=0.8, coulomb_torque=0.03
)
AMMETER = virtual_meter("current", "meter B", digits=5, counts=2000)


def bench(**plan):
    kit = VirtualKit(meters=handheld_meters() | {"current": AMMETER})
    return simulate(MACHINE, plan=BenchPlan(**plan), kit=kit, seed=1)


def with_zero(tested, reading, written_step):
    (zero,) = tested.of_kind("zero")
    read = replace(
        zero, readings={"current": np.array([reading])}, written_step={"current": written_step}
    )
    others = [run for run in tested.runs if run.kind != "zero"]
    return replace(tested, runs=(*others, read))


def offsets(tested):
    return {
        error.range: error
        for error in assemble(tested).nuisances
        if (error.quantity, error.error) == ("current", "offset")
    }


@pytest.mark.parametrize(("written_step", "pinned"), [(0.01, "20 A"), (0.001, "2 A")])
def test_a_zero_reading_tells_of_the_range_it_was_written_in(written_step, pinned):
    """0.03 A would fit into a range of 0.2 A; its last digit tells which one it was.

    Prior 5 digits / sqrt(3), reading rounded to a digit / sqrt(12) and flickering by one,
    weighted together: the reading counts (25 / 3) / (1 / 12 + 1) = 100 / 13 times as much,
    so 0.03 * 100 / 113.
    """
    tested = bench(
        load_speeds=(150.0, 300.0),
        load_resistors=(3.0,),  # 3 A and 6 A
        supply_voltages=(12.0,),  # 0.4 A
        zeros=("current",),
    )
    found = offsets(with_zero(tested, 0.03, written_step))

    (other,) = set(found) - {pinned}
    assert set(found) == {"2 A", "20 A"}
    assert found[pinned].mean == pytest.approx(0.03 * 100 / 113, rel=1e-9)
    assert found[other].mean == 0.0
    assert found[other].deviation == pytest.approx(5 * {"2 A": 0.001, "20 A": 0.01}[other] / 3**0.5)


def test_the_same_name_in_two_sheets_is_two_settings():
    tested = bench(
        open_circuit_speeds=(100.0, 200.0),
        load_speeds=(150.0, 300.0),
        load_resistors=(3.0, 6.0),
        label_settings=True,
    )
    assert {label for run in tested.runs for label in run.setting} == {"1", "2"}

    found = assemble(tested)
    places = [n for n, error in enumerate(found.nuisances) if error.quantity == SETTING]
    touched = [np.flatnonzero(found.influence.gain[:, :, n].any(axis=1)) for n in places]

    # two open-circuit rows, then two resistors at each of two speeds
    assert [rows.tolist() for rows in touched] == [[0], [1], [2, 3], [4, 5]]


@pytest.mark.parametrize(
    ("readings", "digits"),
    [
        # of one reading, rounding 1/12 and the usual flicker 1, in digits squared
        ([0.0], 1 / 12 + 1),
        # agreeing by chance: (2 * 1 + 0) / (2 - 1 + 2) = 2/3, halved
        ([0.0, 0.0], 1 / 12 + 1 / 3),
        # four that flicker by 3 digits: (2 * 1 + 4 * 9) / (4 - 1 + 2) = 38/5, over 4
        ([-0.03, 0.03, -0.03, 0.03], 1 / 12 + 38 / 20),
    ],
)
def test_a_zero_reading_is_no_better_than_the_meter_flickers(readings, digits):
    """Weighted together with the prior of 5 digits / sqrt(3), variances in digits squared."""
    tested = bench(supply_voltages=(12.0,), load_speeds=(300.0,), load_resistors=(3.0,))
    (load,) = tested.of_kind("load")  # 6 A, in the range of 20 A, a digit of 0.01 A
    zero = Run(
        kind="zero",
        source=load.source,
        rows=np.arange(len(readings)),
        readings={"current": np.array(readings)},
        written_step={"current": 0.01},
        setting=("",) * len(readings),
        direction=("",) * len(readings),
        note=("",) * len(readings),
    )
    found = offsets(replace(tested, runs=(*tested.runs, zero)))["20 A"]
    assert found.deviation == pytest.approx(0.01 * (3 / 25 + 1 / digits) ** -0.5, rel=1e-9)


def test_a_zero_reading_is_of_its_own_meter_even_where_no_meter_has_an_id():
    """Nobody wrote an id, yet the load sheet's meter B was never read at zero."""
    tested = bench(load_speeds=(150.0, 300.0), load_resistors=(6.0,), supply_voltages=(12.0,))
    (load,) = tested.of_kind("load")
    nameless = replace(AMMETER.stated, id="")
    tested = replace(
        tested,
        instruments=dict(tested.instruments)
        | {("current", ""): nameless, ("current", "B"): nameless},
        runs=tuple(
            replace(run, meters={"current": "B"}) if run is load else run for run in tested.runs
        ),
    )
    (motor,) = tested.of_kind("no-load-motor")
    zero = replace(
        motor.only(np.arange(len(motor)) == 0),
        kind="zero",
        readings={"current": np.array([0.003])},
        written_step={"current": 0.001},
    )
    found = [
        error.mean
        for error in assemble(replace(tested, runs=(*tested.runs, zero))).nuisances
        if (error.quantity, error.error, error.range) == ("current", "offset", "2 A")
    ]
    assert sorted(found) == [0.0, pytest.approx(0.003 * 100 / 113, rel=1e-9)]


def test_a_speed_meter_in_front_of_a_gear_shows_its_own_digits():
    """A step of 0.1 rpm at a sensor that turns 50 times slower is 5 rpm at the shaft."""
    tested = bench(open_circuit_speeds=(150.0, 300.0))
    (run,) = tested.runs
    step = tested.instruments["speed", ""].resolution
    speed = tested.settings.speed.model_copy(update={"ratio": 50.0})
    geared = replace(tested, settings=tested.settings.model_copy(update={"speed": speed}))

    found = assemble(geared)

    assert found.rows.shown[:, SPEED] == pytest.approx(run.readings["speed"], rel=1e-12)
    # rounding of a fiftieth of the speed, magnified; a millionth of the reading is added
    assert found.rows.rounding[:, SPEED] == pytest.approx((50 * step) ** 2 / 12, rel=1e-3)
    (offset,) = np.flatnonzero(
        [(e.quantity, e.error) == ("speed", "offset") for e in found.nuisances]
    )
    assert found.influence.offset[:, SPEED, offset] == pytest.approx([50.0, 50.0])
    assert found.nuisances[offset].half_width == pytest.approx(step)  # "1 digit" of the meter


@pytest.mark.parametrize(
    ("accuracy", "error", "relative"),
    [
        (Accuracy(relative=0.01), "gain", 0.01),
        (Accuracy(absolute=0.004), "offset", 0.02),  # 4 mm of 0.2 m
        (Accuracy(digits=2), "offset", 0.01),  # 2 digits of 1 mm of 0.2 m
    ],
)
def test_the_arm_is_as_long_as_its_ruler_says(accuracy, error, relative):
    """Whatever way the ruler's accuracy is stated, it is a relative error of the torque."""
    tested = bench(brake_torques=(0.1, 0.3), brake_voltage=24.0)
    (brake,) = tested.runs
    arm = np.full(2, 0.2)
    kept = {name: values for name, values in brake.readings.items() if name != "torque"}
    brake = replace(
        brake,
        readings=kept | {"force": brake.readings["torque"] / arm, "arm": arm},
        written_step=dict(brake.written_step) | {"force": 0.01, "arm": 0.001},
    )
    ruler = replace(default_instrument("arm"), accuracy=accuracy)
    instruments = with_defaults(tested.instruments) | {("arm", ""): ruler}

    found = assemble(replace(tested, runs=(brake,), instruments=instruments))

    (place,) = np.flatnonzero([each.quantity == "arm" for each in found.nuisances])
    assert found.nuisances[place].error == error
    assert found.influence.gain[:, TORQUE, place] * found.nuisances[
        place
    ].half_width == pytest.approx([relative, relative])
