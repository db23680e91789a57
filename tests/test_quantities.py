"""Texts with units, accuracy statements and calibrations read into SI."""

import contextlib
import math
import re
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motorfit.quantities import (
    Stated,
    UnreadableError,
    read_accuracy,
    read_calibration,
    read_number,
    read_quantity,
    read_width,
)
from motorfit.units import SI_UNITS

# conversions by powers of ten may be off by the last bit
LAST_BITS = 1e-15


@pytest.mark.parametrize(
    ("text", "dimension", "value", "half_width"),
    [
        ("36 V", "voltage", 36.0, 0.0),
        ("36V", "voltage", 36.0, 0.0),
        ("-5 A", "current", -5.0, 0.0),
        ("10 Mohm", "resistance", 1e7, 0.0),
        ("4,7 ohm", "load", 4.7, 0.0),
        ("0.85 kg m2 +- 2 %", "inertia", 0.85, 0.017),
        ("250 g·cm²", "inertia", 2.5e-5, 0.0),
        ("22 degC +- 5 K", "temperature", 22.0, 5.0),
        ("22 °C ± 5 K", "temperature", 22.0, 5.0),
        ("22 degC +/- 5 degC", "winding", 22.0, 5.0),
        ("22 +- 5 degC", "ambient", 22.0, 5.0),
        ("68 degF +- 9 degF", "temperature", 20.0, 5.0),  # (68 - 32)/1.8 and 9/1.8
        ("293.15 K", "temperature", 20.0, 0.0),
        ("90 %", "dimensionless", 0.9, 0.0),
        ("0.9 +- 0.1", "dimensionless", 0.9, 0.1),
        ("4.7 ohm +- 50 mohm", "load", 4.7, 0.05),
        ("1.5 kohm +- 20 ohm", "load", 1500.0, 20.0),
        ("0.5 mH", "inductance", 5e-4, 0.0),
    ],
)
def test_quantities_are_read_into_si(text, dimension, value, half_width):
    stated = read_quantity(text, dimension)

    # 293.15 - 273.15 loses three digits of sixteen
    assert stated.value == pytest.approx(value, rel=1e-14)
    assert stated.half_width == pytest.approx(half_width, rel=LAST_BITS)
    assert stated.text == text


@pytest.mark.parametrize(
    ("text", "dimension", "message"),
    [
        ("36", "voltage", 'without a unit.*Write "36 V" if it is in V'),
        ("36 Vlt", "voltage", 'the unit "Vlt".*Did you mean'),
        ("36 A", "voltage", 'the unit "A", expected a unit of voltage'),
        ("nan V", "voltage", 'a number with a unit of voltage.*"36 V"'),
        ("inf V", "voltage", "a number with a unit of voltage"),
        ("1e999 V", "voltage", "a finite number"),
        ("1,000 rpm", "speed", r"Write 1000 for thousands or 1\.000"),
        ("1,234.5 rpm", "speed", "found"),
        ("4.7 ohm 25 W", "load", 'the unit "ohm 25 W"'),
        ("12 J", "torque", r"A joule is an energy; write N m"),
        ("5 MA", "current", "M is mega; write mA"),
        ("22 degC +- 5", "temperature", r'half-width with its unit.*22 degC \+- 5 K'),
        ("22 degC +- -5 K", "temperature", "half-width with its unit"),
        ("22 degC +- 5 %", "temperature", "a half-width in K"),
        ("-300 degC", "temperature", "a possible temperature"),
        ("5 s +-", "time", "half-width with its unit"),
        ("", "time", 'Write it like "12.5 s"'),
    ],
)  # fmt: skip
def test_what_is_no_such_quantity_is_refused_with_a_remedy(text, dimension, message):
    with pytest.raises(UnreadableError, match=message):
        read_quantity(text, dimension)


def test_a_dimension_that_does_not_exist_is_the_programmer_s_mistake():
    with pytest.raises(ValueError, match=r"dimension must be one of time, speed.*found 'colour'"):
        read_quantity("36 V", "colour")


@given(st.text(max_size=60), st.sampled_from(sorted(SI_UNITS)))
def test_any_text_is_a_finite_quantity_or_refused(text, dimension):
    try:
        stated = read_quantity(text, dimension)
    except UnreadableError:
        return
    assert math.isfinite(stated.value)
    assert 0 <= stated.half_width < math.inf


@given(
    st.text("0123456789.,+-± eE%/*^()kMmµVAsΩohmrpNgiKCdW", max_size=24),
    st.sampled_from(sorted(SI_UNITS)),
)
def test_texts_made_of_what_quantities_are_made_of_are_read_or_refused(text, dimension):
    with contextlib.suppress(UnreadableError):
        assert isinstance(read_quantity(text, dimension), Stated)


@given(st.floats(-1e6, 1e6), st.sampled_from([",", "."]))
def test_decimal_comma_and_point_mean_the_same(number, sign):
    text = f"{number:.2f}".replace(".", sign)

    assert read_number(text) == pytest.approx(float(f"{number:.2f}"), abs=0)


@pytest.mark.parametrize("text", ["12 V", "1.2.3", "0x10", "1_000", "nan", "", "1 000", "²"])
def test_what_is_no_number_is_refused(text):
    with pytest.raises(UnreadableError, match=r'expected a number.*Write it like "12\.5"'):
        read_number(text)


def test_a_resolution_in_degrees_is_a_difference():
    assert read_width("0.1 degC", "winding") == 0.1
    assert read_width("1.8 degF", "winding") == pytest.approx(1.0, rel=LAST_BITS)


@pytest.mark.parametrize("text", ["0 V", "-0.01 V", "0.01", "0.01 A", "fine"])
def test_a_resolution_is_above_zero_and_has_its_unit(text):
    with pytest.raises(UnreadableError, match=r"0\.01 V|unit of voltage"):
        read_width(text, "voltage")


@pytest.mark.parametrize(
    ("text", "relative", "digits", "absolute"),
    [
        ("0.5 % + 2 digits", 0.005, 2, 0),
        ("0,5 % + 2 digits", 0.005, 2, 0),
        ("1 %", 0.01, 0, 0),
        ("0.02 V", 0, 0, 0.02),
        ("0.3 % + 0.01 V", 0.003, 0, 0.01),
        ("0.3 % + 10 mV", 0.003, 0, 0.01),
        ("0.5 % rdg + 2 dgt", 0.005, 2, 0),
        ("0.3 % + 0.2 % + 1 digit", 0.005, 1, 0),  # two parts of one kind add up
        ("±(0.5% of reading + 2d)", 0.005, 2, 0),
        ("1 digit", 0, 1, 0),
        ("1e-3 V", 0, 0, 1e-3),
    ],
)
def test_accuracy_statements(text, relative, digits, absolute):
    accuracy = read_accuracy(text, "voltage")

    found = (accuracy.relative, accuracy.digits, accuracy.absolute)
    assert found == pytest.approx((relative, digits, absolute), rel=LAST_BITS)
    assert accuracy.text == text


def test_a_thermometer_s_accuracy_is_a_difference():
    assert read_accuracy("2 K", "winding").absolute == 2.0
    assert read_accuracy("2 degC", "winding").absolute == 2.0


def test_an_unknown_accuracy_is_wide_and_says_so():
    accuracy = read_accuracy("Unknown", "voltage")

    # the assumption the manual names: 2 % + 5 digits
    assert (accuracy.relative, accuracy.digits) == (0.02, 5)
    assert accuracy.text == "unknown, 2 % + 5 digits is taken"


@pytest.mark.parametrize(
    "text", ["0", "0 %", "-1 %", "2", "", "good", "150 %", "1 % + 0 digits", "1 % FS", "1 % +"]
)
def test_an_accuracy_that_is_none_is_refused(text):
    with pytest.raises(UnreadableError, match=re.escape('"0.5 % + 2 digits"')):
        read_accuracy(text, "voltage")


def test_an_accuracy_in_another_unit_is_refused():
    with pytest.raises(UnreadableError, match='the unit "A", expected a unit of voltage'):
        read_accuracy("1 % + 0.02 A", "voltage")


@given(st.text(max_size=40))
def test_any_text_is_an_imperfect_accuracy_or_refused(text):
    try:
        accuracy = read_accuracy(text, "current")
    except UnreadableError:
        return
    assert accuracy.relative + accuracy.digits + accuracy.absolute > 0


@pytest.mark.parametrize("text", ["+0.12 % +- 0.05 %", "0.12 % ± 0.05 %", "0,12%+/-0,05%"])
def test_calibration(text):
    calibration = read_calibration(text)

    assert calibration.gain == pytest.approx(0.0012, rel=LAST_BITS)
    assert calibration.half_width == pytest.approx(0.0005, rel=LAST_BITS)


@pytest.mark.parametrize("text", ["0.12 %", "0.12 +- 0.05", "+0.1 % +- 0 %", "90 % +- 1 %", ""])
def test_a_calibration_without_what_is_left_open_is_refused(text):
    with pytest.raises(UnreadableError, match=re.escape('"+0.12 % +- 0.05 %"')):
        read_calibration(text)


def test_a_common_bench_does_not_load_the_registry():
    """It costs a quarter of a second, which a plain fit need not wait for."""
    code = (
        "import sys; from motorfit.quantities import *;"
        "[read_header(h) for h in ('speed (rpm)', 'voltage (V)', 'current (mA)', 'torque (N m)')];"
        "read_quantity('22 degC +- 5 K', 'temperature'); from_si(0.05, 'V/1000 rpm');"
        "from_si(0.05, 'rpm/V'); print('pint' in sys.modules)"
    )

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "False"
