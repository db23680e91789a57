"""Starting torque: mean, largest, and cogging told from friction."""

from dataclasses import replace

import pytest
from virtual_benches import TRUE

import motorfit as mf
from motorfit.estimate import Estimate
from motorfit.estimation.breakaway import breakaway_of
from motorfit.simulation.heat_plans import BreakawayPlan
from motorfit.simulation.plan import BenchPlan

MACHINE = '[machine]\nname = "invented"\n'

#: Invented: friction of 0.050 N m and a cogging of 0.012 N m that turns its sign with the way.
BOTH_WAYS = """torque (N m),position (deg),direction
0.0620,0,a
0.0380,0,b
0.0500,90,a
0.0500,90,b
0.0380,180,a
0.0620,180,b
0.0500,270,a
0.0500,270,b
"""


def folder(path, text, **others):
    (path / "machine.toml").write_text(MACHINE)
    (path / "breakaway.csv").write_text(text)
    for name, other in others.items():
        (path / f"{name.replace('_', '-')}.csv").write_text(other)
    return mf.read_bench(path)


def virtual(seed, **plan):
    usual = {"friction": 0.05, "cogging": 0.015, "steps": 7, "positions": 12, "scatter": 0.05}
    plan = BenchPlan(breakaway=BreakawayPlan(**(usual | plan)), arm=0.15)
    return mf.simulate(TRUE, plan=plan, seed=seed)


def covers(estimate, truth):
    return estimate.interval[0] <= truth <= estimate.interval[1]


def test_cogging_helps_one_way_and_hinders_the_other(tmp_path):
    """By hand: half the sums are 0.05, half the differences 0.012, 0, -0.012, 0.

    Their variance is 2 * 0.012^2/3, so that a sine of that size has an amplitude of
    0.012 * sqrt(4/3); the usual scatter, worth two readings of five, takes some of it.
    """
    found = breakaway_of(folder(tmp_path, BOTH_WAYS), 0.95)

    assert found.mean.value == pytest.approx(0.05, abs=1e-12)
    assert (found.positions, found.directions) == (4, 2)
    varied = 2 * 0.012**2 / 3
    scatter = 2 * (0.1 * 0.05) ** 2 / 5  # nothing is left of three degrees of freedom
    assert found.cogging.value == pytest.approx((2 * (varied - scatter / 2)) ** 0.5, rel=1e-9)


def test_what_the_ruler_may_be_off_counts_in_the_cogging_too(tmp_path):
    """1.5 mm of 150 mm is 1 % of every torque: rectangular, amplitude * 0.01/sqrt(3).

    The scale is taken as exact: its offset is in no difference, and its gain is zero.
    """
    (tmp_path / "kit.toml").write_text(
        '[instruments.force]\naccuracy = "0.000001 N"\n[instruments.arm]\naccuracy = "1.5 mm"\n'
    )
    rows = [line.split(",") for line in BOTH_WAYS.splitlines()[1:]]
    sheet = "\n".join(
        ["force (N),arm (mm),position (deg),direction"]
        + [f"{float(torque) / 0.15:.6f},150,{angle},{way}" for torque, angle, way in rows]
    )
    cogging = breakaway_of(folder(tmp_path, sheet), 0.95).cogging

    # the forces are rounded to a millionth, and so is a length of 150 mm written to 1 mm
    assert cogging.from_instruments == pytest.approx(cogging.value * 0.01 / 3**0.5, rel=1e-3)


def test_the_mean_is_over_positions_and_not_over_readings(tmp_path):
    """Four readings at one place and one each at two others: (0.03 + 0.05 + 0.07)/3."""
    text = "torque (N m),position (deg)\n" + "0.03,0\n" * 4 + "0.05,120\n0.07,240\n"

    assert breakaway_of(folder(tmp_path, text), 0.95).mean.value == pytest.approx(0.05)


def test_a_whole_turn_further_is_the_same_position(tmp_path):
    text = "torque (N m),position (deg)\n0.05,10\n0.06,370\n0.05,190\n0.05,-170\n"

    assert breakaway_of(folder(tmp_path, text), 0.95).positions == 2


def test_readings_without_a_position_each_have_one(tmp_path):
    found = breakaway_of(folder(tmp_path, "torque (mN m)\n50\n55\n45\n52\n"), 0.95)

    assert found.positions == 4
    assert found.cogging is None  # scatter and position are not told apart


def test_a_scale_that_shows_something_at_zero_is_allowed_for(tmp_path):
    """0.05 N of 0.40 N at 0.1 m: 0.035 N m are left; a prior of 1 N leaves that to zero.csv."""
    text = "force (N),arm (m),position (deg)\n" + "".join(f"0.40,0.1,{p}\n" for p in (0, 90, 180))
    bench = folder(tmp_path, text, zero="force (N)\n0.05\n0.05\n0.05\n")
    scale = replace(
        bench.instruments["force", ""],
        accuracy=replace(bench.instruments["force", ""].accuracy, absolute=1.0),
    )
    bench = replace(bench, instruments={**bench.instruments, ("force", ""): scale})

    # the prior counts (0.01/0.6)^2 beside the readings: less than 1e-3
    assert breakaway_of(bench, 0.95).mean.value == pytest.approx(0.035, rel=1e-3)


@pytest.mark.parametrize(
    "plan", [{"repeats": 3}, {"directions": ("a", "b")}, {"positions": 5, "repeats": 2}]
)
def test_mean_largest_and_cogging_cover_the_truth(plan):
    """Sixty invented machines: friction 0.05 N m, and 0.065 N m where cogging is worst.

    binomial(60, 0.95) is below 51 once in a thousand times.
    """
    found = [breakaway_of(virtual(seed, **plan), 0.95) for seed in range(60)]

    assert sum(covers(one.mean, 0.05) for one in found) >= 51
    assert sum(covers(one.largest, 0.065) for one in found) >= 51
    told = [one.cogging for one in found if one.cogging is not None]
    assert len(told) >= 51
    assert sum(covers(one, 0.015) for one in told) >= 0.85 * len(told)


def test_a_machine_without_cogging_has_none_told():
    """Sixty invented ones: at most one in twenty by chance.

    binomial(60, 0.05) is above 9 once in a thousand times.
    """
    found = [breakaway_of(virtual(seed, cogging=0.0, repeats=3), 0.95) for seed in range(60)]

    assert sum(one.cogging is not None for one in found) <= 9


def test_the_profile_has_the_mean(tmp_path):
    bench = folder(
        tmp_path, BOTH_WAYS, open_circuit="speed (rpm),voltage (V)\n1000,8.38\n2000,16.75\n"
    )
    found = mf.fit(bench)

    assert found.profile.parameters["breakaway_torque"] == found.breakaway.mean
    assert isinstance(found.parameters["emf_constant"], Estimate)
    place = found.profile.covariance_order.index("breakaway_torque")
    assert found.covariance[place, place] == pytest.approx(
        found.breakaway.mean.standard_uncertainty**2
    )
    assert found.counts["breakaway.csv"] == 8


def test_nothing_but_starting_torques_is_a_fit_that_can_be_saved(tmp_path):
    found = mf.fit(folder(tmp_path, BOTH_WAYS))
    found.profile.save(tmp_path / "profile.json")
    loaded = mf.load_profile(tmp_path / "profile.json")

    assert loaded.parameters["breakaway_torque"].value == pytest.approx(0.05)
    assert loaded.covariance_order == ("breakaway_torque",)
    assert [finding.kind for finding in found.findings if finding.grave] == []
    assert next(one.answer for one in found.answers if one.question == "how hard to turn") == (
        "partly"
    )


def test_a_starting_torque_far_below_the_dry_friction_is_found():
    """Written in kgf m: a tenth of what it is. It cannot start more easily than it turns."""
    plan = BenchPlan(
        open_circuit_speeds=(60.0, 110.0, 160.0, 210.0),
        supply_voltages=(8.0, 16.0, 24.0),
        breakaway=BreakawayPlan(friction=0.0035, positions=8, repeats=2),
    )
    found = mf.fit(mf.simulate(TRUE, plan=plan, seed=2))

    assert "breakaway-unlike-friction" in {finding.kind for finding in found.findings}
