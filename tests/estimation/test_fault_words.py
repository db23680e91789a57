"""Findings in words: place, evidence, what it does to the result, what to do."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from faulty_benches import PLAN, changed, usual
from virtual_benches import PLANS, TRUE

import motorfit as mf
from motorfit.bench.plausibility import check_plausibility
from motorfit.estimation.fault_words import told_once
from motorfit.finding import Finding
from motorfit.report.screen import LINES, first_screen
from motorfit.simulation.plan import Conditions


def looked_at(bench: mf.Bench) -> mf.Bench:
    """With what is found before the fit, as a bench that was read has."""
    return replace(
        bench, findings=check_plausibility(bench.runs, bench.settings, bench.instruments)
    )


def grave(bench: mf.Bench) -> list[Finding]:
    found = mf.fit(looked_at(bench)).findings
    return [each for each in found if each.severity in ("error", "caution")]


def loose_from_row_6(bench: mf.Bench) -> mf.Bench:
    less = np.where(np.arange(12) >= 4, 0.85, 1.0)
    return changed(bench, "load.csv", voltage=lambda v, _: v * less, current=lambda i, _: i * less)


def test_a_loose_lead_says_from_which_row_on_and_what_the_machine_would_be():
    """True are 8.378 V/1000 rpm; the clean bench of this seed gives 8.42."""
    (finding,) = grave(loose_from_row_6(usual()))

    assert (finding.kind, finding.where, finding.severity) == ("step", "load.csv:6", "error")
    assert finding.says.startswith("load.csv: from row 6 on the voltage is 14")
    assert "allowing for that, the machine gives 8.4" in finding.says
    assert "times its uncertainty" in finding.says
    assert "take the rows from 6 on again" in finding.suggestion


def test_marks_counted_twice_in_one_sheet():
    (finding,) = grave(changed(usual(), "open-circuit.csv", speed=lambda w, _: 2 * w))

    assert (finding.kind, finding.where) == ("tests-disagree", "open-circuit.csv")
    assert "0.50 times theirs, near 1/2, as when marks are counted wrongly" in finding.says
    assert "Count turns by hand" in finding.suggestion


def test_an_ammeter_that_is_not_at_zero_is_told_with_what_its_resistors_say():
    (finding,) = grave(changed(usual(), "load.csv", current=lambda i, _: i - 0.5))

    assert (finding.kind, finding.where) == ("tests-disagree", "load.csv")
    assert "as if the ammeter showed 0.5" in finding.says
    assert "volts over amps are not its resistors'" in finding.says


def test_readings_that_changed_places_are_one_finding():
    def exchanged(values, _run):
        values = values.copy()
        values[[2, 5]] = values[[5, 2]]
        return values

    (finding,) = grave(changed(usual(), "load.csv", voltage=exchanged))

    assert finding.where == "load.csv:4,7"
    assert "rows 4 and 7 do not fit the others, and would with each other's voltage" in finding.says


def test_a_setting_with_the_speed_of_another_names_that_one():
    def of_another(speed, _run):
        speed = speed.copy()
        speed[3:6] = speed[6:9]
        return speed

    (finding,) = grave(changed(usual(), "load.csv", speed=of_another))

    assert (finding.kind, finding.where) == ("wrong-setting", "load.csv:5,6,7")
    assert "rows 5 to 7 share a speed that does not fit" in finding.says


def test_a_minus_sign_is_told_once():
    """Odd signs are noticed before the fit as well."""
    minus = np.where(np.arange(12) == 5, -1.0, 1.0)
    (finding,) = grave(changed(usual(), "load.csv", current=lambda i, _: i * minus))

    assert finding.kind == "outlier"
    assert "the current has a minus sign too many" in finding.suggestion


def test_columns_exchanged_are_told_once():
    """What they do to the fit need not be said again."""
    bench = usual()
    (load,) = bench.of_kind("load")
    bench = changed(
        bench,
        "load.csv",
        voltage=lambda *_: -load.get("current"),
        current=lambda *_: -load.get("voltage"),
    )

    assert [each.kind for each in grave(bench)] == ["voltage-current-mixed"]


def test_a_winding_that_warms_is_told_in_kelvin():
    bench = mf.simulate(
        TRUE,
        plan=replace(PLAN, resistance_currents=(), supply_voltages=()),
        conditions=Conditions(heating=2.0),
        seed=5,
    )

    (finding,) = grave(bench)

    assert (finding.kind, finding.where, finding.severity) == ("heating", "load.csv", "caution")
    assert finding.says.startswith("The winding seems to warm up during load.csv: by ")
    assert "K (+- " in finding.says


def test_too_much_torque_is_told_with_its_percents():
    bench = mf.simulate(TRUE, plan=replace(PLAN, brake_torques=(0.05, 0.1, 0.2, 0.3, 0.4)), seed=3)

    (finding,) = grave(changed(bench, "brake.csv", torque=lambda torque, _: 1.12 * torque))

    assert finding.kind == "constants-differ"
    assert finding.says.startswith("Newton metres per ampere are 1")
    assert "more than volts per rad/s" in finding.says


def test_a_drift_says_how_much_wider_the_intervals_are_for_it():
    plan = replace(PLANS["open circuit only"], open_circuit_speeds=tuple(np.full(40, 150.0)))
    wave = 1 + 0.01 * np.sin(np.linspace(0, 2 * np.pi, 40))
    bench = mf.simulate(TRUE, plan=plan, seed=2)

    (finding,) = grave(changed(bench, "open-circuit.csv", voltage=lambda v, _: v * wave))

    assert finding.kind == "residuals-hang-together"
    assert "times wider for it" in finding.says


def test_the_gravest_comes_first_on_the_first_screen():
    slip = np.zeros(12)
    slip[2] = 4.0
    bench = changed(loose_from_row_6(usual()), "load.csv", voltage=lambda v, _: v + slip)

    screen = first_screen(mf.fit(looked_at(bench)))

    assert len(screen.splitlines()) <= LINES
    assert "load.csv, row 4 does not fit the others" in screen
    assert "load.csv: from row 6 on the voltage" in screen


@pytest.mark.parametrize("kind", ["load-disagrees", "mixed-signs", "negative-resistance"])
def test_a_row_is_told_by_the_fit_rather_than_before(kind):
    before = Finding(kind=kind, where="load.csv:4", says="before")
    other = Finding(kind=kind, where="load.csv:9", says="another row")
    fault = Finding(kind="outlier", where="load.csv:4", says="fit")

    assert told_once([before, other], [fault]) == [other, fault]


def test_a_wrong_torque_by_a_whole_factor_is_told_once():
    before = Finding(kind="constant-off-torque", where="bench", says="near 2")
    fault = Finding(kind="constants-differ", where="bench", says="100 % more")

    assert told_once([before], [fault]) == [before]


def test_speeds_of_one_sheet_explain_a_constant_that_is_off_the_torque():
    before = Finding(kind="constant-off-torque", where="bench", says="near 1/2")
    fault = Finding(
        kind="tests-disagree",
        where="open-circuit.csv",
        says="near 1/2, as when marks are counted wrongly in one of them",
    )

    assert told_once([before], [fault]) == [fault]


def test_resistors_that_are_others_behind_a_step_are_told_by_the_step():
    step = Finding(kind="step", where="load.csv:7", says="from row 7 on")
    behind = Finding(kind="load-disagrees", where="load.csv:8", says="behind (row 8)")
    before = Finding(kind="load-disagrees", where="load.csv:4", says="before (row 4)")

    assert told_once([behind, before], [step]) == [before, step]


def test_a_shunt_that_shows_a_tenth_less_is_told_as_a_tenth():
    """Of what flows; of what is shown it would be a ninth."""
    tenth = np.where(np.arange(12) >= 6, 0.9, 1.0)
    bench = changed(usual(), "load.csv", current=lambda i, _: i * tenth)

    finding = next(each for each in grave(bench) if each.kind == "step")

    told = re.search(r"the ammeter shows ([0-9.]+) % less", finding.says)
    assert told
    assert float(told[1]) == pytest.approx(10.0, abs=0.8)


def test_rows_beside_the_speeds_of_others_are_told_as_one():
    group = Finding(kind="wrong-setting", where="load.csv:12,13,14", says="rows 12 to 14")
    row = Finding(kind="outlier", where="load.csv:14", says="row 14")
    other = Finding(kind="outlier", where="load.csv:5", says="row 5")
    above = Finding(
        kind="load-above-open-circuit", where="load.csv", says="1.65 times (rows 12, 13 and 14)"
    )

    assert told_once([above], [group, row, other]) == [group, other]


def test_a_doubt_of_tens_is_told_without_a_power_of_ten():
    """Speeds that scatter by 1 %, and a setting a fifth too slow: known to some ten rpm."""
    factor = 1 + 0.01 * np.random.default_rng(2).standard_normal(12)
    factor[6:9] *= 0.8

    found = grave(changed(usual(), "load.csv", speed=lambda speed, _: speed * factor))

    told = [each.says for each in found if each.kind == "wrong-setting"]
    assert told
    assert all(re.search(r"rpm would \(\+- [1-9]0?\)", says) for says in told)


def test_a_force_with_a_minus_sign_is_told_as_its_torque():
    """The force itself is twenty times as many newtons as its torque on 50 mm newton metres."""
    bench = mf.simulate(TRUE, plan=replace(PLAN, brake_torques=(0.05, 0.1, 0.2, 0.3, 0.4)), seed=3)
    (brake,) = bench.of_kind("brake")
    arm = np.full(len(brake), 0.05)
    force = brake.get("torque") / arm
    force[2] *= -1
    others = {name: each for name, each in brake.readings.items() if name != "torque"}
    pulled = replace(brake, readings={**others, "force": force, "arm": arm})
    torque_meter = bench.instruments["torque", ""]
    meters = {(name, ""): replace(torque_meter, quantity=name) for name in ("force", "arm")}
    bench = replace(
        bench,
        runs=tuple(pulled if run is brake else run for run in bench.runs),
        instruments={**bench.instruments, **meters},
    )

    finding = next(each for each in grave(bench) if each.where.startswith("brake.csv"))

    told = re.search(r"\(-([0-9.]+) N m, expected ([0-9.]+) N m\)", finding.says)
    assert told
    assert told[1] == told[2]
