"""Numbers as they are shown."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motorfit.profile.model import PARAMETER_UNITS
from motorfit.quantities import (
    UnreadableError,
    friendly,
    from_si,
    plain_unit,
    show_estimate,
    show_interval,
    show_number,
)


@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        (0.050213, 0.0016, "0.0502"),  # begins with 1: two digits of it
        (0.050213, 0.0029, "0.0502"),  # begins with 2: two digits of it
        (0.050213, 0.0031, "0.050"),  # begins with 3: one
        (0.050213, 0.00995, "0.050"),
        (12.3456, 0.1, "12.35"),
        (12.3456, 1.0, "12.3"),
        (12.3456, 5.0, "12"),
        (3127.4, 40.0, "3130"),
        (3127.4, 150.0, "3130"),
        (-0.0502, 0.0016, "-0.0502"),
        (-0.0001, 0.5, "0.0"),  # no minus zero
        (0.0, 0.02, "0.000"),
        (999.96, 0.5, "1000.0"),
        (2.3456e-5, 3e-6, "2.3e-5"),
        (-2.3456e-5, 3e-7, "-2.35e-5"),
        (4.2e6, 1e5, "4.20e6"),
        (1e-6, 1e-3, "0"),
        (0.123456, 0.0, "0.1235"),  # no uncertainty: four digits
        (0.123456, math.inf, "0.1235"),
        (0.0, 0.0, "0"),
        (math.inf, 1.0, "inf"),
    ],
)
def test_numbers_have_the_digits_their_uncertainty_allows(value, uncertainty, shown):
    """Worked by hand from the rule: two digits of the uncertainty if it begins with 1 or 2."""
    assert show_number(value, uncertainty) == shown


@given(
    st.floats(-1e9, 1e9, allow_subnormal=False),
    st.floats(1e-9, 1e9, allow_subnormal=False),
)
def test_rounding_moves_a_number_by_a_small_part_of_its_uncertainty(value, uncertainty):
    shown = float(show_number(value, uncertainty))

    # the coarsest case: an uncertainty of 3 is rounded at the unit, so by at most 0.5 of 3
    assert abs(shown - value) <= uncertainty / 6 * (1 + 1e-6) + 1e-12 * abs(value)


@pytest.mark.parametrize(
    ("low", "high", "shown"),
    [
        (0.048612, 0.051793, "0.0486 to 0.0518"),
        (0.0, 0.4, "0.00 to 0.40"),
        (-0.01, 0.03, "-0.010 to 0.030"),
        (980.0, 1020.0, "980 to 1020"),
        (2.1e-5, 2.7e-5, "2.1e-5 to 2.7e-5"),
        (0.05, 0.05, "0.05000 to 0.05000"),
        (0.5, math.inf, "0.5000 or more"),
        (-math.inf, 0.5, "0.5000 or less"),
        (-math.inf, math.inf, "no bound"),
    ],
)
def test_both_ends_of_an_interval_have_the_same_digits(low, high, shown):
    assert show_interval(low, high) == shown


@pytest.mark.parametrize(
    ("arguments", "shown"),
    [
        ((0.050213, (0.048612, 0.051793), "ohm", 0.95), "0.0502 ohm (95 %: 0.0486 to 0.0518)"),
        ((0.050213, (0.048612, 0.051793), "ohm"), "0.0502 ohm (0.0486 to 0.0518)"),
        ((6.2, (6.1, 6.3), "V/1000 rpm", 0.683), "6.20 V/1000 rpm (68.3 %: 6.10 to 6.30)"),
        ((2.31e-5, (1.9e-5, 2.7e-5), "", 0.95), "2.3e-5 (95 %: 1.9e-5 to 2.7e-5)"),
    ],
)
def test_an_estimate_and_its_interval_have_the_same_digits(arguments, shown):
    assert show_estimate(*arguments) == shown


@given(st.floats(1e-12, 1e12), st.floats(0, 1e3), st.sampled_from(["Ohm", "V.s/rad", "Cel"]))
def test_what_is_shown_is_plain_ascii(value, half, ucum):
    text = show_estimate(value, (value - half, value + half), plain_unit(ucum), 0.95)

    assert text.isascii()
    assert "nan" not in text


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (2 * math.pi, "rpm", 60.0),
        (0.05, "V/1000 rpm", 0.05 * 1000 * 2 * math.pi / 60),
        (0.05, "rpm/V", 60 / (2 * math.pi) / 0.05),
        (0.05, "mohm", 50.0),
        (0.05, "mN m", 50.0),
        (0.05, "N.m", 0.05),
        (180.0, "W", 180.0),
        (25.0, "degC", 25.0),
        (25.0, "Cel", 25.0),
        (25.0, "K", 298.15),
        (25.0, "degF", 77.0),
    ],
)
def test_si_is_shown_in_the_trade_s_units(value, unit, shown):
    """Definitions: 60 r/min are 2 pi rad/s, 0 degC is 273.15 K and 32 degF."""
    assert from_si(value, unit) == pytest.approx(shown, rel=1e-14)


def test_arrays_keep_their_shape():
    speeds = np.array([[1.0, 2.0, 3.0]]) * 2 * np.pi

    assert from_si(speeds, "rpm") == pytest.approx(np.array([[60.0, 120.0, 180.0]]), rel=1e-14)


@pytest.mark.parametrize("ucum", PARAMETER_UNITS.values())
def test_every_unit_of_the_profile_can_be_shown(ucum):
    assert from_si(3.5, ucum) == 3.5  # they are SI units
    assert from_si(3.5, plain_unit(ucum)) == 3.5
    assert plain_unit(ucum).isascii()


def test_a_unit_that_is_none_is_refused():
    with pytest.raises(UnreadableError, match=r'expected a unit.*"V/1000 rpm"'):
        from_si(1.0, "furlongish")


@pytest.mark.parametrize(
    ("value", "ucum", "factor", "unit"),
    [
        (0.05, "Ohm", 1.0, "ohm"),
        (0.0042, "Ohm", 1e3, "mohm"),
        (-0.0042, "A", 1e3, "mA"),
        (4.7e4, "Ohm", 1e-3, "kohm"),
        (3e-6, "H", 1e6, "uH"),
        (0.0005, "N.m", 1e3, "mN m"),
        (0.0005, "V.s/rad", 1.0, "V s/rad"),
        (0.0, "Ohm", 1.0, "ohm"),
        (math.nan, "V", 1.0, "V"),
        (25.0, "Cel", 1.0, "degC"),
    ],
)
def test_prefixes_keep_numbers_readable(value, ucum, factor, unit):
    assert friendly(value, ucum) == (factor, unit)
