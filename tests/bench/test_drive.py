"""The drive's power before any fit: what gives no torque, what cannot be, what is assumed."""

import numpy as np
import pytest

from motorfit.bench.drive import within_reach
from motorfit.bench.folder import read_bench
from motorfit.errors import BenchProblemsError

MACHINE = '[machine]\nname = "invented"\n'
COUPLED = "speed (rpm),voltage (V),drive_power (W)\n1000,6.2,35\n2000,12.4,80\n"
ALONE = "# machine uncoupled\nspeed (rpm),drive_power (W)\n1000,20\n2000,40\n"


def bench(folder, coupled=COUPLED, alone=ALONE, machine=MACHINE):
    (folder / "machine.toml").write_text(machine)
    (folder / "open-circuit.csv").write_text(coupled)
    if alone:
        (folder / "open-circuit-drive-alone.csv").write_text(alone)
    return read_bench(folder)


def kinds(found):
    return {finding.kind for finding in found.findings if finding.kind.startswith("drive")}


def test_powers_that_fit_together_are_no_finding(tmp_path):
    assert kinds(bench(tmp_path)) == set()


def test_power_without_the_drive_alone_is_said_to_be_unused(tmp_path):
    assert kinds(bench(tmp_path, alone=None)) == {"drive-power-not-used"}


def test_a_drive_that_takes_less_with_the_machine_is_found(tmp_path):
    """30 W with it, 40 W alone at 2000 rpm."""
    found = bench(tmp_path, coupled=COUPLED.replace("80", "30"))

    (finding,) = [one for one in found.findings if one.kind == "drive-power-too-small"]
    assert finding.where == "open-circuit.csv:3"


def test_speeds_far_from_those_of_the_drive_alone_are_named(tmp_path):
    """2400 rpm is 20 % above its fastest."""
    found = bench(tmp_path, coupled=COUPLED.replace("2000", "2400"))

    (finding,) = [one for one in found.findings if one.kind == "drive-power-beyond"]
    assert "row 3" in finding.says


def test_the_reach_is_a_tenth_beyond_the_speeds_that_were_read():
    reached = within_reach(np.array([80.0, 92.0, 215.0, 225.0]), np.array([100.0, 200.0]))

    assert reached.tolist() == [False, True, True, False]


def test_an_assumed_efficiency_is_said(tmp_path):
    assert "drive efficiency: 80 % +- 20 %" in bench(tmp_path).assumed


def test_a_stated_efficiency_is_not_assumed(tmp_path):
    found = bench(tmp_path, machine=MACHINE + '[drive]\nefficiency = "75 % +- 10 %"\n')

    assert found.settings.drive.efficiency.value == pytest.approx(0.75, rel=1e-12)
    assert found.settings.drive.efficiency.half_width == pytest.approx(0.1, rel=1e-12)
    assert not [line for line in found.assumed if line.startswith("drive efficiency")]


@pytest.mark.parametrize("written", ['"120 %"', '"0 %"', '"5 % +- 10 %"', "75"])
def test_an_impossible_efficiency_is_told_with_its_line(tmp_path, written):
    with pytest.raises(BenchProblemsError, match=r"machine.toml, row 4.*an efficiency above zero"):
        bench(tmp_path, machine=MACHINE + f"[drive]\nefficiency = {written}\n")
