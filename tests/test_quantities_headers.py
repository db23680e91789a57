"""Headers of columns."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motorfit.bench.kinds import QUANTITIES, REMARKS
from motorfit.headers import read_header
from motorfit.quantities import UnreadableError
from motorfit.units import SI_UNITS

RPM = 2 * math.pi / 60


@pytest.mark.parametrize(
    "text",
    [
        *("speed (rpm)", "speed [rpm]", "speed_rpm", "Speed rpm", "SPEED (RPM)", "rpm", "RPM"),
        *("speed / rpm", "speed, rpm", "speed(r/min)", " speed  ( rpm ) ", '"speed (rpm)"'),
        *("\ufeffspeed (rpm)", "n (rpm)", "Shaft speed [1/min]"),
        *("n/rpm", "(rpm)", "speed {rpm}", "r/min"),
    ],
)  # fmt: skip
def test_ways_of_writing_one_header(text):
    header = read_header(text)

    assert header.quantity == "speed"
    assert header.conversion.factor == pytest.approx(RPM, rel=1e-15)
    assert header.text == text


@pytest.mark.parametrize(
    ("text", "quantity", "factor"),
    [
        ("voltage (V)", "voltage", 1.0),
        ("U / V", "voltage", 1.0),
        ("volts", "voltage", 1.0),
        ("terminal voltage [mV]", "voltage", 1e-3),
        ("V", "voltage", 1.0),
        ("current (mA)", "current", 1e-3),
        ("i_A", "current", 1.0),
        ("load current (A)", "current", 1.0),
        ("amps", "current", 1.0),
        ("mA", "current", 1e-3),
        ("ohms", "load", 1.0),
        ("Ω", "load", 1.0),
        ("load resistance (kΩ)", "load", 1e3),
        ("R (ohm)", "load", 1.0),
        ("seconds", "time", 1.0),
        ("t (ms)", "time", 1e-3),
        ("time_min", "time", 60.0),
        ("torque (N m)", "torque", 1.0),
        ("torque_N_m", "torque", 1.0),
        ("Nm", "torque", 1.0),
        ("T (N m)", "torque", 1.0),
        ("T (s)", "time", 1.0),
        ("scale (g)", "force", 9.80665e-3),
        ("lever arm (cm)", "arm", 0.01),
        ("drive_power_W", "drive_power", 1.0),
        ("winding (°C)", "winding", 1.0),
        ("winding temperature (degC)", "winding", 1.0),
        ("temp of winding (C)", "winding", 1.0),
        ("room temperature (degC)", "ambient", 1.0),
        ("magnets (degC)", "magnets", 1.0),
        ("position", "position", math.pi / 180),
        ("rotor angle (rad)", "position", 1.0),
    ],
)
def test_quantities_by_their_usual_names(text, quantity, factor):
    header = read_header(text)

    assert header.quantity == quantity
    assert header.conversion.factor == pytest.approx(factor, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "quantity"),
    [("setting", "setting"), ("Direction", "direction"), ("Notes", "note"), ("exclude", "exclude"),
     ("note (why)", "note"), ("direction (a or b)", "direction")],
)  # fmt: skip
def test_remarks_have_no_unit(text, quantity):
    header = read_header(text)

    assert (header.quantity, header.unit) == (quantity, "")
    assert header.conversion.factor == 1.0


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_every_quantity_of_the_sheets_reads_under_its_own_name(quantity):
    header = read_header(f"{quantity} ({SI_UNITS[quantity]})")

    assert header.quantity == quantity
    assert header.conversion.factor == 1.0


@pytest.mark.parametrize("remark", REMARKS)
def test_every_remark_of_the_sheets_reads_under_its_own_name(remark):
    assert read_header(remark).quantity == remark


@pytest.mark.parametrize(
    ("text", "found", "remedy"),
    [
        ("speed", '"speed" without a unit', 'Write the unit in the header, such as "speed (rpm)"'),
        ("U", '"U" without a unit', 'such as "voltage (V)"'),
        ("sped (rpm)", '"sped (rpm)"', 'Did you mean "speed (rpm)"?'),
        ("curent (A)", '"curent (A)"', 'Did you mean "current (A)"?'),
        ("temperature (degC)", "temperature", 'Write "winding (degC)"'),
        ("degC", "degC", 'Write "winding (degC)"'),
        ("power (W)", "power", 'Write "drive_power (W)" for what the drive takes'),
        ("winding resistance (ohm)", "winding resistance", 'Write "voltage (V)" and "current (A)"'),
        ("T (degC)", "T (degC)", 'Write "winding (degC)"'),
        ("colour", '"colour"', 'begin the header with "note"'),
        ("speed (V)", 'the unit "V"', "For example 1500 rpm"),
        ("torque (J)", 'the unit "J"', "A joule is an energy; write N m"),
        ("", "a column without a header", "or empty the column"),
    ],
)
def test_headers_that_say_too_little_are_refused_with_a_remedy(text, found, remedy):
    with pytest.raises(UnreadableError, match=f"{re.escape(found)}.*{re.escape(remedy)}"):
        read_header(text)


@given(st.text(max_size=60))
def test_any_text_is_a_header_or_refused(text):
    try:
        header = read_header(text)
    except UnreadableError:
        return
    assert header.quantity in (*QUANTITIES, *REMARKS)


@given(
    st.sampled_from(["speed", "n", "U", "voltage", "note", "R", "temp", ""]),
    st.sampled_from(["(", " (", "[", "_", " ", "/", ", ", "(("]),
    st.sampled_from(["rpm", "V", "ohm", "", "1/min", "N m", "°C", "(V)"]),
    st.sampled_from([")", "]", "", "))", ") 2"]),
)
def test_pieces_of_headers_are_a_header_or_refused(name, opening, unit, closing):
    try:
        header = read_header(name + opening + unit + closing)
    except UnreadableError:
        return
    assert header.conversion.factor > 0
