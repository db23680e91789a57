"""The coverage study: one small run for real, and its command."""

import pandas as pd
import pytest
from click.testing import CliRunner

from motorfit.studies.coverage import main, run_trials
from motorfit.studies.scenarios import SCENARIOS
from motorfit.studies.tables import main as print_tables
from motorfit.studies.trials import Ask, seed_of, trial

ASK = Ask(seed=1)


@pytest.mark.parametrize("name", list(SCENARIOS))
def test_every_scenario_can_be_simulated_and_fitted(name):
    done = trial(name, 0, ASK)

    assert not done.failed
    assert done.results


def test_started_processes_give_the_same_benches():
    alone = list(run_trials(["ten readings"], 2, ASK, processes=1))
    assert list(run_trials(["ten readings"], 2, ASK, processes=2)) == alone


def test_each_bench_has_a_seed_of_its_own():
    seeds = {
        seed_of(name, number, seed) for name in SCENARIOS for number in range(50) for seed in (1, 2)
    }
    assert len(seeds) == len(SCENARIOS) * 50 * 2


def test_a_scale_that_nobody_knows_is_drawn_bench_by_bench():
    """Log-evenly within a factor of three either way of 0.08 A."""
    scenario = SCENARIOS["half of them small, brush scale unknown"]
    scales = [scenario.machine_of(seed).brush_current_scale for seed in range(60)]

    assert 0.08 / 3 <= min(scales) < 0.04
    assert 0.16 < max(scales) <= 0.08 * 3
    assert SCENARIOS["plain meters"].machine_of(1) is SCENARIOS["plain meters"].machine


def test_ways_to_an_interval_share_the_estimate():
    """Draws make another interval about the same fit; with 200 of them roughly as wide."""
    ask = Ask(seed=1, intervals=("linear", "monte-carlo"), draws=200)
    results = trial("ten readings", 0, ask).results
    linear, drawn = (
        {each.quantity: each for each in results if each.interval == way} for way in ask.intervals
    )

    assert list(linear) == list(drawn) == ["k", "R", "Vb", "T0", "b", "V half", "V full", "loss W"]
    for name, one in linear.items():
        other = drawn[name]
        assert other.value == one.value
        assert other.low != one.low
        # a factor of two is far beyond what a t quantile or 200 draws make of it
        assert 0.5 < (other.high - other.low) / (one.high - one.low) < 2.0


def test_what_needs_an_unknown_parameter_is_left_out():
    """No motor test: nothing tells of the loss."""
    names = {each.quantity for each in trial("resistor values, no ammeter", 0, ASK).results}

    assert names == {"k", "R", "Vb", "V half", "V full"}


@pytest.mark.parametrize("repeat", [False, True])
def test_the_command_writes_a_table_and_a_figure(tmp_path, repeat):
    out, figure = tmp_path / "coverage.csv", tmp_path / "coverage.svg"
    asked = ["--benches", "2", "--scenario", "ten readings", "--processes", "1", "-o", str(out)]
    asked += ["--figure", str(figure)]
    if repeat:
        out.write_text("mine", "utf-8")
        figure.write_text("mine", "utf-8")
        asked.append("--force")
    shown = CliRunner().invoke(main, asked)

    assert (shown.exit_code, shown.stderr) == (0, "")  # no progress where nobody looks
    assert "Target for coverage: met" in shown.stdout
    assert "  ten readings: error 0, caution 0 of 2" in shown.stdout
    table = pd.read_csv(out)
    assert table["quantity"].tolist() == ["k", "R", "Vb", "T0", "b", "V half", "V full", "loss W"]
    assert (table["benches"] == 2).all()
    assert (table["level"] == 0.95).all()
    assert "<svg" in figure.read_text("utf-8")
    printed = CliRunner().invoke(print_tables, [str(out)])
    assert printed.exit_code == 0
    assert "### Width over the ideal, linear" in printed.stdout


@pytest.mark.parametrize("option", ["-o", "--figure"])
def test_a_file_that_is_there_is_refused_before_the_work(tmp_path, monkeypatch, option):
    there = tmp_path / "there.png"
    there.write_text("mine", "utf-8")
    monkeypatch.setattr("motorfit.studies.coverage.run_trials", None)  # never called
    shown = CliRunner().invoke(main, [option, str(there)])

    assert shown.exit_code == 2
    assert "is there already. Replace it with --force." in shown.stderr
    assert there.read_text("utf-8") == "mine"


def test_a_figure_of_another_kind_is_refused_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setattr("motorfit.studies.coverage.run_trials", None)
    shown = CliRunner().invoke(main, ["--figure", str(tmp_path / "coverage.jpg")])

    assert shown.exit_code == 2
    assert "a figure ends in .png or .svg." in shown.stderr
