"""A torque in another unit than its header says, against the volts per speed."""

import pytest

from motorfit.bench.folder import read_bench

MACHINE = '[machine]\nname = "invented"\n[speed]\nchecked = "yes"\n'
#: 0.08 V s/rad: 100 rad/s is 954.93 rpm.
OPEN = "speed (rpm),voltage (V)\n954.93,8.00\n1909.86,16.00\n"


def load_sheet(factor):
    """0.08 N m/A and a loss of 0.03 N m + 5e-5 w, at an arm of 0.1 m."""
    lines = ["speed (rpm),voltage (V),current (A),force (N),arm (m)"]
    for speed in (100.0, 200.0):
        for current in (1.0, 2.0, 4.0):
            force = (0.08 * current + 0.03 + 5e-5 * speed) / 0.1 * factor
            volts = 0.08 * speed - 0.5 * current
            lines.append(f"{speed * 9.5493:.2f},{volts:.2f},{current:.2f},{force:.5f},0.1")
    return "\n".join(lines) + "\n"


def found(folder, factor):
    (folder / "machine.toml").write_text(MACHINE)
    (folder / "open-circuit.csv").write_text(OPEN)
    (folder / "load.csv").write_text(load_sheet(factor))
    findings = read_bench(folder).findings
    return [each for each in findings if each.kind == "constant-off-torque"]


@pytest.mark.parametrize(
    ("factor", "named"),
    [
        (1 / 9.80665, "1/9.81, as with a force in kg or kgf"),
        (9.80665, "9.81, as with newtons under a header in kg"),
        (1000.0, "1000, as with g under a header in kg"),
    ],
)
def test_a_force_in_another_unit_is_named_with_its_factor(tmp_path, factor, named):
    (finding,) = found(tmp_path, factor)

    assert named in finding.says
    assert finding.where == "load.csv"


@pytest.mark.parametrize("factor", [1.0, 1.15, 4.0])
def test_a_right_force_and_one_of_no_known_slip_are_left_to_the_fit(tmp_path, factor):
    assert found(tmp_path, factor) == []
