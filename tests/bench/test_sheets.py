"""Blank sheets: what stands in them, and what is never overwritten."""

import re
import tomllib
from pathlib import Path

import pytest

from motorfit.bench.folder import read_bench
from motorfit.bench.kinds import KINDS
from motorfit.bench.sheets import (
    SHEETS,
    SPEED_METERS,
    Kit,
    MeterAnswer,
    kit_text,
    machine_text,
    sheet_text,
    write_sheets,
)
from motorfit.bench.toml_files import read_settings
from motorfit.cautions import cautions_of
from motorfit.errors import OutputError
from motorfit.simulation.demo import write_demo

TEMPLATES = Path(__file__).parents[2] / "data_templates"
EVERY_KIND = pytest.mark.parametrize("kind", list(KINDS))


def head_and_header(kind):
    """The remarks of a sheet as one text, and the names in its header."""
    *head, header = sheet_text(kind).splitlines()
    return "\n".join(line.removeprefix("# ") for line in head), header.split(",")


def test_every_kind_of_test_has_a_sheet():
    assert set(SHEETS) == set(KINDS)


@EVERY_KIND
def test_columns_are_those_the_test_needs(kind):
    """Against the table of kinds, which the reader goes by as well."""
    columns = {name.split(" (")[0] for name in head_and_header(kind)[1]}
    assert columns <= KINDS[kind].columns
    for group in KINDS[kind].required:
        assert any(option <= columns for option in group)


@EVERY_KIND
def test_the_head_tells_how_to_do_it(kind):
    head, _ = head_and_header(kind)
    plain = " ".join(head.split())
    assert re.search(r"^Takes [\d to]+ minutes\. Needs:$", head, re.MULTILINE)
    assert "WIRING\n" in head
    assert all(caution.says in plain for caution in cautions_of(kind))
    assert ("count 30 turns" in plain) == KINDS[kind].generating  # driven: the rpm is checked
    assert ("does not use it in the fit yet" in plain) == (not KINDS[kind].used)


@EVERY_KIND
def test_remarks_survive_a_spreadsheet(kind):
    """A comma or semicolon would break a remark into cells; a quote would be doubled."""
    head, _ = head_and_header(kind)
    assert not re.search(r'[,;"\t]', head)
    assert head.isascii()
    assert max(map(len, head.splitlines())) <= 80


def switched_on(text):
    """A TOML text with every example in it switched on."""
    return re.sub(r"^# (?=\[|\w+ = )", "", text, flags=re.MULTILINE)


def test_every_example_in_the_toml_files_is_read(tmp_path):
    """The reader itself is the judge: with all examples switched on it finds no problem."""
    (tmp_path / "machine.toml").write_text(switched_on(machine_text("drum motor")), "utf-8")
    (tmp_path / "kit.toml").write_text(switched_on(kit_text()), "utf-8")
    problems = []
    settings = read_settings(tmp_path, problems).settings
    assert problems == []
    assert settings.machine.name == "drum motor"
    assert settings.claims == {"rated_voltage": "36 V", "rated_power": "180 W"}
    assert ("voltage", "B") in settings.instruments


@pytest.mark.parametrize("text", [kit_text(), kit_text(Kit(voltage=MeterAnswer(counts=6000)))])
def test_accuracy_that_nobody_stated_is_assumed(tmp_path, text):
    (tmp_path / "kit.toml").write_text(text, "utf-8")
    settings = read_settings(tmp_path, []).settings
    assert all(meter.assumed for meter in settings.instruments.values())


def test_blank_sheets_are_not_filled_in(tmp_path):
    """With one reading in one of them, the folder is read and the others are named."""
    write_sheets(tmp_path, KINDS)
    sheet = tmp_path / "open-circuit.csv"
    sheet.write_text(sheet.read_text("utf-8") + "1000,5.52,,,,\n", "utf-8")
    bench = read_bench(tmp_path)
    assert [run.kind for run in bench.runs] == ["open-circuit"]
    assert set(bench.not_filled_in) == {f"{kind}.csv" for kind in KINDS} - {"open-circuit.csv"}


def test_kit_toml_holds_the_answers():
    kit = Kit(
        voltage=MeterAnswer(accuracy='0.5 % + 2 "digits"', counts=6000),
        speed=SPEED_METERS["pulses"],
    )
    instruments = tomllib.loads(kit_text(kit))["instruments"]
    assert instruments["voltage"] == {"accuracy": '0.5 % + 2 "digits"', "counts": 6000}
    assert instruments["current"] == {}
    assert instruments["speed"] == {"accuracy": "0.1 %"}


@pytest.mark.parametrize("name", ["plain", 'say "hello"', "back\\slash", "Öl-Pumpe", "bell\x7f"])
def test_any_name_gives_a_readable_machine_toml(name):
    assert tomllib.loads(machine_text(name))["machine"]["name"] == name


def test_the_folder_names_the_machine(tmp_path):
    write_sheets(tmp_path / "drum motor")
    settings = tomllib.loads((tmp_path / "drum motor" / "machine.toml").read_text("utf-8"))
    assert settings["machine"]["name"] == "drum motor"


def test_kit_is_written_the_first_time_only(tmp_path):
    assert "kit.toml" in write_sheets(tmp_path / "one")
    (tmp_path / "one" / "kit.toml").rename(tmp_path / "kit.toml")
    assert "kit.toml" not in write_sheets(tmp_path / "two")
    assert "kit.toml" not in write_sheets(tmp_path / "two", force=True)


def test_sheets_can_be_added_later(tmp_path):
    write_sheets(tmp_path, ["load"], name="drum motor")
    assert write_sheets(tmp_path, ["brake"]) == ("brake.csv",)
    assert "drum motor" in (tmp_path / "machine.toml").read_text("utf-8")


def test_nothing_is_written_over_a_sheet(tmp_path):
    (tmp_path / "load.csv").write_text("speed (rpm),voltage (V)\n1000,5\n", "utf-8")
    with pytest.raises(OutputError, match=r"already has load\.csv: nothing was written"):
        write_sheets(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["load.csv"]


def test_force_replaces_sheets(tmp_path):
    (tmp_path / "load.csv").write_text("", "utf-8")
    write_sheets(tmp_path, ["load"], force=True)
    assert (tmp_path / "load.csv").read_text("utf-8") == sheet_text("load")


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "motor").write_text("", "utf-8")
    with pytest.raises(OutputError, match=r"motor is a file\. Name a folder"):
        write_sheets(tmp_path / "motor")


def test_data_templates_are_what_sheets_writes(tmp_path):
    """`motorfit sheets data_templates --tests all --name "my motor"` brings them up to date."""
    written = write_sheets(tmp_path / "fresh", KINDS, name="my motor")
    files = {path.name for path in TEMPLATES.iterdir() if path.is_file()}
    assert files == set(written)
    for name in written:
        assert (TEMPLATES / name).read_bytes() == (tmp_path / "fresh" / name).read_bytes()


def test_data_templates_hold_the_demo(tmp_path):
    """`motorfit demo` writes the same bench; `write_demo` brings the templates up to date."""
    write_demo(tmp_path / "demo")
    there = {path.name: path.read_bytes() for path in (TEMPLATES / "demo").iterdir()}
    assert there == {path.name: path.read_bytes() for path in (tmp_path / "demo").iterdir()}
