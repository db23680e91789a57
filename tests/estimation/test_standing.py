"""What the readings determine, and what is said of the rest."""

from __future__ import annotations

import pytest
from virtual_benches import PLANS, TRUE, virtual

import motorfit as mf
from motorfit.estimate import Estimate, NotKnown

MEASURED, COMBINED, UNMEASURED = "measured", "combined", "unmeasured"
ELECTRICAL = ("emf_constant", "armature_resistance", "brush_drop")
LOSS = ("coulomb_torque", "viscous_coefficient")


def standings(plan: str) -> tuple[str, ...]:
    parameters = mf.fit(virtual(plan)).parameters
    return tuple(parameters[name].standing for name in ELECTRICAL + LOSS)


@pytest.mark.parametrize(
    ("plan", "expected"),
    [
        ("whole", (MEASURED,) * 5),
        # current is affine in speed: slope and intercept known, three parameters not
        ("one resistor, no open circuit", (COMBINED,) * 3 + (UNMEASURED,) * 2),
        # with an open-circuit test one resistor is enough
        ("one resistor", (MEASURED,) * 3 + (UNMEASURED,) * 2),
        # one current: only R + Vb/i
        ("one point", (MEASURED, COMBINED, COMBINED, UNMEASURED, UNMEASURED)),
        # one no-load row: only the loss at that speed
        ("lathe", (MEASURED,) * 3 + (COMBINED,) * 2),
        ("open circuit only", (MEASURED,) + (UNMEASURED,) * 4),
        ("one reading", (MEASURED,) + (UNMEASURED,) * 4),
        # the held rotor's brushes have a drop of their own: nothing of the running one
        (
            "resistance only",
            (UNMEASURED, MEASURED, UNMEASURED, UNMEASURED, UNMEASURED),
        ),
        ("one resistance reading", (UNMEASURED, COMBINED) + (UNMEASURED,) * 3),
        ("load by value", (MEASURED,) * 3 + (UNMEASURED,) * 2),
        ("both directions", (MEASURED,) * 5),
        ("brake", (MEASURED,) * 5),
    ],
)
def test_standing_follows_the_rank_of_the_readings(plan, expected):
    """Expected values follow from the equations of each bench, by hand as remarked."""
    assert standings(plan) == expected


@pytest.mark.parametrize("seed", range(5))
def test_standing_does_not_hang_on_the_noise(seed):
    """Scatter in speed and current must not pass for a second resistor or speed."""
    parameters = mf.fit(virtual("one resistor, no open circuit", seed)).parameters

    assert {parameters[name].standing for name in ELECTRICAL} == {COMBINED}


def test_a_fixed_speed_without_open_circuit_gives_the_resistance_alone():
    """v = (k w - Vb) + R i at one w: the slope is R, the intercept tangles k and Vb."""
    parameters = mf.fit(virtual("lathe, no open circuit")).parameters

    assert isinstance(parameters["armature_resistance"], Estimate)
    assert parameters["emf_constant"].standing == COMBINED
    assert parameters["brush_drop"].standing == COMBINED


@pytest.mark.parametrize("plan", PLANS)
def test_what_has_no_value_says_what_would_measure_it(plan):
    for parameter in mf.fit(virtual(plan)).parameters.values():
        assert isinstance(parameter, Estimate) or parameter.needs


@pytest.mark.parametrize("plan", PLANS)
def test_what_has_a_value_has_an_interval_around_the_truth(plan):
    """Four times the standard uncertainty: one in 16000 by chance for each of 50."""
    for name, found in mf.fit(virtual(plan)).parameters.items():
        if isinstance(found, Estimate):
            assert abs(found.value - getattr(TRUE, name)) < 4 * found.standard_uncertainty, name
            low, high = found.interval
            assert low <= found.value <= high


def test_a_combination_is_known_where_its_parts_are_not():
    """R + Vb/i of the simulated machine at the current that was read."""
    profile = mf.fit(virtual("one point")).profile

    (combination,) = profile.combinations
    expected = TRUE.armature_resistance + TRUE.brush_drop / combination.at["current"]
    assert combination.of == "armature_resistance + brush_drop/current"
    assert combination.value == pytest.approx(expected, abs=4 * combination.standard_uncertainty)


def test_the_loss_at_one_speed_is_a_combination():
    """T0 + b w of the simulated machine at the speed of the one no-load row."""
    found = mf.fit(virtual("lathe"))

    (combination,) = found.profile.combinations
    speed = combination.at["speed"]
    expected = TRUE.coulomb_torque + TRUE.viscous_coefficient * speed
    assert combination.value == pytest.approx(expected, abs=4 * combination.standard_uncertainty)
    assert found.loss is not None
    assert found.loss.power.value == pytest.approx(combination.value * speed, rel=1e-9)


def test_one_resistor_gives_slope_and_intercept():
    """i = (k w - Vb)/(R + R_L), section by hand: both within their uncertainty."""
    slope, intercept = mf.fit(virtual("one resistor, no open circuit")).profile.combinations

    total = TRUE.armature_resistance + slope.at["load"]
    assert slope.value == pytest.approx(
        TRUE.emf_constant / total, abs=4 * slope.standard_uncertainty
    )
    assert intercept.value == pytest.approx(
        TRUE.brush_drop / total, abs=4 * intercept.standard_uncertainty
    )


def test_what_is_not_known_has_no_place_in_the_covariance():
    profile = mf.fit(virtual("lathe")).profile

    unknown = {n for n, p in profile.parameters.items() if isinstance(p, NotKnown)}
    assert unknown.isdisjoint(profile.covariance_order)
    assert profile.covariance.shape == (3, 3)


def test_a_combination_stands_at_the_current_that_was_read():
    """Three rows on one resistor at 2.02 A; a voltmeter's microampere is no current."""
    (combination,) = mf.fit(virtual("one point")).profile.combinations

    assert combination.at["current"] == pytest.approx(2.02, abs=0.05)
    assert combination.standard_uncertainty < 0.05 * combination.value
