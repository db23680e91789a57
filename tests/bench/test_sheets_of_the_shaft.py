"""What the blank sheets say of discs, drives and flywheels, held against the reader."""

import re

import pytest

from motorfit.bench.folder import read_bench
from motorfit.bench.kinds import KINDS
from motorfit.bench.sheets import sheet_text, write_sheets
from motorfit.cautions import CAUTIONS_OF_TEST

ROWS = {
    "coast-down": "0,,16.0,,,,\n1,,13.0,,,,\n2,,10.2,,,,\n",
    "open-circuit": "1000,8.0,,,,\n",
}


def examples(kind):
    """Lines that the sheet gives as remarks to be written above the table."""
    return re.findall(r"^# +(# .*)$", sheet_text(kind), re.MULTILINE)


def filled(folder, kind, text):
    write_sheets(folder, [kind])
    (folder / f"{kind}.csv").write_text(text, "utf-8")
    (run,) = read_bench(folder).runs
    return run


@pytest.mark.parametrize("kind", list(ROWS))
def test_an_example_in_a_blank_sheet_is_no_remark(tmp_path, kind):
    """The sheet filled in as it is: nothing was put on the shaft, the machine was there."""
    assert examples(kind)
    run = filled(tmp_path, kind, sheet_text(kind) + ROWS[kind])

    assert run.added_inertia is None
    assert not run.uncoupled


def test_each_example_of_a_coast_down_is_read_when_written_on_top(tmp_path):
    """0.50 kg of 120 mm are 0.0009 kg m2, and 0.0012 kg m2 stand there as they are."""
    said = [
        filled(tmp_path / str(place), "coast-down", f"{line}\n" + _bare("coast-down"))
        for place, line in enumerate(examples("coast-down"))
    ]

    assert [run.added_inertia.value for run in said] == pytest.approx([0.0009, 0.0012])


def test_the_example_of_a_drive_alone_is_read_when_written_on_top(tmp_path):
    (line,) = examples("open-circuit")
    text = f"{line}\nspeed (rpm),drive_power (W)\n1000,20\n"

    assert filled(tmp_path, "open-circuit", text).uncoupled


def _bare(kind):
    return sheet_text(kind).splitlines()[-1] + "\n" + ROWS[kind]


def test_a_coast_down_warns_of_the_flywheel_and_of_wires_joined():
    assert {"flywheel", "short-circuit"} <= set(CAUTIONS_OF_TEST["coast-down"])


def test_a_heat_run_does_not_ask_for_a_few_seconds_only():
    """It lasts an hour: the caution of a held rotor is another one there."""
    assert "held-rotor" not in CAUTIONS_OF_TEST["heat-run"]
    assert "held-for-long" in CAUTIONS_OF_TEST["heat-run"]


@pytest.mark.parametrize("kind", list(KINDS))
def test_no_line_of_a_sheet_is_taken_for_a_remark_that_counts(tmp_path, kind):
    """A blank sheet with a remark that cannot be read would be a problem, not a blank sheet."""
    write_sheets(tmp_path, [kind, "open-circuit"])
    sheet = tmp_path / "open-circuit.csv"
    sheet.write_text(sheet_text("open-circuit") + "1000,8.0,,,,\n", "utf-8")

    assert [run.kind for run in read_bench(tmp_path).runs] == ["open-circuit"]
