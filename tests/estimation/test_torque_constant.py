"""Newton metres per ampere by themselves, against volts per rad/s."""

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import PLANS, SPEEDS, TRUE

import motorfit as mf
from motorfit.estimate import Estimate
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.result import TorqueConstant
from motorfit.estimation.torque_constant import (
    factor_told,
    torque_constant,
    torque_constant_findings,
)
from motorfit.estimation.uncertainty import split_uncertainty
from motorfit.simulation.plan import BenchPlan

LOADED = BenchPlan(
    open_circuit_speeds=SPEEDS, load_speeds=SPEEDS, load_resistors=(2.2, 10.0), driven_torque=True
)


def scaled(bench, factor):
    """The bench with every torque or force so many times what was shown."""

    def of(run):
        name = "force" if "force" in run.readings else "torque"
        if name not in run.readings:
            return run
        return replace(run, readings={**run.readings, name: run.readings[name] * factor})

    return replace(bench, runs=tuple(map(of, bench.runs)))


def apart(bench):
    return torque_constant(split_uncertainty(fit_jointly(pose(bench)), 1.0), 0.95)


def of(ratio, deviation=0.01):
    """A ratio written down by hand."""
    estimate = Estimate(
        value=ratio,
        unit="1",
        standard_uncertainty=deviation,
        from_scatter=deviation,
        from_instruments=0.0,
        interval=(ratio - 2 * deviation, ratio + 2 * deviation),
        level=0.95,
        degrees_of_freedom=np.inf,
        method="linear",
    )
    constant = replace(estimate, value=0.08 * (1 + ratio), unit="N.m/A")
    return TorqueConstant(estimate=constant, ratio=estimate, agrees=abs(ratio) < 3 * deviation)


@pytest.mark.parametrize("plan", [PLANS["brake"], LOADED, replace(LOADED, arm=0.15)])
def test_the_interval_covers_a_ratio_of_one(plan):
    """Forty simulated machines, whose constants are one number: binomial, as elsewhere."""
    found = [apart(mf.simulate(TRUE, plan=plan, seed=seed)) for seed in range(40)]

    assert sum(one.ratio.interval[0] <= 0 <= one.ratio.interval[1] for one in found) >= 33
    assert all(one.agrees for one in found)
    off = [one.estimate.value / 0.08 - 1 for one in found]
    assert np.mean(off) == pytest.approx(0, abs=0.02)  # scales of 1 to 3 %, over forty benches


@pytest.mark.parametrize("factor", [1 / 9.80665, 0.5, 2.0, 9.80665])
def test_a_torque_scale_that_is_wrong_comes_out_as_its_factor(factor):
    """A brake test: torque, and so its loss, scaled as a whole; the motor runs free rightly.

    One linear step from a compromise of both constants: so gross a slip leaves some per cent.
    """
    one = apart(scaled(mf.simulate(TRUE, plan=PLANS["brake"], seed=3), factor))

    assert 1 + one.ratio.value == pytest.approx(factor, rel=0.1)
    assert not one.agrees


def test_no_torque_under_current_is_no_torque_constant():
    for name in ("one resistor", "no-load only", "resistance only"):
        assert apart(mf.simulate(TRUE, plan=PLANS[name], seed=1)) is None


def test_the_ammeters_gain_is_in_its_uncertainty():
    """k_T = tau/i: an ammeter of 5 % makes 5/sqrt(3) % at least."""
    bench = mf.simulate(TRUE, plan=PLANS["brake"], seed=1)
    ammeter = bench.instruments["current", ""]
    rough = replace(ammeter, accuracy=replace(ammeter.accuracy, relative=0.05))
    one = apart(replace(bench, instruments={**bench.instruments, ("current", ""): rough}))

    # a little less on the whole: the voltage drops tell of the current as well
    assert one.ratio.from_instruments > 0.9 * 0.05 / 3**0.5


@pytest.mark.parametrize(
    ("ratio", "slip"),
    [
        (1 / 9.81 - 1, "kg or kgf under a header in newtons"),
        (8.81, "newtons under a header in kg"),
        (1.0, "lever taken twice as long"),
        (999.0, "mN m under a header in N m"),
    ],
)
def test_a_known_factor_names_the_likely_slip(ratio, slip):
    (finding,) = torque_constant_findings(of(ratio))

    assert finding.kind == "constants-differ"
    assert slip in finding.suggestion


def test_an_unknown_factor_names_none():
    assert factor_told(of(0.3)) == ""
    assert "arm's length" in torque_constant_findings(of(0.3))[0].suggestion


def test_agreement_is_good_news_with_its_number():
    (finding,) = torque_constant_findings(of(0.005))

    assert finding.severity == "good"
    # 3.17 deviations at 99.85 %
    assert "within 3.2 %" in finding.says


def test_what_is_told_elsewhere_is_not_told_twice():
    assert torque_constant_findings(of(1.0), {"constant-off-torque"}) == []


def test_a_fit_has_the_number_and_the_finding():
    bench = mf.simulate(TRUE, plan=PLANS["brake"], seed=4)
    clean, wrong = mf.fit(bench), mf.fit(scaled(bench, 1 / 9.80665))

    assert clean.torque_constant.agrees
    assert "constants-agree" in {finding.kind for finding in clean.findings}
    (finding,) = [one for one in wrong.findings if one.kind == "constants-differ"]
    assert "9.81" in finding.suggestion


def test_agreement_within_a_third_is_no_news():
    assert torque_constant_findings(of(0.02, deviation=0.1)) == []
