"""What the fit notices: slips, bounds, directions, residuals that hang together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import PLANS, TRUE, virtual

import motorfit as mf
from motorfit.simulation.plan import BenchPlan, Conditions


def kinds(found: mf.Fit) -> set[str]:
    return {finding.kind for finding in found.findings}


def spoiled(seed: int = 3, *, row: int = 5, factor: float = 1.1) -> mf.Bench:
    """A clean bench with the voltage of one load row off by a factor."""
    bench = virtual("whole", seed)
    runs = []
    for run in bench.runs:
        if run.kind == "load":
            voltage = run.readings["voltage"].copy()
            voltage[row] *= factor
            run = replace(run, readings={**run.readings, "voltage": voltage})
        runs.append(run)
    return replace(bench, runs=tuple(runs))


def test_a_slip_of_ten_per_cent_is_found_in_its_place():
    """12 V where 11 V belongs is dozens of standard deviations of such meters."""
    bench = spoiled()
    (load,) = bench.of_kind("load")

    (outlier,) = [f for f in mf.fit(bench).findings if f.kind == "outlier"]

    assert outlier.where == f"{load.source.name}:{load.rows[5]}"
    assert outlier.severity == "error"
    assert "take the reading again" in outlier.suggestion


def test_a_slip_is_not_hidden_by_the_scatter_it_makes():
    """Judged with itself left out: the scatter without it is that of a clean bench."""
    (outlier,) = [f for f in mf.fit(spoiled()).findings if f.kind == "outlier"]

    told = outlier.says.split("off by ")[1].split(" times")[0]
    assert float(told) > 10


def test_two_slips_are_both_found():
    once = spoiled(row=5)
    (load,) = once.of_kind("load")
    voltage = load.readings["voltage"].copy()
    voltage[2] *= 0.85
    twice = replace(load, readings={**load.readings, "voltage": voltage})
    bench = replace(once, runs=tuple(twice if r is load else r for r in once.runs))

    places = {f.where for f in mf.fit(bench).findings if f.kind == "outlier"}

    assert places == {f"load.csv:{load.rows[2]}", f"load.csv:{load.rows[5]}"}


def test_clean_benches_hear_no_alarm():
    """Fewer than one in a hundred do (docs/findings.md): of 60, three or more by chance 2 %."""
    alarms = [
        finding
        for seed in range(60)
        for finding in mf.fit(virtual("whole", seed)).findings
        if finding.grave
    ]

    assert len(alarms) <= 2


def test_nothing_odd_is_said():
    assert "nothing-odd" in kinds(mf.fit(virtual("whole")))


def test_nothing_odd_is_not_said_beside_a_caution_of_the_fit_itself():
    """Armature reaction of 4.7 % of the EMF at 7.8 A stands out by 7 standard deviations."""
    bent = replace(TRUE, armature_reaction=0.006)

    found = kinds(mf.fit(mf.simulate(bent, seed=2)))

    assert "armature-reaction-fitted" in found
    assert "nothing-odd" not in found


def test_readings_that_settle_everything_and_no_more_show_no_slip():
    """Three readings and k, R and Vb: nothing is left over to judge by."""
    plan = BenchPlan(open_circuit_speeds=(150.0,), load_speeds=(150.0,), load_resistors=(2.2, 10.0))

    (finding,) = (
        each
        for each in mf.fit(mf.simulate(TRUE, plan=plan, seed=1)).findings
        if each.kind == "nothing-odd"
    )

    assert finding.says == "Nothing odd in 3 readings, but so few could not show a slip."


def test_a_difference_between_directions_is_found_with_its_size():
    """Simulated brushes off neutral: the EMF constant 3 % larger in direction a."""
    bench = mf.simulate(
        TRUE,
        plan=PLANS["both directions"],
        conditions=Conditions(direction_effect=0.03),
        seed=4,
    )

    found = mf.fit(bench)

    (finding,) = [f for f in found.findings if f.kind == "directions-differ"]
    assert "smaller than in direction a" in finding.says
    a, b = (found.profile.directions[name]["emf_constant"] for name in "ab")
    assert a.value / b.value == pytest.approx(1.03, abs=0.004)  # scatter over 24 rows


def test_equal_directions_are_good_news():
    found = mf.fit(virtual("both directions"))

    assert "directions-agree" in kinds(found)
    assert "directions-differ" not in kinds(found)


def test_a_best_fit_below_zero_is_a_finding_and_widens_the_intervals():
    """A negative brush drop of 0.4 V cannot be; it is 20 standard deviations away."""
    impossible = mf.fit(with_drop(-0.4))
    possible = mf.fit(with_drop(0.4))

    assert "beyond-bound" in kinds(impossible)
    assert "beyond-bound" not in kinds(possible)
    wide = impossible.parameters["armature_resistance"].standard_uncertainty
    assert wide > 2 * possible.parameters["armature_resistance"].standard_uncertainty


def with_drop(drop: float) -> mf.Bench:
    """Load rows of a virtual bench, their voltage shifted to another brush drop."""
    bench = virtual("one resistor")
    runs = []
    for run in bench.runs:
        if run.kind == "load":
            shifted = run.readings["voltage"] + TRUE.brush_drop - drop
            run = replace(run, readings={**run.readings, "voltage": shifted})
        runs.append(run)
    return replace(bench, runs=tuple(runs))


def test_residuals_that_hang_together_widen_the_scatter():
    """A slow drift of 1 % over 40 open-circuit rows: neighbours agree, chance does not."""
    plan = replace(PLANS["open circuit only"], open_circuit_speeds=tuple(np.full(40, 150.0)))
    bench = mf.simulate(TRUE, plan=plan, seed=2)
    (run,) = bench.runs
    drift = 1 + 0.01 * np.sin(np.linspace(0, 2 * np.pi, 40))
    drifting = replace(run, readings={**run.readings, "voltage": run.readings["voltage"] * drift})

    calm = mf.fit(bench)
    found = mf.fit(replace(bench, runs=(drifting,)))

    assert "residuals-hang-together" in kinds(found)
    assert "residuals-hang-together" not in kinds(calm)


def test_findings_are_ordered_by_severity():
    order = ["error", "caution", "note", "good"]
    found = [order.index(f.severity) for f in mf.fit(spoiled()).findings]

    assert found == sorted(found)


def test_a_slip_says_what_it_does_to_the_result():
    """Without the row the simulated machine gives 0.08 V s/rad again, 8.378 V/1000 rpm."""
    bench = spoiled(factor=1.4)

    (outlier,) = [f for f in mf.fit(bench).findings if f.kind == "outlier"]

    told = outlier.says.split("the machine gives ")[1].split(" V/1000 rpm")[0]
    assert float(told) == pytest.approx(8.378, rel=0.012)  # four standard uncertainties


@pytest.mark.parametrize("rows", [3, 4, 5])
def test_a_gross_slip_in_a_short_sheet_is_found(rows):
    """With itself among so few its residual cannot be large; judged by the others it is."""
    plan = replace(PLANS["open circuit only"], open_circuit_speeds=(60, 110, 160, 190, 210)[:rows])
    bench = mf.simulate(TRUE, plan=plan, seed=2)
    (run,) = bench.runs
    voltage = run.readings["voltage"].copy()
    voltage[1] *= 0.5
    slipped = replace(run, readings={**run.readings, "voltage": voltage})

    found = mf.fit(replace(bench, runs=(slipped,)))

    assert [f.where for f in found.findings if f.kind == "outlier"] == [
        f"{run.source.name}:{run.rows[1]}"
    ]


def test_a_loose_lead_is_heard_in_the_scatter():
    """Half of the load rows 10 % low, in no order: far more than such meters scatter."""
    bench = virtual("whole")
    (load,) = bench.of_kind("load")
    low = np.array([1.0, 0.9, 0.9, 1.0, 0.9, 1.0, 1.0, 0.9])
    shaken = replace(load, readings={**load.readings, "voltage": load.readings["voltage"] * low})

    found = mf.fit(replace(bench, runs=tuple(shaken if r is load else r for r in bench.runs)))

    assert "large-scatter" in kinds(found)
    assert "large-scatter" not in kinds(mf.fit(bench))


def test_an_answer_waits_for_the_findings():
    found = mf.fit(spoiled())

    assert {answer.answer for answer in found.answers} <= {"partly", "no"}


def test_a_brake_test_alone_gives_the_machine():
    """At one supply voltage a brush drop could take all of it: the start must not let it.

    Kilograms-force on a lever, one voltage, computed from the equations with the
    machine's own constants; within four standard uncertainties.
    """
    torque = (0.02, 0.05, 0.1, 0.15, 0.2, 0.3)
    plan = BenchPlan(brake_torques=torque, brake_voltage=12.0)
    for seed in range(4):
        parameters = mf.fit(mf.simulate(TRUE, plan=plan, seed=seed)).parameters
        for name in ("emf_constant", "armature_resistance"):
            found = parameters[name]
            assert abs(found.value - getattr(TRUE, name)) < 4 * found.standard_uncertainty
