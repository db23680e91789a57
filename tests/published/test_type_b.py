"""Type B standard uncertainties.

Source: JCGM 100:2008, 4.3.7 (rectangular: half-width over the square root of 3) and F.2.2.1
(resolution: 0.29 of a digit, printed to two digits; 1/sqrt(12) = 0.288675).
"""

import math

import pytest

from motorfit.instruments import rounding_variance, standard_uncertainty


def test_rectangular_half_width():
    # exact in floating point but for the last bits of a square root
    assert standard_uncertainty(0.3).item() == pytest.approx(0.3 / math.sqrt(3), rel=1e-15)


def test_one_digit_of_a_display():
    deviation = math.sqrt(rounding_variance(1.0).item())

    assert deviation == pytest.approx(0.29, abs=0.005)  # printed to two digits
    assert deviation == pytest.approx(1 / math.sqrt(12), rel=1e-15)


def test_a_digit_is_rectangular_within_half_of_it():
    """F.2.2.1 is 4.3.7 with a half-width of half a digit."""
    assert rounding_variance(0.01).item() == pytest.approx(
        standard_uncertainty(0.005).item() ** 2, rel=1e-14
    )
