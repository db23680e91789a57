"""What further readings would bring."""

from __future__ import annotations

from dataclasses import replace

import pytest
from virtual_benches import PLANS, TRUE, virtual

import motorfit as mf
from motorfit.simulation.instruments import VirtualKit, virtual_meter
from motorfit.simulation.log_plans import CoastDownPlan


def test_a_bench_without_a_mechanical_test_is_sent_to_coast_downs_or_a_no_load_run():
    """Coast-downs come first: they tell the inertia besides."""
    best, second = mf.fit(virtual("one resistor")).advice[:2]

    assert "two open and two on about" in best.does
    assert best.test == "coast-down"
    assert best.brings == "measures turning loss and moment of inertia"
    assert "two no-load runs from a supply" in second.does
    assert second.brings == "measures turning loss"


def test_a_single_pair_of_coast_downs_asks_for_a_second_of_each_kind():
    """With a resistor known to 0.5 % it is the friction of the two runs that decides."""
    plan = replace(
        PLANS["one resistor"],
        supply_voltages=(),
        coast_downs=(
            CoastDownPlan(name="open", start_speed=200.0, step=0.05),
            CoastDownPlan(name="loaded", start_speed=200.0, load=4.7, step=0.02),
        ),
    )
    kit = VirtualKit()
    meters = dict(kit.meters) | {"load": virtual_meter("load", "resistors", percent=0.5)}
    kit = replace(kit, meters=meters)
    bench = mf.simulate(TRUE, plan=plan, kit=kit, moment_of_inertia=6e-4, seed=4)

    does = [advice.does for advice in mf.fit(bench).advice]

    assert "a second coast-down of each kind" in does


def test_a_single_no_load_row_asks_for_a_second_voltage():
    best = mf.fit(virtual("lathe")).advice[0]

    assert "one more no-load run" in best.does
    assert best.brings == "measures turning loss at every speed"


def test_one_current_is_not_told_to_repeat_it():
    """More of the same point cannot tell R from Vb."""
    for advice in mf.fit(virtual("one point")).advice:
        assert "winding resistance" not in advice.brings or "ohm" in advice.does


def test_advice_for_open_circuit_readings_names_a_load():
    does = " / ".join(advice.does for advice in mf.fit(virtual("open circuit only")).advice)

    assert "load test on about" in does
    assert "no-load runs" in does


@pytest.mark.parametrize("plan", PLANS)
def test_advice_promises_what_it_narrows_most(plan):
    """Worth a reading is what narrows three intervals by 1.15 together: one of them by 5 %."""
    for advice in mf.fit(virtual(plan)).advice:
        if advice.brings.startswith("narrows"):
            assert float(advice.brings.split(" to ")[1].split(" %")[0]) <= 100 / 1.15 ** (1 / 3)


def test_what_it_promises_comes_true():
    """The promised width against that of a bench with the readings really taken.

    Three more readings at the heaviest load; the scatter itself is estimated anew from
    few rows, so the achieved width differs from the promise by up to a third.
    """
    bench = virtual("lathe")
    found = mf.fit(bench)
    (promise,) = [a for a in found.advice if "largest current" in a.does]
    percent = float(promise.brings.split(" to ")[1].split(" %")[0])

    extended = with_more_load(bench)
    before = found.parameters["armature_resistance"].standard_uncertainty
    after = mf.fit(extended).parameters["armature_resistance"].standard_uncertainty

    assert after / before == pytest.approx(percent / 100, rel=0.35)


def with_more_load(bench: mf.Bench) -> mf.Bench:
    plan = replace(
        PLANS["lathe"],
        open_circuit_speeds=(),
        supply_voltages=(),
        load_resistors=(2.2,),
        repeats=3,
    )
    more = mf.simulate(TRUE, plan=plan, seed=3)
    runs = tuple(replace(run, source=run.source.with_name("load-2.csv")) for run in more.runs)
    return replace(bench, runs=bench.runs + runs)
