"""Reading a bench folder: every dialect the same, every test with its signs."""

import math
from pathlib import Path

import numpy as np
import pytest

import motorfit
from motorfit.bench.folder import read_bench
from motorfit.errors import BenchError

MACHINE = '[machine]\nname = "invented motor"\n'
RPM = 2 * math.pi / 60


def folder(tmp_path, files, machine=MACHINE):
    """A bench folder with these files; text is written as UTF-8."""
    bench = tmp_path / "bench"
    bench.mkdir()
    (bench / "machine.toml").write_text(machine, encoding="utf-8")
    for name, content in files.items():
        data = content.encode() if isinstance(content, str) else content
        (bench / name).write_bytes(data)
    return bench


COMMA = "speed (rpm),voltage (V),current (A),winding (°C)\n1500,12.5,1.25,21\n1200,10.25,0.5,22\n"
SEMICOLON = (
    "speed (rpm);voltage (V);current (A);winding (°C)\n1500;12,5;1,25;21\n1200;10,25;0,5;22\n"
)
QUOTED = (
    'speed (rpm),voltage (V),current (A),winding (°C)\n1500,"12,5","1,25",21\n'
    '1200,"10,25","0,5",22\n'
)
DIALECTS = {
    "comma": COMMA.encode(),
    "byte-order mark": COMMA.encode("utf-8-sig"),
    "semicolons, decimal commas": SEMICOLON.encode(),
    "quoted decimal commas": QUOTED.encode(),
    "tabs": COMMA.replace(",", "\t").encode(),
    "tabs, decimal commas": SEMICOLON.replace(";", "\t").encode(),
    "Windows line ends": COMMA.replace("\n", "\r\n").encode(),
    "old line ends": COMMA.replace("\n", "\r").encode(),
    "no last line end": COMMA.rstrip().encode(),
    "Latin-1": COMMA.encode("latin-1"),
    "UTF-16, marked": COMMA.encode("utf-16"),
    "UTF-16 big-endian, marked": "\ufeff".encode("utf-16-be") + COMMA.encode("utf-16-be"),
    "UTF-16 little-endian, unmarked": COMMA.encode("utf-16-le"),
    "UTF-16 big-endian, unmarked": COMMA.encode("utf-16-be"),
    "trailing empty columns and rows": COMMA.replace("\n", ",,\n").encode() + b",,,,,\n\n\n",
    "remarks all over": ("# day one\n" + COMMA.replace("\n1200", "\n# a pause\n\n1200")).encode(),
}


@pytest.mark.parametrize("dialect", DIALECTS)
def test_every_dialect_reads_as_the_same_numbers(tmp_path, dialect):
    """The numbers as typed above; a driven machine's current is negative inside."""
    bench = read_bench(folder(tmp_path, {"load.csv": DIALECTS[dialect]}))

    (run,) = bench.runs
    np.testing.assert_allclose(run.get("speed") / RPM, [1500, 1200], rtol=1e-15)
    assert run.get("voltage").tolist() == [12.5, 10.25]
    assert run.get("current").tolist() == [-1.25, -0.5]
    assert run.get("winding").tolist() == [21, 22]
    assert run.written_step == pytest.approx(
        {"speed": RPM, "voltage": 0.01, "current": 0.01, "winding": 1.0}, rel=1e-12
    )


def test_the_public_name_reads_a_folder_given_as_text(tmp_path):
    bench = motorfit.read_bench(str(folder(tmp_path, {"load.csv": COMMA})))

    assert bench.settings.machine.name == "invented motor"


ONE_ROW = {
    "open-circuit": ("rpm,volts,torque (N m)\n1000,12,0.1\n", {"voltage": 12, "torque": -0.1}),
    "load": ("rpm,V,ohms\n1000,12,4.7\n", {"voltage": 12, "load": 4.7}),
    "no-load-motor": ("rpm,V,current (mA)\n1000,12,250\n", {"current": 0.25}),
    "brake": ("rpm,V,A,force (N),arm (cm)\n1000,12,2,5,10\n", {"force": 5, "arm": 0.1}),
    "resistance": ("V,A,position (deg)\n1,2,180\n", {"current": 2, "position": math.pi}),
    "coast-down": ("time (ms),V,A\n500,12,1\n", {"time": 0, "current": -1}),
    "heat-run": ("time (min),A,winding (degF)\n2,5,212\n", {"time": 0, "winding": 100}),
    "breakaway": ("torque (mN m)\n85\n", {"torque": 0.085}),
    "zero": ("voltage (mV),A\n-2,\n", {"voltage": -0.002}),
}


@pytest.mark.parametrize("kind", ONE_ROW)
def test_one_row_of_every_kind_is_read_in_si_with_its_sign(tmp_path, kind):
    """Conversions by hand; current and shaft torque are negative in driven tests only."""
    text, expected = ONE_ROW[kind]
    (run,) = read_bench(folder(tmp_path, {f"{kind}.csv": text})).runs

    assert run.kind == kind
    assert {name: run.get(name)[0] for name in expected} == pytest.approx(expected, rel=1e-12)


def test_speeds_go_to_the_shaft(tmp_path):
    """50 Hz with 2 pulses a turn, and 3 turns of the shaft a turn sensed: 75 turns a second."""
    machine = MACHINE + "[speed]\nratio = 3.0\npulses_per_rev = 2\n"
    bench = folder(
        tmp_path, {"open-circuit.csv": "speed (Hz),rpm,V\n50.0,1500,9\n"}, machine=machine
    )
    (run,) = read_bench(bench).runs

    assert run.get("speed") == pytest.approx([75 * 2 * math.pi])
    assert run.written_step["speed"] == pytest.approx(0.1 * 1.5 * 2 * math.pi)
    assert run.extra["rpm"] == pytest.approx([1500 * 3 * RPM])


def test_excluded_rows_are_kept_apart_with_their_reason(tmp_path):
    text = "rpm,V,note,exclude\n1000,12,first,\n900,junk,,belt slipped\n,,only a note,\n800,9.6,,\n"
    (run,) = read_bench(folder(tmp_path, {"open-circuit.csv": text})).runs

    assert run.rows.tolist() == [2, 5]
    assert run.note == ("first", "")
    assert [(row.row, row.reason) for row in run.excluded] == [(3, "belt slipped")]


def test_setting_and_direction_come_along(tmp_path):
    text = "rpm,V,setting,direction\n1000,12,1,a\n-1000,-12,2,B\n"
    bench = read_bench(folder(tmp_path, {"open-circuit.csv": text}))

    assert bench.runs[0].setting == ("1", "2")
    assert bench.runs[0].direction == ("a", "b")
    assert bench.runs[0].get("voltage").tolist() == [12, 12]
    assert "The voltage is negative in direction b: read as positive." in [
        finding.says for finding in bench.findings
    ]


def test_reversed_probes_are_read_as_magnitudes_with_a_note(tmp_path):
    bench = read_bench(folder(tmp_path, {"load.csv": "rpm,V,A\n900,-9,-1\n800,-8,-1\n"}))

    assert bench.runs[0].get("voltage").tolist() == [9, 8]
    assert bench.runs[0].get("current").tolist() == [-1, -1]
    assert "The current is negative throughout: read as positive." in [
        finding.says for finding in bench.findings
    ]


def test_mixed_signs_and_zero_sheets_stay_as_written(tmp_path):
    bench = read_bench(
        folder(tmp_path, {"resistance.csv": "V,A\n1,2\n-1,-2\n", "zero.csv": "V\n-0.02\n"})
    )

    assert bench.of_kind("resistance")[0].get("current").tolist() == [2, -2]
    assert bench.of_kind("zero")[0].get("voltage").tolist() == [-0.02]


def test_a_blank_column_is_as_none(tmp_path):
    text = "rpm,V,A,ohms,winding (degC)\n900,9,,10,\n800,8,,10,\n"
    (run,) = read_bench(folder(tmp_path, {"load.csv": text})).runs

    assert set(run.readings) == {"speed", "voltage", "load"}


def test_blank_sheets_left_overs_and_other_files_are_passed_over(tmp_path):
    files = {
        "load.csv": "# fill me in\nrpm,V,A,note\n,,,later\n",
        "no-load-motor.csv": "",
        "open-circuit.csv": "rpm,V\n900,9\n",
        ".~lock.load.csv#": "somebody",
        "~$load.xlsx": b"\x00\x01",
        "load.csv~": "old",
        "load.bak.csv": "old",
        "photo.jpg": b"\xff\xd8\x00",
        "costs.xlsx": b"PK\x03\x04",
        "open-circuit.xlsx": b"PK\x03\x04",  # the one the table was saved from
    }
    bench = read_bench(folder(tmp_path, files))

    assert [run.source.name for run in bench.runs] == ["open-circuit.csv"]
    assert bench.not_filled_in == ("load.csv", "no-load-motor.csv")


def test_every_file_used_has_its_fingerprint(tmp_path):
    """SHA-256 of the three bytes "abc" is FIPS 180-4's example; here of what was written."""
    import hashlib

    content = b"rpm,V\n900,9\n"
    bench = read_bench(folder(tmp_path, {"open-circuit.csv": content}))

    assert bench.files["open-circuit.csv"] == f"sha256:{hashlib.sha256(content).hexdigest()}"
    assert bench.files["machine.toml"].startswith("sha256:")


def test_a_copy_of_a_file_counts_once(tmp_path):
    text = "rpm,V\n900,9\n"
    bench = read_bench(
        folder(tmp_path, {"open-circuit.csv": text, "open-circuit - copy.csv": text})
    )

    assert len(bench.runs) == 1
    assert "byte for byte" in " ".join(finding.says for finding in bench.findings)


def test_a_column_that_the_test_does_not_need_is_left_out_with_a_note(tmp_path):
    bench = read_bench(folder(tmp_path, {"open-circuit.csv": "rpm,V,time (s)\n900,9,1\n"}))

    assert set(bench.runs[0].readings) == {"speed", "voltage"}
    assert [finding.severity for finding in bench.findings if "time (s)" in finding.says] == [
        "note"
    ]


def test_current_in_an_open_circuit_sheet_is_a_caution(tmp_path):
    bench = read_bench(folder(tmp_path, {"open-circuit.csv": "rpm,V,A\n900,9,1.2\n"}))

    assert [f.severity for f in bench.findings if f.kind == "open-circuit-under-load"] == [
        "caution"
    ]


@pytest.mark.parametrize("remark", ["voltage meter: B", "Voltage  Meter :b", "voltage-meter=B"])
def test_a_remark_chooses_another_meter(tmp_path, remark):
    kit = '[instruments.voltage.B]\naccuracy = "1 %"\nid = "the old one"\n'
    files = {"kit.toml": kit, "open-circuit.csv": f"# {remark},,\nrpm,V\n900,9\n"}
    bench = read_bench(folder(tmp_path, files))

    assert bench.runs[0].meters == {"voltage": "B"}


def test_a_meter_of_another_quantity_is_not_taken(tmp_path):
    kit = '[instruments.current.B]\naccuracy = "1 %"\n'
    files = {"kit.toml": kit, "open-circuit.csv": "# voltage meter: B,\nrpm,V\n900,9\n"}

    with pytest.raises(BenchError, match=r"row 1: found voltage meter 'B', expected a second volt"):
        read_bench(folder(tmp_path, files))


def test_a_chosen_meter_shows_the_unit_of_the_sheet_that_chose_it(tmp_path):
    """Ranges go by displayed units: 1999 counts are 19.99 V or 1999 mV."""
    kit = '[instruments.voltage.B]\naccuracy = "1 %"\ncounts = 2000\n'
    sheet = "# voltage meter: B,\nrpm,voltage (mV)\n900,900\n"
    bench = read_bench(folder(tmp_path, {"kit.toml": kit, "open-circuit.csv": sheet}))

    assert bench.instruments["voltage", "B"].display_factor == 1e-3
    assert bench.instruments["voltage", ""].display_factor == 1.0


def test_the_first_sheet_decides_in_which_unit_a_meter_shows(tmp_path):
    """Sheets are read in the order of their names: load.csv before open-circuit.csv."""
    sheets = {"load.csv": COMMA, "open-circuit.csv": "rpm,voltage (mV)\n900,900\n"}
    bench = read_bench(folder(tmp_path, sheets))

    assert bench.instruments["voltage", ""].display_factor == 1.0


@pytest.mark.parametrize("shown", ["5", "-5"])
def test_a_scale_on_a_driven_machine_is_pulled_the_other_way(tmp_path, shown):
    """It is turned from outside, whichever way the scale hung: its torque is below zero."""
    text = f"rpm,V,force (N),arm (m)\n900,9,{shown},0.1\n"
    (run,) = read_bench(folder(tmp_path, {"open-circuit.csv": text})).runs

    assert run.get("force").tolist() == [-5]
    assert run.get("arm").tolist() == [0.1]


def test_several_columns_of_notes_are_put_together(tmp_path):
    text = "rpm,V,note,remarks\n900,9,belt slips,warm\n800,8,,cold\n"
    (run,) = read_bench(folder(tmp_path, {"open-circuit.csv": text})).runs

    assert run.note == ("belt slips; warm", "cold")


def test_one_table_of_driven_readings_is_split_by_what_was_connected(tmp_path):
    table = tmp_path / "readings.csv"
    table.write_text("rpm,V,A,load (ohm)\n1500,15,,\n1500,13,1.3,\n1000,9,,10\n500,5,0,\n")
    bench = read_bench(table)

    assert [(run.kind, run.rows.tolist()) for run in bench.runs] == [
        ("open-circuit", [2, 5]),
        ("load", [3, 4]),
    ]
    assert bench.runs[1].get("current")[0] == -1.3
    assert bench.settings.machine.name == "readings"
    assert any("open circuit" in sentence for sentence in bench.assumed)
    assert len(bench.assumed) > 1  # and the meters that are taken


def test_one_table_named_after_a_test_is_read_as_that(tmp_path):
    table = tmp_path / "no-load-motor.csv"
    table.write_text("rpm,V,A\n1500,15,0.3\n")

    assert [run.kind for run in read_bench(table).runs] == ["no-load-motor"]


def test_a_long_log_is_read_in_a_moment(tmp_path):
    """A tenth of the 1e5 rows that a log may have; that it is read at all, with its last row."""
    rows = "".join(f"{i / 10:.1f};{20 - i / 1000:.3f}\n".replace(".", ",") for i in range(10_000))
    (run,) = read_bench(folder(tmp_path, {"coast-down.csv": "time (s);V\n" + rows})).runs

    assert len(run) == 10_000
    assert run.get("time")[-1] == 999.9
    assert run.rows[-1] == 10_001


@pytest.mark.parametrize("name", ["data_templates"])
def test_the_blank_templates_can_be_read(tmp_path, name):
    templates = Path(__file__).parents[2] / name
    files = {path.name: path.read_bytes() for path in templates.glob("*.csv")}
    assert files
    bench = folder(tmp_path, {**files, "open-circuit-2.csv": "rpm,V\n900,9\n"})

    assert sorted(read_bench(bench).not_filled_in) == sorted(files)


def test_blank_sheets_alone_are_refused(tmp_path):
    with pytest.raises(BenchError, match=r"only sheets that are not filled in \(load.csv\)"):
        read_bench(folder(tmp_path, {"load.csv": "rpm,V,A\n"}))


def test_a_single_table_is_not_sent_to_a_machine_toml_that_it_does_not_use(tmp_path):
    (tmp_path / "red.csv").write_text("rpm,V\n900,9\n")

    (finding,) = read_bench(tmp_path / "red.csv").findings

    assert (finding.kind, finding.where) == ("speed-not-checked", "bench")
    assert "[speed]" not in finding.suggestion
