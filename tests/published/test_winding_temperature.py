"""Winding resistance against temperature: published constants and worked examples."""

import pytest
from invented_profile import invented_profile

from motorfit.machine.temperature import (
    WINDING_CONSTANT,
    temperature_by_resistance,
    winding_factor,
)


@pytest.mark.parametrize(
    ("constant", "coefficient"),
    [(234.5, 0.003_929_3), (235.0, 0.003_921_6)],
    ids=["IEEE and NEMA", "IEC 60034-1"],
)
def test_coefficient_of_copper_at_20_degrees(constant, coefficient):
    """IEC 60034-1, 8.6.2 (235) and IEEE and NEMA practice (234.5); alpha printed to 5 digits."""
    rise = winding_factor(21.0, 20.0, constant) - 1.0
    assert rise == pytest.approx(coefficient, abs=5e-8)


def test_coefficient_of_copper_agrees_with_the_international_annealed_copper_standard():
    """0.003 93 at 20 degC (IEC 60028), printed to three digits."""
    rise = winding_factor(21.0, 20.0, WINDING_CONSTANT["copper"]) - 1.0
    assert rise == pytest.approx(0.00393, abs=5e-6)


@pytest.mark.parametrize(
    ("cold", "hot", "ratio", "ratio_iec"),
    [
        (25.0, 75.0, 1.192_678, 1.192_308),
        (20.0, 75.0, 1.216_110, 1.215_686),
        (20.0, 100.0, 1.314_342, 1.313_725),
        (25.0, 115.0, 1.346_821, 1.346_154),
    ],
)
def test_ratios_of_copper(cold, hot, ratio, ratio_iec):
    """From the constants of IEEE practice and of IEC 60034-1, 8.6.2, written to 6 decimals."""
    assert winding_factor(hot, cold, 234.5) == pytest.approx(ratio, abs=5e-7)
    assert winding_factor(hot, cold, 235.0) == pytest.approx(ratio_iec, abs=5e-7)


def test_resistivity_at_20_degrees_by_resistance():
    """IEC 60028: alpha 0.003 93 of copper at 20 degC; a resistance 3.93 % up is 10 K warmer."""
    # three printed digits of alpha are 0.013 K
    assert temperature_by_resistance(1.0393, 1.0, 20.0) == pytest.approx(30.0, abs=0.013)


@pytest.mark.parametrize(
    ("cold", "hot", "ratio"), [(25.0, 75.0, 1.192_678), (20.0, 100.0, 1.314_342)]
)
def test_temperature_from_a_published_ratio(cold, hot, ratio):
    """The ratios of IEEE practice backwards: half of their sixth decimal is 0.0001 K."""
    assert temperature_by_resistance(ratio, 1.0, cold) == pytest.approx(hot, abs=1.3e-4)


def test_temperature_from_resistance():
    """Textbook problem: 80 ohm at 20 degC, 100 ohm hot, alpha 1/234.5 at 0 degC: 83.63 degC."""
    # the temperature is printed to 0.01 K, of which half is 0.002 ohm
    assert 80.0 * winding_factor(83.63, 20.0, 234.5) == pytest.approx(100.0, abs=0.002)
    # 83.625 is printed rounded up
    found = temperature_by_resistance(100.0, 80.0, 20.0)
    assert found == pytest.approx(83.63, abs=0.00501)
    assert found - 20.0 == pytest.approx(63.63, abs=0.00501)


@pytest.mark.parametrize(("rise", "constant"), [(84.25, 235.0), (84.075, 234.5), (80.75, 225.0)])
def test_rise_above_a_different_coolant(rise, constant):
    """IEC 60034-1, 8.6.2.3: 2.00 ohm at 20 degC, 2.70 ohm hot, coolant at 25 degC; exact."""
    assert 2.00 * winding_factor(25.0 + rise, 20.0, constant) == pytest.approx(2.70, rel=1e-14)
    found = temperature_by_resistance(2.70, 2.00, 20.0, constant) - 25.0
    assert found == pytest.approx(rise, rel=1e-12)


def test_a_profile_predicts_the_hot_machine():
    """Ratio 25 to 75 degC from IEEE practice, 1.192 678, in the drop of a hot profile."""
    profile = invented_profile()
    cold = profile.voltage(speed=100.0, current=2.0, winding=25.0)
    hot = profile.voltage(speed=100.0, current=2.0, winding=75.0)
    drop = profile.estimate("armature_resistance").value * 2.0
    # 6 printed decimals of the ratio times 1.6 V
    assert hot.value - cold.value == pytest.approx(0.192_678 * drop, abs=5e-7 * drop)
