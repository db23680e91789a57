"""Bad input: each gets a message with its place and what to do about it."""

import os

import pytest

from motorfit.bench.folder import read_bench
from motorfit.errors import BenchError, BenchProblemsError

MACHINE = '[machine]\nname = "invented motor"\n'
GOOD = "rpm,V\n900,9\n"


def read(tmp_path, files):
    bench = tmp_path / "bench"
    bench.mkdir()
    (bench / "machine.toml").write_text(MACHINE)
    for name, content in files.items():
        (bench / name).write_bytes(content.encode() if isinstance(content, str) else content)
    return read_bench(bench)


SPOILT = {
    "missing column": (
        "rpm,A\n900,1\n",
        r'load.csv, row 1: found no column of voltage.*Add a column "voltage \(V\)"',
    ),
    "neither current nor load": (
        GOOD,
        r'found no column of current or load.*"current \(A\)" or "load \(ohm\)"',
    ),
    "unknown unit": (
        "speed (rpn),V,A\n900,9,1\n",
        r'load.csv, row 1, column "speed \(rpn\)".*Did you mean rpm\?',
    ),
    "unknown column": (
        "rpm,V,curent (A)\n900,9,1\n",
        r'row 1, column "curent \(A\)".*Did you mean "current \(A\)"\?',
    ),
    "a column twice": ("rpm,V,A,V\n900,9,1,9\n", r'row 1, column "V": found this column twice'),
    "force without arm": (
        "rpm,V,A,force (N)\n900,9,1,2\n",
        r"found a column of force without its arm",
    ),
    "unit in a cell": (
        "# a remark\nrpm,V,A\n900,9,1\n\n800,12.4 V,1\n",
        r"load.csv, row 5, column \"V\": found '12.4 V', expected a number. Write 12.4; the unit",
    ),
    "not a number": ("rpm,V,A\n900,NaN,1\n", r"row 2, column \"V\": found 'NaN', expected a numb"),
    "infinite": ("rpm,V,A\n900,9,inf\n", r"row 2, column \"A\": found 'inf', expected a number"),
    "dashes": ("rpm,V,A\n900,9,--\n", r"row 2, column \"A\": found '--', expected a number"),
    "percent": ("rpm,V,A\n900,9,50 %\n", r"row 2, column \"A\": found '50 %', expected a number"),
    "blank voltage": ("rpm,V,A\n900,,1\n", r'row 2, column "V": found a blank cell'),
    "blank current": (
        "rpm,V,A,ohms\n900,9,1,\n900,9,,\n",
        r'row 3, column "A": found a blank cell, expected the current or load.*open-circuit.csv',
    ),
    "blank arm": (
        "rpm,V,A,force (N),arm (m)\n900,9,1,5,0.1\n900,9,1,5,\n",
        r'row 3, column "arm \(m\)": found a blank cell',
    ),
    "arm of no length": (
        "rpm,V,A,force (N),arm (m)\n900,9,1,5,0.1\n900,9,1,5,0\n",
        r'row 3, column "arm \(m\)": found \'0\', expected a length above zero',
    ),
    "negative resistor beside a current": (
        "rpm,V,A,ohms\n900,9,1,9\n900,9,1,-9\n",
        r"row 3, column \"ohms\": found '-9', expected the value of a resistor",
    ),
    "too large": ("rpm,V,A\n900,9,1\n1e308,9,1\n", r"row 3, column \"rpm\": found '1e308'"),
    "too small": ("rpm,V,A\n900,9,1\n900,9,1e-300\n", r"row 3, column \"A\": found '1e-300'"),
    "too cold": (
        "rpm,V,A,ambient (degC)\n900,9,1,-300\n",
        r"row 2, column \"ambient \(degC\)\": found '-300'",
    ),
    "no such direction": (
        "rpm,V,A,direction\n900,9,1,left\n",
        r"row 2, column \"direction\": found 'left', expected a or b",
    ),
    "decimal commas between commas": (
        "rpm,V,A\n900,9,5,1,2\n",
        r"row 2: found 5 cells.*save the sheet with semicolons",
    ),
    "mixed decimal signs": (
        "rpm;V;A\n900;9,5;1,2\n800;9.5;1,2\n",
        r"row 3, column \"V\": found '9.5', expected a decimal comma.*Write 9,5",
    ),
    "thousands": (
        'rpm,V,A\n"1,500",9.5,1\n',
        r"row 2, column \"rpm\": found '1,500', which may be 1500 or 1.500.*Write 1500",
    ),
    "no headers": ("900,9,1\n", r"row 1: found numbers, expected a row of headers"),
    "unknown meter": (
        "# voltage meter: C\nrpm,V,A\n900,9,1\n",
        r"load.csv, row 1: found voltage meter 'C'.*\[instruments.voltage.C\]",
    ),
    "binary": (b"\x7fELF\x00\x01" + bytes(range(256)) * 10, r"load.csv: found a binary file"),
    "zero bytes": (bytes(4096), r"load.csv: found nothing but zero bytes"),
    "a renamed spreadsheet": (
        b"PK\x03\x04" + bytes(100),
        r"load.csv: found a packed spreadsheet.*Save the table as CSV",
    ),
    "a broken character": (
        b"\xff\xfer\x00p",
        r"load.csv: found text that breaks off inside a character",
    ),
    "control characters": (b"rpm,V,A\n900,\x019,1\n", r"row 2: found the control character U\+00"),
}


@pytest.mark.parametrize("spoilt", SPOILT)
def test_a_spoilt_sheet_is_told_with_place_and_remedy(tmp_path, spoilt):
    content, message = SPOILT[spoilt]

    with pytest.raises(BenchProblemsError, match=message):
        read(tmp_path, {"open-circuit.csv": GOOD, "load.csv": content})


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("no-load.csv", r"open-circuit.csv\), or running by itself from a supply"),
        ("lod.csv", r"The nearest is load: rename"),
        ("load.xlsx", r"load.xlsx: found a spreadsheet.*save this sheet as CSV, such as load.csv"),
        ("Brake test.ods", r"save this sheet as CSV, such as Brake test.csv"),
    ],
)
def test_a_name_that_fits_nothing_is_told(tmp_path, name, message):
    with pytest.raises(BenchProblemsError, match=message):
        read(tmp_path, {"open-circuit.csv": GOOD, name: "rpm,V\n900,9\n"})


def test_all_problems_of_a_folder_are_told_at_once(tmp_path):
    files = {
        "load.csv": "rpm,V,A\n900,x,1\n800,8,y\n",
        "zero.csv": "W\n1\n",
        "hello.csv": "",
        "open-circuit.csv": GOOD,
    }
    with pytest.raises(BenchProblemsError) as caught:
        read(tmp_path, files)

    assert [problem.path.name for problem in caught.value.problems] == [
        *("hello.csv", "load.csv", "load.csv", "zero.csv")
    ]


def test_many_problems_of_one_file_are_counted(tmp_path):
    """57 bad cells: 20 are shown and 37 counted."""
    text = "rpm,V\n" + "x,9\n" * 57
    with pytest.raises(BenchProblemsError, match=r"open-circuit.csv: ... and 37 more like these"):
        read(tmp_path, {"open-circuit.csv": text})


def test_what_is_counted_stands_below_the_problems_of_its_file(tmp_path):
    """22 bad cells in one file are 20 and a count; the other file's problem comes after."""
    files = {"load.csv": "rpm,V,A\n" + "x,9,1\n" * 22, "open-circuit.csv": "rpm,V\nx,9\n"}
    with pytest.raises(BenchProblemsError) as caught:
        read(tmp_path, files)

    told = [str(problem) for problem in caught.value.problems]
    assert len(told) == 22
    assert "row 21," in told[19]
    assert told[20] == "load.csv: ... and 2 more like these"
    assert told[21].startswith("open-circuit.csv, row 2")


def test_a_mistake_in_the_kit_beside_a_single_table_is_told(tmp_path):
    (tmp_path / "kit.toml").write_text("[instruments.voltage]\ncounts = 1\n")
    (tmp_path / "red.csv").write_text(GOOD)

    with pytest.raises(BenchError, match=r"kit.toml, row 2"):
        read_bench(tmp_path / "red.csv")


def test_a_huge_binary_is_refused_without_reading_it(tmp_path):
    """A sparse file of 200 MB: its size alone refuses it, so that this takes no time."""
    path = tmp_path / "load.csv"
    with path.open("wb") as file:
        file.write(b"rpm,V,A\n")
        file.truncate(200_000_000)

    with pytest.raises(BenchError, match=r"load.csv: found (200 MB|a binary file), expected a tab"):
        read_bench(path)


def test_a_huge_text_is_refused_by_its_size(tmp_path):
    path = tmp_path / "load.csv"
    with path.open("wb") as file:
        file.write(b"rpm,V,A\n" * 10_000)
        file.truncate(200_000_000)

    with pytest.raises(BenchError, match=r"load.csv: found 200 MB, expected .* at most 50 MB"):
        read_bench(path)


@pytest.mark.skipif(os.name == "nt" or not hasattr(os, "mkfifo"), reason="no pipes there")
def test_what_is_no_file_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "load.csv")

    with pytest.raises(BenchError, match="something that is not a file"):
        read_bench(tmp_path / "load.csv")


def test_a_file_without_permission_is_told(tmp_path, monkeypatch):
    """The refusal is planted: whoever runs the tests may be allowed to read everything."""
    path = tmp_path / "load.csv"
    path.write_text(GOOD)

    def refuse(*_args, **_options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(type(path), "open", refuse)
    with pytest.raises(BenchError, match=r"load.csv: found a file that may not be read.*permiss"):
        read_bench(path)


def test_a_folder_named_as_a_table_is_told(tmp_path):
    (tmp_path / "load.csv").mkdir()
    (tmp_path / "open-circuit.csv").write_text(GOOD)
    (tmp_path / "machine.toml").write_text(MACHINE)

    with pytest.raises(BenchProblemsError, match=r"load.csv: found a folder"):
        read_bench(tmp_path)


def test_nothing_there_says_how_to_begin(tmp_path):
    with pytest.raises(BenchError, match=r"found no such folder or file.*motorfit sheets"):
        read_bench(tmp_path / "nowhere")


def test_an_empty_folder_says_how_to_begin(tmp_path):
    with pytest.raises(BenchError, match=r"found an empty folder.*`motorfit sheets .*` writes"):
        read_bench(tmp_path)


def test_a_folder_of_spreadsheets_says_what_to_save(tmp_path):
    (tmp_path / "motor.xlsx").write_bytes(b"PK\x03\x04")

    with pytest.raises(BenchError, match=r"found no table, but motor.xlsx.*Save its sheet as CSV"):
        read_bench(tmp_path)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("motor.xlsx", "PK", r"motor.xlsx: found a spreadsheet.*save this sheet as CSV"),
        ("no-load.csv", GOOD, r"turned from outside with nothing connected"),
        ("red.csv", "rpm,V,A\n", r"red.csv: found headers and no readings, or nothing"),
        ("red.csv", "", r"red.csv: found headers and no readings, or nothing at all"),
        ("red.csv", "rpm,A\n900,1\n", r"red.csv, row 1: found no column of voltage"),
        ("load.csv", "rpm,V,A\n900,9,\n", r"row 2, column \"A\": found a blank cell"),
    ],
)
def test_a_single_table_that_cannot_be_used_is_told(tmp_path, name, content, message):
    (tmp_path / name).write_text(content)

    with pytest.raises(BenchError, match=message):
        read_bench(tmp_path / name)


def test_every_row_left_out_is_refused_with_the_reason(tmp_path):
    (tmp_path / "red.csv").write_text("rpm,V,exclude\n900,9,slipped\n")

    with pytest.raises(BenchError, match=r"no row that counts.*'slipped'.*Empty the exclude cell"):
        read_bench(tmp_path / "red.csv")


def test_every_row_left_out_is_told_beside_sheets_that_are_blank(tmp_path):
    files = {"open-circuit.csv": "rpm,V,exclude\n900,9,slipped\n", "load.csv": "rpm,V,A\n"}

    with pytest.raises(BenchError, match=r"open-circuit.csv: Every row is left out.*'slipped'"):
        read(tmp_path, files)


@pytest.mark.parametrize("load", ["0", "-2.2"])
def test_a_load_without_a_current_has_to_be_a_resistor(tmp_path, load):
    """The current would be voltage over load: infinite, or against the machine's own."""
    text = f"rpm,V,A,load (ohm)\n900,8,0.8,10\n900,3,,{load}\n900,0.1,3,0\n"

    with pytest.raises(
        BenchProblemsError, match=r"row 3, column .load \(ohm\).*a current"
    ) as caught:
        read(tmp_path, {"load.csv": text})

    assert len(caught.value.problems) == 1  # a short circuit with its current is fine


@pytest.mark.parametrize("name", ["machine.toml.txt", "KIT.Toml.txt", "kits.toml"])
def test_settings_under_another_name_are_told(tmp_path, name):
    (tmp_path / name).write_text('[machine]\nname = "blue tag"\n')
    (tmp_path / "open-circuit.csv").write_text(GOOD)

    (finding,) = (one for one in read_bench(tmp_path).findings if one.kind == "not-read")
    assert finding.where == name
    assert "rename" in finding.suggestion


@pytest.mark.parametrize("name", ["kit.toml", "profile.json"])
def test_a_file_beside_the_readings_sends_to_its_folder(tmp_path, name):
    (tmp_path / name).write_text("{}")

    with pytest.raises(BenchError, match=r"Name the folder that it is in: motorfit fit"):
        read_bench(tmp_path / name)


@pytest.mark.parametrize(
    ("sheet", "message"),
    [
        ("rpm,V,A,exclude\n700,7,1,slip\n800,hot,1,\n", r"row 3, column \"V\": found 'hot'"),
        ("rpm,V,A,exclude\n700,7,1,slip\n800,1e99,1,\n", r"row 3, column \"V\": found '1e99'"),
        ("rpm,V,ohm,exclude\n700,7,4,slip\n800,8,0,\n", r"row 3, column \"ohm\": found '0'"),
        ("rpm,V,A,exclude\n700,7,1,slip\n800,,1,\n", r"row 3, column \"V\": found a blank"),
        ("# one\n# two\nrpm,V,amp (C)\n900,9,1\n", r'row 3, column "amp \(C\)"'),
        ("# one\n# two\nrpm,A\n900,1\n", r"row 3: found no column of voltage"),
    ],
)
def test_places_are_told_as_the_spreadsheet_shows_them(tmp_path, sheet, message):
    """Counted by hand, with rows left out and remarks above."""
    with pytest.raises(BenchError, match=message):
        read(tmp_path, {"load.csv": sheet})


def test_a_wrong_header_does_not_hide_the_wrong_cells_of_the_other_columns(tmp_path):
    """Whoever mends the header should not have to come back for the rest."""
    load = "speed (furlong),voltage (V),current (A),direction\n900,9 V,1,\n800,8,x,up\n"

    with pytest.raises(BenchProblemsError, match="4 problems to mend first") as caught:
        read(tmp_path, {"load.csv": load})

    told = [(problem.row, problem.column) for problem in caught.value.problems]
    assert told == [
        (1, "speed (furlong)"),
        (2, "voltage (V)"),
        (3, "current (A)"),
        (3, "direction"),
    ]
