"""Each kind of fault, planted with a known size, is found in its place with that size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faulty_benches import PLAN, changed, explained, only, usual
from virtual_benches import TRUE

from motorfit.bench.records import Bench
from motorfit.estimation.effect_words import size_of
from motorfit.estimation.search import Verdict
from motorfit.simulation.bench import simulate
from motorfit.simulation.plan import Conditions

#: A size is within so many of its own standard uncertainties: chance 1 in 15,000.
NEAR = 4.0


def only_verdict(bench: Bench) -> Verdict:
    (verdict,) = explained(bench).verdicts
    return verdict


def numbers(bench: Bench, verdict: Verdict) -> list[int]:
    """Rows of a verdict as a spreadsheet shows them."""
    found = explained(bench).joint.problem.assembled.rows.row
    return [int(found[row]) for row in verdict.suspicion.rows]


def test_a_reading_that_does_not_belong():
    """0.8 V too much in one load row, some 7 standard deviations of these meters."""
    too_high = np.zeros(12)
    too_high[4] = 0.8
    bench = changed(usual(), "load.csv", voltage=lambda v, _: v + too_high)

    verdict = only_verdict(bench)

    assert verdict.suspicion.family == "reading"
    assert numbers(bench, verdict) == [6]
    assert abs(verdict.size - 0.8) < NEAR * verdict.deviation


def test_a_whole_setting_with_the_speed_of_another():
    """Rows 5 to 7 are the second setting, written with the speed of the third."""

    def of_another(speed, _run):
        speed = speed.copy()
        speed[3:6] = speed[6:9]
        return speed

    clean = usual()
    bench = changed(clean, "load.csv", speed=of_another)
    (load,) = clean.of_kind("load")

    verdict = only_verdict(bench)

    assert (verdict.suspicion.family, numbers(bench, verdict)) == ("group", [5, 6, 7])
    planted = 1.0 - float(np.mean(load.get("speed")[3:6] / load.get("speed")[6:9]))
    size, deviation = size_of(explained(bench), verdict)
    assert abs(size - planted) < NEAR * deviation


@pytest.mark.parametrize("first", [6, 8, 10])
def test_a_lead_that_came_loose(first):
    """0.3 ohm more from one row on: the voltmeter lacks 0.3 ohm times the current."""
    lost = np.where(np.arange(12) >= first - 2, 0.3, 0.0)
    bench = changed(usual(), "load.csv", voltage=lambda v, run: v + lost * run.get("current"))

    verdict = only_verdict(bench)

    assert (verdict.suspicion.family, verdict.suspicion.shape) == ("step", "series")
    assert numbers(bench, verdict)[0] == pytest.approx(first, abs=1)  # a small current hides it
    assert abs(verdict.size - 0.3) < NEAR * verdict.deviation


def test_a_shunt_that_changed_looks_like_a_resistance_in_series():
    """Driven and without known resistors, 30 % less current is as well R/0.7."""
    less = np.where(np.arange(12) >= 5, 0.7, 1.0)
    bench = changed(
        usual(), "load.csv", current=lambda i, _: i * less, load=lambda ohms, _: ohms * np.nan
    )

    verdict = only_verdict(bench)

    assert (verdict.suspicion.family, numbers(bench, verdict)[0]) == ("step", 7)
    assert verdict.suspicion.shape == "series"


def test_known_resistors_tell_a_shunt_that_changed():
    """Volts over amps of the same resistors jump with it, and not with a loose lead."""
    less = np.where(np.arange(12) >= 5, 0.9, 1.0)
    bench = changed(usual(), "load.csv", current=lambda i, _: i * less)

    verdict = only_verdict(bench)

    assert (verdict.suspicion.family, numbers(bench, verdict)[0]) == ("step", 7)
    assert verdict.suspicion.shape == "current"
    assert abs(verdict.size + 0.1 / 0.9) < NEAR * verdict.deviation  # a share of what is shown


def test_a_sheet_whose_speeds_are_of_two_marks():
    bench = changed(usual(), "open-circuit.csv", speed=lambda w, _: 2.0 * w)

    verdict = only_verdict(bench)

    assert (verdict.suspicion.family, verdict.suspicion.shape) == ("sheet", "speed")
    assert verdict.suspicion.file == "open-circuit.csv"
    size, deviation = size_of(explained(bench), verdict)
    assert abs(size - 0.5) < NEAR * deviation  # half of what is shown is too much


def test_an_ammeter_that_was_not_set_to_zero():
    """0.5 A too much in the load test: its brush drop would be another than the no-load test's."""
    bench = changed(usual(), "load.csv", current=lambda i, _: i - 0.5)

    found = explained(bench)

    (verdict,), (alike,) = found.verdicts, found.alike
    sizes = {
        each.suspicion.file: each.size
        for each in (verdict, *alike)
        if each.suspicion.shape == "current-zero"
    }
    assert sizes["load.csv"] == pytest.approx(0.5, abs=0.15)  # u is 0.05 A


@pytest.mark.parametrize("kelvin_per_square_ampere", [1.5, 3.0])
def test_a_winding_that_warms_up(kelvin_per_square_ampere):
    """Largest current about 5.9 A, so 52 and 104 K, of driven readings only."""
    bench = simulate(
        TRUE,
        plan=replace(PLAN, resistance_currents=(), supply_voltages=()),
        conditions=Conditions(heating=kelvin_per_square_ampere),
        seed=5,
    )
    (load,) = bench.of_kind("load")
    warmest = kelvin_per_square_ampere * float(np.max(load.get("current") ** 2))

    found = explained(bench)

    candidates = [*found.verdicts, *found.alike[0]]
    (heat,) = [each for each in candidates if each.suspicion.shape == "heating"]
    size, deviation = size_of(found, heat)
    assert abs(size - warmest) < NEAR * deviation


def test_an_emf_that_falls_with_the_current():
    """2 % of the EMF a ampere over twelve rows of speed and load."""
    bench = usual(seed=2, armature_reaction=0.02)

    found = explained(bench)

    candidates = [*found.verdicts, *found.alike[0]]
    (curve,) = [each for each in candidates if each.suspicion.shape == "reaction"]
    size, deviation = size_of(found, curve)
    assert abs(size - 0.02) < NEAR * deviation


def test_a_loss_that_bends_with_speed():
    """Windage of 2e-6 N m s2 makes five times the loss of 0.04 N m at 300 rad/s."""
    bench = simulate(
        replace(TRUE, windage_coefficient=2e-6),
        plan=replace(PLAN, supply_voltages=tuple(np.linspace(6.0, 26.0, 8))),
        seed=2,
    )

    verdict = only_verdict(bench)

    assert verdict.suspicion.shape == "windage"
    assert abs(verdict.size - 2e-6) < NEAR * verdict.deviation


def test_a_scale_that_weighs_too_much():
    """12 % too much torque in every row of a brake test."""
    bench = simulate(
        TRUE,
        plan=replace(PLAN, brake_torques=(0.05, 0.1, 0.2, 0.3, 0.4), brake_voltage=24.0),
        seed=3,
    )
    bench = changed(bench, "brake.csv", torque=lambda torque, _: 1.12 * torque)

    verdict = only_verdict(bench)

    assert verdict.suspicion.family == "torque"
    size, deviation = size_of(explained(bench), verdict)
    assert abs(size - 0.12) < NEAR * deviation


def test_two_faults_at_once_are_both_found():
    """Neither a slip of 1.5 V nor 0.4 ohm from row 9 on hides the other."""
    slip = np.zeros(12)
    slip[2] = 1.5
    lost = np.where(np.arange(12) >= 7, 0.4, 0.0)
    bench = changed(
        usual(), "load.csv", voltage=lambda v, run: v + slip + lost * run.get("current")
    )

    found = {(each.suspicion.family, numbers(bench, each)[0]) for each in explained(bench).verdicts}

    assert found == {("reading", 4), ("step", 9)}


def test_a_loose_lead_does_not_come_with_outliers():
    """15 % of the voltage from row 6 on: eight rows, one explanation."""
    less = np.where(np.arange(12) >= 4, 0.85, 1.0)
    bench = changed(
        usual(), "load.csv", voltage=lambda v, _: v * less, current=lambda i, _: i * less
    )

    verdict = only_verdict(bench)

    assert (verdict.suspicion.family, numbers(bench, verdict)[0]) == ("step", 6)


@pytest.mark.parametrize("rows", [1, 2, 3, 5])
@pytest.mark.parametrize("kind", ["open-circuit", "load", "no-load-motor", "resistance"])
def test_few_readings_of_one_test_tell_nothing_wrong(kind, rows):
    bench = only(usual(), kind)
    (run,) = bench.runs
    few = replace(bench, runs=(run.only(np.arange(len(run)) < rows),))

    assert explained(few).verdicts == ()
