"""`motorfit fit --robust` and `--terms`: the choices arrive, and come out in every form."""

import json

import pytest
from click.testing import CliRunner

from motorfit.cli import main


@pytest.fixture
def bench(tmp_path):
    place = tmp_path / "bench"
    result = CliRunner().invoke(
        main, ["simulate", str(place), "--seed", "3", "--mistake", "swapped-digits"]
    )
    assert result.exit_code == 0
    return place


def run(*words):
    return CliRunner().invoke(main, ["fit", *map(str, words)])


def content(result):
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_robust_names_what_it_held_back(bench):
    """The slip of that seed is in row 9 of the load sheet."""
    plain = content(run(bench, "--json"))
    robust = content(run(bench, "--robust", "--json", "--force"))

    assert not plain["robust"]
    assert {row["weight"] for row in plain["residuals"]} == {1.0}
    assert robust["robust"]
    least = min(robust["residuals"], key=lambda row: row["weight"])
    assert (least["file"], least["row"]) == ("load.csv", 9)
    note = next(one for one in robust["findings"] if one["kind"] == "held-back")
    assert note["where"] == "load.csv:9"


def test_details_show_weights_and_terms(bench):
    shown = run(bench, "--robust", "--details").stdout
    assert "Optional terms" in shown
    assert "windage: not in; the readings do not ask for it" in shown
    assert "counts 0 %" in shown


def test_terms_are_named_with_commas(bench):
    found = content(run(bench, "--terms", "windage, armature-reaction", "--json"))
    assert [one["term"] for one in found["terms"] if one["included"]] == [
        "armature-reaction",
        "windage",
    ]
    found = content(run(bench, "--terms", "none", "--json"))
    assert all(one["asked"] and not one["included"] for one in found["terms"])
    found = content(run(bench, "--terms", "auto", "--json"))
    assert not any(one["asked"] for one in found["terms"])


def test_an_unknown_term_is_refused_with_the_nearest(bench):
    result = run(bench, "--terms", "windge")
    assert result.exit_code == 2
    assert "the nearest is 'windage'" in result.stderr
    assert not (bench / "profile.json").exists()


@pytest.mark.parametrize(
    ("terms", "says"),
    [("none,windage", "'none' stands alone"), ("windage,auto", "'auto' stands"), (" ", "no term")],
)
def test_words_that_stand_for_all_terms_stand_alone(bench, terms, says):
    result = run(bench, "--terms", terms)

    assert result.exit_code == 2
    assert says in result.stderr
