"""Names of files, as people give them."""

from pathlib import Path

import pytest

from motorfit.bench.kinds import KINDS
from motorfit.bench.naming import is_left_over, kind_of, nearest_kind, unknown_kind


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("load.csv", "load"),
        ("load-hot.csv", "load"),
        ("Load test 2.CSV", "load"),
        ("coast-down-2.csv", "coast-down"),
        ("COAST_DOWN.csv", "coast-down"),
        ("opencircuit.csv", "open-circuit"),
        ("no load motor 24 V.csv", "no-load-motor"),
        ("No_Load-Motor.csv", "no-load-motor"),
        ("zeros.csv", "zero"),
        ("no-load.csv", None),
        ("download.csv", None),
    ],
)
def test_kind_stands_at_the_beginning_of_the_name(name, kind):
    assert kind_of(name) == kind


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_found_by_its_own_name_in_capitals_with_spaces(kind):
    assert kind_of(f"{kind.upper().replace('-', ' ')} 3.csv") == kind


@pytest.mark.parametrize(
    ("name", "nearest"),
    [
        ("lod.csv", "load"),
        ("opencircut-2.csv", "open-circuit"),
        ("coasting.csv", "coast-down"),
        ("restistance.csv", "resistance"),
        ("break.csv", "brake"),
        ("nolaod-motor.csv", "no-load-motor"),
    ],
)
def test_a_misspelt_name_gets_the_nearest_kind(name, nearest):
    assert nearest_kind(name) == nearest
    assert f"The nearest is {nearest}: rename" in str(unknown_kind(Path(name)))


@pytest.mark.parametrize("name", ["no-load.csv", "No load 2.csv", "NOLOAD_hot.csv"])
def test_no_load_is_asked_about(name):
    message = str(unknown_kind(Path(name)))

    assert "turned from outside with nothing connected (rename it to open-circuit.csv)" in message
    assert "running by itself from a supply (no-load-motor.csv)?" in message


@pytest.mark.parametrize(
    "name",
    [
        *(".load.csv", "._load.csv", ".~lock.load.csv#", "~$load.xlsx", "~load.csv", "load.csv~"),
        *("load.csv.bak", "load.bak.csv", "load.csv.old", "load.csv.swp", "load.orig.csv"),
    ],
)
def test_hidden_files_backups_and_locks_are_left_over(name):
    assert is_left_over(name)


@pytest.mark.parametrize("name", ["load.csv", "Load old motor.csv", "backup load.csv"])
def test_ordinary_names_are_not_left_over(name):
    assert not is_left_over(name)
