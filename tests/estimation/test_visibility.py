"""How much of a fault the residuals can show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import virtual

from motorfit.bench.records import Bench
from motorfit.estimation.joint import Joint, fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.visibility import noncentrality


@pytest.fixture(scope="module")
def clean() -> tuple[Bench, Joint]:
    bench = virtual("whole")
    return bench, fit_jointly(pose(bench))


def changed(bench: Bench, quantity: str, kind: str, change: np.ndarray | float) -> Bench:
    runs = tuple(
        replace(run, readings={**run.readings, quantity: run.get(quantity) + change})
        if run.kind == kind
        else run
        for run in bench.runs
    )
    return replace(bench, runs=runs)


def test_no_fault_has_no_size(clean):
    bench, joint = clean

    assert noncentrality(joint, bench) == 0.0


def test_a_slip_of_one_row_has_the_size_that_leaving_it_out_gives(clean):
    """For one entry of the stack d'Pd is P_ii: the variance of that row, itself left out."""
    bench, joint = clean
    shift = np.zeros(8)
    shift[5] = 0.3  # V
    row = joint.problem.assembled.rows.file.index("load.csv") + 5
    place = int(np.sum(joint.problem.conditions.present[:row]))

    size = noncentrality(joint, changed(bench, "voltage", "load", shift))

    expected = 0.3 * joint.projected.projection[place, place] ** 0.5
    assert size == pytest.approx(expected, rel=5e-3)  # the voltmeter's own gain


def test_what_a_parameter_absorbs_cannot_be_seen():
    """A shift of the whole load sheet is a brush drop, where no other test has brushes."""
    bench = virtual("one resistor")
    joint = fit_jointly(pose(bench))

    hidden = noncentrality(joint, changed(bench, "voltage", "load", -0.3))
    shown = noncentrality(joint, changed(bench, "voltage", "load", np.array([-0.3, 0.0, 0.0, 0.0])))

    assert hidden < 0.05 * shown


def test_another_set_of_rows_is_refused(clean):
    _, joint = clean

    with pytest.raises(ValueError, match="rows and columns of the clean bench"):
        noncentrality(joint, virtual("brake"))
