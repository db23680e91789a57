"""Conversion factors of the trade's units.

Source: definitions in NIST Special Publication 811, Appendix B, to 12 significant digits.
"""

import numpy as np
import pytest

from motorfit.quantities import from_si, read_quantity, unit_conversion
from motorfit.units import size_in_si

# the values are printed to 12 digits, so half of the last one is at most 5e-12 of them
PRINTED = 5e-12


@pytest.mark.parametrize(
    ("unit", "quantity", "factor"),
    [
        ("V/1000 rpm", "emf_constant", 9.54929658551e-3),
        ("r/min", "speed", 0.104719755120),
        ("ozf in", "torque", 7.06155181423e-3),
        ("lbf ft", "torque", 1.35581794833),
        ("lbf in", "torque", 0.112984829028),
        ("kgf m", "torque", 9.80665),
        ("gf cm", "torque", 9.80665e-5),
        ("hp", "power", 745.699871582),
        ("metric_horsepower", "power", 735.49875),
        ("ozf in s2", "inertia", 7.06155181423e-3),
        ("lb ft2", "inertia", 4.21401100938e-2),
        ("lb in2", "inertia", 2.92639653429e-4),
        ("oz in2", "inertia", 1.82899783393e-5),
        ("ozf in/1000 rpm", "viscous_coefficient", 6.74328526280e-5),
    ],
)
def test_factors_of_the_special_publication(unit, quantity, factor):
    assert unit_conversion(unit, quantity).factor == pytest.approx(factor, rel=PRINTED)


def test_circular_mil():
    assert size_in_si("circular_mil") == pytest.approx(5.06707479097e-10, rel=PRINTED)


def test_rpm_per_volt_is_the_reciprocal_of_the_emf_constant():
    constants = 9.54929658551 / np.array([100.0, 155.0, 2000.0])

    assert from_si(constants, "rpm/V") == pytest.approx([100.0, 155.0, 2000.0], rel=PRINTED)


def test_emf_constant_of_a_label_reads_as_volt_seconds():
    stated = read_quantity("6.2 V/1000 rpm +- 10 %", "emf_constant")

    assert stated.value == pytest.approx(6.2 * 9.54929658551e-3, rel=PRINTED)
    assert stated.half_width == pytest.approx(0.62 * 9.54929658551e-3, rel=PRINTED)
