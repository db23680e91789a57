"""machine.toml and kit.toml: what they give, and what is said of mistakes in them."""

import math
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from motorfit.bench.default_instruments import assumptions
from motorfit.bench.sheets import kit_text, machine_text
from motorfit.bench.toml_files import default_settings, read_settings
from motorfit.errors import LocatedError
from motorfit.quantities import Stated

KIT = """
[instruments.voltage]
accuracy = "0.5 % + 2 digits"
counts = 4000
input_resistance = "10 Mohm"
id = "meter A"
calibration = "+0.12 % +- 0.05 %"
[instruments.voltage.B]
accuracy = "0.02 V"
resolution = "10 mV"
[instruments.current]
burden = "0.03 ohm"
[leads]
resistance = "20 mohm +- 5 mohm"
[shelf]
resistors = ["1 ohm 50 W", "4.7 ohm 25 W"]
"""

MACHINE = """
[machine]
name = "conveyor motor, blue tag"
serial = 42
insulation = 155
moment_of_inertia = "0.85 kg m2 +- 2 %"
brush_material = "carbon"
magnet = "ferrite"
[bench]
date = 2024-05-01
[conditions]
winding = "22 degC +- 5 K"
magnets = "21 degC"
reference = "25 degC"
[speed]
ratio = 2
[claims]
rated_voltage = "36 V"
rated_power = "180 W"
"""


def folder_with(folder, machine=None, kit=None):
    for name, text in (("machine.toml", machine), ("kit.toml", kit)):
        if text is not None:
            (folder / name).write_text(text, "utf-8")
    return folder


def read(folder, machine=None, kit=None):
    problems = []
    files = read_settings(folder_with(folder, machine, kit), problems)
    assert problems == []
    return files


def problems_of(folder, machine=None, kit=None):
    problems = []
    read_settings(folder_with(folder, machine, kit), problems)
    return problems


def test_instruments_are_read_into_si(tmp_path):
    instruments = read(tmp_path, kit=KIT).settings.instruments
    usual, second = instruments["voltage", ""], instruments["voltage", "B"]

    assert (usual.accuracy.relative, usual.accuracy.digits, usual.counts) == (0.005, 2, 4000)
    assert (usual.id, usual.input_resistance, usual.assumed) == ("meter A", 1e7, False)
    assert usual.calibration.gain == pytest.approx(0.0012, rel=1e-15)
    assert (second.accuracy.absolute, second.resolution) == (0.02, 0.01)
    assert second.counts is None  # a second meter is a meter of its own
    assert instruments["current", ""].burden == 0.03


def test_the_machine_s_tables_are_read_into_si(tmp_path):
    found = read(tmp_path, MACHINE, KIT).settings

    assert found.machine.name == "conveyor motor, blue tag"
    assert (found.machine.serial, found.machine.insulation) == ("42", "155")
    assert found.machine.moment_of_inertia.half_width == pytest.approx(0.017, rel=1e-15)
    assert found.conditions.winding == Stated(22.0, 5.0, "22 degC +- 5 K")
    assert found.speed.ratio == 2.0
    assert found.bench.date == "2024-05-01"
    assert found.leads.resistance == Stated(0.02, 0.005, "20 mohm +- 5 mohm")
    assert found.shelf.resistors == ("1 ohm 50 W", "4.7 ohm 25 W")
    assert found.claims == {"rated_voltage": "36 V", "rated_power": "180 W"}


def test_a_folder_without_files_has_its_own_name_and_says_what_is_assumed(tmp_path):
    folder = tmp_path / "blue motor"
    folder.mkdir()

    files = read(folder)

    assert files.settings.machine.name == "blue motor"
    assert files.settings.conditions.winding == Stated(20.0, 5.0)
    assert "winding at 20 degC +- 5 K" in files.assumed
    assert "brush material unknown" in files.assumed
    assert files.files == {}


def test_what_is_stated_is_not_called_assumed(tmp_path):
    material = 'winding_material = "copper"\n[bench]'

    files = read(tmp_path, MACHINE.replace("[bench]", material), KIT)

    assert files.assumed == ()


def test_a_single_table_has_the_same_defaults_as_an_empty_folder(tmp_path):
    files = read(tmp_path)

    assert default_settings(tmp_path.name) == files


def test_every_quantity_has_an_instrument(tmp_path):
    instruments = read(tmp_path, kit=KIT).settings.instruments

    assert instruments["speed", ""].assumed
    assert instruments["speed", ""].display_factor == pytest.approx(2 * math.pi / 60, rel=1e-15)
    # a table that says nothing of the accuracy leaves it assumed
    assert instruments["current", ""].assumed


def test_assumed_instruments_are_told_where_they_are_used(tmp_path):
    instruments = read(
        tmp_path, kit='[instruments.current]\naccuracy = "unknown"\n'
    ).settings.instruments

    told = assumptions(instruments, [("voltage", ""), ("current", ""), ("voltage", "")])

    assert told == (
        "voltage: a plain handheld meter, 1 % + 2 digits",
        "current: accuracy unknown, 2 % + 5 digits is taken",
    )


def test_kit_of_the_folder_above_serves_all_machines(tmp_path):
    folder_with(tmp_path, kit=KIT)
    (tmp_path / "motor").mkdir()

    files = read(tmp_path / "motor", MACHINE)

    assert files.settings.instruments["voltage", ""].id == "meter A"
    assert set(files.files) == {"machine.toml", "kit.toml"}
    assert all(re.fullmatch("sha256:[0-9a-f]{64}", mark) for mark in files.files.values())


def test_the_folder_of_the_shell_has_a_name_and_a_kit_above_it(tmp_path, monkeypatch):
    (tmp_path / "motor" / "old").mkdir(parents=True)
    folder_with(tmp_path, kit=KIT)
    monkeypatch.chdir(tmp_path / "motor" / "old")

    found = read(Path("..")).settings

    assert found.machine.name == "motor"
    assert found.instruments["voltage", ""].id == "meter A"


def test_kit_in_the_folder_goes_before_the_one_above(tmp_path):
    folder_with(tmp_path, kit=KIT)
    (tmp_path / "motor").mkdir()

    files = read(tmp_path / "motor", kit='[instruments.voltage]\nid = "near"\n')

    assert files.settings.instruments["voltage", ""].id == "near"


def test_machine_overrides_single_keys_of_the_kit(tmp_path):
    override = '[instruments.voltage]\naccuracy = "0.1 %"\nresolution = "1 mV"\n'

    meter = read(tmp_path, override, KIT).settings.instruments["voltage", ""]

    assert (meter.id, meter.accuracy.text) == ("meter A", "0.1 %")
    assert (meter.counts, meter.resolution) == (None, 0.001)  # one display or the other


def test_blank_files_as_sheets_writes_them_are_no_problem(tmp_path):
    files = read(tmp_path, machine_text("a motor"), kit_text())

    assert files.settings.machine.name == "a motor"


def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path):
    content = b"\xef\xbb\xbf" + MACHINE.replace("\n", "\r\n").encode()
    (tmp_path / "machine.toml").write_bytes(content)

    assert read(tmp_path).settings.machine.serial == "42"


@pytest.mark.parametrize(
    ("kit", "row", "key", "message"),
    [
        ('[instruments.voltage]\nacuracy = "1 %"', 2, "instruments.voltage.acuracy",
         'unknown key "acuracy".*Did you mean "accuracy"?'),
        ('[instruments.voltag]\naccuracy = "1 %"', 1, "instruments.voltag",
         'unknown instrument "voltag".*Did you mean "voltage"?'),
        ("[instruments.voltage]\naccuracy = 0.5", 2, "instruments.voltage.accuracy",
         "found 0.5, expected an accuracy in quotes"),
        ('[instruments.voltage]\naccuracy = "0 %"', 2, "instruments.voltage.accuracy",
         "an accuracy .* above zero"),
        ('[instruments.voltage]\nresolution = "0 V"', 2, "instruments.voltage.resolution",
         "a number above zero with its unit"),
        ("[instruments.voltage]\nresolution = 0.01", 2, "instruments.voltage.resolution",
         '0.01 without a unit.*Write "0.01 V"'),
        ("[instruments.voltage]\ncounts = 0", 2, "instruments.voltage.counts",
         "found 0, expected a number of at least 10"),
        ('[instruments.voltage]\ncounts = "4000"', 2, "instruments.voltage.counts",
         "a whole number without quotes"),
        ('[instruments.voltage]\ncounts = 4000\nresolution = "1 V"', 3,
         "instruments.voltage.resolution", "both counts and resolution, expected one"),
        ('[instruments.voltage]\nburden = "1 ohm"', 2, "instruments.voltage.burden",
         r"under \[instruments.current\]"),
        ('[instruments.voltage.B]\n"accuracy" = "2 A"', 2, "instruments.voltage.B.accuracy",
         'unit "A", expected a unit of voltage'),
        ('[instruments]\nvoltage = "1 %"', 2, "instruments.voltage",
         r"expected a table \[voltage\]"),
        ('[instruments.voltage]\ncalibration = "0.1 %"', 2, "instruments.voltage.calibration",
         "how much too high it reads"),
        ("[leads]\nresistance = 0.02", 2, "leads.resistance", 'Write "0.02 ohm"'),
        ('[leads]\nresistance = "-1 ohm"', 2, "leads.resistance", "at least zero"),
        ('[shelf]\nresistors = "1 ohm"', 2, "shelf.resistors", "a list of texts in brackets"),
        ('[shelf]\nresistors = ["1 ohm", 2]', 2, "shelf.resistors.1", "text in quotes"),
        ('[machine]\nname = "x"', 1, "machine", r"Move \[machine\] to machine.toml"),
        ("leads = 3", 1, "leads", r"expected a table \[leads\]"),
    ],
)  # fmt: skip
def test_a_mistake_in_the_kit_is_told_in_its_place(tmp_path, kit, row, key, message):
    (problem,) = problems_of(tmp_path, kit=kit)

    assert isinstance(problem, LocatedError)
    assert (problem.path.name, problem.row, problem.column) == ("kit.toml", row, key)
    assert re.search(message, str(problem))


@pytest.mark.parametrize(
    ("machine", "row", "key", "message"),
    [
        ('[machine]\nname = "x"\nwinding_materal = "copper"', 3, "machine.winding_materal",
         'Did you mean "winding_material"?'),
        ('[machine]\nmagnet = "ferite"', 2, "machine.magnet", 'Did you mean "ferrite"?'),
        ("[machine]\ngear = -3", 2, "machine.gear", "a number above 0"),
        ('[machine]\nmoment_of_inertia = "0.85 kg"', 2, "machine.moment_of_inertia",
         "Did you mean kg m2?"),
        ('[machine]\ninductance = "0 mH"', 2, "machine.inductance", "above zero"),
        ('[machine]\nname = ["x"]', 2, "machine.name", "text in quotes"),
        ("[conditions]\nwinding = 22", 2, "conditions.winding", 'Write "22 degC"'),
        ('[conditions]\nwinding = "22 V"', 2, "conditions.winding", "a unit of temperature"),
        ("[speed]\nratio = nan", 2, "speed.ratio", "a finite number"),
        ("[speed]\npulses_per_rev = 0", 2, "speed.pulses_per_rev", "a number above 0"),
        ("[speed]\nratio = true", 2, "speed.ratio", "a number without quotes"),
        ('[heat_run]\nrotor = "stuck"', 2, "heat_run.rotor", '"held" or "turning"'),
        ("[claims]\nrated_voltage = 36", 2, "claims.rated_voltage", "with its unit"),
        ("[claims]\nx = [1]", 2, "claims.x", "text in quotes"),
        ('[condition]\nwinding = "22 degC"', 1, "condition",
         'unknown table "condition".*Did you mean "conditions"?'),
        ('winding = "22 degC"', 1, "winding", r"Move it below a line \[conditions\]"),
    ],
)  # fmt: skip
def test_a_mistake_in_the_machine_s_file_is_told_in_its_place(tmp_path, machine, row, key, message):
    (problem,) = problems_of(tmp_path, machine)

    assert (problem.path.name, problem.row, problem.column) == ("machine.toml", row, key)
    assert re.search(message, str(problem))


def test_all_problems_of_both_files_are_told(tmp_path):
    machine = '[machine]\nmagnet = "x"\n[speed]\nratio = 0\n'
    kit = "[instruments.voltage]\ncounts = 1\nfoo = 2\n[leads]\nresistance = 1\n"

    problems = problems_of(tmp_path, machine, kit)

    assert [(p.path.name, p.row) for p in problems] == [
        ("kit.toml", 2),
        ("kit.toml", 3),
        ("kit.toml", 5),
        ("machine.toml", 2),
        ("machine.toml", 4),
    ]


def test_a_table_with_a_mistake_leaves_the_others_as_they_are(tmp_path):
    problems = []
    folder = folder_with(
        tmp_path, "[speed]\nratio = 0\n" + MACHINE.replace("[speed]\nratio = 2", "")
    )

    found = read_settings(folder, problems).settings

    assert len(problems) == 1
    assert found.speed.ratio == 1.0
    assert found.conditions.winding.value == 22.0


@pytest.mark.parametrize(
    ("text", "row", "found"),
    [
        ('[machine]\nname = "x\n', 2, 'name = "x'),
        ("[machine]\nname = conveyor\n", 2, "name = conveyor"),
        ("[speed]\nratio = 1,5\n", 2, "ratio = 1,5"),
        ("[speed]\nratio = 1\nratio = 2\n", 3, "ratio = 2"),
        ("[speed\n", 1, r"\[speed"),
    ],
)
def test_a_line_that_is_no_toml_is_shown(tmp_path, text, row, found):
    (problem,) = problems_of(tmp_path, text)

    assert problem.row == row
    assert re.search(f'machine.toml, row {row}: found "{found}.*quotes around text', str(problem))


def test_a_file_that_is_not_utf8_is_told_with_its_line(tmp_path):
    (tmp_path / "machine.toml").write_bytes(b"[machine]\n# 20 \xb0C\n")

    (problem,) = problems_of(tmp_path)

    assert (problem.row, problem.expected) == (2, "a text file in UTF-8")


def test_a_folder_called_kit_toml_is_a_problem_not_a_crash(tmp_path):
    (tmp_path / "kit.toml").mkdir()

    (problem,) = problems_of(tmp_path)

    assert re.search("kit.toml: found a folder", str(problem))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.sampled_from(
            ["[machine]", "[speed]", "[[speed]]", "[instruments.voltage]", "[instruments]", "\n",
             "name = ", "ratio = ", "counts = ", "voltage.B.accuracy = ", "resistance = ", "\n",
             "1", "nan", '"1 %"', '"2 ohm"', '"', "[1]", "{a = 1}", "true", "2024-05-01", "é",
             "\\", "[leads]"]
        ),
        max_size=12,
    )
)  # fmt: skip
def test_any_text_gives_settings_and_located_problems(tmp_path, pieces):
    problems = []
    for name in ("machine.toml", "kit.toml"):
        (tmp_path / name).write_text("".join(pieces), "utf-8")

    files = read_settings(tmp_path, problems)

    assert files.settings.machine.name
    assert all(isinstance(problem, LocatedError) and problem.remedy for problem in problems)
