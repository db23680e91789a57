"""Parameters that the readings cannot tell apart are a finding."""

import pytest
from virtual_benches import virtual

import motorfit as mf


def tangles(name):
    return [one for one in mf.fit(virtual(name)).findings if one.kind == "not-told-apart"]


def test_one_resistor_without_open_circuit_leaves_three_tangled():
    """Current is affine in speed: a slope and an intercept, and three unknowns."""
    (found,) = tangles("one resistor, no open circuit")

    assert "EMF constant, winding resistance and brush drop" in found.says
    assert "open-circuit" in found.suggestion
    assert found.severity == "note"


def test_one_speed_of_loss_is_known_as_a_sum():
    """The loss that is known is told, where it is known.

    By hand: 0.47 A for 37 mN m leave 12 - 0.38 - 0.8 V, over 0.08 V s 1290 rpm.
    """
    (found,) = tangles("lathe")

    assert "dry friction and viscous loss" in found.says
    assert "mN m at 12" in found.says
    assert "second voltage" in found.suggestion


@pytest.mark.parametrize("name", ["whole", "one resistor", "open circuit only"])
def test_what_is_measured_or_not_touched_at_all_is_no_tangle(name):
    assert tangles(name) == []
