"""motorfit fit: the arguments arrive, the right files are written, nothing is lost."""

import json
import subprocess
import sys

import pytest
from click.testing import CliRunner

import motorfit
from motorfit.cli import main
from motorfit.simulation.demo import write_demo

RED = """rpm,volts,amps
500,2.91,
1000,5.80,
1500,8.66,
1000,4.83,0.48
1000,4.20,0.91
1500,6.40,1.40
"""


@pytest.fixture(autouse=True)
def here(tmp_path, monkeypatch):
    """A folder to work in: one table of driven readings, and a folder with the demo's."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "red.csv").write_text(RED, "utf-8")
    write_demo(tmp_path / "green")
    return tmp_path


def add_bad_bench(here):
    """A folder whose one sheet has a word where a number should be."""
    (here / "bad").mkdir()
    (here / "bad" / "load.csv").write_text("rpm,volts,amps\n1000,many,1\n", "utf-8")


def files_in(folder):
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def run(*arguments, code=0):
    result = CliRunner().invoke(main, ["fit", *map(str, arguments)])
    assert result.exit_code == code, result.output
    return result


def test_folder_gets_its_profile_and_shows_a_screen(here):
    result = run("green")

    assert (
        motorfit.load_profile(here / "green" / "profile.json").machine.name
        == "conveyor motor, green tag"
    )
    assert len(result.stdout.splitlines()) <= 25
    assert "Written      green" in result.stdout
    assert result.stderr == ""


def test_table_gets_a_profile_of_its_name_beside_it(here):
    result = run("red.csv")

    assert motorfit.load_profile(here / "red-profile.json").machine.name == "red"
    # nobody stated an accuracy, so the screen must say which was taken
    assert "Assumed" in result.stdout
    assert "handheld meter" in result.stdout


def test_all_readings_of_a_table_are_counted():
    """Three rows with nothing connected and three with a load are six."""
    assert "Made from    6 readings in red.csv" in run("red.csv").stdout


def test_level_reaches_fit_and_profile(here):
    result = run("red.csv", "--level", "0.8")

    assert "80 % interval" in result.stdout
    assert motorfit.load_profile(here / "red-profile.json").provenance.level == 0.8


@pytest.mark.parametrize("level", ["0.4", "0.9999", "95"])
def test_level_out_of_range_is_refused(here, level):
    assert "--level" in run("red.csv", "--level", level, code=2).stderr
    assert not (here / "red-profile.json").exists()


def test_profile_goes_where_out_says(here):
    run("red.csv", "-o", "mine.json")

    assert (here / "mine.json").exists()
    assert not (here / "red-profile.json").exists()


def test_details_come_below_the_screen():
    text = run("red.csv", "--details").stdout

    assert text.index("Next") < text.index("Parameters in every unit")


def test_second_fit_says_what_changed(here):
    run("red.csv")
    # the second resistor's readings, half as large a drop: R must fall
    (here / "red.csv").write_text(RED.replace("4.20,", "5.00,"), "utf-8")

    text = run("red.csv", "--details").stdout

    assert "Since last" in text
    assert "red.csv is changed" in text


def test_profile_of_another_machine_is_not_replaced_and_the_results_are_shown(here):
    run("green", "-o", "mine.json")
    before = (here / "mine.json").read_bytes()

    result = run("red.csv", "-o", "mine.json", code=2)

    assert (here / "mine.json").read_bytes() == before
    assert "volts per 1000 rpm" in result.stdout
    assert "Written      nowhere" in result.stdout
    assert "Since last" not in result.stdout  # it is another machine's past
    assert "--force" in result.stderr
    run("red.csv", "-o", "mine.json", "--force")
    assert motorfit.load_profile(here / "mine.json").machine.name == "red"


def test_readings_are_never_replaced(here):
    run("red.csv", "-o", "red.csv", code=2)

    assert (here / "red.csv").read_text("utf-8") == RED


def test_place_that_is_not_there_is_told_and_the_results_are_shown():
    """A folder that is not there takes no file, not even an administrator's."""
    result = run("red.csv", "-o", "no/such/folder/p.json", code=2)

    assert "volts per 1000 rpm" in result.stdout
    assert "there is no folder" in result.stderr


def test_folder_without_permission_is_told_and_the_results_are_shown(monkeypatch):
    """As the system says it; an administrator, who runs many tests, may write anywhere."""

    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("motorfit.files.tempfile.mkstemp", refuse)

    result = run("red.csv", code=2)

    assert "volts per 1000 rpm" in result.stdout
    assert "no permission to write there" in result.stderr


def test_figures_are_drawn_on_request(here):
    result = run("red.csv", "--figures", "drawn", "--figure-format", "svg")

    assert {path.name for path in (here / "drawn").iterdir()} == {"open-circuit.svg", "load.svg"}
    assert (here / "drawn" / "load.svg").read_text("utf-8").startswith("<?xml")
    assert "load.svg" in result.stderr


def test_no_figure_is_told_and_no_empty_folder_is_made(here):
    (here / "resistance.csv").write_text("voltage (V),current (A)\n1.02,0.5\n3.05,2.9\n", "utf-8")

    result = run("resistance.csv", "--figures", "drawn")

    assert "No figures" in result.stderr
    assert not (here / "drawn").exists()


def test_figures_are_not_replaced_without_being_asked(here):
    (here / "drawn").mkdir()
    (here / "drawn" / "load.png").write_text("my own", "utf-8")

    result = run("red.csv", "--figures", "drawn", code=2)

    assert "load.png" in result.stderr
    assert (here / "drawn" / "load.png").read_text("utf-8") == "my own"
    assert not (here / "drawn" / "open-circuit.png").exists()
    run("red.csv", "--figures", "drawn", "--force")
    assert (here / "drawn" / "load.png").read_bytes().startswith(b"\x89PNG")


def test_bad_readings_are_told_and_nothing_is_written(here):
    (here / "red.csv").write_text(RED.replace("4.83", "4.83 V"), "utf-8")
    before = files_in(here)

    result = run("red.csv", code=2)

    assert result.stdout == ""
    assert "row 5" in result.stderr
    assert "Traceback" not in result.stderr
    assert files_in(here) == before


def test_bench_that_is_not_there_is_told(here):
    before = files_in(here)

    assert "no such folder or file" in run("nowhere", code=2).stderr
    assert files_in(here) == before


def test_json_holds_profile_and_more_on_stdout_alone():
    content = json.loads(run("red.csv", "--json").stdout)

    assert content["profile"]["machine"]["name"] == "red"
    assert content["written"] == "red-profile.json"
    assert {"answers", "findings", "widths", "advice", "residuals"} <= content.keys()


def test_several_benches_end_with_one_table():
    text = run("green", "red.csv").stdout

    rows = text.splitlines()[2:4]
    assert [row.split()[0] for row in rows] == ["green", "red.csv"]
    assert "2 of 2 profiles written" in text


def test_folder_of_folders_stands_for_the_benches_in_it(here):
    for name in ("a", "b"):
        write_demo(here / "class" / name)
    (here / "class" / "kit.toml").write_text("", "utf-8")
    (here / "class" / "photos").mkdir()

    run("class")

    assert {path.parent.name for path in here.rglob("profile.json")} == {"a", "b"}


def test_bad_bench_does_not_stop_the_others(here):
    add_bad_bench(here)

    result = run("bad", "green", "red.csv", code=2)

    assert 'column "volts"' in result.stderr
    assert "2 of 3 profiles written" in result.stdout
    assert not (here / "bad" / "profile.json").exists()


def test_several_benches_as_json_tell_each_problem(here):
    add_bad_bench(here)

    benches = json.loads(run("bad", "red.csv", "--json", code=2).stdout)["benches"]

    assert "many" in benches[0]["problem"]
    assert benches[1]["profile"]["machine"]["name"] == "red"


def test_figures_of_several_benches_have_a_folder_each(here):
    run("green", "red.csv", "--figures", "drawn")

    assert {path.parent.name for path in (here / "drawn").rglob("load.png")} == {"green", "red"}


def test_benches_of_one_name_do_not_share_a_folder_of_figures(here):
    write_demo(here / "other" / "green")

    result = run("green", "other/green", "--figures", "drawn", code=2)

    assert "two have the same" in result.stderr
    assert not (here / "drawn").exists()


def test_benches_of_one_name_have_a_line_each(here):
    write_demo(here / "other" / "green")

    rows = run("green", "other/green").stdout.splitlines()[2:4]

    assert [row.split()[0] for row in rows] == ["green", "other/green"]


def test_one_place_for_several_profiles_is_refused():
    assert "Leave it out" in run("green", "red.csv", "-o", "p.json", code=2).stderr


def test_figures_are_loaded_on_request_only():
    """lmfit imports the bare matplotlib by itself, which takes no time to speak of."""
    script = (
        "import sys\nfrom motorfit.cli import main\n"
        "main(['fit', 'red.csv'], standalone_mode=False)\n"
        "sys.exit('matplotlib.figure' in sys.modules)"
    )

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=False)

    assert done.returncode == 0, done.stderr.decode()
