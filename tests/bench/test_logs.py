"""Long logs: read in pieces and reduced, they say what the small sheet would have said."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from motorfit.bench.default_instruments import with_defaults
from motorfit.bench.encoding import decode, fingerprint, read_bytes
from motorfit.bench.folder import read_bench
from motorfit.bench.kinds import KINDS
from motorfit.bench.log_pieces import LogSizes
from motorfit.bench.logs import read_log
from motorfit.bench.runs import read_runs
from motorfit.bench.settings import SpeedTable
from motorfit.bench.tables import split_table
from motorfit.errors import BenchError, BenchProblemsError
from motorfit.meter import Accuracy, Instrument

#: Every reading an average of its own, and pieces of a line or two: nothing is reduced.
UNREDUCED = LogSizes(long=0, piece=40, stretches=10**9, shortest=1, evenly=10**9)
#: A log of some thousand rows cut as one of millions is.
SMALL = LogSizes(long=0, piece=5_000, stretches=1000, evenly=100)

SPEED = SpeedTable(ratio=2.0, pulses_per_rev=3.0)
METER_B = Instrument(quantity="voltage", id="B", accuracy=Accuracy(relative=0.01, text="1 %"))
INSTRUMENTS = with_defaults({("voltage", "B"): METER_B})


def in_pieces(path, kind="coast-down", sizes=UNREDUCED):
    return read_log(path, KINDS[kind], speed=SPEED, instruments=INSTRUMENTS, sizes=sizes)


def at_once(path, kind="coast-down"):
    sheet = split_table(path, decode(path, read_bytes(path)))
    return read_runs(sheet, KINDS[kind], speed=SPEED, instruments=INSTRUMENTS)


def outcome(read):
    """The run and findings, or the messages in the order of their text."""
    try:
        return read(), ()
    except BenchProblemsError as error:
        return None, tuple(sorted(map(str, error.problems)))
    except BenchError as error:
        return None, (str(error),)


def same(path, kind="coast-down"):
    """Assert that both ways give the same; return what they give."""
    whole, complaints = outcome(lambda: at_once(path, kind))
    log, told = outcome(lambda: in_pieces(path, kind))
    assert told == complaints
    if whole is None:
        return None
    assert log is not None
    assert log.fingerprint == fingerprint(path.read_bytes())
    (run,), (other,) = log.sheet.runs, whole.runs
    assert run.rows.tolist() == other.rows.tolist()
    assert run.readings.keys() == other.readings.keys()
    for name in run.readings:  # pandas may round the last of 17 digits otherwise
        np.testing.assert_allclose(run.readings[name], other.readings[name], rtol=1e-13, atol=1e-15)
    assert run.extra.keys() == other.extra.keys()
    for name in run.extra:
        np.testing.assert_allclose(run.extra[name], other.extra[name], rtol=1e-13)
    for name in ("setting", "direction", "note", "excluded", "meters", "units", "kind"):
        assert getattr(run, name) == getattr(other, name), name
    assert run.written_step == pytest.approx(other.written_step, rel=1e-12)
    assert log.sheet.displayed == whole.displayed
    averaged = {"log-averaged", "spikes-left-out"}
    assert [f for f in log.sheet.findings if f.kind not in averaged] == list(whole.findings)
    return run


def write(tmp_path, text, name="coast-down.csv"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


ROWS = [(0.1 * i, 12.0 - 0.25 * i, 2.0 - 0.03125 * i) for i in range(30)]
PLAIN = "time (s),voltage (V),current (A)\n" + "".join(f"{t:.1f},{v},{i}\n" for t, v, i in ROWS)

SHEETS = {
    "plain": PLAIN,
    "windows line ends": PLAIN.replace("\n", "\r\n"),
    "byte-order mark": "\ufeff" + PLAIN,
    "no last line end": PLAIN.rstrip("\n"),
    "semicolons": PLAIN.replace(",", ";"),
    "tabs": PLAIN.replace(",", "\t"),
    "decimal commas": PLAIN.replace(",", ";").replace(".", ","),
    "delimiter named": "sep=;\n" + PLAIN.replace(",", ";"),
    "units": PLAIN.replace("(s)", "(ms)").replace("(V)", "(mV)").replace("(A)", "(mA)"),
    "unix stamps": PLAIN.replace("\n", "\n17000000", 30),
    "remarks": "# voltage meter: B\n"
    + PLAIN.replace("\n2.0", "\n# added inertia: 0.001 kg m2\n2.0"),
    "blank lines": PLAIN.replace("\n1.0", "\n\n\n1.0").replace("\n2.5", "\n,,\n2.5"),
    "quoted": PLAIN.replace("9.5", '"9.5"'),
    "every cell quoted": '"' + PLAIN.rstrip("\n").replace(",", '","').replace("\n", '"\n"') + '"\n',
    "quoted headers": PLAIN.replace("time (s)", '"time (s)"'),
    "blank cells": PLAIN.replace(",1.", ",#1.").replace("#1.9375", "").replace("#", ""),
    "trailing commas": PLAIN.replace("\n", ",,\n"),
    "text columns": PLAIN.replace("\n", ",,\n")
    .replace("(A),,", "(A),exclude,note")
    .replace("9.5,1.6875,,", "9.5,1.6875,drive engaged,")
    .replace("8.0,1.5,,", "8.0,1.5,,warm"),
    "settings": PLAIN.replace("\n", ",\n")
    .replace("(A),", "(A),setting")
    .replace("1.5,\n", "1.5,2\n"),
    "directions": PLAIN.replace("\n", ",a\n").replace("(A),a", "(A),direction"),
    "numbers in an exclude column": PLAIN.replace("\n", ",\n")
    .replace("(A),", "(A),exclude")
    .replace("1.5,\n", "1.5,1\n"),
    "a second voltage": PLAIN.replace("\n", ",5.5\n").replace("(A),5.5", "(A),volts (mV)"),
    "a column of no use": PLAIN.replace("\n", ",x\n").replace("(A),x", "(A),torque (N m)"),
    "several notes": PLAIN.replace("\n", ",cold,late\n").replace("cold,late", "note,note", 1),
    "negative throughout": PLAIN.replace(",", ",-")
    .replace("-voltage", "voltage")
    .replace("-current", "current"),
    "written in Windows-1252": (PLAIN.replace("\n2.0", "\n# 20 °C\n2.0")).encode("cp1252"),
    "zero bytes at the end": PLAIN.encode() + bytes(100),
    "exponents": PLAIN.replace("9.5", "0.95e1"),
    "plus signs and spaces": PLAIN.replace(",9.5", ", +9.5 "),
}

SPOILT = {
    "bad cell": PLAIN.replace("9.5,", "9.5 V,"),
    "bad cells": PLAIN.replace("9.5,", "9.5 V,").replace("1.5\n", "--\n").replace("2.0,", "OL,"),
    "not a number": PLAIN.replace("9.5,", "NaN,").replace("8.0,", "inf,"),
    "too large": PLAIN.replace("9.5,", "1e13,"),
    "too small": PLAIN.replace("9.5,", "1e-20,"),
    "blank voltage": PLAIN.replace("9.5,", ","),
    "truncated last line": PLAIN.rstrip("\n")[:-12],
    "control character": PLAIN.replace("9.5,", "9\x01.5,"),
    "zero byte": PLAIN.replace("9.5,", "9\x00.5,"),
    "time runs backwards": PLAIN.replace("\n2.5,", "\n0.5,"),
    "no resistor": PLAIN.replace("\n", ",10\n")
    .replace("(A),10", "(A),load (ohm)")
    .replace(",1.21875,10", ",1.21875,-10"),
    "too many cells": PLAIN.replace("9.5,", "9,5,"),
    "another decimal sign": PLAIN.replace(",", ";").replace("9.5", "9,5"),
    "no such meter": PLAIN + "# voltage meter: C\n",
    "unknown column": PLAIN.replace("current", "curent"),
    "no column of time": PLAIN.replace("time (s)", "speed (rpm)"),
    "no such direction": PLAIN.replace("\n", ",\n")
    .replace("(A),", "(A),direction")
    .replace("1.5,\n", "1.5,left\n"),
}


@pytest.mark.parametrize("name", SHEETS)
def test_a_log_in_pieces_reads_as_the_whole_sheet_does(tmp_path, name):
    assert same(write(tmp_path, SHEETS[name])) is not None


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_log_in_pieces_is_told_as_the_whole_sheet_is(tmp_path, name):
    assert same(write(tmp_path, SPOILT[name])) is None


@pytest.mark.parametrize(
    "name",
    [
        *(
            "plain",
            "windows line ends",
            "byte-order mark",
            "no last line end",
            "semicolons",
            "tabs",
        ),
        *("decimal commas", "delimiter named", "units", "unix stamps", "quoted headers"),
        *("blank cells", "trailing commas", "a second voltage", "a column of no use"),
        *("negative throughout", "exponents", "plus signs and spaces", "every cell quoted"),
        *("settings", "directions"),
    ],
)
def test_plain_lines_need_no_closer_look(tmp_path, monkeypatch, name):
    """The quick way must not turn into the slow one: millions of rows would take minutes."""

    def refuse(_, content):
        raise AssertionError(content)

    monkeypatch.setattr("motorfit.bench.log_collect.CollectedLog._add_carefully", refuse)
    path = write(tmp_path, SHEETS[name])

    assert len(in_pieces(path).sheet.runs[0]) == len(ROWS)


NUMBERS = st.one_of(
    st.sampled_from(["12.5", "0", "-3.25", "1e2", "7", "12.", ".5", "", "1.5 V", "x", "0.001"]),
    st.floats(-1e6, 1e6).map(lambda number: f"{number:.3f}"),
    st.floats(1e-6, 1e6).map(repr),
)


@settings(max_examples=60, deadline=None)
@given(
    readings=st.lists(
        st.tuples(NUMBERS, NUMBERS, st.sampled_from(["", "", "", "a", "b"])), min_size=1
    ),
    steps=st.lists(st.integers(-1, 30), min_size=1, max_size=5),
    start=st.sampled_from([0, 17, 1_700_000_000]),
    piece=st.integers(1, 300),
    end=st.sampled_from(["\n", "\r\n"]),
)
@example(readings=[("1", "1", "")] * 9, steps=[5], start=0, piece=1, end="\n")
def test_whatever_stands_in_a_log_both_ways_agree(
    tmp_path_factory, readings, steps, start, piece, end
):
    lines = ["time (s),voltage (V),current (mA),direction", f"{start}.125,1.5,2.5,"]
    stamp = start * 1000 + 125
    for number, cells in enumerate(readings):
        stamp += steps[number % len(steps)]
        lines.append(",".join([f"{stamp // 1000}.{stamp % 1000:03d}", *cells]))
    path = write(tmp_path_factory.mktemp("log"), end.join([*lines, ""]))
    whole, complaints = outcome(lambda: at_once(path))
    cut = LogSizes(long=0, piece=piece, stretches=10**9, shortest=1, evenly=10**9)
    log, told = outcome(lambda: in_pieces(path, sizes=cut))

    if len(complaints) <= 20:
        assert told == complaints
    else:
        assert len(told) == 21  # twenty, and how many more
    if whole:
        (run,), (other,) = log.sheet.runs, whole.runs
        assert run.rows.tolist() == other.rows.tolist()
        assert run.direction == other.direction
        for name in run.readings:
            np.testing.assert_allclose(
                run.readings[name], other.readings[name], rtol=1e-13, atol=1e-13
            )


def test_more_than_twenty_problems_are_counted(tmp_path):
    path = write(tmp_path, PLAIN.replace("\n", " A\n").replace("(A) A", "(A)"))

    with pytest.raises(BenchProblemsError) as caught:
        in_pieces(path, sizes=LogSizes(long=0, piece=10_000))

    assert len(caught.value.problems) == 21
    assert "row 2, column \"current (A)\": found '2.0 A'" in str(caught.value.problems[0])
    assert "coast-down.csv: ... and 10 more like these" in str(caught.value.problems[-1])


def test_a_short_sheet_and_one_without_time_are_none(tmp_path):
    path = write(tmp_path, PLAIN)

    assert in_pieces(path, sizes=LogSizes()) is None
    assert in_pieces(path, kind="load", sizes=UNREDUCED) is None
    assert in_pieces(tmp_path / "absent.csv") is None


def test_zero_bytes_that_a_logger_left_at_the_end_are_passed_over(tmp_path):
    """As where the file was made in its full size before the power failed."""
    zeros = write(tmp_path, PLAIN.encode() + bytes(100_000))

    (run,) = in_pieces(zeros, sizes=SMALL).sheet.runs
    assert run.blocks.samples == len(ROWS)

    behind = write(tmp_path, PLAIN.encode() + bytes(100_000) + b"\n9.9,1,1\n")
    with pytest.raises(BenchProblemsError, match=r"row 32: found zero bytes"):
        in_pieces(behind, sizes=SMALL)


def test_a_bench_tells_that_a_long_log_was_averaged(tmp_path):
    """25,000 rows of an even fall: on the line itself, whatever is averaged."""
    time = np.arange(25_000) * 1e-3
    lines = [f"{t:.3f},{50 - 2 * t:.3f}" for t in time]
    path = write(tmp_path, "\n".join(["time (s),voltage (V)", *lines]))

    bench = read_bench(path)

    (run,) = bench.runs
    assert run.blocks is not None
    assert run.blocks.samples == run.blocks.count.sum() == 25_000
    assert 1000 < len(run) < 8000
    np.testing.assert_allclose(run.get("voltage"), 50 - 2 * run.get("time"), atol=1e-9)
    assert bench.files["coast-down.csv"] == fingerprint(path.read_bytes())
    (said,) = [each for each in bench.findings if each.kind == "log-averaged"]
    assert said.says.startswith(f"25,000 rows are read as {len(run):,} averages")
    assert not run.only(run.rows > 1000).blocks.samples < 25_000


def test_settings_and_directions_are_not_mixed_in_an_average(tmp_path):
    lines = [f"{i},5,{'a' if i < 501 else 'b'},{i // 333}" for i in range(1000)]
    path = write(tmp_path, "\n".join(["time (s),voltage (V),direction,setting", *lines]))

    (run,) = in_pieces(path, sizes=SMALL).sheet.runs

    pairs = zip(run.direction, run.setting, strict=True)
    firsts = dict(zip((run.rows - 2).tolist(), pairs, strict=True))
    assert {0, 333, 501, 666, 999} <= firsts.keys()
    assert firsts[501] == ("b", "1")
    assert firsts[333] == ("a", "1")
    for place, pair in firsts.items():
        assert pair == ("a" if place < 501 else "b", str(place // 333))


def test_a_long_log_may_have_rows_left_out(tmp_path):
    """Rows with a reason are in no average: 99 V would stand out in a mean of 5 V."""
    lines = [
        f"{i},{99 if 200 <= i < 260 else 5},{'slipped' if 200 <= i < 260 else ''}"
        for i in range(1000)
    ]
    path = write(tmp_path, "\n".join(["time (s),voltage (V),exclude", *lines]))

    (run,) = in_pieces(path, sizes=SMALL).sheet.runs

    assert run.get("voltage").tolist() == [5.0] * len(run)
    assert [(each.row, each.reason) for each in run.excluded] == [
        (row, "slipped") for row in range(202, 262)
    ]
    assert run.blocks.samples == 940


def test_an_average_has_the_notes_of_all_its_rows(tmp_path):
    lines = [f"{i},5,{'warm' if i < 90 else 'humming' if i < 95 else ''}" for i in range(1000)]
    path = write(tmp_path, "\n".join(["time (s),voltage (V),note", *lines]))

    (run,) = in_pieces(path, sizes=LogSizes(long=0, stretches=10, evenly=999)).sheet.runs

    assert run.rows[1] > 100
    assert run.note == ("warm; humming", *[""] * (len(run) - 1))


@pytest.mark.parametrize("kind", ["coast-down", "heat-run"])
def test_probes_held_the_other_way_round_are_noticed_through_noise_about_zero(tmp_path, kind):
    """A machine at rest is read as 0.01 V of either sign: that tells nothing of the probes."""
    volts = [*(-12.0 + i for i in range(12)), 0.0, 0.01, -0.01, 0.01]
    lines = [f"{i},{volt:.2f},1" for i, volt in enumerate(volts)]
    path = write(tmp_path, "\n".join(["time (s),voltage (V),current (A)", *lines]), f"{kind}.csv")

    run = same(path, kind)

    assert run.get("voltage")[0] == 12.0
    assert run.get("voltage")[-3:].tolist() == [-0.01, 0.01, -0.01]
