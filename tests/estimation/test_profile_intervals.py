"""Intervals from the profile of the sum of squares."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import t as student
from virtual_benches import PLANS, TRUE

import motorfit as mf
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.profile_intervals import profile_intervals
from motorfit.estimation.solver import whiten
from motorfit.estimation.uncertainty import split_uncertainty
from motorfit.simulation.bench import simulate
from motorfit.simulation.instruments import RPM, VirtualKit, handheld_meters, virtual_meter
from motorfit.simulation.plan import BenchPlan


def shaky_bench():
    """Six open-circuit and no other readings, of a tachometer that scatters by 12 %."""
    tachometer = virtual_meter(
        "speed", "tachometer", resolution=0.1 * RPM, display_factor=RPM, repeatability=0.12
    )
    meters = handheld_meters() | {"speed": tachometer}
    plan = BenchPlan(open_circuit_speeds=(60.0, 110.0, 160.0, 210.0, 260.0, 310.0))
    return simulate(TRUE, plan=plan, kit=VirtualKit(meters=meters), seed=11)


def least_squares_beside(joint, place, value):
    """The least sum of squares with one parameter held, by a minimiser without derivatives.

    Independent of the profile's: it adds up squares from the definition (equations and
    priors) and lets the simplex of Nelder and Mead find the others.
    """
    conditions, best = joint.problem.conditions, joint.solution.theta
    scales = np.exp(joint.scales.log_variance)
    priors = joint.problem.priors(joint.scales.log_variance)
    own = conditions.own_variance(best, scales)
    given = priors.given

    def squares(theta):
        residual, _ = whiten(conditions, theta, scales, own)
        pseudo = (theta - priors.mean)[given] / priors.deviation[given]
        return float(np.sum(residual[conditions.present] ** 2) + np.sum(pseudo**2))

    others = np.flatnonzero(np.arange(len(best)) != place)
    size = np.where(given, priors.deviation, 1.0)[others]

    def beside(scaled):
        theta = best.copy()
        theta[others] += scaled * size
        theta[place] = value
        return squares(theta)

    found = minimize(
        beside, np.zeros(len(others)), method="Powell", options={"xtol": 1e-6, "ftol": 1e-12}
    )
    return found.fun - squares(best)


def test_ends_are_where_the_sum_of_squares_has_grown_by_t_squared():
    """Against a scan of its own: 1 %, for the search's 0.0005 of x and Powell's leftovers."""
    joint = fit_jointly(pose(shaky_bench()))
    uncertainty = split_uncertainty(joint)
    weights = np.eye(len(joint.machine))[0]

    ends = profile_intervals(uncertainty, 0.95).ends[0]

    wanted = student(uncertainty.degrees_of_freedom(weights)).ppf(0.975) ** 2
    for end in ends:
        assert least_squares_beside(joint, 0, end) == pytest.approx(wanted, rel=0.01)


def test_scatter_of_the_speed_makes_the_interval_lopsided():
    """k is volts over a speed that scatters: what Fieller's interval of a ratio says.

    With a relative standard uncertainty c of the mean speed alone, the ends are at
    k / (1 -+ t c): further above than below, and about k even in the reciprocal.
    """
    fit = mf.fit(shaky_bench(), interval="profile")
    constant = fit.parameters["emf_constant"]
    low, high = constant.interval

    assert constant.method == "profile"
    assert high - constant.value > 1.05 * (constant.value - low)
    below, above = 1 / constant.value - 1 / high, 1 / low - 1 / constant.value
    assert below == pytest.approx(above, rel=0.05)


def test_a_widened_scatter_widens_the_profile_too():
    """Four times the variance of the scatter: as much wider as the linear interval, to 5 %."""
    joint = fit_jointly(pose(simulate(TRUE, plan=PLANS["one resistor"], seed=2)))
    place = joint.problem.names.index("armature_resistance")
    uncertainties = split_uncertainty(joint), split_uncertainty(joint, 4.0)

    plain, wide = (profile_intervals(each, 0.95).ends[place] for each in uncertainties)

    linear = [each.total[place, place] ** 0.5 for each in uncertainties]
    freedom = [each.degrees_of_freedom(np.eye(3)[place]) for each in uncertainties]
    expected = linear[1] * student(freedom[1]).ppf(0.975)
    expected /= linear[0] * student(freedom[0]).ppf(0.975)
    assert expected > 1.4
    assert (wide[1] - wide[0]) / (plain[1] - plain[0]) == pytest.approx(expected, rel=0.05)


def test_a_profile_that_does_not_close_is_left_out_and_told(monkeypatch):
    """`lmfit.conf_interval` warns when a probability is not reached; here within no step."""
    monkeypatch.setattr("motorfit.estimation.profile_intervals._STEPS", 0)
    joint = fit_jointly(pose(shaky_bench()))

    found = profile_intervals(split_uncertainty(joint), 0.999)

    assert dict(found.ends) == {}
    assert found.notes == (
        "interval of the emf constant made linearly, for its profile does not close",
    )
