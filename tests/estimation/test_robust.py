"""The robust fit: Huber's weights, scale and covariance, and what it does to a bench."""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from condition_models import as_problem, bench_rows, voltage_conditions
from scipy.optimize import brentq
from virtual_benches import TRUE, virtual

import motorfit as mf
from motorfit.estimation.fit import fit
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.physics import VB, K, R
from motorfit.estimation.problem import pose
from motorfit.estimation.robust import CUTOFF, Expected, as_read, effective_cutoff, fit_robustly
from motorfit.estimation.uncertainty import split_uncertainty

TRUTH = np.array([0.085, 0.62, 0.9])  # V s/rad, ohm, V: an invented machine
VOLT = 0.05  # scatter of a voltage [V]
KAPPA = 0.710165  # E psi^2 at 1.345: 2 [k^2 Q(k) + Phi(k) - 1/2 - k phi(k)], by hand


def balanced(repeats, *, slips=0, seed=1):
    """k, R and Vb by two speeds and two currents: every reading has the leverage 3/n.

    Exact speeds and currents, voltages of one scatter: a linear model.
    """
    rng = np.random.default_rng(seed)
    speed = np.tile([100.0, 300.0, 100.0, 300.0], repeats)
    current = np.tile([-1.0, -1.0, -5.0, -5.0], repeats)
    design = np.stack([speed, current, -np.ones_like(speed)], axis=-1)
    voltage = design @ TRUTH + rng.normal(scale=VOLT, size=len(speed))
    voltage[:slips] += 2.0
    shown = np.stack([voltage, speed, current, 0.0 * speed], axis=-1)
    deviation = np.array([VOLT, 0.0, 0.0, 0.0])
    conditions = voltage_conditions(shown, deviation)
    problem = as_problem(conditions, np.broadcast_to(deviation, (1, len(speed), 4)))
    return problem, design, voltage


def scale_of(joint):
    return VOLT * np.exp(0.5 * joint.scales.log_variance[0])


@pytest.mark.parametrize("slips", [0, 3])
def test_parameters_are_those_of_statsmodels(slips):
    """statsmodels 0.15.0, RLM with HuberT(1.345) at a fixed scale.

    Theirs takes residuals as they are, ours by their own deviations; with equal leverages
    h that is one factor, and the scale they are given is sigma sqrt(1 - h). Both iterate
    until the weights move by less than 1e-4: a millionth of a parameter here.
    """
    problem, design, voltage = balanced(10, slips=slips)

    joint = fit_robustly(problem)

    leverage = 3 / len(voltage)
    model = sm.RLM(voltage, design, M=sm.robust.norms.HuberT(CUTOFF))
    scale = scale_of(joint) * np.sqrt(1 - leverage)
    theirs = model.fit(start_scale=scale, update_scale=False, conv="coefs", tol=1e-12, maxiter=500)
    assert joint.machine == pytest.approx(theirs.params, rel=2e-6)
    assert joint.problem.held == pytest.approx(theirs.weights, abs=3e-4)


def test_scale_is_hubers_second_proposal():
    """Closed form: sum psi^2(t) sigma^2 (1 - h) / kappa = (n - p) sigma^2, and the prior.

    The prior is worth two readings about the usual size, which is `VOLT`. Solved by brentq;
    weights and scales are iterated to 1e-4.
    """
    problem, design, voltage = balanced(10, slips=2)

    joint = fit_robustly(problem)

    count, parameters = design.shape
    left = voltage - design @ joint.machine
    spare = 1 - parameters / count

    def score(sigma):
        bounded = np.clip(left / (sigma * spare**0.5), -CUTOFF, CUTOFF)
        data = np.sum(bounded**2) * spare / KAPPA - (count - parameters)
        return data + 2.0 * ((VOLT / sigma) ** 2 - 1.0)

    assert scale_of(joint) == pytest.approx(brentq(score, 0.1 * VOLT, 10 * VOLT), rel=2e-4)


def test_covariance_is_hubers():
    """statsmodels 0.15.0, RLM, covariance H1, with its shares of 400 residuals.

    Ours has the expectations of normal residuals in their place: the share within the
    cutoff, 0.82, has a chance of 0.02, which enters once: 3 % of a deviation.
    """
    problem, design, voltage = balanced(100)

    joint = fit_robustly(problem)

    scale = scale_of(joint)
    model = sm.RLM(voltage, design, M=sm.robust.norms.HuberT(CUTOFF))
    theirs = model.fit(start_scale=scale, update_scale=False, cov="H1")
    deviations = np.sqrt(np.diag(joint.covariance))
    assert deviations == pytest.approx(theirs.bse, rel=0.05)


def test_costs_five_per_cent_of_variance_on_clean_readings():
    """1.345 is made so: 95 % efficiency at the normal distribution.

    With 400 readings the small-sample factor is 1.003; the weights' own chance moves the
    variance by about a per cent.
    """
    problem, _, _ = balanced(100)
    robust, plain = fit_robustly(problem), fit_jointly(problem)

    size = np.exp(robust.scales.log_variance[0] - plain.scales.log_variance[0])
    ratio = np.diag(robust.covariance) / np.diag(plain.covariance) / size

    assert ratio == pytest.approx(1 / 0.95, rel=0.02)


def test_knows_a_scale_less_well_than_squares_do():
    """Asymptotic variance of log sigma: Var(psi^2) / (2 E[t^2; |t| < k])^2, by hand 0.760."""
    expected = Expected.at(CUTOFF)
    assert expected.scale_efficiency == pytest.approx(0.5 / 0.760, rel=1e-3)
    assert expected.square / expected.within**2 == pytest.approx(1 / 0.95, rel=1e-3)
    # far out nothing is bounded, and nothing lost
    assert Expected.at(6.0).scale_efficiency == pytest.approx(1.0, abs=1e-4)


def test_nothing_held_back_costs_nothing():
    """The share of clean rows beyond 1.345 is 0.1786 (normal table); beyond 2.576 it is 0.01."""
    held = np.where(np.arange(10000) < 1786, 0.5, 1.0)
    assert effective_cutoff(held) == pytest.approx(1.345, abs=1e-3)
    held = np.where(np.arange(10000) < 100, 0.5, 1.0)
    assert effective_cutoff(held) == pytest.approx(2.576, abs=1e-3)


def test_a_slip_hardly_moves_the_parameters():
    """The influence of one reading is bounded: at most as 1.345 of its deviations would."""
    clean, _, _ = balanced(10)
    spoiled, _, _ = balanced(10, slips=1)

    before, after = fit_robustly(clean), fit_robustly(spoiled)

    deviation = np.sqrt(np.diag(before.covariance))
    assert np.all(np.abs(after.machine - before.machine) < 0.6 * deviation)
    # and plain least squares is off by ten and more
    off = np.abs(fit_jointly(spoiled).machine - fit_jointly(clean).machine)
    assert np.max(off / deviation) > 3
    assert after.problem.held[0] < 0.05


def test_a_reading_that_alone_determines_a_parameter_is_not_held_back():
    """Ten rows without current know k; the one with current is all that is known of R."""
    speed = np.linspace(50.0, 300.0, 11)
    current = np.append(np.zeros(10), -4.0)
    voltage = 0.085 * speed + np.append(0.05 * np.cos(np.arange(10)), -20.0)
    shown = np.stack([voltage, speed, current, 0.0 * speed], axis=-1)
    deviation = np.array([VOLT, 0.0, 0.0, 0.0])
    conditions = voltage_conditions(shown, deviation)
    conditions.free = [K, R]
    problem = as_problem(conditions, np.broadcast_to(deviation, (1, len(speed), 4)))

    joint = fit_robustly(problem)

    assert joint.problem.held[-1] == 1.0
    assert joint.machine[1] == pytest.approx((joint.machine[0] * 300.0 - voltage[-1]) / 4.0)


def test_two_equations_of_a_row_are_held_back_together():
    """A brake row whose torque is a slip: its voltage counts as little."""
    bench = spoiled(virtual("brake"), "brake", "torque", 1, 10.0)

    joint = fit_robustly(pose(bench))

    kinds = np.array(joint.problem.assembled.rows.kind)
    held = joint.problem.held[kinds == "brake"]
    assert held[1] < 0.3
    assert np.all(held[[0, 2]] > 2 * held[1])


def test_instruments_have_the_same_part_in_a_clean_bench():
    """What a voltmeter may be off no weights can change: 3 % for weights between rows."""
    problem = pose(virtual("whole"))
    parts = [
        split_uncertainty(joint).shares(np.eye(len(joint.machine))[0])[1].sum() ** 0.5
        for joint in (fit_jointly(problem), fit_robustly(problem))
    ]
    assert parts[1] == pytest.approx(parts[0], rel=0.03)


def test_the_same_twice():
    """No chance in it: equal to the last bit."""
    problem = pose(virtual("whole"))
    first, second = fit_robustly(problem), fit_robustly(problem)
    assert np.array_equal(first.solution.theta, second.solution.theta)
    assert np.array_equal(first.problem.held, second.problem.held)


def test_as_read_counts_every_row_fully():
    """The stack of the whole bench: its covariance is not divided by the weights."""
    joint = fit_robustly(pose(spoiled(virtual("whole"), "load", "voltage", 3, 1.3)))
    whole = as_read(joint)
    held = joint.problem.held[np.nonzero(joint.problem.conditions.present)[0]]
    ratio = np.diag(joint.stack.patterns[0]) / np.diag(whole.stack.patterns[0])
    seen = np.diag(whole.stack.patterns[0]) > 0
    # one factor for Huber's covariance beside the weights
    factor = ratio[seen] * held[seen]
    assert factor == pytest.approx(np.full_like(factor, factor[0]))
    assert as_read(whole) is whole


def spoiled(bench, kind, quantity, place, factor):
    """One reading of a bench off by a factor."""
    runs = []
    for run in bench.runs:
        if run.kind == kind:
            values = run.readings[quantity].copy()
            values[place] *= factor
            run = replace(run, readings={**run.readings, quantity: values})
        runs.append(run)
    return replace(bench, runs=tuple(runs))


def test_a_bench_with_a_slip_gives_the_machine_all_the_same():
    """The truth is that of the simulation; without the weights R is off by half."""
    bench = spoiled(virtual("whole"), "load", "voltage", 5, 1.6)

    found = fit(bench, robust=True)

    for name in ("emf_constant", "armature_resistance"):
        low, high = found.parameters[name].interval
        assert low < getattr(TRUE, name) < high
    assert found.robust


def test_rows_held_back_are_named_and_none_is_dropped():
    """The seventh row of the sheet is the slip; the finding is a note beside the outlier's."""
    bench = spoiled(virtual("whole"), "load", "voltage", 5, 1.6)

    found = fit(bench, robust=True)

    note = next(one for one in found.findings if one.kind == "held-back")
    assert note.severity == "note"
    assert note.where == "load.csv:7"
    assert "load.csv row 7 (counts 1 %)" in note.says
    assert "outlier" in {one.kind for one in found.findings}
    weights = {(row.file, row.row): row.weight for row in found.residuals}
    assert 0 < weights["load.csv", 7] < 0.05
    assert len(found.residuals) == len(fit(bench).residuals)


def test_without_asking_every_row_counts_fully():
    """Robust is a choice: nothing is held back in silence."""
    found = fit(spoiled(virtual("whole"), "load", "voltage", 5, 1.6))
    assert {row.weight for row in found.residuals} == {1.0}
    assert "held-back" not in {one.kind for one in found.findings}
    assert not found.robust


def test_robust_goes_with_terms_and_a_slip_is_no_armature_reaction():
    """A slip at the largest current bends the load line; the others do not."""
    bench = spoiled(virtual("whole"), "load", "voltage", 6, 0.9)
    found = mf.fit(bench, robust=True)
    assert not any(one.included for one in found.terms)
    asked = mf.fit(bench, robust=True, terms=["armature-reaction"])
    low, high = asked.parameters["armature_reaction"].interval
    assert low < 0 < high


def test_fits_without_any_current():
    """Open circuit alone: one parameter, no second equation."""
    joint = fit_robustly(pose(virtual("open circuit only")))
    assert joint.machine[0] == pytest.approx(0.08, rel=0.02)
    assert VB not in joint.problem.free
    assert len(bench_rows(np.zeros((1, 4)))) == 1
