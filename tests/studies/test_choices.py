"""The study of optional terms and the robust fit: its benches, its sums and its command."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from motorfit.studies.cases import CASES, POINT, SHOWN, SLIP
from motorfit.studies.choice_tables import choices_tables, choices_text
from motorfit.studies.choices import Outcome, choices_table, main, outcomes
from motorfit.studies.tables import main as print_tables
from motorfit.studies.trials import Result

CASE = "windage: none"  # T0 = 0.03 N m
TRUE = 0.03


def fitted(value, *, half_width=0.002, choice="left to the readings", **told):
    result = Result(
        quantity="T0",
        interval=choice,
        value=value,
        standard_uncertainty=0.001,
        low=value - half_width,
        high=value + half_width,
    )
    return Outcome(case=CASE, choice=choice, results=(result,), **told)


def test_sums_are_what_one_counts_by_hand():
    """Of five benches one has no value and one no fit; 0.033 is above by more than 0.002."""
    none = Outcome(case=CASE, choice="left to the readings", results=(), claimed=False)
    failed = dataclasses.replace(none, claimed=None, failed=True)
    done = [fitted(0.03, claimed=False), fitted(0.033, claimed=True), fitted(0.029, claimed=True)]
    (row,) = choices_table([(one,) for one in (*done, none, failed)]).to_dict("records")

    assert (row["topic"], row["case"], row["quantity"]) == ("windage", "none", "T0")
    assert (row["benches"], row["known"], row["not_fitted"]) == (5, 0.6, 0.2)
    assert row["claimed"] == 0.5  # of the four with a fit
    assert row["coverage"] == pytest.approx(2 / 3)
    assert (row["below"], row["above"]) == pytest.approx((0.0, 1 / 3))
    assert row["standard_error"] == pytest.approx((2 / 9 / 3) ** 0.5)
    assert row["half_width"] == pytest.approx(0.002 / TRUE)
    assert row["error"] == pytest.approx(((0.003**2 + 0.001**2) / 3) ** 0.5 / TRUE)


def test_tables_tell_which_share_had_a_value_and_name_a_case_once():
    chosen = Outcome(case=CASE, choice="`--terms none`", results=())
    both = [
        (fitted(0.03, claimed=False), fitted(0.05, choice="`--terms none`")),
        (fitted(0.03, claimed=False), chosen),
    ]
    table = choices_table(both)
    printed = choices_tables(table.assign(seed=1, commit=float("nan"))).splitlines()

    assert printed[0] == "Made: 2 benches a case, seed 1."
    assert printed[-2] == "| none | left to the readings | 100 | 6.7 |  |  |  |  | 0 |"
    assert printed[-1] == "|  | `--terms none` | 0 (50) | 6.7 |  |  |  |  |  |"
    assert choices_text(table).splitlines()[-1].split() == ["--terms", "none", "0", "(50)", "6.7"]


@pytest.mark.parametrize(
    ("half_width", "shown"),
    [(0.0001, "0.33"), (0.0009, "3.0"), (0.0042, "14"), (0.02991, "100"), (0.036, "120")],
)
def test_half_widths_have_two_digits_that_count(half_width, shown):
    """In percent of 0.03 N m."""
    text = choices_text(choices_table([(fitted(0.03, half_width=half_width),)]))

    assert text.splitlines()[-1].split()[-2:] == ["100", shown]


@pytest.mark.parametrize("name", list(CASES))
def test_every_case_has_its_truths(name):
    """The machine without the term: 0.08 V s/rad at 330 rad/s, 0.8 ohm, 0.8 V, 0.0465 N m.

    Armature reaction takes its share of the EMF at 8 A, half of that at 4 A; windage is its
    share of the loss.
    """
    case = CASES[name]
    share = 0.0 if case.topic not in name or case.words == "none" else _share(case.words)
    reaction, windage = (share * (case.topic == each) for each in ("armature reaction", "windage"))
    truths, emf = case.truths(), 0.08 * POINT.speed

    assert (truths["k"], truths["R"], truths["Vb"]) == (0.08, 0.8, 0.8)
    assert truths["V full"] == pytest.approx(emf * (1 - reaction) - 8 * 0.8 - 0.8)
    assert truths["V half"] == pytest.approx(emf * (1 - 0.5 * reaction) - 4 * 0.8 - 0.8)
    assert truths["loss W"] == pytest.approx((0.03 + 5e-5 * 330) * 330 / (1 - windage))
    assert set(SHOWN[case.topic]) <= truths.keys()


def _share(words):
    return float(words.removesuffix(" %")) / 100 if words.endswith("%") else 0.0


def test_cases_with_the_same_seeds_differ_in_one_reading():
    """The slip alone: a driven reading off by a share within `SLIP`."""
    clean, spoiled = (
        CASES[f"robust fit: 36 readings, {words}"].bench(7) for words in ("clean", "one slip")
    )
    changed = [
        (after[place], before[place])
        for run, spoiled_run in zip(clean.runs, spoiled.runs, strict=True)
        for quantity, before in run.readings.items()
        if run.kind in ("open-circuit", "load")
        for after in [spoiled_run.get(quantity)]
        for place in np.flatnonzero(after != before)
    ]

    ((after, before),) = changed
    assert SLIP[0] <= abs(after / before - 1.0) <= SLIP[1]


def test_a_plain_term_comes_in_by_itself_and_is_missed_without():
    """At full speed 4.2 % of 26 V at 8 A is 0.14 ohm, beside a half-width of 4 % of 0.8 ohm."""
    name = "armature reaction: 4.2 %"
    one = {each.choice: each for each in outcomes(name, 0, seed=1)}
    without = {result.quantity: result for result in one["`--terms none`"].results}

    assert one["left to the readings"].claimed
    assert one["`--terms armature-reaction`"].claimed is None
    assert without["R"].low > CASES[name].truths()["R"]


def test_the_command_writes_what_the_tables_are_made_of(tmp_path, monkeypatch):
    few = {name: CASES[name] for name in CASES if "10 readings" in name or "windage" in name}
    monkeypatch.setattr("motorfit.studies.choices.CASES", few)
    out = tmp_path / "choices.csv"
    asked = ["--benches", "1", "--topic", "robust fit", "--processes", "1", "-o", str(out)]
    done = CliRunner().invoke(main, asked)

    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout.startswith("Robust fit:")
    table = pd.read_csv(out)
    assert table["case"].unique().tolist() == ["10 readings, clean", "10 readings, one slip"]
    assert table["choice"].unique().tolist() == ["counted fully", "`--robust`"]
    assert (table["benches"] == 1).all()
    printed = CliRunner().invoke(print_tables, [str(out)])
    assert printed.exit_code == 0
    assert "| Robust fit | Fit | $k$ held | ± % | $R$ held | ± % |" in printed.stdout
    again = CliRunner().invoke(main, asked)
    assert again.exit_code == 2
    assert "is there already. Replace it with --force." in again.stderr
