"""Blank sheets: what stands in them, and what is never overwritten."""

import re
import tomllib
from pathlib import Path

import pytest

from motorfit.bench.kinds import KINDS
from motorfit.bench.settings import Settings
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
from motorfit.cautions import cautions_of
from motorfit.errors import OutputError
from motorfit.quantities import read_accuracy

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


def keys_behind_remarks(text):
    """The tables of a TOML text with every example in it switched on."""
    return tomllib.loads(re.sub(r"^# (?=\[|\w+ = )", "", text, flags=re.MULTILINE))


def test_every_key_of_machine_toml_is_one_that_is_read():
    tables = keys_behind_remarks(machine_text("drum motor"))
    claims = tables.pop("claims")
    assert claims["rated_voltage"] == "36 V"
    for table, keys in tables.items():
        known = Settings.model_fields[table].annotation.model_fields
        assert keys
        assert set(keys) <= set(known)


def test_kit_toml_holds_the_answers():
    kit = Kit(
        voltage=MeterAnswer(accuracy='0.5 % + 2 "digits"', counts=6000),
        speed=SPEED_METERS["tachometer"],
    )
    instruments = tomllib.loads(kit_text(kit))["instruments"]
    assert instruments["voltage"] == {"accuracy": '0.5 % + 2 "digits"', "counts": 6000}
    assert instruments["current"] == {"accuracy": "unknown"}
    assert instruments["speed"] == {"accuracy": "0.1 % + 1 digit"}


def test_kit_toml_examples_are_readable():
    tables = keys_behind_remarks(kit_text())
    meters = tables["instruments"]
    assert set(meters) == {"voltage", "current", "speed", "load"}
    for quantity, keys in meters.items():
        read_accuracy(keys["accuracy"], quantity)
    assert set(tables) == {"instruments", "leads", "shelf"}


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
