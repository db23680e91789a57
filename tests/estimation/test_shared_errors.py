"""Which readings an unknown error is shared by."""

from dataclasses import replace

import numpy as np
import pytest

from motorfit.estimation.assemble import assemble
from motorfit.estimation.effects import SETTING
from motorfit.machine.brushed import BrushedMachine
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

    Prior 5 digits / sqrt(3), reading rounded to a digit / sqrt(12), weighted together: the
    reading counts 100 times as much, (5 / sqrt(3))^2 / (1 / 12), so 0.03 * 100 / 101.
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
    assert found[pinned].mean == pytest.approx(0.03 * 100 / 101, rel=1e-9)
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
