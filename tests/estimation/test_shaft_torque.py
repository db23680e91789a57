"""Torque at the shaft of a driven machine: read, or a force on a lever."""

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import SPEEDS, TRUE

import motorfit as mf
from motorfit.estimation.assemble import assemble
from motorfit.estimation.rows import TORQUE
from motorfit.simulation.plan import BenchPlan

MACHINE = '[machine]\nname = "invented"\n'
KIT = """
[instruments.force]
accuracy = "0.05 N"
[instruments.arm]
accuracy = "0.5 mm"
"""

#: Invented: 0.08 V s/rad, a loss of 0.03 N m + 5e-5 w; by hand, rounded as written.
OPEN = """speed (rpm),voltage (V),force (N),arm (mm)
600,5.03,0.22,150
1200,10.05,0.242,150
1800,15.08,,150
2400,20.1,0.284,150
"""


def folder(path, **sheets):
    (path / "machine.toml").write_text(MACHINE)
    (path / "kit.toml").write_text(KIT)
    for name, text in sheets.items():
        (path / f"{name.replace('_', '-')}.csv").write_text(text)
    return mf.read_bench(path)


def test_a_force_on_a_lever_is_the_torque_that_drives(tmp_path):
    """0.22 N at 150 mm is 0.033 N m, negative inside: the machine takes it."""
    rows = assemble(folder(tmp_path, open_circuit=OPEN)).rows

    assert rows.shown[0, TORQUE] == pytest.approx(-0.033, rel=1e-12)


def test_rows_without_a_force_have_no_torque_equation(tmp_path):
    rows = assemble(folder(tmp_path, open_circuit=OPEN)).rows

    assert rows.present[:, 1].tolist() == [True, True, False, True]
    assert rows.present[:, 0].all()


def test_scale_and_ruler_are_instruments_of_their_own(tmp_path):
    """0.05 N at 0.15 m is an offset of 7.5 mN m; 0.5 mm of 150 mm a gain of 1/300."""
    assembled = assemble(folder(tmp_path, open_circuit=OPEN))
    errors = {
        (one.quantity, one.error): place
        for place, one in enumerate(assembled.nuisances)
        if one.error != "effect"
    }
    scale, ruler = errors["force", "offset"], errors["arm", "offset"]

    offset = assembled.influence.offset[0, TORQUE, scale] * assembled.nuisances[scale].half_width
    assert abs(offset) == pytest.approx(0.05 * 0.15, rel=1e-9)
    gain = assembled.influence.gain[0, TORQUE, ruler] * assembled.nuisances[ruler].half_width
    assert abs(gain) == pytest.approx(0.5 / 150, rel=1e-9)


def test_zero_readings_of_the_scale_pin_its_offset(tmp_path):
    bench = folder(tmp_path, open_circuit=OPEN, zero="force (N)\n0.02\n0.021\n")
    (scale,) = [
        one for one in assemble(bench).nuisances if (one.quantity, one.error) == ("force", "offset")
    ]

    assert scale.mean == pytest.approx(0.0205, abs=0.001)  # its prior of 0.05 N hardly counts
    assert scale.deviation < 0.003


@pytest.mark.parametrize("arm", [None, 0.15])
@pytest.mark.parametrize("test", ["open circuit", "load"])
def test_the_loss_of_a_driven_machine_is_found_by_its_torque(arm, test):
    """Thirty invented benches: 0.03 N m + 5e-5 w within the 95 % interval.

    binomial(30, 0.95) is below 24 once in a thousand times.
    """
    plan = BenchPlan(open_circuit_speeds=SPEEDS, driven_torque=True, arm=arm, repeats=2)
    if test == "load":
        plan = replace(plan, load_speeds=SPEEDS, load_resistors=(2.2, 10.0))
    hits = 0
    for seed in range(30):
        bench = mf.simulate(TRUE, plan=plan, seed=seed)
        if test == "load":  # by the load test's own torque
            without = [_without_torque(run) if run.kind != "load" else run for run in bench.runs]
            bench = replace(bench, runs=tuple(without))
        loss = mf.fit(bench).loss
        low, high = loss.torque.interval
        hits += low <= 0.03 + 5e-5 * loss.speed <= high
    assert hits >= 24


def _without_torque(run):
    kept = {
        name: values
        for name, values in run.readings.items()
        if name not in ("torque", "force", "arm")
    }
    return replace(run, readings=kept)


def test_a_torque_column_with_gaps_uses_what_is_there():
    """Every second torque left blank: the rest still gives the loss, a little wider."""
    plan = BenchPlan(open_circuit_speeds=SPEEDS, driven_torque=True, repeats=4)
    whole = mf.simulate(TRUE, plan=plan, seed=3)
    (run,) = whole.runs
    torque = np.where(np.arange(len(run)) % 2, run.get("torque"), np.nan)
    gaps = replace(whole, runs=(replace(run, readings={**run.readings, "torque": torque}),))

    wide, narrow = mf.fit(gaps).loss.torque, mf.fit(whole).loss.torque
    assert sum(row.equation == "torque" for row in mf.fit(gaps).residuals) == len(run) // 2
    assert wide.standard_uncertainty > narrow.standard_uncertainty
    assert wide.interval[0] < narrow.value < wide.interval[1]
