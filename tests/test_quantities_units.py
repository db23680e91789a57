"""Units as people write them."""

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motorfit.quantities import UnreadableError, unit_conversion
from motorfit.unit_tables import OFFSETS, PLAIN_SIZES, SI_UNITS
from motorfit.units import registry

RPM = 2 * math.pi / 60
GRAVITY = 9.80665  # standard acceleration of gravity, third CGPM (1901)
POUND = 0.45359237 * GRAVITY  # the force; avoirdupois pound by definition

# products of a few factors may be off by a few last bits
LAST_BITS = 1e-14


@pytest.mark.parametrize(
    ("units", "quantity", "factor"),
    [
        (["rpm", "RPM", "r/min", "rev/min", "1/min", "min-1", "min^-1", "min⁻¹"], "speed", RPM),
        (["rad/s", "rad s-1"], "speed", 1.0),
        (["rev/s", "1/s", "rps"], "speed", 2 * math.pi),
        (["deg/s"], "speed", math.pi / 180),
        (["V", "v", "volt", "volts", "Volts"], "voltage", 1.0),
        (["mV", "mv", "millivolts"], "voltage", 1e-3),
        (["A", "a", "amps", "Amps", "ampere"], "current", 1.0),
        (["mA", "ma"], "current", 1e-3),
        (["ohm", "ohms", "Ohm", "Ω", "\u2126"], "load", 1.0),
        (["kΩ", "k\u2126", "kohm", "kOhm", "Kohms"], "load", 1e3),
        (["mΩ", "mohm", "mOhm"], "load", 1e-3),
        (["MΩ", "Mohm", "MOhm"], "load", 1e6),
        (["s", "sec", "seconds"], "time", 1.0),
        (["min", "minutes"], "time", 60.0),
        (["h", "hour"], "time", 3600.0),
        (["ms"], "time", 1e-3),
        (["N m", "Nm", "N·m", "N*m", "N.m", "N-m", "nm"], "torque", 1.0),
        (["mNm", "mN m", "mN·m"], "torque", 1e-3),
        (["Ncm", "N cm"], "torque", 1e-2),
        (["kgf cm", "kgf·cm", "kgfcm", "kg cm", "kgcm"], "torque", GRAVITY / 100),
        (["g cm"], "torque", GRAVITY * 1e-5),
        (["oz in", "oz-in", "ozf in", "ozin", "ozf·in"], "torque", POUND / 16 * 0.0254),
        (["lbf ft", "lbf-ft", "lb ft", "ft-lb", "ft lbs"], "torque", POUND * 0.3048),
        (["N", "newtons"], "force", 1.0),
        (["kg", "kgf"], "force", GRAVITY),
        (["g"], "force", GRAVITY / 1000),
        (["lbf", "lb"], "force", POUND),
        (["in", "inch"], "arm", 0.0254),
        (["cm"], "arm", 0.01),
        (["W", "watts"], "drive_power", 1.0),
        (["deg", "°"], "position", math.pi / 180),
        (["turn", "rev"], "position", 2 * math.pi),
        (["%"], "dimensionless", 0.01),
    ],
)  # fmt: skip
def test_spellings_of_the_trade(units, quantity, factor):
    """Factors by definition: avoirdupois pound 0.45359237 kg, inch 0.0254 m, ounce a sixteenth."""
    found = [unit_conversion(unit, quantity).factor for unit in units]

    assert found == pytest.approx([factor] * len(units), rel=LAST_BITS)


@pytest.mark.parametrize(
    ("unit", "at_freezing"),
    [("degC", 0.0), ("°C", 0.0), ("C", 0.0), ("℃", 0.0), ("K", 273.15), ("degF", 32.0)],
)  # fmt: skip
def test_temperatures_go_to_celsius(unit, at_freezing):
    conversion = unit_conversion(unit, "winding")

    # a difference of numbers of some hundred
    assert at_freezing * conversion.factor + conversion.offset == pytest.approx(0, abs=1e-12)


def test_only_hertz_count_pulses():
    assert unit_conversion("Hz", "speed").pulses
    assert not unit_conversion("1/s", "speed").pulses
    assert not unit_conversion("rpm", "speed").pulses


def test_kilohertz_are_a_thousand_hertz():
    hertz, kilohertz = (unit_conversion(unit, "speed") for unit in ("Hz", "kHz"))

    assert kilohertz.pulses
    assert kilohertz.factor == pytest.approx(1000 * hertz.factor, rel=LAST_BITS)


@pytest.mark.parametrize(
    ("unit", "quantity", "message"),
    [
        ("J", "torque", "A joule is an energy; write N m"),
        ("W h", "torque", "unit of torque"),
        ("Bq", "speed", "unit of speed"),
        ("km/h", "speed", "unit of speed"),
        ("MA", "current", "M is mega; write mA"),
        ("MV", "voltage", "M is mega; write mV"),
        ("m", "time", "unit of time such as s, ms, min, h"),
        ("rp", "speed", "Did you mean rpm"),
        ("2 V", "voltage", "unit of voltage"),
        ("V**9999999", "voltage", "unit of voltage"),
        ("__import__('os')", "voltage", "unit of voltage"),
        ("V" * 100_000, "voltage", "unit of voltage"),
        ("", "voltage", "unit of voltage"),
    ],
)
def test_units_of_another_kind_are_refused(unit, quantity, message):
    with pytest.raises(UnreadableError, match=message):
        unit_conversion(unit, quantity)


@pytest.mark.parametrize(
    ("si", "unit"),
    [(si, unit) for si, plain in PLAIN_SIZES.items() for unit in plain if si not in ("degC", "1")],
)
def test_the_table_of_common_units_agrees_with_the_registry(si, unit):
    """The independent program is pint; a scale's kg weighs with the standard gravity."""
    units = registry()
    written = unit.replace("kHz", "kturn/s").replace("Hz", "turn/s").replace("rev/s", "turn/s")
    names = written.replace(" ", "*").replace("m2", "m**2")
    if si == "N":
        names = names.replace("kg", "kgf") if unit == "kg" else names.replace("g", "gf")

    size = units.Quantity(1.0, names).to(si.replace(" ", "*").replace("m2", "m**2")).magnitude

    assert PLAIN_SIZES[si][unit] == pytest.approx(size, rel=LAST_BITS)


def test_the_table_of_temperatures_agrees_with_the_registry():
    units = registry()
    for unit, factor in PLAIN_SIZES["degC"].items():
        for value in (0.0, 100.0):
            expected = units.Quantity(value, unit).to("degC").magnitude
            # pint goes through kelvin, which costs three digits
            assert value * factor + OFFSETS.get(unit, 0.0) == pytest.approx(expected, abs=1e-11)


@given(st.text(max_size=50), st.sampled_from(sorted(SI_UNITS)))
def test_any_text_is_a_unit_or_refused(text, quantity):
    try:
        conversion = unit_conversion(text, quantity)
    except UnreadableError:
        return
    assert conversion.factor > 0


@given(
    st.lists(
        st.sampled_from(["k", "m", "N", "V", "s", "/", " ", "*", "-", "^", "2", "1", "rad", "in"]),
        max_size=8,
    ),
    st.sampled_from(sorted(SI_UNITS)),
)
def test_pieces_of_units_are_a_unit_or_refused(pieces, quantity):
    with contextlib.suppress(UnreadableError):
        assert unit_conversion("".join(pieces), quantity).factor > 0
