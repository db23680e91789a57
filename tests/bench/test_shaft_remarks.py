"""What was on the shaft, as the remarks of a sheet say it."""

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motorfit.bench.folder import read_bench
from motorfit.bench.kinds import KINDS
from motorfit.bench.shaft_remarks import shaft_remarks
from motorfit.errors import BenchProblemsError

COASTING = "time (s),voltage (V)\n0,12.0\n1,9.0\n2,6.5\n"


def read(remark, kind="coast-down"):
    return shaft_remarks(Path("coast-down.csv"), [(1, remark)], KINDS[kind])


def test_an_added_inertia_is_read_with_its_half_width():
    """0.0012 kg m2, of which 2 % are 0.000024."""
    added = read("added inertia: 0.0012 kg m2 +- 2 %").added_inertia

    assert added.value == pytest.approx(0.0012, rel=1e-12)
    assert added.half_width == pytest.approx(0.000024, rel=1e-12)


@pytest.mark.parametrize(
    "remark",
    [
        "added disc: 0.50 kg +- 1 %, 120 mm +- 1 %",
        "Added disk 500 g +- 1 %; 12 cm +- 1 %",
        "added disc: mass 0,50 kg +- 1 %, diameter 0,12 m +- 1 %",
        "added flywheel = 0.5 kg +- 5 g and 120 mm +- 1.2 mm",
        "added disc:0.5kg +-1%,120mm +-1%",
    ],
)
def test_an_added_disc_is_an_inertia_however_it_is_written(remark):
    """m d^2/8 = 0.5 * 0.12^2/8 = 0.0009; 1 % of m and 2 % by d^2 are sqrt(5) % together."""
    added = read(remark).added_inertia

    assert added.value == pytest.approx(0.0009, rel=1e-12)
    assert added.half_width / added.value == pytest.approx(math.sqrt(5) / 100, rel=1e-12)


@given(st.floats(0.01, 50), st.floats(0.01, 2.0), st.floats(0, 5), st.floats(0, 5))
def test_the_half_width_of_a_disc_has_the_standard_uncertainty_of_both(mass, size, first, second):
    """Rectangular ones add as variances: u = sqrt(u_m^2 + (2 u_d)^2), JCGM 100, 5.1.6."""
    added = read(
        f"added disc: {mass:.6f} kg +- {first:.3f} %, {size:.6f} m +- {second:.3f} %"
    ).added_inertia

    first, second = round(first, 3) / math.sqrt(3), 2 * round(second, 3) / math.sqrt(3)
    share = added.half_width / added.value / math.sqrt(3)
    assert 100 * share == pytest.approx(math.hypot(first, second), abs=1e-9)


@pytest.mark.parametrize(
    ("remark", "match"),
    [
        ("added inertia: 0.0012", "row 1: found .* without a unit, expected an inertia"),
        ("added inertia: heavy", "row 1: found .*expected a number with a unit of inertia"),
        ("added disc: 0.5 kg", "row 1: found '0.5 kg', expected mass and diameter of the disc"),
        ("added disc: 120 mm, 0.5 kg", 'row 1: found the unit "mm", expected a unit of mass'),
        ("added disc: 0 kg, 120 mm", "row 1: found '0 kg', expected a mass above zero"),
        ("added inertia: 0 kg m2", "row 1: found '0 kg m2', expected an inertia above zero"),
        ("added disc: 0.5 kg +- 100 %, 120 mm", "expected a mass known to better than 100 %"),
        ("added wheel: 0.5 kg, 120 mm", "row 1: found the remark 'added wheel: .*added disc"),
        ("aded disc: 0.5 kg, 120 mm", "row 1: found the remark 'aded disc: .*added disc"),
    ],
)
def test_what_cannot_be_read_is_told_with_its_row(remark, match):
    with pytest.raises(BenchProblemsError, match=match):
        read(remark)


def test_two_added_inertias_are_not_guessed_about():
    twice = [(1, "added inertia: 0.001 kg m2"), (4, "added inertia: 0.002 kg m2")]
    with pytest.raises(BenchProblemsError, match="row 4: found a second remark"):
        shaft_remarks(Path("coast-down.csv"), twice, KINDS["coast-down"])


def test_other_remarks_say_nothing_about_the_shaft():
    said = read("warm day; a disc was added later")

    assert said.added_inertia is None
    assert not said.uncoupled


@pytest.mark.parametrize("remark", ["machine uncoupled", "The machine is decoupled (belt off)"])
def test_a_drive_that_ran_alone_is_told_where_its_power_is_read(remark):
    """In a coast-down the machine is uncoupled from its drive, and still the one measured."""
    assert read(remark, kind="open-circuit").uncoupled
    assert not read(remark, kind="coast-down").uncoupled


def test_a_coast_down_carries_what_was_added(tmp_path):
    (tmp_path / "machine.toml").write_text('[machine]\nname = "invented"\n')
    (tmp_path / "coast-down.csv").write_text(
        "# added disc: 0.50 kg +- 1 %, 120 mm +- 1 %\n" + COASTING
    )
    (run,) = read_bench(tmp_path).runs

    assert run.added_inertia.value == pytest.approx(0.0009, rel=1e-12)


def test_a_sheet_of_the_drive_alone_needs_no_voltage(tmp_path):
    """It is no run of the machine: nothing that asks for open-circuit readings meets it."""
    (tmp_path / "machine.toml").write_text('[machine]\nname = "invented"\n')
    (tmp_path / "open-circuit.csv").write_text(
        "speed (rpm),voltage (V),drive_power (W)\n1000,6.2,35\n2000,12.4,80\n"
    )
    (tmp_path / "open-circuit-drive.csv").write_text(
        "# machine uncoupled\nspeed (rpm),voltage (V),drive_power (W)\n1000,,20\n2000,0,40\n"
    )
    bench = read_bench(tmp_path)

    assert [run.source.name for run in bench.of_kind("open-circuit")] == ["open-circuit.csv"]
    (alone,) = bench.of_drive_alone
    assert alone.get("drive_power").tolist() == [20.0, 40.0]
    assert not [finding for finding in bench.findings if "drive" in finding.where]


def test_a_sheet_of_the_drive_alone_needs_its_power(tmp_path):
    (tmp_path / "machine.toml").write_text('[machine]\nname = "invented"\n')
    (tmp_path / "open-circuit-drive.csv").write_text(
        "# machine uncoupled\nspeed (rpm),voltage (V)\n1000,0\n"
    )
    with pytest.raises(BenchProblemsError, match="found no column of drive_power"):
        read_bench(tmp_path)
