"""A resistance test that was made warm, without saying so, tells how warm it was."""

import re
from dataclasses import replace

import pytest
from virtual_benches import PLANS, TRUE

import motorfit as mf
from motorfit.bench.records import Bench
from motorfit.simulation.bench import simulate


def with_a_second(factor: float) -> Bench:
    """The resistance test a second time, with so many times the resistance in it."""
    bench = simulate(TRUE, plan=PLANS["whole"], seed=3)
    cold = next(run for run in bench.runs if run.kind == "resistance")
    added = (factor - 1.0) * TRUE.armature_resistance * cold.get("current")
    warm = replace(
        cold,
        source=cold.source.with_name("resistance-warm.csv"),
        readings=dict(cold.readings) | {"voltage": cold.get("voltage") + added},
    )
    return replace(bench, runs=(*bench.runs, warm))


def test_the_temperature_of_a_warm_winding_is_told_by_resistance():
    """A fifth more, over the cold one at 22 degC: 1.2 (234.5 + 22) - 234.5 = 73.3 degC.

    The same three positions, read twice: what a brush drop at other currents and the meters
    leave is some 2 %, 6 K; found is the joint fit's resistance beside them.
    """
    found = mf.fit(with_a_second(1.2))

    told = next(each for each in found.findings if each.kind == "tests-disagree")
    assert told.where == "resistance-warm.csv"
    warm = re.search(r"at ([\d.]+) degC there \(by resistance, K = 234\.5 K\)", told.says)
    assert warm
    assert float(warm[1]) == pytest.approx(73.3, abs=8.0)


def test_no_winding_is_told_to_be_hotter_than_windings_are():
    """Twice the resistance would be 278 degC: something else is wrong."""
    found = mf.fit(with_a_second(2.0))

    told = next(each for each in found.findings if each.where.startswith("resistance-warm"))
    assert "degC there" not in told.says
