"""Profiles as files: written whole, read back exactly, refused with the place named."""

import json
import math
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_profile import invented_profile

import motorfit
from motorfit.errors import OutputError, ProfileError
from motorfit.estimate import Estimate
from motorfit.profile.model import (
    PARAMETER_UNITS,
    Combination,
    Constants,
    Machine,
    ThermalBodies,
)
from motorfit.profile.schema import Parameter, profile_schema
from motorfit.profile.storage import load_profile, profile_path, profile_text

PACKAGE = Path(motorfit.__file__).parent
FIRST_VERSION = Path(__file__).parent / "data" / "profile-version-1.json"


def full_profile():
    """Every part of a profile in use: bounds at infinity, combinations, directions."""
    profile = invented_profile(without=("viscous_coefficient",))
    endless = replace(
        profile.estimate("coulomb_torque"),
        degrees_of_freedom=math.inf,
        interval=(-math.inf, 0.03),
        standing="assumed",
    )
    return replace(
        profile,
        parameters=dict(profile.parameters, coulomb_torque=endless),
        combinations=(
            Combination(
                of="coulomb_torque + viscous_coefficient*speed",
                at={"speed": 157.0},
                value=0.027,
                unit="N.m",
                standard_uncertainty=0.001,
                interval=(0.025, math.inf),
                degrees_of_freedom=math.inf,
            ),
        ),
        directions={
            "a": {"emf_constant": profile.estimate("emf_constant")},
            "b": {"emf_constant": profile.estimate("emf_constant"), "coulomb_torque": endless},
        },
    )


def content() -> dict:
    return json.loads(profile_text(full_profile()))


def written(folder: Path, content: object) -> Path:
    path = folder / "profile.json"
    path.write_text(json.dumps(content), "utf-8")
    return path


def test_what_is_saved_is_loaded(tmp_path):
    profile = full_profile()
    profile.save(tmp_path / "profile.json")
    loaded = load_profile(tmp_path / "profile.json")
    for name in profile.__dataclass_fields__:
        if name != "scatter_covariance":
            assert getattr(loaded, name) == getattr(profile, name), name
    # shortest decimals that give the same number back: exact
    assert np.array_equal(loaded.scatter_covariance, profile.scatter_covariance)


def test_the_same_profile_is_the_same_file_byte_by_byte(tmp_path):
    profile = full_profile()
    shuffled = replace(profile, parameters=dict(reversed(profile.parameters.items())))
    profile.save(tmp_path / "one.json")
    shuffled.save(tmp_path / "two.json")
    load_profile(tmp_path / "one.json").save(tmp_path / "three.json")
    one = (tmp_path / "one.json").read_bytes()
    assert one == (tmp_path / "two.json").read_bytes() == (tmp_path / "three.json").read_bytes()
    assert one.endswith(b"}\n")
    assert b"\r" not in one


def test_names_in_any_script_survive(tmp_path):
    profile = invented_profile(machine=Machine(name="Förderband-Motor № 3, 搬送"))
    profile.save(tmp_path / "profile.json")
    assert "Förderband-Motor № 3, 搬送" in (tmp_path / "profile.json").read_text("utf-8")
    assert load_profile(tmp_path / "profile.json").machine == profile.machine


def test_infinity_is_null_and_comes_back(tmp_path):
    parts = content()
    assert parts["parameters"]["coulomb_torque"]["degrees_of_freedom"] is None
    assert parts["parameters"]["coulomb_torque"]["interval"][0] is None
    loaded = load_profile(written(tmp_path, parts))
    assert loaded.estimate("coulomb_torque").degrees_of_freedom == math.inf
    assert loaded.estimate("coulomb_torque").interval == (-math.inf, 0.03)
    assert loaded.combinations[0].interval == (0.025, math.inf)


def test_what_is_not_known_has_no_value():
    unknown = content()["parameters"]["viscous_coefficient"]
    assert unknown == {
        "unit": "N.m.s/rad",
        "standing": "unmeasured",
        "needs": "no-load-motor at a second voltage",
    }


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_numbers_that_are_none_are_never_saved(tmp_path, bad):
    profile = invented_profile()
    broken = replace(profile.estimate("emf_constant"), value=bad)
    profile = replace(profile, parameters=dict(profile.parameters, emf_constant=broken))
    with pytest.raises(ProfileError, match=r"parameters\.emf_constant\.value.*finite number"):
        profile.save(tmp_path / "profile.json")
    assert not list(tmp_path.iterdir())


def test_a_matrix_of_another_size_is_never_saved(tmp_path):
    profile = invented_profile(scatter_covariance=np.zeros((2, 2)))
    with pytest.raises(ProfileError, match=r"covariance\.scatter.*expected 5 rows of 5 numbers"):
        profile.save(tmp_path / "profile.json")


def test_a_profile_of_the_same_machine_is_replaced(tmp_path):
    path = tmp_path / "profile.json"
    invented_profile().save(path)
    newer = invented_profile(reference_temperature=20.0)
    newer.save(path)
    assert load_profile(path).reference_temperature == 20.0


@pytest.mark.parametrize(
    ("there", "says"),
    [
        (profile_text(invented_profile(machine=Machine(name="pump motor"))), "pump motor"),
        (profile_text(invented_profile(machine=Machine(name="conveyor motor", serial="18"))), ""),
        ("speed (rpm),voltage (V)\n", ""),
        ('{"format": "motorfit-profile", "version": 2, "machine": {"name": "conveyor motor"}}', ""),
        ("", ""),
    ],
    ids=["another machine", "another serial number", "readings", "newer version", "empty file"],
)
def test_anything_else_is_replaced_only_when_asked(tmp_path, there, says):
    path = tmp_path / "profile.json"
    path.write_text(there, "utf-8")
    with pytest.raises(OutputError, match=f"is there already: nothing was written.*{says}"):
        invented_profile().save(path)
    assert path.read_text("utf-8") == there
    invented_profile().save(path, force=True)
    assert load_profile(path).machine.name == "conveyor motor"


def test_a_folder_stands_for_its_profile(tmp_path):
    assert profile_path(tmp_path) == tmp_path / "profile.json"
    assert profile_path(tmp_path / "red.json") == tmp_path / "red.json"


def test_version_1_must_always_load():
    profile = load_profile(FIRST_VERSION)
    assert profile.machine.name == "invented conveyor motor"
    # by hand from the numbers in the file: 0.055 x 200 - 0.8 x 2 - 0.6 V
    assert profile.voltage(speed=200.0, current=-2.0).value == pytest.approx(8.8, rel=1e-12)
    assert profile.directions["b"]["emf_constant"].standing == "measured"
    # the same bytes as long as version 1 is what is written
    assert profile_text(profile) == FIRST_VERSION.read_text("utf-8")


def test_schema_of_package_and_documentation_are_what_the_models_say():
    shipped = (PACKAGE / "profile" / "profile.schema.json").read_text("utf-8")
    documented = (PACKAGE.parent / "docs" / "profile.schema.json").read_text("utf-8")
    assert shipped == documented
    # titles and doubled single choices differ between releases of the library that makes it
    assert plain(json.loads(shipped)) == plain(profile_schema())


def plain(schema: object) -> object:
    if isinstance(schema, dict):
        return {
            key: plain(value)
            for key, value in schema.items()
            if not (key == "title" and isinstance(value, str))
            and not (key == "enum" and "const" in schema)
        }
    return [plain(item) for item in schema] if isinstance(schema, list) else schema


def test_profiles_satisfy_the_schema():
    schema = profile_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    validator.validate(content())
    validator.validate(json.loads(FIRST_VERSION.read_text("utf-8")))
    broken = content()
    del broken["parameters"]["emf_constant"]["standard_uncertainty"]
    assert not validator.is_valid(broken)


def test_what_a_heat_run_tells_is_kept(tmp_path):
    """Two bodies, how the rotor was, and the magnets; of an earlier profile, that nothing is
    known of them."""
    part = invented_profile().estimate("coulomb_torque")
    bodies = ThermalBodies(
        winding_to_frame=replace(part, value=1.2, unit="K/W"),
        winding_time_constant=replace(part, value=40.0, unit="s"),
        frame_to_air=replace(part, value=0.8, unit="K/W"),
        frame_time_constant=replace(part, value=900.0, unit="s"),
    )
    constants = Constants(magnet="neodymium", heat_run_rotor="turning", heat_run_speed=150.0)
    profile = invented_profile(constants=constants, thermal_bodies=bodies)
    profile.save(tmp_path / "profile.json")
    again = load_profile(tmp_path / "profile.json")
    assert again.constants == constants
    assert again.thermal_bodies == bodies
    first = load_profile(FIRST_VERSION)
    assert first.thermal_bodies is None
    assert first.constants.heat_run_rotor is None
    assert first.constants.magnet == "unknown"


def test_schema_names_the_parameters_of_a_profile():
    assert Parameter.__args__ == tuple(PARAMETER_UNITS)


def change(parts: dict, place: str, value: object) -> dict:
    """Set, or with `...` delete, what stands at ``a.b.0``."""
    *way, last = [int(step) if step.isdigit() else step for step in place.split(".")]
    target = parts
    for step in way:
        target = target[step]
    if value is ...:
        del target[last]
    else:
        target[last] = value
    return parts


@pytest.mark.parametrize(
    ("place", "value", "message"),
    [
        ("machine", ..., r'"machine": found nothing, expected a value'),
        ("machine.name", 7, r'"machine\.name": found 7, expected text'),
        ("machine.colour", "blue", r'"machine\.colour": found an unknown key, expected none'),
        ("parameters.emf_constant.value", "0.05", r'emf_constant\.value": found "0\.05", expected'),
        ("parameters.emf_constant.value", True, r'emf_constant\.value": found true, expected'),
        ("parameters.emf_constant.standard_uncertainty", -1.0, r"found -1\.0, expected greater"),
        ("parameters.emf_constant.interval", [2.0, 1.0], r"interval\": found.*the lower end first"),
        ("parameters.emf_constant.unit", "mV.s/rad", r'found "mV\.s/rad", expected "V\.s/rad"'),
        ("parameters.emf_constant.degrees_of_freedom", 0, r"degrees_of_freedom.*greater than 0"),
        ("parameters.emf_constant.standing", "guessed", r"standing.*found \"guessed\", expected"),
        ("parameters.magic", {}, r"parameters\.magic"),
        ("parameters.brush_drop.standing", "unmeasured", r"brush_drop\.standing"),
        ("parameters.viscous_coefficient.needs", ..., r"viscous_coefficient\.needs.*nothing"),
        ("covariance.scatter.0.1", "x", r'"covariance\.scatter\[0\]\[1\]": found "x", expected'),
        ("covariance.scatter.0.1", 1.0, r"covariance\.scatter.*a lopsided matrix"),
        ("covariance.scatter.0.0", -1.0, r"covariance\.scatter.*a negative variance"),
        ("covariance.scatter", [], r"covariance\.scatter.*no rows, expected 4 rows of 4 numbers"),
        ("covariance.order", ["emf_constant"], r"covariance\.order.*each parameter that has a"),
        ("instruments.0.half_width", -0.1, r'"instruments\[0\]\.half_width": found -0\.1'),
        ("instruments.0.shape", "triangular", r"'rectangular' or 'normal'"),
        ("instruments.0.sensitivity.viscous_coefficient", 1.0, r"found a sensitivity, expected"),
        ("range.speed", [0.0, 100.0, "rpm"], r"range\.speed\[2\].*found \"rpm\", expected 'rad/s'"),
        ("range.current", [2.0, 1.0, "A"], r"range\.current\": found.*the lower end first"),
        ("constants.brush_current_scale", 0.0, r"brush_current_scale.*greater than 0"),
        ("provenance.level", 95, r"provenance\.level.*less than 1"),
    ],
)
def test_a_damaged_profile_is_refused_naming_the_place(tmp_path, place, value, message):
    path = written(tmp_path, change(content(), place, value))
    with pytest.raises(ProfileError, match=rf"(?s)profile\.json.*{message}") as refused:
        load_profile(path)
    assert "Fit the bench again with motorfit fit" in str(refused.value)


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_json_has_not_are_refused(tmp_path, number):
    path = tmp_path / "profile.json"
    text = profile_text(invented_profile()).replace("0.055,", f"{number},", 1)
    path.write_text(text, "utf-8")
    with pytest.raises(ProfileError, match=r"parameters\.emf_constant\.value"):
        load_profile(path)


def test_contradicting_correlations_are_refused(tmp_path):
    """Three correlations of -0.9 among three parameters cannot be: the sum has less than none."""
    parts = content()
    matrix = np.full((4, 4), -0.9)
    np.fill_diagonal(matrix, 1.0)
    path = written(tmp_path, change(parts, "covariance.scatter", matrix.tolist()))
    with pytest.raises(ProfileError, match="correlations that contradict each other"):
        load_profile(path)


def test_all_faults_are_told_at_once(tmp_path):
    parts = change(change(content(), "machine.name", 7), "range.direction", None)
    with pytest.raises(ProfileError, match=r"(?s)2 faults.*- \"machine\.name\".*- \"range\.dir"):
        load_profile(written(tmp_path, parts))


def test_a_newer_version_is_refused_whatever_is_in_it(tmp_path):
    path = written(tmp_path, {"format": "motorfit-profile", "version": 2, "news": []})
    with pytest.raises(ProfileError, match="made by a newer motorfit; this one reads version 1"):
        load_profile(path)


@pytest.mark.parametrize("version", [0, "1", None, 1.5])
def test_a_version_that_never_was_is_refused(tmp_path, version):
    path = written(tmp_path, change(content(), "version", version))
    with pytest.raises(ProfileError, match=r'"version": found .*, expected 1'):
        load_profile(path)


@pytest.mark.parametrize(
    ("bytes_there", "message"),
    [
        (b"", "found an empty file, expected a machine profile"),
        (b"speed,voltage\n1,2\n", "not JSON at line 1, character 1"),
        (b"\xff\xfe{}", "found byte 1, which is not UTF-8"),
        (b"\x00\x01\x02" * 1000, "not JSON"),
        (b"[1, 2]", r'"format": found \[1, 2\], expected "motorfit-profile"'),
        (b"{}", r'"format": found "no such key", expected "motorfit-profile"'),
        (b'{"format": "other"}', r'"format": found "other"'),
        (b"[" * 100_000, "nesting beyond all measure|not JSON"),
        (b'{"format": ' + b"9" * 5000 + b"}", "beyond all measure"),
    ],
    ids=["empty", "csv", "utf-16", "binary", "list", "object", "other", "nested", "huge number"],
)
def test_a_file_that_is_no_profile_is_refused(tmp_path, bytes_there, message):
    path = tmp_path / "profile.json"
    path.write_bytes(bytes_there)
    with pytest.raises(ProfileError, match=message):
        load_profile(path)


def test_a_byte_order_mark_does_no_harm(tmp_path):
    path = tmp_path / "profile.json"
    path.write_bytes(b"\xef\xbb\xbf" + profile_text(invented_profile()).encode())
    assert load_profile(path).machine.name == "conveyor motor"


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    with pytest.raises(ProfileError, match="found no such file, expected a machine profile"):
        load_profile(tmp_path / "profile.json")
    with pytest.raises(ProfileError, match=r"found a folder, .*Name the file in it, profile\.json"):
        load_profile(tmp_path)


@pytest.mark.skipif(
    os.name == "nt" or getattr(os, "geteuid", lambda: 1)() == 0, reason="permissions bind"
)
def test_an_unreadable_file_is_refused(tmp_path):
    path = tmp_path / "profile.json"
    invented_profile().save(path)
    path.chmod(0)
    with pytest.raises(ProfileError, match=r"could not be read.*Check that you may read it"):
        load_profile(path)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)
PLACES = [
    "machine",
    "parameters",
    "parameters.emf_constant",
    "parameters.emf_constant.value",
    "parameters.viscous_coefficient",
    "combinations",
    "combinations.0",
    "constants.inductance",
    "covariance",
    "covariance.order",
    "covariance.scatter.1.1",
    "instruments.0.sensitivity",
    "range.speed",
    "directions",
    "findings.0.damage",
    "provenance.files",
    "version",
]


@settings(max_examples=150)
@given(st.sampled_from(PLACES), json_values)
def test_any_content_loads_or_is_refused(tmp_path_factory, place, value):
    """Never another exception; and what loads can be saved again."""
    path = written(tmp_path_factory.mktemp("profile"), change(content(), place, value))
    try:
        profile = load_profile(path)
    except ProfileError:
        return
    assert load_profile(path).covariance_order == profile.covariance_order
    profile_text(profile)


def test_loading_and_predicting_needs_no_fitter_and_no_plots():
    """In a fresh process, so that nothing else has imported them."""
    program = (
        "import sys, motorfit;"
        f"profile = motorfit.load_profile({str(FIRST_VERSION)!r});"
        "profile.current(speed=100.0, load=4.7).interval();"
        "import numpy; profile.sample(10, numpy.random.default_rng(1));"
        "print([name for name in ('lmfit', 'pandas', 'matplotlib', 'click', 'pint', 'rich')"
        " if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_an_estimate_of_a_profile_is_had_by_name():
    profile = invented_profile(without=("brush_drop",))
    assert isinstance(profile.estimate("emf_constant"), Estimate)
    with pytest.raises(ProfileError, match=r"brush_drop has no value .*load with two resistors"):
        profile.estimate("brush_drop")
