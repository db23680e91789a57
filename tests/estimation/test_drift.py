"""What neighbouring readings share though nobody named it."""

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import PLANS, TRUE

import motorfit as mf
from motorfit.estimation.effects import DRIFT, SETTING, USUAL_DRIFT
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.simulation.bench import simulate
from motorfit.simulation.plan import Conditions, usual_plan

PLAN = replace(usual_plan(TRUE), repeats=2)


def drifts(conditions: Conditions, *, named: bool = False) -> np.ndarray:
    """Estimated relative size of the drift on twelve benches."""
    plan = replace(PLAN, label_settings=named)
    found = []
    for seed in range(12):
        joint = fit_jointly(pose(simulate(TRUE, plan=plan, conditions=conditions, seed=seed)))
        place = joint.problem.assembled.components.index(DRIFT)
        found.append(USUAL_DRIFT * np.exp(0.5 * joint.scales.log_variance[place]))
    return np.array(found)


def test_errors_correlated_in_time_are_told_from_scatter():
    """0.6 % planted. Of its variance about half is in waves too fast to tell from scatter."""
    found = np.median(drifts(Conditions(serial_drift=0.006, serial_correlation=0.7)))

    assert 0.002 < found < 0.006
    assert found > 2 * np.median(drifts(Conditions()))


def test_settings_that_nobody_named_are_found_and_sized():
    """0.5 % planted, shared by the readings at one speed of the drive.

    A row has the shape of its setting and the waves, together 1.38 times the size of either.
    Twelve settings in two sheets tell the size within 1/sqrt(24), 20 %; the median of twelve
    benches is within 7 %, and three times that is allowed.
    """
    found = drifts(Conditions(setting_drift=0.005, drive_scatter=0.0))

    assert np.median(found) == pytest.approx(0.005 / 1.38, rel=0.2)


def test_the_size_that_is_told_is_that_of_the_speed():
    """Settings that share 0.5 %, nobody named them; on twelve benches, within a third."""
    conditions = Conditions(setting_drift=0.005, drive_scatter=0.0)
    told = []
    for seed in range(12):
        fit = mf.fit(simulate(TRUE, plan=PLAN, conditions=conditions, seed=seed))
        told += [one for one in fit.scatter if one.name == DRIFT]

    assert np.median([one.standard_deviation for one in told]) == pytest.approx(0.005, rel=0.33)


def test_a_drift_widens_what_it_moves():
    """The EMF constant's variance by scatter, twice that of a steady drive and more."""

    def by_scatter(conditions: Conditions) -> float:
        joint = fit_jointly(pose(simulate(TRUE, plan=PLAN, conditions=conditions, seed=3)))
        known = joint.sensitivity * [one.deviation for one in joint.problem.assembled.nuisances]
        instruments = [one.error != "effect" for one in joint.problem.assembled.nuisances]
        return float(joint.covariance[0, 0] - np.sum(known[0, instruments] ** 2))

    steady = by_scatter(Conditions())
    assert by_scatter(Conditions(serial_drift=0.006, serial_correlation=0.7)) > 2 * steady


def test_named_settings_take_its_place():
    plan = replace(PLANS["whole"], label_settings=True, repeats=2)

    components = pose(simulate(TRUE, plan=plan, seed=1)).assembled.components

    assert SETTING in components
    assert DRIFT not in components


@pytest.mark.parametrize("name", ["no-load only", "resistance only", "one reading"])
def test_sheets_too_short_or_not_driven_have_none(name):
    assert DRIFT not in pose(simulate(TRUE, plan=PLANS[name], seed=1)).assembled.components


def test_a_long_sheet_has_no_more_unknowns_than_a_short_one():
    """Six waves, however long; settings beyond twenty count as scatter."""
    plan = replace(PLANS["open circuit only"], open_circuit_speeds=tuple(np.linspace(60, 300, 400)))

    nuisances = pose(simulate(TRUE, plan=plan, seed=1)).assembled.nuisances

    assert sum(one.quantity == DRIFT for one in nuisances) <= 26
