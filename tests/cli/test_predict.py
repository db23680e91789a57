"""motorfit predict: the arguments arrive, and what comes out can be read."""

import csv
import io
import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from invented_profile import invented_profile

from motorfit.cli import main
from motorfit.profile.model import Combination, Machine

RPM = np.pi / 30
LOSS_AT_1500 = Combination(
    of="coulomb_torque + viscous_coefficient*speed",
    at={"speed": 1500 * RPM},
    value=0.0263,
    unit="N.m",
    standard_uncertainty=0.0004,
    interval=(0.0255, 0.0271),
    degrees_of_freedom=5.0,
)


@pytest.fixture
def folder(tmp_path):
    """A folder with the profile of the invented machine."""
    invented_profile().save(tmp_path / "profile.json")
    return tmp_path


def run(*arguments: object):
    return CliRunner().invoke(main, ["predict", *map(str, arguments)])


def rows_of(result) -> list[dict]:
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)["rows"]


def test_a_folder_stands_for_its_profile(folder):
    by_folder = run(folder, "--speed", "1500 rpm", "--load", "4.7 ohm")
    by_file = run(folder / "profile.json", "--speed", "1500 rpm", "--load", "4.7 ohm")
    assert by_folder.exit_code == 0, by_folder.output
    assert by_folder.stdout == by_file.stdout


def test_the_table_is_plain_and_narrow(folder):
    result = run(folder, "--speed", "500:3000:250 rpm", "--load", "4.7 ohm", "--load", "2.2 ohm")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert result.stdout.isascii()
    assert "conveyor motor: winding at 25 degC, 95 % intervals" in lines
    assert sum(line.startswith("As a generator on ") for line in lines) == 2
    # by hand: (0.055 x 157.08 - 0.6)/5.5 ohm is 1.462 A, on 4.7 ohm 6.87 V
    (row,) = [line for line in lines if line.split()[0:2] == ["1500", "6.87"]]
    assert "1.462 +- 0.010" in row


def test_long_numbers_put_their_intervals_on_a_line_of_their_own(tmp_path):
    exact = invented_profile(instruments=(), scatter_covariance=np.eye(5) * 1e-22)
    exact.save(tmp_path / "profile.json")
    out = run(tmp_path, "--speed", "1500, 3000 rpm", "--load", "4.7 ohm").stdout
    assert max(map(len, out.splitlines())) <= 80
    values, intervals = out.splitlines()[5:7]
    assert values.startswith(" 1500")
    assert intervals.split()[0] == "+-"


def test_extrapolation_is_marked_in_words_and_explained_once(folder):
    out = run(folder, "--speed", "1500, 3000, 3100 rpm", "--load", "4.7 ohm").stdout
    marked = [line.split()[0] for line in out.splitlines() if line.endswith(" beyond")]
    assert marked == ["3000", "3100"]
    assert out.count("outside what was tested") == 1
    assert "477.5 to 2387 rpm, 0 to 6 A" in out


def test_one_temperature_is_no_range(tmp_path):
    profile = invented_profile()
    profile = replace(profile, range=replace(profile.range, winding=(20.0, 20.0)))
    profile.save(tmp_path / "profile.json")

    out = " ".join(run(tmp_path, "--speed", "3000 rpm").stdout.split())

    assert "winding at 20 degC)" in out


def test_predictions_of_a_gears_shaft_say_so(tmp_path):
    machine = Machine(name="gate opener", shaft="gearbox output")
    invented_profile(machine=machine).save(tmp_path / "profile.json")

    assert run(tmp_path).stdout.startswith("gate opener, at the gearbox output: winding at")


def test_without_extrapolation_nothing_is_said_of_it(folder):
    assert "beyond" not in run(folder, "--speed", "1500 rpm", "--load", "4.7 ohm").stdout


def test_a_generator_is_shown_positive(folder):
    (row,) = rows_of(run(folder, "--speed", "2000 rpm", "--load", "4.7 ohm", "--json"))
    assert row["works_as"] == "generator"
    assert row["load"] == 4.7
    for name in ("voltage", "current", "torque", "power", "efficiency"):
        cell = row[name]
        assert 0 < cell["low"] < cell["value"] < cell["high"], name
    assert row["power"]["value"] == pytest.approx(row["voltage"]["value"] ** 2 / 4.7, rel=1e-9)


def test_a_voltage_makes_a_motor_or_a_generator(folder):
    slow, fast = rows_of(
        run(folder, "--speed", "1000, 3000 rpm", "--voltage", "12 V", "--format", "json")
    )
    assert (slow["works_as"], fast["works_as"]) == ("motor", "generator")
    assert slow["current"]["value"] > 0
    assert fast["current"]["value"] > 0
    # power is what it gives: at the shaft, and at the terminals
    assert slow["power"]["value"] == pytest.approx(slow["torque"]["value"] * 1000 * RPM, rel=1e-9)
    assert fast["power"]["value"] == pytest.approx(12 * fast["current"]["value"], rel=1e-9)


def test_a_current_is_given_unless_it_is_a_motor(folder):
    (given,) = rows_of(run(folder, "--speed", "1500 rpm", "--current", "2 A", "--json"))
    (drawn,) = rows_of(run(folder, "--speed", "1500 rpm", "--current", "2 A", "--motor", "--json"))
    assert (given["works_as"], drawn["works_as"]) == ("generator", "motor")
    # 2 x (0.8 x 2 + 0.6) V between them, by hand
    between = drawn["voltage"]["value"] - given["voltage"]["value"]
    assert between == pytest.approx(4.4, rel=1e-9)


def test_winding_temperature_and_level_arrive(folder):
    cold = rows_of(run(folder, "--speed", "1500 rpm", "--load", "2.2 ohm", "--json"))[0]
    hot = rows_of(
        run(folder, "--speed", "1500 rpm", "--load", "2.2 ohm", "--winding", "60 degC", "--json")
    )[0]
    wide = rows_of(
        run(folder, "--speed", "1500 rpm", "--load", "2.2 ohm", "--level", "0.99", "--json")
    )[0]
    assert hot["voltage"]["value"] < cold["voltage"]["value"]
    assert wide["voltage"]["low"] < cold["voltage"]["low"]


def test_without_points_it_shows_the_open_circuit_over_the_tested_range(folder):
    out = run(folder).stdout
    assert "As a generator with nothing connected" in out
    speeds = [line.split()[0] for line in out.splitlines() if line[:5].strip().isdigit()]
    assert speeds == ["500", "1000", "1500", "2000"]  # round ones within 477 to 2387 rpm


def test_a_speed_range_includes_its_end(folder):
    rows = rows_of(run(folder, "--speed", "500:1500:500 rpm", "--json"))
    assert [row["speed"] / RPM for row in rows] == pytest.approx([500, 1000, 1500])
    # and nothing beyond it, where no step falls on the end
    rows = rows_of(run(folder, "--speed", "500:1400:500 rpm", "--json"))
    assert [row["speed"] / RPM for row in rows] == pytest.approx([500, 1000])


def test_what_is_not_known_is_blank_with_the_test_named(tmp_path):
    invented_profile(without=("viscous_coefficient",)).save(tmp_path / "profile.json")
    result = run(tmp_path, "--speed", "1000, 1500 rpm", "--load", "4.7 ohm")
    assert result.exit_code == 0, result.output
    flat = " ".join(result.stdout.split())
    assert "Blank for torque and efficiency: the viscous coefficient is not known" in flat
    assert flat.count("no-load-motor at a second voltage") == 1
    for row in rows_of(run(tmp_path, "--speed", "1000 rpm", "--load", "4.7 ohm", "--json")):
        assert row["torque"] is None
        assert "no-load-motor" in row["not_known"]["torque"]
        assert row["voltage"]["value"] > 0


def test_loss_known_at_one_speed_fills_that_row_only(tmp_path):
    profile = invented_profile(without=("coulomb_torque", "viscous_coefficient"))
    replace(profile, combinations=(LOSS_AT_1500,)).save(tmp_path / "profile.json")
    slow, known = rows_of(run(tmp_path, "--speed", "1000, 1500 rpm", "--current", "2 A", "--json"))
    assert slow["torque"] is None
    assert known["torque"]["value"] == pytest.approx(2 * 0.055 + 0.0263, rel=1e-9)


def test_csv_has_a_unit_in_each_header_and_empty_fields_where_nothing_is_known(tmp_path):
    invented_profile(without=("viscous_coefficient",)).save(tmp_path / "profile.json")
    result = run(
        tmp_path, "--speed", "1500, 3000 rpm", "--load", "4.7 ohm", "--load", "open",
        "--format", "csv",
    )  # fmt: skip
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert [row["load (ohm)"] for row in rows] == ["4.7", "4.7", "open", "open"]
    assert [row["extrapolated"] for row in rows] == ["no", "yes", "no", "yes"]
    first = rows[0]
    assert float(first["voltage low (V)"]) < float(first["voltage (V)"])
    assert first["torque (N m)"] == first["efficiency high (%)"] == ""
    assert "no-load-motor at a second voltage" in first["remark"]


def test_a_file_is_written_whole_and_never_over_another(folder):
    out = folder / "sag.csv"
    wrote = run(folder, "--speed", "1500 rpm", "--load", "4.7 ohm", "-o", out)
    assert wrote.exit_code == 0, wrote.output
    assert wrote.stdout == ""
    assert out.read_text("utf-8").startswith("speed (rpm),load (ohm),")  # by its ending
    again = run(folder, "--speed", "2000 rpm", "--load", "4.7 ohm", "-o", out)
    assert again.exit_code == 2
    assert "is there already: nothing was written" in again.stderr
    assert run(folder, "--speed", "2000 rpm", "-o", out, "--force").exit_code == 0
    assert "2000" in out.read_text("utf-8")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--load", "4.7"), 'Write "4.7 ohm" if it is in ohm'),
        (("--load", "4,7 ohm"), "may be one number or two. Write 4.7, or"),
        (("--load", "0 ohm"), 'a short circuit is --voltage "0 V"'),
        (("--load", "-1 ohm"), "goes below zero"),
        (("--load", "1500 rpm"), "--load"),
        (("--speed", "-5 rpm"), "goes below zero"),
        (("--speed", "fast"), 'Write it like "1500 rpm"'),
        (("--speed", "500:3000 rpm"), 'Write first:last:step, like "500:3000:250 rpm"'),
        (("--speed", "500:3000:0 rpm"), "leads nowhere, or to more than 2000 points"),
        (("--speed", "3000:500:250 rpm"), "leads nowhere, or to more than 2000 points"),
        (("--speed", "0:1e9:1 rpm"), "leads nowhere, or to more than 2000 points"),
        (("--winding", "-300 degC"), "--winding"),
        (("--level", "95"), "--level"),
    ],
)
def test_what_cannot_be_read_is_refused_with_a_remedy(folder, arguments, message):
    result = run(folder, *arguments)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())
    assert "Traceback" not in result.output


def test_unknown_magnets_are_refused(folder):
    unknown = invented_profile()
    unknown = replace(unknown, constants=replace(unknown.constants, magnet_coefficient=None))
    unknown.save(folder / "profile.json")
    result = run(folder, "--magnets", "60 degC")
    assert result.exit_code == 2
    assert "what the magnets are made of" in result.stderr


def test_a_damaged_profile_is_refused_with_its_place(folder):
    path = folder / "profile.json"
    path.write_text(path.read_text("utf-8").replace('"Cel"', '"K"', 1), "utf-8")
    result = run(folder)
    assert result.exit_code == 2
    assert 'profile.json, "reference_temperature.unit": found "K", expected' in result.stderr


def test_names_beyond_ascii_reach_the_table(tmp_path):
    invented_profile(machine=Machine(name="Förderband")).save(tmp_path / "profile.json")
    assert "Förderband" in run(tmp_path).stdout
