"""motorfit simulate: whether the arguments arrive, and what is written."""

import json

import pytest
from click.testing import CliRunner

from motorfit.bench.folder import read_bench
from motorfit.cli import main
from motorfit.simulation.mistakes import MISTAKES


def run(*arguments):
    return CliRunner().invoke(main, ["simulate", *map(str, arguments)])


def test_a_folder_that_can_be_read(tmp_path):
    result = run(tmp_path / "practice")
    assert result.exit_code == 0
    assert result.output.endswith(f"  motorfit fit {tmp_path / 'practice'}\n")
    bench = read_bench(tmp_path / "practice")
    assert bench.settings.machine.name == "practice"
    assert len(bench.runs) == 5


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    for name in ("one", "two"):
        run(tmp_path / name, "--seed", 4, "--name", "x")
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes()


def test_options_reach_the_machine(tmp_path):
    run(
        *(tmp_path / "p", "--emf-constant", "0.05 V s/rad", "--resistance", "500 mohm"),
        *("--brush-drop", "0 V", "--dry-friction", "10 mN m", "--viscous", "0 N m s/rad"),
        *("--answers", tmp_path / "key.json", "--winding", "30 degC"),
    )
    key = json.loads((tmp_path / "key.json").read_text())
    values = {name: parameter["value"] for name, parameter in key["machine"].items()}
    assert values["emf_constant"] == 0.05
    assert values["armature_resistance"] == 0.5
    assert values["brush_drop"] == 0.0
    assert values["coulomb_torque"] == pytest.approx(0.01, rel=1e-12)
    assert values["viscous_coefficient"] == 0.0
    assert key["winding"]["value"] == 30.0


def test_options_reach_the_plan(tmp_path):
    run(
        *(tmp_path / "p", "--speeds", "500:1500:500 rpm", "--resistors", "3, 6 ohm"),
        *("--supplies", "9 V"),
    )
    bench = read_bench(tmp_path / "p")
    rows = {run.kind: len(run) for run in bench.runs}
    assert (rows["open-circuit"], rows["load"], rows["no-load-motor"]) == (3, 6, 1)
    assert set(bench.of_kind("load")[0].get("load")) == {3.0, 6.0}


def test_options_reach_the_logs(tmp_path):
    result = run(
        *(tmp_path / "p", "--coast-downs", 1, "--inertia", "8e-4 kg m2", "--heat-runs", "2, 3 A"),
        *("--thermal-resistance", "3 K/W", "--warming", "10 min", "--resistors", "3, 6 ohm"),
        *("--answers", tmp_path / "key.json"),
    )
    assert result.exit_code == 0, result.stderr
    key = json.loads((tmp_path / "key.json").read_text())
    assert key["moment_of_inertia"] == {"value": 8e-4, "unit": "kg m2"}
    assert set(key["friction"]) == {"coast-down-open.csv", "coast-down-loaded.csv"}
    warms = {"thermal_resistance": 3.0, "time_constant": 600.0}
    assert key["heat"] == {"heat-run.csv": warms, "heat-run-2.csv": warms}
    runs = {run.source.name: run for run in read_bench(tmp_path / "p").runs}
    assert set(runs["coast-down-loaded.csv"].get("load")) == {6.0}
    heated = runs["heat-run-2.csv"]
    assert heated.get("time")[-1] == pytest.approx(3.6 * 600.0, abs=1.0)
    assert heated.get("current")[0] == pytest.approx(3.0, rel=0.02)


def test_without_logs_the_answer_key_is_silent_on_them(tmp_path):
    run(tmp_path / "p", "--answers", tmp_path / "key.json")
    key = json.loads((tmp_path / "key.json").read_text())
    assert set(key) == {"seed", "mistake", "machine", "winding", "errors"}


def test_kit_file(tmp_path):
    kit = tmp_path / "kit.toml"
    kit.write_text(
        '[instruments.voltage]\naccuracy = "1 % + 5 digits"\ncounts = 2000\nid = "old"\n'
        '[leads]\nresistance = "0.2 ohm"\n'
    )
    run(tmp_path / "p", "--kit", kit)
    bench = read_bench(tmp_path / "p")
    meter = bench.instrument("voltage")
    assert (meter.id, meter.counts, meter.accuracy.digits) == ("old", 2000, 5.0)
    assert bench.settings.leads.resistance.value == 0.2


def test_mistake_keeps_its_answer_beside_the_folder(tmp_path):
    result = run(tmp_path / "p", "--mistake", "wrong-resistor", "--json")
    told = json.loads(result.stdout)
    assert told["answers"] == str(tmp_path / "p-answers.json")
    key = json.loads((tmp_path / "p-answers.json").read_text())
    assert key["mistake"]["column"] == "load"
    assert sorted(path.name for path in (tmp_path / "p").iterdir()) == sorted(told["written"])


@pytest.mark.parametrize("mistake", MISTAKES)
def test_every_mistake_of_the_help_can_be_planted(tmp_path, mistake):
    result = run(tmp_path / "p", "--mistake", mistake, "--json")

    assert result.exit_code == 0, result.stderr
    key = json.loads((tmp_path / "p-answers.json").read_text("utf-8"))
    assert key["mistake"]["mistake"] == mistake


def test_help_names_every_mistake():
    text = "".join(run("--help").output.split())  # lines may break at a hyphen
    for mistake in MISTAKES:
        assert mistake in text, mistake


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--mistake", "typo"], "no mistake 'typo'. There are swapped-digits"),
        (["--emf-constant", "9"], "without a unit"),
        (["--emf-constant", "0 V s/rad"], "must be above zero"),
        (["--brush-drop", "-1 V"], "must not be below zero"),
        (["--dry-friction", "20 N m"], "the motor does not start at every planned voltage"),
        (["--resistors", "0 ohm"], "must all be above zero"),
        (["--seed", "-1"], "--seed"),
        (["--heat-runs", "0 A"], "must all be above zero"),
        (["--inertia", "0 kg m2"], "must be above zero"),
        (["--thermal-resistance", "2"], "without a unit"),
    ],
)
def test_bad_options(tmp_path, arguments, says):
    result = run(tmp_path / "p", *arguments)
    assert result.exit_code == 2
    assert says in " ".join(result.stderr.split())
    assert not (tmp_path / "p").exists()


def test_bad_kit(tmp_path):
    (tmp_path / "kit.toml").write_text('[instruments.voltage]\naccuracy = "good"\n')
    result = run(tmp_path / "p", "--kit", tmp_path / "kit.toml")
    assert result.exit_code == 2
    assert "kit.toml" in result.stderr
    assert not (tmp_path / "p").exists()


def test_nothing_is_replaced_unless_asked(tmp_path):
    run(tmp_path / "p")
    (tmp_path / "p" / "load.csv").write_text("mine")
    result = run(tmp_path / "p")
    assert result.exit_code == 2
    assert "nothing was written" in result.stderr
    assert (tmp_path / "p" / "load.csv").read_text() == "mine"
    assert run(tmp_path / "p", "--force").exit_code == 0
    assert (tmp_path / "p" / "load.csv").read_text() != "mine"


def test_taken_answer_file_leaves_no_folder(tmp_path):
    (tmp_path / "p-answers.json").write_text("mine")
    result = run(tmp_path / "p", "--mistake", "sign")
    assert result.exit_code == 2
    assert not (tmp_path / "p").exists()
    assert (tmp_path / "p-answers.json").read_text() == "mine"
