"""A virtual bench is written as the folder it would have been read from."""

import hashlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from virtual_benches import TRUE

from motorfit.bench.folder import read_bench
from motorfit.errors import OutputError
from motorfit.meter import Accuracy, Calibration, Instrument
from motorfit.quantities import Stated
from motorfit.simulation.bench import simulate
from motorfit.simulation.heat_plans import BreakawayPlan, DrivePlan, HeatRunPlan
from motorfit.simulation.instruments import (
    VirtualKit,
    handheld_meters,
    virtual_meter,
)
from motorfit.simulation.log_plans import CoastDownPlan, LogNoise
from motorfit.simulation.plan import BenchPlan, Conditions
from motorfit.simulation.writing import bench_texts, with_room_for, write_bench
from motorfit.unit_tables import RPM

#: Every kind of test, every column that a virtual bench can have.
EVERYTHING = BenchPlan(
    open_circuit_speeds=tuple(np.linspace(50.0, 350.0, 5)),
    load_speeds=(100.0, 300.0),
    load_resistors=(2.2, 4.7, 10.0),
    supply_voltages=(6.0, 24.0),
    brake_torques=(0.05, 0.2),
    resistance_currents=(1.0, 2.0),
    positions=3,
    zeros=("voltage", "current"),
    runs=2,
    directions=("a", "b"),
    label_settings=True,
    driven_torque=True,
    winding=True,
)


def assert_same_readings(written, read):
    by_name = {run.source.name: run for run in read.runs}
    assert set(by_name) == {run.source.name for run in written.runs}
    for run in written.runs:
        other = by_name[run.source.name]
        assert other.kind == run.kind
        np.testing.assert_array_equal(other.rows, run.rows)
        assert set(other.readings) == set(run.readings)
        for quantity, values in run.readings.items():
            np.testing.assert_array_equal(other.readings[quantity], values, err_msg=quantity)
        assert (other.setting, other.direction, other.note) == (
            run.setting,
            run.direction,
            run.note,
        )


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 2**32 - 1),
    counts=st.sampled_from([2000, 4000, 6000, 19999]),
    k=st.floats(0.01, 1.0),
)
def test_written_and_read_back_it_is_the_same(tmp_path_factory, seed, counts, k):
    """Bit for bit: what a display shows is a decimal number, and a sheet holds it."""
    meters = handheld_meters() | {
        "voltage": virtual_meter("voltage", "A", percent=0.5, digits=2, counts=counts),
        "current": virtual_meter("current", "B", percent=1, digits=3, counts=counts, burden=0.03),
    }
    bench = simulate(
        replace(TRUE, emf_constant=k, coulomb_torque=0.3 * k),
        plan=EVERYTHING,
        kit=VirtualKit(meters=meters, leads=0.02),
        seed=seed,
    )
    folder = tmp_path_factory.mktemp("bench") / "b"
    write_bench(bench, folder)
    read = read_bench(folder)
    assert_same_readings(bench, read)
    for key, instrument in bench.instruments.items():
        assert read.instruments[key] == instrument
    assert read.settings.leads.resistance.value == bench.settings.leads.resistance.value


@pytest.mark.parametrize("ohms", [47e3, 1e6, 10e6])
def test_input_resistance_is_read_back(tmp_path, ohms):
    meter = virtual_meter("voltage", "A", percent=1, counts=2000, input_resistance=ohms)
    kit = VirtualKit(meters=handheld_meters() | {"voltage": meter})
    write_bench(simulate(TRUE, plan=EVERYTHING, kit=kit, seed=1), tmp_path / "b")

    assert read_bench(tmp_path / "b").instrument("voltage").input_resistance == ohms


def test_readings_keep_their_rows_where_some_are_left_out(tmp_path):
    """A row that was left out is a remark, so that messages name the row of the paper."""
    bench = simulate(TRUE, plan=EVERYTHING, seed=1)
    run = bench.runs[0]
    kept = replace(run.only(np.arange(len(run)) % 3 != 1), kind=run.kind)
    write_bench(replace(bench, runs=(kept,)), tmp_path / "b")

    (read,) = read_bench(tmp_path / "b").runs
    assert read.rows.tolist() == kept.rows.tolist()
    assert read.rows.tolist() != list(range(2, 2 + len(kept)))


def test_fixed_step_of_the_sheets_is_read_back(tmp_path):
    bench = simulate(TRUE, plan=EVERYTHING, seed=1)
    write_bench(bench, tmp_path / "b")
    by_name = {run.source.name: run for run in read_bench(tmp_path / "b").runs}
    for run in bench.runs:
        for quantity in ("speed", "voltage"):
            if quantity in run.readings:
                step = by_name[run.source.name].written_step[quantity]
                assert step == pytest.approx(run.written_step[quantity], rel=1e-9)


def test_settings_are_read_back(tmp_path):
    """Everything that `machine.toml` can say, text and numbers, as it was."""
    bench = simulate(TRUE, seed=1, name='a "quoted" name, Größe 3')
    told = bench.settings.model_copy(
        update={
            "machine": bench.settings.machine.model_copy(
                update={"gear": 2.5, "serial": "0042", "magnet": "ferrite"}
            ),
            "speed": bench.settings.speed.model_copy(update={"checked": "30 turns", "ratio": 2.0}),
            "claims": {"rated_voltage": "24 V"},
        }
    )
    write_bench(replace(bench, settings=told), tmp_path / "b")
    read = read_bench(tmp_path / "b")
    for table in ("machine", "speed", "claims", "conditions", "shelf", "leads"):
        assert getattr(read.settings, table) == getattr(told, table), table


def test_ratio_of_the_speed_is_taken_out_and_put_back(tmp_path):
    bench = simulate(TRUE, seed=1)
    speed = bench.settings.speed.model_copy(update={"ratio": 4.0})
    geared = replace(bench, settings=bench.settings.model_copy(update={"speed": speed}))
    write_bench(geared, tmp_path / "b")
    assert_same_readings(geared, read_bench(tmp_path / "b"))


def test_special_instruments_are_read_back(tmp_path):
    """A second voltmeter, a calibrated meter, a fixed offset."""
    calibration = Calibration(gain=0.0012, half_width=0.0005, text="+0.12 % +- 0.05 %")
    meters = handheld_meters() | {
        "voltage": virtual_meter(
            "voltage", "A", percent=1, absolute=0.01, resolution=0.01, calibration=calibration
        )
    }
    bench = simulate(TRUE, kit=VirtualKit(meters=meters), seed=1)
    second = Instrument(
        quantity="voltage", id="C", accuracy=Accuracy(relative=0.01, text="1 %"), counts=2000
    )
    instruments = {**bench.instruments, ("voltage", "C"): second}
    first, *others = bench.runs
    bench = replace(
        bench,
        instruments=instruments,
        runs=(replace(first, meters={"voltage": "C"}, rows=first.rows + 1), *others),
    )
    write_bench(bench, tmp_path / "b")
    read = read_bench(tmp_path / "b")
    assert read.runs[[r.source.name for r in read.runs].index("open-circuit.csv")].meters == {
        "voltage": "C"
    }
    for key, instrument in instruments.items():
        assert read.instruments[key] == instrument


def test_notes_with_signs_of_the_table_in_them(tmp_path):
    bench = simulate(TRUE, plan=BenchPlan(open_circuit_speeds=(100.0, 200.0)), seed=1)
    (run,) = bench.runs
    noted = replace(bench, runs=(replace(run, note=('warm, "very"', "")),))
    write_bench(noted, tmp_path / "b")
    assert_same_readings(noted, read_bench(tmp_path / "b"))


def test_remarks_stand_above_and_rows_below_them(tmp_path):
    bench = simulate(TRUE, seed=1)
    remarks = {"load.csv": ("one", "two", "three")}
    bench = with_room_for(bench, remarks)
    write_bench(bench, tmp_path / "b", remarks=remarks)
    lines = (tmp_path / "b" / "load.csv").read_text("utf-8").splitlines()
    assert lines[:4] == [
        "# one",
        "# two",
        "# three",
        "speed (rpm),voltage (V),current (A),load (ohm)",
    ]
    assert_same_readings(bench, read_bench(tmp_path / "b"))


def test_digits_are_those_of_the_display():
    """12.30 V on a meter with two decimals is not written as 12.3."""
    meters = handheld_meters() | {
        "voltage": virtual_meter("voltage", "A", resolution=0.01),
        "speed": virtual_meter("speed", "n", resolution=0.1 * RPM, display_factor=RPM),
    }
    bench = simulate(
        replace(TRUE, emf_constant=0.123),
        plan=BenchPlan(open_circuit_speeds=(100.0,)),
        kit=VirtualKit(meters=meters),
        conditions=Conditions(drive_scatter=0.0),
        seed=1,
    )
    assert bench_texts(bench)["open-circuit.csv"].splitlines() == [
        "speed (rpm),voltage (V)",
        "954.9,12.30",
    ]


def test_assumed_instruments_are_not_stated():
    bench = simulate(TRUE, seed=1)
    assumed = replace(bench.instruments["speed", ""], assumed=True)
    texts = bench_texts(replace(bench, instruments={**bench.instruments, ("speed", ""): assumed}))
    assert "[instruments.voltage]" in texts["kit.toml"]
    assert "[instruments.speed]" not in texts["kit.toml"]


def test_a_sheet_that_is_there_leaves_the_folder_alone(tmp_path):
    (tmp_path / "load.csv").write_text("mine")
    with pytest.raises(OutputError, match=r"already has load\.csv: nothing was written"):
        write_bench(simulate(TRUE, seed=1), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["load.csv"]


#: What EVERYTHING leaves out: logs, heat, levers, the drive.
THE_REST = replace(
    EVERYTHING,
    arm=0.25,
    coast_downs=(
        CoastDownPlan(start_speed=300.0),
        CoastDownPlan(
            start_speed=300.0,
            load=4.7,
            records=("voltage", "speed"),
            load_columns="current and load",
            added_inertia=Stated(1.2e-3, 2.4e-5),
            noise=LogNoise(
                scatter=0.01, correlation=0.8, mains=0.01, lag=0.1, gaps=1, repeated=0.1, uneven=0.2
            ),
        ),
        CoastDownPlan(
            start_speed=300.0,
            name="disc",
            added_inertia=Stated(9e-4, 2e-5, "0.50 kg +- 1 %, 120 mm +- 1 %"),
            noise=LogNoise(autorange=True),
        ),
    ),
    heat_runs=(HeatRunPlan(current=3.0, cooling=300.0), HeatRunPlan(current=2.0)),
    breakaway=BreakawayPlan(friction=0.03, directions=("a", "b")),
    drive=DrivePlan(alone_speeds=(100.0, 300.0)),
)


@pytest.mark.parametrize("seed", range(5))
def test_logs_levers_and_drives_are_read_back(tmp_path, seed):
    """Bit for bit, with what was on the shaft; a half-width in per cent to rounding."""
    bench = simulate(TRUE, plan=THE_REST, moment_of_inertia=6e-4, seed=seed)
    write_bench(bench, tmp_path / "b")
    read = read_bench(tmp_path / "b")
    assert_same_readings(bench, read)
    by_name = {run.source.name: run for run in read.runs}
    for run in bench.runs:
        same = by_name[run.source.name]
        assert same.uncoupled == run.uncoupled
        assert (same.added_inertia is None) == (run.added_inertia is None)
        if run.added_inertia is not None:
            assert same.added_inertia.value == pytest.approx(run.added_inertia.value, rel=1e-12)
    disc = by_name["coast-down-disc.csv"].added_inertia
    assert disc.half_width == pytest.approx(9e-4 * np.hypot(0.01, 0.02), rel=1e-9)
    for key, instrument in bench.instruments.items():
        assert read.instruments[key] == instrument


def test_what_was_on_the_shaft_stands_above_the_table():
    texts = bench_texts(simulate(TRUE, plan=THE_REST, moment_of_inertia=6e-4, seed=1))
    first = {name: text.splitlines()[0] for name, text in texts.items()}
    assert first["coast-down.csv"] == "time (s),voltage (V)"
    assert first["coast-down-2.csv"] == "# added inertia: 0.0012 kg m2 +- 2.4e-05 kg m2"
    assert first["coast-down-disc.csv"] == "# added disc: 0.50 kg +- 1 %, 120 mm +- 1 %"
    assert first["open-circuit-drive-alone.csv"] == "# machine uncoupled"


@pytest.mark.parametrize(
    ("plan", "seed", "digest"), [(None, 1, "32b418182a30fc97"), (EVERYTHING, 2, "37b21c50f3ab8bf2")]
)
def test_benches_without_logs_are_what_they_were(plan, seed, digest):
    """Regression only: the bytes from before there were logs, so that old seeds still hold."""
    texts = bench_texts(simulate(TRUE, plan=plan, seed=seed))
    whole = "".join(f"{name}\n{text}" for name, text in texts.items())
    assert hashlib.sha256(whole.encode()).hexdigest().startswith(digest)
