"""The coverage study: its arithmetic, and a small one run for real."""

from dataclasses import replace

import pandas as pd
import pytest
from click.testing import CliRunner

from motorfit.studies.coverage import main, run_trials
from motorfit.studies.scenarios import SCENARIOS
from motorfit.studies.scores import findings_table, plain_table, score
from motorfit.studies.trials import Result, Trial, seed_of, trial, truths


def one_result(value, *, uncertainty=0.1, half_width=0.2, truth=1.0, findings=()):
    result = Result(
        quantity="k",
        truth=truth,
        value=value,
        standard_uncertainty=uncertainty,
        low=value - half_width,
        high=value + half_width,
    )
    return Trial(scenario="made up", results=(result,), false_findings=findings)


def test_twenty_benches_hold_the_truth():
    """Of binomial(20, 0.95), fewer than 15 happen once in 3000: too wide a mesh for chance,
    fine enough for an interval that is half as wide as it should be (67 %, 13 of 20)."""
    scores = score(list(run_trials(["plain meters"], 20))).set_index("quantity")

    assert list(scores.index) == ["k", "R", "Vb", "T0", "b", "loss"]
    assert (scores["known"] == 1.0).all()
    assert (scores["coverage"] >= 0.75).all()
    # standard deviation of 20 normal errors: 0.5 to 1.6 holds 99.9 %
    assert scores["spread"].between(0.5, 1.6).all()
    assert (scores["false_findings"] <= 0.1).all()


def test_started_processes_give_the_same_benches():
    alone = list(run_trials(["ten readings"], 2, processes=1))
    assert list(run_trials(["ten readings"], 2, processes=2)) == alone


@pytest.mark.parametrize("name", list(SCENARIOS))
def test_every_scenario_can_be_simulated_and_fitted(name):
    done = trial(name, 0, seed=1, level=0.95, draw="rectangular")

    assert not done.failed
    # the mesh is wide: an estimate further off than twice the truth means a wrong scenario
    assert all(0.0 <= each.value < 3.0 * each.truth for each in done.results)


def test_scores_are_what_one_counts_by_hand():
    """Errors 0, 0.1, -0.1, 0.3: mean 0.075, sample deviation 0.1708; one of four misses."""
    done = [one_result(value) for value in (1.0, 1.1, 0.9, 1.3)]
    (row,) = score([*done, replace(done[0], results=(), failed=True)]).to_dict("records")

    assert row["coverage"] == pytest.approx(0.75)
    assert row["standard_error"] == pytest.approx((0.75 * 0.25 / 4) ** 0.5)
    assert row["half_width"] == pytest.approx(0.2)
    assert row["spread"] == pytest.approx(0.1708 / 0.1, rel=1e-3)
    assert row["bias"] == pytest.approx(0.075 / (0.1708 / 2), rel=1e-3)
    assert row["known"] == pytest.approx(4 / 5)
    assert (row["below"], row["above"]) == (0.0, 0.25)


def test_false_findings_count_once_a_bench():
    done = [one_result(1.0), one_result(1.0, findings=("outlier", "outlier"))]

    assert score(done)["false_findings"].tolist() == [0.5]
    assert findings_table(done).splitlines()[1:] == ["  made up: 1 of 2  outlier 1"]


def test_a_bench_turned_both_ways_is_held_against_direction_a():
    scenario = SCENARIOS["both directions"]

    # direction a has half of the difference more than the machine's EMF constant
    assert truths(scenario)["k"] == pytest.approx(0.08 * (1 + 0.02 / 2))
    assert truths(SCENARIOS["plain meters"])["k"] == pytest.approx(0.08)


def test_each_bench_has_a_seed_of_its_own():
    seeds = {
        seed_of(name, number, seed) for name in SCENARIOS for number in range(50) for seed in (1, 2)
    }
    assert len(seeds) == len(SCENARIOS) * 50 * 2


def test_the_table_fits_a_terminal():
    lines = plain_table(score([one_result(1.0), one_result(1.05)])).splitlines()

    assert len(lines) == 2
    assert max(map(len, lines)) <= 120
    assert lines[1].split()[:3] == ["made", "up", "k"]


@pytest.mark.parametrize("repeat", [False, True])
def test_the_command_writes_a_table_and_its_csv(tmp_path, repeat):
    out = tmp_path / "coverage.csv"
    asked = ["--benches", "2", "--scenario", "ten readings", "--processes", "1", "-o", str(out)]
    if repeat:
        out.write_text("mine", "utf-8")
        asked.append("--force")
    shown = CliRunner().invoke(main, asked)

    assert (shown.exit_code, shown.stderr) == (0, "")  # no progress where nobody looks
    assert "coverage %" in shown.stdout
    table = pd.read_csv(out)
    assert table["quantity"].tolist() == ["k", "R", "Vb", "T0", "b", "loss"]
    assert (table["benches"] == 2).all()


def test_a_file_that_is_there_is_refused_before_the_work(tmp_path, monkeypatch):
    out = tmp_path / "coverage.csv"
    out.write_text("mine", "utf-8")
    monkeypatch.setattr("motorfit.studies.coverage.run_trials", None)  # never called
    shown = CliRunner().invoke(main, ["-o", str(out)])

    assert shown.exit_code == 2
    assert "is there already. Replace it with --force." in shown.stderr
    assert out.read_text("utf-8") == "mine"
