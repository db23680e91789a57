"""Spellings and sizes of the units of a bench, as tables.

The common units stand here, so that an ordinary bench does not load pint.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

#: Standard acceleration of gravity: a scale that shows kg weighs with it. [m/s2]
#: Third CGPM (1901), as in NIST SP 811, appendix B.
STANDARD_GRAVITY = 9.80665

#: The SI unit of each dimension that a text can be asked for.
SI_UNITS: Mapping[str, str] = {
    "time": "s",
    "speed": "rad/s",
    "voltage": "V",
    "current": "A",
    "load": "ohm",
    "resistance": "ohm",
    "torque": "N m",
    "force": "N",
    "arm": "m",
    "length": "m",
    "drive_power": "W",
    "power": "W",
    "position": "rad",
    "angle": "rad",
    "winding": "degC",
    "magnets": "degC",
    "ambient": "degC",
    "temperature": "degC",
    "mass": "kg",
    "inertia": "kg m2",
    "inductance": "H",
    "emf_constant": "V s/rad",
    "viscous_coefficient": "N m s/rad",
    "thermal_resistance": "K/W",
    "dimensionless": "1",
}

#: One way of writing each dimension, for messages.
EXAMPLES: Mapping[str, str] = {
    "s": "12.5 s",
    "rad/s": "1500 rpm",
    "V": "36 V",
    "A": "2.5 A",
    "ohm": "4.7 ohm",
    "N m": "0.35 N m",
    "N": "4.2 N",
    "m": "0.15 m",
    "W": "180 W",
    "rad": "90 deg",
    "degC": "22 degC",
    "kg": "0.5 kg",
    "kg m2": "0.002 kg m2",
    "H": "1.5 mH",
    "V s/rad": "6.2 V/1000 rpm",
    "N m s/rad": "0.0002 N m s/rad",
    "K/W": "1.8 K/W",
    "1": "0.85",
}

#: Units worth naming when another one was found.
USUAL_UNITS: Mapping[str, tuple[str, ...]] = {
    "s": ("s", "ms", "min", "h"),
    "rad/s": ("rpm", "rad/s", "Hz", "r/min", "rev/s"),
    "V": ("V", "mV", "volts"),
    "A": ("A", "mA", "amps"),
    "ohm": ("ohm", "mohm", "kohm", "ohms"),
    "N m": ("N m", "mN m", "kgf cm", "ozf in", "lbf ft"),
    "N": ("N", "g", "kg", "kgf", "lbf"),
    "m": ("m", "cm", "mm", "in"),
    "W": ("W", "kW", "mW", "hp"),
    "rad": ("deg", "rad", "turn"),
    "degC": ("degC", "K", "degF"),
    "kg": ("kg", "g", "lb"),
    "kg m2": ("kg m2", "g cm2", "oz in2"),
    "H": ("H", "mH", "uH"),
    "V s/rad": ("V/1000 rpm", "V s/rad", "N m/A"),
    "N m s/rad": ("N m s/rad", "N m/krpm"),
    "K/W": ("K/W",),
    "1": ("%",),
}

_TURN = 2.0 * math.pi

#: One revolution per minute. [rad/s]
RPM = _TURN / 60

#: Sizes of the common units, so that they need no registry.
PLAIN_SIZES: Mapping[str, Mapping[str, float]] = {
    "s": {"s": 1.0, "ms": 1e-3, "min": 60.0},
    "rad/s": {"rpm": RPM, "rad/s": 1.0, "Hz": _TURN, "kHz": 1e3 * _TURN, "rev/s": _TURN},
    "V": {"V": 1.0, "mV": 1e-3},
    "A": {"A": 1.0, "mA": 1e-3},
    "ohm": {"ohm": 1.0, "mohm": 1e-3, "kohm": 1e3, "Mohm": 1e6},
    "N m": {"N m": 1.0, "mN m": 1e-3, "N cm": 1e-2},
    "N": {"N": 1.0, "kg": STANDARD_GRAVITY, "g": STANDARD_GRAVITY / 1000},
    "m": {"m": 1.0, "cm": 1e-2, "mm": 1e-3},
    "W": {"W": 1.0, "kW": 1e3, "mW": 1e-3},
    "rad": {"rad": 1.0, "deg": _TURN / 360},
    "degC": {"degC": 1.0, "K": 1.0, "degF": 5 / 9},
    "kg": {"kg": 1.0, "g": 1e-3},
    "kg m2": {"kg m2": 1.0},
    "H": {"H": 1.0, "mH": 1e-3, "uH": 1e-6},
    "V s/rad": {"V s/rad": 1.0, "N m/A": 1.0, "V/krpm": 60e-3 / _TURN},
    "N m s/rad": {"N m s/rad": 1.0},
    "K/W": {"K/W": 1.0},
    "1": {"1": 1.0, "%": 1e-2},
}

#: What is added for the units of temperature that do not begin at 0 degC.
OFFSETS: Mapping[str, float] = {"K": -273.15, "degF": -32 * 5 / 9}

#: Spellings whatever their case.
ANY_CASE: Mapping[str, str] = {
    **dict.fromkeys(
        (
            *("rpm", "r.p.m.", "r.p.m", "r/min", "rev/min", "revs/min", "turns/min", "turn/min"),
            *("1/min", "/min", "min-1", "min^-1", "u/min", "tr/min", "rev per min", "r/m"),
            *("revolutions per minute", "revolutions/minute", "turns per minute", "revs"),
        ),
        "rpm",
    ),
    **dict.fromkeys(
        ("1/s", "s-1", "s^-1", "rev/s", "r/s", "rps", "turns/s", "revs/s", "turn/s"), "rev/s"
    ),
    **dict.fromkeys(("hz", "hertz", "pulses/s"), "Hz"),
    **dict.fromkeys(("rad/s", "rad/sec", "rad s-1", "rads", "rad.s-1"), "rad/s"),
    **dict.fromkeys(("v", "volt", "volts", "vdc", "v dc", "v=", "dcv"), "V"),
    **dict.fromkeys(("millivolt", "millivolts"), "mV"),
    **dict.fromkeys(("a", "amp", "amps", "ampere", "amperes", "adc", "a dc"), "A"),
    **dict.fromkeys(("milliamp", "milliamps", "milliampere", "milliamperes"), "mA"),
    **dict.fromkeys(("kiloohm",), "kohm"),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("w", "watt", "watts"), "W"),
    **dict.fromkeys(("degc", "celsius", "degree celsius", "degrees celsius", "cel"), "degC"),
    **dict.fromkeys(("degf", "fahrenheit", "degrees fahrenheit"), "degF"),
    **dict.fromkeys(("deg", "degree", "degrees"), "deg"),
    **dict.fromkeys(("kelvin", "kelvins"), "K"),
    **dict.fromkeys(("newton", "newtons"), "N"),
    **dict.fromkeys(("percent", "per cent"), "%"),
}  # fmt: skip

#: Spellings that mean something only for one dimension.
BY_DIMENSION: Mapping[str, Mapping[str, str]] = {
    "degC": {"C": "degC", "c": "degC", "F": "degF", "k": "K"},
    "V": {"mv": "mV"},
    "A": {"ma": "mA"},
    "N m": {"nm": "N m", "NM": "N m", "newton metre": "N m", "newton metres": "N m"},
    "1": {"": "1"},
    "rad": {"rev": "turn", "turns": "turn"},
}
