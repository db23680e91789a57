"""Slips: planted where the answer says, and nowhere else."""

import json
from collections import Counter

import numpy as np
import pytest

from motorfit.simulation.bench import simulate, simulate_with_truth
from motorfit.simulation.demo import DEMO_MACHINE, demo_bench
from motorfit.simulation.mistakes import MISTAKES, plant_mistake
from motorfit.simulation.plan import BenchPlan
from motorfit.simulation.practice import practice_texts
from motorfit.simulation.writing import bench_texts

#: The slips that change more than the column that the answer names.
WITH_OTHER_COLUMN = {"loose-lead", "volts-in-amps", "columns-swapped"}


#: The demo has no brake test.
IN_THE_DEMO = [mistake for mistake in MISTAKES if mistake != "wrong-arm"]


def cells(text, column):
    """The cells of one column by the row that a spreadsheet shows."""
    lines = text.splitlines()
    header = next(number for number, line in enumerate(lines) if not line.startswith("#"))
    names = [name.partition(" (")[0] for name in lines[header].split(",")]
    place = names.index(column)
    return {
        number + 1: line.split(",")[place]
        for number, line in enumerate(lines)
        if number > header and not line.startswith("#")
    }


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("mistake", IN_THE_DEMO)
def test_answer_is_what_was_done(mistake, seed):
    bench = demo_bench()
    spoiled, answer = plant_mistake(bench, mistake, seed=seed)
    right, wrong = bench_texts(bench), bench_texts(spoiled)
    assert {name for name in right if right[name] != wrong[name]} == {answer.file}
    before, after = (cells(texts[answer.file], answer.column) for texts in (right, wrong))
    changed = [row for row in before if before[row] != after[row]]
    assert tuple(changed) == answer.rows
    assert tuple(before[row] for row in changed) == answer.was
    assert tuple(after[row] for row in changed) == answer.now
    if mistake not in WITH_OTHER_COLUMN:
        header = next(line for line in right[answer.file].splitlines() if line[0] != "#")
        for other in {name.partition(" (")[0] for name in header.split(",")} - {answer.column}:
            assert cells(right[answer.file], other) == cells(wrong[answer.file], other)


@pytest.mark.parametrize("mistake", IN_THE_DEMO)
def test_the_same_seed_plants_the_same(mistake):
    first, again = (plant_mistake(demo_bench(), mistake, seed=5)[1] for _ in range(2))
    assert first == again


@pytest.mark.parametrize("seed", range(10))
def test_swapped_digits_are_the_same_digits(seed):
    answer = plant_mistake(demo_bench(), "swapped-digits", seed=seed)[1]
    (was,), (now,) = answer.was, answer.now
    assert Counter(was) == Counter(now)
    assert sum(a != b for a, b in zip(was, now, strict=True)) == 2


@pytest.mark.parametrize("seed", range(6))
def test_decimal_point_is_a_factor_of_ten(seed):
    (was,), (now,) = (
        getattr(plant_mistake(demo_bench(), "decimal-point", seed=seed)[1], name)
        for name in ("was", "now")
    )
    assert abs(np.log10(float(now) / float(was))) == pytest.approx(1.0, abs=1e-9)


def test_loose_lead_stays_loose():
    """From its first row to the end of the sheet, volts and amps are 15 % down."""
    bench = demo_bench()
    spoiled, answer = plant_mistake(bench, "loose-lead", seed=1)
    (before,), (after,) = bench.of_kind("load"), spoiled.of_kind("load")
    assert answer.rows == tuple(range(answer.rows[0], int(before.rows[-1]) + 1))
    loose = np.isin(before.rows, answer.rows)
    for quantity, step in (("voltage", 0.01), ("current", 0.01)):
        share = after.get(quantity) / before.get(quantity)
        assert (share[~loose] == 1.0).all()
        off = step / np.abs(before.get(quantity)[loose])  # rounded to the display again
        assert (np.abs(share[loose] - 0.85) <= off).all()


def test_shunt_that_changed_shows_more_from_one_row_on():
    """A tenth more to the end of the sheet, or half of that at half of the size."""
    bench = demo_bench()
    for size in (1.0, 0.5):
        spoiled, answer = plant_mistake(bench, "shunt-changed", seed=2, size=size)
        (before,) = (run for run in bench.runs if run.source.name == answer.file)
        (after,) = (run for run in spoiled.runs if run.source.name == answer.file)
        first = int(np.flatnonzero(before.rows == answer.rows[0])[0])
        share = after.get("current") / before.get("current")
        assert (share[:first] == 1.0).all()
        off = 0.005 / np.abs(before.get("current")[first:])  # rounded to the display again
        assert (np.abs(share[first:] - 1.0 - 0.1 * size) <= 1.001 * off).all()


def test_belt_slips_with_the_current():
    """5 % at the largest current, in proportion at the others."""
    bench = demo_bench()
    spoiled, _ = plant_mistake(bench, "slipping-belt", seed=1)
    (before,), (after,) = bench.of_kind("load"), spoiled.of_kind("load")
    current = np.abs(before.get("current"))
    share = after.get("speed") / before.get("speed") - 1.0
    # written to 0.1 rpm of at least 700
    assert share == pytest.approx(0.05 * current / current.max(), abs=0.1 / 700)


def test_a_setting_stands_beside_the_speed_of_another():
    """Three resistors at each of four speeds: three readings have another's speed."""
    bench = demo_bench()
    spoiled, answer = plant_mistake(bench, "wrong-setting", seed=1)
    (before,), (after,) = bench.of_kind("load"), spoiled.of_kind("load")
    assert len(answer.rows) == 3
    changed = np.isin(before.rows, answer.rows)
    there = set(before.get("speed")[~changed].tolist())
    assert set(after.get("speed")[changed].tolist()) <= there


def test_every_torque_of_a_wrong_arm_is_low():
    plan = BenchPlan(brake_torques=(0.1, 0.2, 0.3))
    bench = simulate(DEMO_MACHINE, plan=plan, seed=1)
    spoiled, answer = plant_mistake(bench, "wrong-arm", seed=1)
    share = spoiled.runs[0].get("torque") / bench.runs[0].get("torque")
    assert share == pytest.approx([0.85] * 3, abs=0.0005 / 0.1)  # written to 0.001 N m
    assert len(answer.rows) == 3


def test_wrong_arm_of_a_lever_is_written_too_short():
    """0.200 m written as 0.170 m, to the millimetre; the forces stay."""
    bench = simulate(DEMO_MACHINE, plan=BenchPlan(brake_torques=(0.1, 0.2), arm=0.2), seed=1)
    spoiled, answer = plant_mistake(bench, "wrong-arm", seed=1)
    share = spoiled.runs[0].get("arm") / bench.runs[0].get("arm")
    assert answer.column == "arm"
    assert share == pytest.approx([0.85] * 2, abs=0.0006 / 0.2)
    assert spoiled.runs[0].get("force").tolist() == bench.runs[0].get("force").tolist()


def test_unknown_mistake_names_all():
    with pytest.raises(ValueError, match=r"one of swapped-digits, .*, found 'typo'"):
        plant_mistake(demo_bench(), "typo", seed=1)


def test_mistake_that_has_no_place():
    bench = simulate(DEMO_MACHINE, plan=BenchPlan(open_circuit_speeds=(100.0,)), seed=1)
    with pytest.raises(ValueError, match="nothing in this bench lends itself to 'wrong-resistor'"):
        plant_mistake(bench, "wrong-resistor", seed=1)


def test_practice_folder_does_not_tell_its_answer():
    texts, key = practice_texts(DEMO_MACHINE, seed=987123, name="x", mistake="sign")
    told = json.loads(key)
    assert told["mistake"]["mistake"] == "sign"
    assert told["machine"]["emf_constant"] == {"value": 0.0872, "unit": "V s/rad"}
    for text in texts.values():
        assert text.startswith("# Invented readings of an invented machine")
        assert "987123" not in text
        assert "sign" not in text


def test_answer_key_has_the_errors_of_the_instruments():
    _, truth = simulate_with_truth(DEMO_MACHINE, seed=3)
    told = json.loads(practice_texts(DEMO_MACHINE, seed=3, name="x")[1])
    assert told["mistake"] is None
    assert [error["gain"] for error in told["errors"]] == [e.gain for e in truth.errors]
    assert told["winding"]["value"] == truth.winding
