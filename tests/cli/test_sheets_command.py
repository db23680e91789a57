"""motorfit sheets: whether the arguments arrive, and what is asked."""

import json
import tomllib

import pytest
from click.testing import CliRunner

from motorfit.bench.kinds import KINDS
from motorfit.cli import main
from motorfit.cli import sheets as command


def run(*arguments, answers=None):
    return CliRunner().invoke(main, ["sheets", *map(str, arguments)], input=answers)


def test_default_sheets(tmp_path):
    result = run(tmp_path / "motor")
    assert result.exit_code == 0
    assert {path.name for path in (tmp_path / "motor").iterdir()} == {
        "open-circuit.csv",
        "load.csv",
        "no-load-motor.csv",
        "machine.toml",
        "kit.toml",
    }
    assert result.output.endswith(f"  motorfit fit {tmp_path / 'motor'}\n")


def test_tests_are_named_as_people_write_them(tmp_path):
    written = json.loads(run(tmp_path, "--tests", "Brake, coast_down", "--json").stdout)["written"]
    assert written[:2] == ["brake.csv", "coast-down.csv"]


def test_all_tests(tmp_path):
    run(tmp_path, "--tests", "all")
    assert {path.stem for path in tmp_path.glob("*.csv")} == set(KINDS)


def test_an_unknown_test_names_the_nearest(tmp_path):
    result = run(tmp_path, "--tests", "lod")
    assert result.exit_code == 2
    assert "the nearest is load" in result.stderr
    assert not list(tmp_path.iterdir())


def test_a_sheet_that_is_there_is_2_and_stays(tmp_path):
    (tmp_path / "load.csv").write_text("readings", "utf-8")
    result = run(tmp_path)
    assert result.exit_code == 2
    assert "already has load.csv" in result.stderr
    assert (tmp_path / "load.csv").read_text("utf-8") == "readings"


def test_nothing_is_asked_when_piped(tmp_path):
    assert "Voltmeter" not in run(tmp_path).output


@pytest.fixture
def terminal(monkeypatch):
    """The command finds a terminal; click's runner gives the answers."""
    monkeypatch.setattr(command, "on_a_terminal", lambda: True)


@pytest.mark.usefixtures("terminal")
def test_enter_takes_every_default(tmp_path):
    result = run(tmp_path, answers="\n" * 5)
    assert result.exit_code == 0
    kit = tomllib.loads((tmp_path / "kit.toml").read_text("utf-8"))
    assert kit["instruments"] == {"voltage": {}, "current": {}, "speed": {}}


@pytest.mark.usefixtures("terminal")
def test_an_unreadable_answer_is_asked_again(tmp_path):
    result = run(tmp_path, answers="good\n0.5 % + 2 digits\n60\n6000\n1 %\n\nwatch\n")
    assert result.exit_code == 0
    assert result.output.count("Voltmeter: accuracy") == 2
    kit = tomllib.loads((tmp_path / "kit.toml").read_text("utf-8"))
    assert kit["instruments"]["voltage"] == {"accuracy": "0.5 % + 2 digits", "counts": 6000}
    assert kit["instruments"]["speed"] == {"accuracy": "2 %"}


@pytest.mark.usefixtures("terminal")
def test_nothing_is_asked_where_there_is_a_kit(tmp_path):
    (tmp_path / "kit.toml").write_text("", "utf-8")
    assert "Voltmeter" not in run(tmp_path / "motor").output


@pytest.mark.usefixtures("terminal")
def test_stopping_at_a_question_writes_nothing(tmp_path):
    assert run(tmp_path / "motor", answers="0.5 %\n").exit_code == 130
    assert not (tmp_path / "motor").exists()
