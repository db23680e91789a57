"""Whatever stands in a file: a bench, or a message about it; and numbers stay what they are."""

import csv
import io
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from motorfit.bench.folder import read_bench
from motorfit.bench.kinds import KINDS
from motorfit.bench.records import Bench
from motorfit.errors import BenchError

HEADERS = st.sampled_from(
    [
        *("speed (rpm)", "voltage (V)", "current (mA)", "load (ohm)", "torque (N m)", "time [s]"),
        *(
            "volts",
            "Hz",
            "amps",
            "winding (degC)",
            "speed_rpm",
            "position",
            "force (kg)",
            "arm (m)",
        ),
        *("note", "setting", "direction", "exclude", "", "remarks: none", "speed (furlong)"),
    ]
)
CELLS = st.one_of(
    st.sampled_from(
        [
            *("", "12.5", "12,5", "1,234", "1.234", "1500", "-3", "0", "1e5", "1e-400", "9e999"),
            *(
                "NaN",
                "inf",
                "--",
                "12 V",
                "850 mV",
                "50 %",
                "a",
                "b",
                "x",
                "#",
                "# 1",
                '"',
                "1'000",
            ),
        ]
    ),
    st.floats().map(repr),
    st.text(max_size=6),
)
#: Headers with which a sheet of each kind is complete.
COMPLETE = {
    "open-circuit": ["rpm", "V", "torque (N m)"],
    "load": ["rpm", "V", "A", "ohms"],
    "no-load-motor": ["speed (Hz)", "voltage (mV)", "current (mA)"],
    "brake": ["rpm", "V", "A", "force (kg)", "arm (mm)"],
    "resistance": ["V", "A", "position"],
    "coast-down": ["time (s)", "V", "rpm", "A"],
    "heat-run": ["time (min)", "A", "winding (degF)", "V"],
    "breakaway": ["torque (mN m)", "direction"],
    "zero": ["V", "A"],
    "readings": ["rpm", "V", "A", "setting", "speed (rad/s)"],
}
NUMBERS = st.one_of(
    st.sampled_from(["0", "1", "12.5", "-3", "1e-9", "1e9", "1500", "0.000", "a", ""]),
    st.floats(-1e12, 1e12).map(repr),
    st.integers(-9999, 9999).map(str),
)
NAMES = st.sampled_from([*(f"{kind}.csv" for kind in KINDS), "readings.csv"])


def bench_or_message(name, content):
    """Read one file as a table of its own and as all there is in a folder."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        told = [read_or_tell(source) for source in (path, path.parent)]
    assert all(isinstance(each, Bench) or name in each or path.parent.name in each for each in told)


def read_or_tell(source):
    try:
        return read_bench(source)
    except BenchError as error:
        return str(error)


@given(name=NAMES, content=st.binary(max_size=300))
@example(name="load.csv", content=b"\xff\xfe\x00")
@example(name="load.csv", content=b"\xff\xfe\x00\x00")
@example(name="load.csv", content=b"\x00")
@settings(max_examples=100)
def test_any_bytes_give_a_bench_or_a_message(name, content):
    bench_or_message(name, content)


@given(name=NAMES, text=st.text(max_size=300))
@example(name="load.csv", text="rpm,V,A\n" + "1" * 200_000 + ",2,3\n")
@example(name="load.csv", text="rpm,V,A\n" + "9" * 5000 + ",2,3\n")
@settings(max_examples=100)
def test_any_text_gives_a_bench_or_a_message(name, text):
    bench_or_message(name, text.encode("utf-8", errors="surrogatepass"))


@given(
    name=NAMES,
    headers=st.lists(HEADERS, min_size=1, max_size=5),
    rows=st.lists(st.lists(CELLS, max_size=6), max_size=5),
    delimiter=st.sampled_from([",", ";", "\t"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1"]),
    quoted=st.booleans(),
)
@settings(max_examples=300)
def test_anything_like_a_sheet_gives_a_bench_or_a_message(
    name, headers, rows, delimiter, end, encoding, quoted
):
    table = io.StringIO()
    if quoted:
        csv.writer(table, delimiter=delimiter, lineterminator=end).writerows([headers, *rows])
        text = table.getvalue()
    else:
        text = end.join(delimiter.join(row) for row in [headers, *rows])
    bench_or_message(name, text.encode(encoding, errors="replace"))


@given(
    kind=st.sampled_from(list(COMPLETE)),
    rows=st.lists(st.lists(NUMBERS, min_size=5, max_size=5), min_size=1, max_size=6),
)
@settings(max_examples=300)
def test_odd_numbers_in_a_complete_sheet_give_a_bench_or_a_message(kind, rows):
    """Most of these are benches, and go through the checks of physical sense."""
    headers = COMPLETE[kind]
    lines = [",".join(row[: len(headers)]) for row in [headers, *rows]]
    bench_or_message(f"{kind}.csv", "\n".join(lines).encode())


#: Of ordinary size; decimals as a meter shows them, so that some sheets have whole numbers only.
READINGS = st.lists(
    st.tuples(st.decimals(1, 9999, places=1), st.decimals("0.1", 99, places=2), st.integers(1, 50)),
    min_size=1,
    max_size=8,
)


@given(
    readings=READINGS,
    delimiter=st.sampled_from([",", ";", "\t"]),
    comma=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    margin=st.integers(0, 2),
    remark=st.booleans(),
)
@settings(max_examples=200)
def test_numbers_written_in_any_dialect_read_back_the_same(
    readings, delimiter, comma, encoding, end, margin, remark
):
    """One decimal of the speed settles the decimal sign, so nothing need be refused."""
    table = io.StringIO()
    writer = csv.writer(table, delimiter=delimiter, lineterminator=end)
    if remark:
        writer.writerow(["# written by a test, 20 °C"])
    writer.writerow(["speed (rad/s)", "voltage (V)", "current (A)", *[""] * margin])
    for row in readings:
        cells = [str(number) for number in row]
        writer.writerow(
            [cell.replace(".", ",") if comma else cell for cell in cells] + [""] * margin
        )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "load.csv"
        path.write_bytes(table.getvalue().encode(encoding))
        (run,) = read_bench(path).runs

    expected = np.array(readings, dtype=np.float64).T
    np.testing.assert_array_equal(run.get("speed"), expected[0])
    np.testing.assert_array_equal(run.get("voltage"), expected[1])
    np.testing.assert_array_equal(run.get("current"), -expected[2])
    assert run.rows.tolist() == [2 + remark + place for place in range(len(readings))]
    assert run.written_step == pytest.approx({"speed": 0.1, "voltage": 0.01, "current": 1.0})


@given(
    speed=st.integers(1, 30_000),
    voltage=st.integers(1, 5000),
    delimiter=st.sampled_from([",", ";", "\t"]),
    sign=st.sampled_from([".", ","]),
    grouping=st.sampled_from(["", ".", ",", " ", "'"]),
    quote=st.booleans(),
)
@settings(max_examples=300)
def test_a_number_is_read_right_or_refused_and_never_misread(
    speed, voltage, delimiter, sign, grouping, quote
):
    """Thousands separators and decimal signs in every mixture, even without quotes.

    A sheet is written by one rule for both: the separators differ from the decimal sign.
    """
    if grouping == sign:
        grouping = ""
    cells = [f"{speed:,}".replace(",", grouping), f"{voltage / 10:.1f}".replace(".", sign)]
    if quote:
        cells = [f'"{cell}"' for cell in cells]
    text = delimiter.join(["speed (rad/s)", "voltage (V)", "note"]) + "\n"
    text += delimiter.join([*cells, "quiet"]) + "\n"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "open-circuit.csv"
        path.write_text(text, encoding="utf-8")
        try:
            (run,) = read_bench(path).runs
        except BenchError:
            return

    assert run.get("speed").tolist() == [speed]
    assert run.get("voltage").tolist() == [voltage / 10]
