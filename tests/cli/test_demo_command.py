"""motorfit demo: readings, fit, screen, figures and a prediction, all called invented."""

import json
import re
import shlex

import pytest
from click.testing import CliRunner

import motorfit
from motorfit.cli import main


def run(*arguments, code=0):
    result = CliRunner().invoke(main, [*map(str, arguments)])
    assert result.exit_code == code, result.output
    return result


@pytest.fixture(autouse=True)
def here(tmp_path, monkeypatch):
    """A folder to work in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_demo_does_the_whole_job(here):
    text = run("demo").stdout

    folder = here / "motorfit-demo"
    assert motorfit.load_profile(folder / "profile.json").machine.name in text
    assert {path.name for path in (folder / "figures").iterdir()} == {
        *("open-circuit.png", "load.png", "loss.png", "spin-down.png", "warm-up.png")
    }
    for part in ("An invented scenario", "Answers", "Findings", "Next", "are invented"):
        assert part in text
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 80


def test_commands_that_the_demo_shows_work_as_they_stand():
    text = run("demo").stdout

    shown = re.findall(r"motorfit ((?:predict|fit) .*)", text)
    assert len(shown) == 3
    for command in shown:
        force = ["--force"] if command.startswith("fit") else []
        run(*shlex.split(command), *force)


def test_prediction_of_the_demo_is_that_of_predict():
    """The line shown and the command beside it must tell the same volts, to the digits shown."""
    text = run("demo").stdout
    command, line = re.search(r"motorfit (predict .*2000 rpm.*)\n\s+(.*)", text).groups()

    volts, amps = line.split()[0], line.split(" and ")[1].split()[0]
    table = run(*shlex.split(command)).stdout
    assert volts in table.split()
    assert amps in table.split()


def test_demo_goes_into_the_folder_that_is_named(here):
    run("demo", "try it")

    assert (here / "try it" / "profile.json").exists()


def test_folder_with_something_in_it_is_left_alone(here):
    (here / "mine").mkdir()
    (here / "mine" / "load.csv").write_text("my readings", "utf-8")

    result = run("demo", "mine", code=2)

    assert "nothing was written" in result.stderr
    assert (here / "mine" / "load.csv").read_text("utf-8") == "my readings"
    assert [path.name for path in (here / "mine").iterdir()] == ["load.csv"]


def test_folder_of_something_else_is_left_alone_too(here):
    """No file of the demo has this name, and yet it is somebody's folder."""
    (here / "mine").mkdir()
    (here / "mine" / "letter.txt").write_text("dear", "utf-8")

    assert "nothing was written" in run("demo", "mine", code=2).stderr
    assert [path.name for path in (here / "mine").iterdir()] == ["letter.txt"]


def test_demo_can_be_made_again_when_asked():
    first = run("demo").stdout

    assert run("demo", "--force").stdout == first


def test_demo_as_json():
    content = json.loads(run("demo", "--json").stdout)

    assert content["profile"]["format"] == "motorfit-profile"
    assert len(content["figures"]) == 5
    assert len(content["coast_downs"]) == 4
    assert content["heating"]["file"] == "heat-run.csv"
    parameters = content["profile"]["parameters"]
    assert parameters["moment_of_inertia"]["standing"] == "measured"
