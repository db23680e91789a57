"""How resistance and EMF constant follow temperature."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motorfit.machine.temperature import magnet_factor, winding_factor


def test_nothing_changes_at_the_reference_temperature():
    assert winding_factor(25.0, 25.0) == 1.0
    assert magnet_factor(25.0, 25.0, -0.002) == 1.0


def test_aluminium_by_hand():
    # (225 + 75) / (225 + 25); tolerance: rounding alone
    assert winding_factor(75.0, 25.0, 225.0) == pytest.approx(1.2, rel=1e-15)


@given(st.floats(-40, 200), st.floats(-40, 200), st.floats(-40, 200), st.floats(220, 240))
def test_two_steps_of_heating_are_one(cold, warm, hot, constant):
    # a ratio of ratios: rounding of three divisions
    steps = winding_factor(warm, cold, constant) * winding_factor(hot, warm, constant)
    assert steps == pytest.approx(winding_factor(hot, cold, constant), rel=1e-14)


@given(st.floats(26, 200), st.floats(-40, 24), st.floats(-0.003, -1e-4))
def test_warm_magnets_are_weaker(warm, cold, coefficient):
    # a kelvin or more away from the reference, so that rounding cannot hide the change
    assert magnet_factor(warm, 25.0, coefficient) < 1.0 < magnet_factor(cold, 25.0, coefficient)
