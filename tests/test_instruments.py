"""What the readings of an instrument are worth."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motorfit.instruments import (
    calibrated,
    current_from_load,
    gain_half_width,
    machine_current,
    near_end_of_range,
    offset_half_width,
    range_of,
    terminal_voltage_behind_leads,
)
from motorfit.meter import Accuracy, Calibration, Instrument

RPM = 2 * math.pi / 60


def meter(**printed):
    usual = {"quantity": "voltage", "id": "", "accuracy": Accuracy(relative=0.005, digits=2)}
    return Instrument(**{**usual, **printed})


@pytest.mark.parametrize(
    ("counts", "reading", "step", "label"),
    [
        (4000, 1.234, 0.001, "4 V"),
        (4000, 3.999, 0.001, "4 V"),
        (4000, 4.0, 0.01, "40 V"),  # the display ends at 3.999
        (4000, -12.34, 0.01, "40 V"),
        (4000, 0.123, 0.0001, "0.4 V"),
        (4000, 399.9, 0.1, "400 V"),
        (3999, 3.999, 0.001, "4 V"),
        (1999, 1.999, 0.001, "2 V"),
        (1999, 2.0, 0.01, "20 V"),
        (2000, 199.9, 0.1, "200 V"),
        (6000, 5.999, 0.001, "6 V"),
        (20000, 12.345, 0.001, "20 V"),
        (4000, 1e-9, 1e-6, "0.004 V"),  # no finer step than a millionth
    ],
)
def test_counts_give_the_range_and_its_digit(counts, reading, step, label):
    """By hand: 4000 counts show 0.000 to 3.999, 4.00 to 39.99 and so on."""
    steps, labels = range_of([reading], meter(counts=counts))

    assert steps == pytest.approx([step], rel=1e-12)
    assert labels == (label,)


@given(st.floats(0.1, 1e5), st.sampled_from([1999, 2000, 4000, 6000, 9999, 20000, 50000]))
def test_a_reading_fits_its_range_and_no_smaller_one(reading, counts):
    steps, _ = range_of([reading], meter(counts=counts))
    largest = counts if counts % 10 == 9 else counts - 1

    assert reading <= largest * steps[0] * (1 + 1e-8)
    assert reading >= largest * steps[0] / 10 * (1 - 1e-8)


def test_ranges_go_by_the_displayed_unit():
    """4000 counts of a tachometer that shows r/min, not rad/s."""
    tachometer = meter(quantity="speed", counts=4000, display_factor=RPM)

    steps, labels = range_of(np.array([350.0, 1500.0, 4500.0]) * RPM, tachometer)

    assert steps == pytest.approx(np.array([0.1, 1.0, 10.0]) * RPM, rel=1e-12)
    assert labels == ("400 rpm", "4000 rpm", "40000 rpm")


def test_one_resolution_is_one_range():
    steps, labels = range_of([0.0, 1.0, 300.0], meter(resolution=0.05))

    assert steps.tolist() == [0.05, 0.05, 0.05]
    assert labels == ("", "", "")


@pytest.mark.parametrize(
    ("reading", "expected"),
    [(3.80, False), (3.89, False), (3.92, True), (3.999, True), (4.01, False), (0.0, False)],
)
def test_a_reading_near_the_end_of_its_range_may_be_of_the_next(reading, expected):
    """By hand, 0.5 % + 2 digits and 4000 counts: over 3.999 V from 3.9 V on.

    Two accuracies are 1 % and four digits of 0.01 V, the scatter of the moment 0.5 %:
    3.901 V times 1.015 and 0.04 V more.
    """
    doubted = meter(counts=4000, accuracy=Accuracy(relative=0.005, digits=2))

    assert near_end_of_range([reading, -reading], doubted).tolist() == [expected] * 2


def test_a_meter_of_one_range_has_no_end_to_be_near():
    assert not near_end_of_range([3.999, 0.0], meter(resolution=0.001)).any()


def test_without_counts_the_written_digits_tell():
    steps, labels = range_of([1.25, 300.0], meter(), written_step=0.01)

    assert steps.tolist() == [0.01, 0.01]
    assert labels == ("", "")


def test_a_blank_reading_has_no_range():
    steps, labels = range_of([np.nan, 1.0], meter(counts=4000), 0.001)

    assert np.isnan(steps[0])
    assert labels == ("", "4 V")
    assert np.isnan(range_of([np.nan], meter(resolution=0.1))[0][0])


def test_the_written_digits_tell_the_range_of_a_zero():
    steps, labels = range_of([0.0, 12.0], meter(counts=4000), written_step=0.01)

    assert steps == pytest.approx([0.01, 0.01], rel=1e-12)
    assert labels == ("40 V", "40 V")


def test_a_zero_of_unknown_digits_takes_the_lowest_range_in_use():
    _, labels = range_of([0.0, 12.0, 1.0], meter(counts=4000))

    assert labels == ("4 V", "40 V", "4 V")


def test_no_readings_have_no_ranges():
    steps, labels = range_of([], meter(counts=4000))

    assert steps.shape == (0,)
    assert labels == ()


def test_digits_and_fixed_parts_are_the_offset():
    both = meter(accuracy=Accuracy(relative=0.005, digits=2, absolute=0.001))

    assert gain_half_width(both) == 0.005
    # 2 digits of 0.01 and 0.1, and 0.001
    assert offset_half_width(both, [0.01, 0.1]) == pytest.approx([0.021, 0.201], rel=1e-12)


def test_no_digit_is_needed_where_the_statement_has_none():
    fixed = meter(accuracy=Accuracy(absolute=0.02))

    assert offset_half_width(fixed, math.nan) == 0.02


def test_a_calibration_replaces_the_gain_only():
    checked = meter(calibration=Calibration(gain=0.0012, half_width=0.0005))

    assert gain_half_width(checked) == 0.0005
    assert offset_half_width(checked, 0.01) == pytest.approx(0.02, rel=1e-12)
    # the reading of a meter that is 0.12 % too high at 10 V
    assert calibrated(10.012, checked) == pytest.approx(10.0, rel=1e-12)


def test_without_a_calibration_readings_stay():
    assert calibrated([1.0, 2.0], meter()).tolist() == [1.0, 2.0]


def test_voltmeter_takes_its_current_when_driven_and_when_running():
    """By hand: 12 V on 1200 ohm are 10 mA, which the machine gives, or does not get."""
    driven, running = machine_current([-0.5, 0.5], 12.0, 1 / 1200)

    assert driven == pytest.approx(-0.51, rel=1e-12)
    assert running == pytest.approx(0.49, rel=1e-12)
    assert machine_current(0.5, 12.0) == 0.5


@given(st.floats(0.1, 100), st.floats(1, 1e4), st.floats(1, 1e7))
def test_meter_and_load_in_parallel_take_the_current_of_the_machine(voltage, load, meter_ohms):
    """Kirchhoff: the machine feeds the parallel circuit of load and voltmeter."""
    branch = current_from_load(voltage, load)
    parallel = 1 / (1 / load + 1 / meter_ohms)

    assert machine_current(branch, voltage, 1 / meter_ohms) == pytest.approx(
        -voltage / parallel, rel=1e-12
    )


def test_leads_drop_voltage_between_machine_and_meter():
    """By hand: 5 A through 0.02 ohm are 0.1 V, which a generator must give on top."""
    running, driven = terminal_voltage_behind_leads(10.0, [5.0, -5.0], 0.02)

    assert running == pytest.approx(9.9, rel=1e-12)
    assert driven == pytest.approx(10.1, rel=1e-12)


def test_current_of_a_load_counts_what_is_in_series():
    # 10 V on 4.7 + 0.3 ohm
    assert current_from_load(10.0, 4.7, 0.3) == pytest.approx(-2.0, rel=1e-12)
    assert current_from_load(10.0, math.inf) == 0.0


def test_corrections_carry_complex_numbers_for_derivatives():
    step = 1e-20j

    assert machine_current(1.0, 12.0 + step, 1 / 1200).imag / 1e-20 == pytest.approx(-1 / 1200)
    assert current_from_load(12.0 + step, 4.0).imag / 1e-20 == pytest.approx(-0.25)
    assert terminal_voltage_behind_leads(1.0, 1 + step, 0.5).imag / 1e-20 == pytest.approx(-0.5)
