"""Planted faults: how visible they are, and how they are counted."""

import pandas as pd
import pytest
from click.testing import CliRunner

from motorfit.studies.faults import (
    CLASSES,
    class_of,
    clean_table,
    faults_table,
    faults_text,
    main,
)
from motorfit.studies.hidden import HIDDEN, hidden_table
from motorfit.studies.planting import FAULTS, Planted, planted
from motorfit.studies.tables import faults_tables
from motorfit.studies.tables import main as print_tables
from motorfit.studies.trials import Trial


def one(noncentrality, *, found=True, named=True, placed=True, kinds=("outlier",)):
    return Planted(
        fault="sign",
        noncentrality=noncentrality,
        found=found,
        named=named,
        placed=placed,
        kinds=kinds,
    )


MISSED = one(1.0, found=False, named=False, placed=False, kinds=())


@pytest.mark.parametrize("fault", list(FAULTS))
def test_every_fault_can_be_planted(fault):
    assert planted(fault, 0, seed=3) is not None


@pytest.mark.parametrize("fault", ["heating", "armature-reaction", "loose-lead"])
def test_sizes_are_chosen_by_what_can_be_seen(fault):
    """Aimed from 1 to 25; a fault is in proportion to its size but for the circuit's bend."""
    found = [planted(fault, number, seed=5) for number in range(3)]

    assert all(0.5 < each.noncentrality < 40.0 for each in found)
    assert len({round(each.noncentrality, 3) for each in found}) == 3


def test_a_sign_is_found_named_and_placed():
    """Two voltages or currents of the wrong sign are hundreds of standard deviations off."""
    found = planted("sign", 0, seed=1)

    assert found.noncentrality > 50.0
    assert found.found
    assert found.named
    assert found.placed


def test_the_same_seed_plants_the_same():
    assert planted("heating", 1, seed=2) == planted("heating", 1, seed=2)


@pytest.mark.parametrize(
    ("noncentrality", "name"),
    [(0.0, "below 2"), (2.0, "2 to 3.5"), (4.99, "3.5 to 5"), (5.0, "5 or more")],
)
def test_classes(noncentrality, name):
    assert class_of(noncentrality) == name


def test_faults_are_counted_by_class():
    table = faults_table([MISSED, one(7.0), None, one(9.0, named=False)])

    assert table["noncentrality"].tolist() == ["below 2", "5 or more"]
    assert table["benches"].tolist() == [1, 2]
    assert table["found"].tolist() == [0, 2]
    assert table["named"].tolist() == [0, 1]
    assert table["placed"].tolist() == [0, 2]
    assert table["kinds"].tolist() == ["", "outlier 2"]


def test_no_share_is_told_of_faults_that_nobody_planted():
    assert faults_text(faults_table([MISSED])).endswith("5 or more: there was none")
    assert faults_text(faults_table([one(7.0)])).endswith("5 or more: 100.0 % of 1")


def test_clean_benches_are_counted_by_scenario():
    trials = [
        Trial(scenario="one", results=()),
        Trial(scenario="one", results=(), false_errors=("outlier", "outlier")),
        Trial(scenario="two", results=(), false_cautions=("large-scatter",)),
    ]
    table = clean_table(trials)

    assert table["benches"].tolist() == [2, 1]
    assert table["errors"].tolist() == [1, 0]
    assert table["cautions"].tolist() == [0, 1]
    assert table["kinds"].tolist() == ["outlier 1", "large-scatter 1"]


def test_the_command_writes_what_the_tables_are_made_of(tmp_path):
    out = tmp_path / "faults.csv"
    asked = ["--benches", "1", "--clean", "1", "--fault", "sign", "--processes", "1"]
    shown = CliRunner().invoke(main, [*asked, "-o", str(out)])

    assert (shown.exit_code, shown.stderr) == (0, "")
    assert "Found of those with noncentrality 5 or more: 100.0 % of 1" in shown.stdout
    assert pd.read_csv(out)["table"].tolist() == ["clean", "planted", *["hidden"] * len(HIDDEN)]

    printed = CliRunner().invoke(print_tables, [str(out)])
    assert printed.exit_code == 0
    assert "| sign |  |  |  | 100 (1) | 100 (1) | 100 (1) |" in printed.stdout.splitlines()
    assert "| together | 1 | 0 | 0 |" in printed.stdout.splitlines()


def test_what_a_parameter_takes_up_is_hidden():
    """Where nothing else has brushes or a winding, a lead is winding and a shift brush drop."""
    table = hidden_table(seed=1).set_index("name")
    few = table["three open-circuit, four load readings"]

    assert (few < 0.1).all()
    # other tests know the winding and the brushes by themselves
    assert (table.loc[[name for name in table.index if "load" in name], "plain meters"] > 2.0).all()


def test_an_existing_file_is_refused_before_the_work(tmp_path):
    there = tmp_path / "there.csv"
    there.write_text("mine", "utf-8")
    shown = CliRunner().invoke(main, ["-o", str(there)])

    assert shown.exit_code == 2
    assert "is there already. Replace it with --force." in shown.stderr
    again = CliRunner().invoke(print_tables, [str(there)])
    assert again.exit_code == 2
    assert "not a table of the coverage, the faults or the choices study" in again.stderr


def test_shares_stand_in_the_class_of_their_noncentrality():
    table = faults_table([one(3.0, found=False), one(3.0), one(8.0)])
    text = faults_tables(table.assign(table="planted", seed=1, commit=float("nan")))

    assert text.startswith("Made: seed 1.")
    assert "| sign |  | 50 (2) |  | 100 (1) | 100 (1) | 100 (1) |" in text
    assert len(CLASSES) == 4
