"""The demo: invented, always the same, and without a slip."""

import numpy as np
import pytest

from motorfit.bench.folder import read_bench
from motorfit.simulation.demo import (
    DEMO_BODY,
    DEMO_INERTIA,
    DEMO_MACHINE,
    demo_bench,
    demo_with_truth,
    write_demo,
)


def test_every_file_says_that_it_is_invented(tmp_path):
    write_demo(tmp_path / "demo")
    for path in (tmp_path / "demo").iterdir():
        head = path.read_text("utf-8").lower().splitlines()[:2]
        assert "invented" in " ".join(head), path.name


def test_it_is_read_as_it_was_made(tmp_path):
    write_demo(tmp_path / "demo")
    read = {run.source.name: run for run in read_bench(tmp_path / "demo").runs}
    for run in demo_bench().runs:
        np.testing.assert_array_equal(run.rows, read[run.source.name].rows)
        for quantity, values in run.readings.items():
            np.testing.assert_array_equal(values, read[run.source.name].get(quantity))


def test_nothing_in_it_looks_like_a_slip(tmp_path):
    write_demo(tmp_path / "demo")
    assert read_bench(tmp_path / "demo").findings == ()


def test_readings_are_of_the_machine():
    """Open circuit: 0.5 % + 2 digits of 4 V at least, and 0.05 % of the tachometer."""
    (run,) = demo_bench().of_kind("open-circuit")
    constant = run.get("voltage") / run.get("speed")
    allowed = 0.005 + 0.02 / run.get("voltage") + 0.0005 + 4 * (0.001 + 0.001 + 0.0005)
    assert (np.abs(constant / DEMO_MACHINE.emf_constant - 1.0) < allowed).all()


def test_hidden_temperature_is_within_what_is_stated():
    bench, truth = demo_with_truth()
    assert truth.winding == pytest.approx(bench.settings.conditions.winding.value, abs=3.0)


def test_the_machine_coasts_twice_open_and_twice_on_a_resistor():
    """Each log from the drill's hand to rest; a loaded machine stands sooner."""
    bench, truth = demo_with_truth()
    runs = {run.source.name: run for run in bench.of_kind("coast-down")}
    assert set(runs) == {
        *("coast-down-open.csv", "coast-down-open-2.csv"),
        *("coast-down-loaded.csv", "coast-down-loaded-2.csv"),
    }
    assert truth.moment_of_inertia == DEMO_INERTIA
    lasts = {name: run.get("time")[-1] for name, run in runs.items()}
    assert lasts["coast-down-loaded.csv"] < 0.6 * lasts["coast-down-open.csv"]
    for name, run in runs.items():
        assert 100 <= len(run) <= 200
        assert ("load" in run.readings) == ("loaded" in name)
        assert abs(run.get("voltage")[-1]) < 0.05


def test_the_machine_warms_with_its_rotor_held():
    """Volts over amps rise by what 2 K/W and 4 A make of it, 33 K and more: 0.39 % a kelvin."""
    bench, truth = demo_with_truth()
    (run,) = bench.of_kind("heat-run")
    assert truth.bodies == {"heat-run.csv": DEMO_BODY}
    assert 35 <= len(run) <= 45
    assert run.get("time")[-1] == 5400.0
    assert bench.settings.heat_run.rotor == "held"
    ohms = (run.get("voltage") - DEMO_MACHINE.brush_drop) / run.get("current")
    hotter = (ohms[-5:].mean() / ohms[0] - 1.0) * (234.5 + truth.winding)
    assert 30.0 < hotter < 45.0
