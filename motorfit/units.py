"""Units as people write them, in headers, files and options, and their size in SI.

The common spellings are a table, so that an ordinary bench does not load pint; every
other unit goes through one shared pint registry.
"""

from __future__ import annotations

import difflib
import functools
import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pint

#: Standard acceleration of gravity: a scale that shows kg weighs with it. [m/s2]
#: Third CGPM (1901), as in NIST SP 811, appendix B.
STANDARD_GRAVITY = 9.80665


class UnreadableError(ValueError):
    """A text that is no quantity of the wanted kind: what was expected, what to do."""

    def __init__(self, *, found: str, expected: str, remedy: str) -> None:
        self.found, self.expected, self.remedy = found, expected, remedy
        super().__init__(f"found {found}, expected {expected}. {remedy}")


@dataclass(frozen=True, slots=True)
class Conversion:
    """From a unit as written to SI: ``si = value * factor + offset``.

    Temperatures go to degC. ``pulses`` says that the unit counts pulses a second, to be
    divided by the pulses a revolution.
    """

    factor: float
    offset: float = 0.0
    pulses: bool = False


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
    "kg m2": "0.002 kg m2",
    "H": "1.5 mH",
    "V s/rad": "6.2 V/1000 rpm",
    "N m s/rad": "0.0002 N m s/rad",
    "K/W": "1.8 K/W",
    "1": "0.85",
}

#: Units worth naming when another one was found.
_USUAL: Mapping[str, tuple[str, ...]] = {
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
    "kg m2": ("kg m2", "g cm2", "oz in2"),
    "H": ("H", "mH", "uH"),
    "V s/rad": ("V/1000 rpm", "V s/rad", "N m/A"),
    "N m s/rad": ("N m s/rad", "N m/krpm"),
    "K/W": ("K/W",),
    "1": ("%",),
}

_TURN = 2.0 * math.pi

#: Sizes of the common units, so that they need no registry.
_PLAIN: Mapping[str, Mapping[str, float]] = {
    "s": {"s": 1.0, "ms": 1e-3, "min": 60.0},
    "rad/s": {"rpm": _TURN / 60, "rad/s": 1.0, "Hz": _TURN, "rev/s": _TURN},
    "V": {"V": 1.0, "mV": 1e-3},
    "A": {"A": 1.0, "mA": 1e-3},
    "ohm": {"ohm": 1.0, "mohm": 1e-3, "kohm": 1e3, "Mohm": 1e6},
    "N m": {"N m": 1.0, "mN m": 1e-3, "N cm": 1e-2},
    "N": {"N": 1.0, "kg": STANDARD_GRAVITY, "g": STANDARD_GRAVITY / 1000},
    "m": {"m": 1.0, "cm": 1e-2, "mm": 1e-3},
    "W": {"W": 1.0, "kW": 1e3, "mW": 1e-3},
    "rad": {"rad": 1.0, "deg": _TURN / 360},
    "degC": {"degC": 1.0, "K": 1.0, "degF": 5 / 9},
    "kg m2": {"kg m2": 1.0},
    "H": {"H": 1.0, "mH": 1e-3, "uH": 1e-6},
    "V s/rad": {"V s/rad": 1.0, "N m/A": 1.0, "V/krpm": 60e-3 / _TURN},
    "N m s/rad": {"N m s/rad": 1.0},
    "K/W": {"K/W": 1.0},
    "1": {"1": 1.0, "%": 1e-2},
}

#: What is added for the units of temperature that do not begin at 0 degC.
_OFFSETS: Mapping[str, float] = {"K": -273.15, "degF": -32 * 5 / 9}

#: Spellings whatever their case.
_ANY_CASE: Mapping[str, str] = {
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
_BY_DIMENSION: Mapping[str, Mapping[str, str]] = {
    "degC": {"C": "degC", "c": "degC", "F": "degF", "k": "K"},
    "V": {"mv": "mV"},
    "A": {"ma": "mA"},
    "N m": {"nm": "N m", "NM": "N m", "newton metre": "N m", "newton metres": "N m"},
    "1": {"": "1"},
    "rad": {"rev": "turn", "turns": "turn"},
}

_TORQUE = re.compile(
    r"(?:(?P<force>[mckuM]?N|kgf|kg|kp|gf|g|ozf|oz|lbf|lbs|lb)[\s.*-]*"
    r"(?P<arm>mm|cm|m|inch|in|ft)"
    r"|(?P<arm2>inch|in|ft)[\s.*-]*(?P<force2>ozf|oz|lbf|lbs|lb))"
)
_FACTOR = re.compile(r"(?P<name>[A-Za-z_%]+)(?:\^|\*\*)?(?P<power>-?[1-9])?")
_ANGLE_ROOTS = frozenset({"radian", "degree", "turn", "revolutions_per_minute"})
_LONGEST = 40  # no unit is longer; a sentence is not sent through the registry


def clean(text: str) -> str:
    """The text of a unit in plain ASCII where that is possible.

    Examples
    --------
    >>> clean("k\N{OHM SIGN}"), clean("kg m\N{SUPERSCRIPT TWO}"), clean("\N{DEGREE SIGN}C")
    ('kohm', 'kg m2', 'degC')
    """
    plain = unicodedata.normalize("NFKC", text)
    for odd, even in (
        *(("Ω", "ohm"), ("ω", "ohm"), ("μ", "u"), ("°", "deg"), ("º", "deg"), ("−", "-")),
        *(("·", " "), ("⋅", " "), ("×", " "), ("∙", " ")),
    ):
        plain = plain.replace(odd, even)
    plain = re.sub(r"\s*/\s*", "/", re.sub(r"\s+", " ", plain)).strip()
    plain = re.sub(r"(?i)ohms?\b", "ohm", plain).replace("deg C", "degC").replace("deg F", "degF")
    plain = re.sub(r"\b1000 ?(?=[A-Za-z])", "k", plain)  # V/1000 rpm
    plain = re.sub(r"/\(rad/s\)", " s/rad", plain)
    return plain.replace("Kohm", "kohm")


def si_unit(dimension: str) -> str:
    """The SI unit of a dimension.

    Raises
    ------
    ValueError
        If there is no such dimension.
    """
    if dimension not in SI_UNITS:
        raise ValueError(f"dimension must be one of {', '.join(SI_UNITS)}, found {dimension!r}")
    return SI_UNITS[dimension]


@functools.lru_cache(maxsize=512)
def unit_conversion(unit: str, quantity: str) -> Conversion:
    """How to get from a unit as written to the SI unit of a quantity.

    Parameters
    ----------
    unit : str
        As in a header: "rpm", "mA", "N m", "kgf cm", "degF".
    quantity : str
        A quantity of the sheets, or another name in `SI_UNITS`.

    Returns
    -------
    Conversion
        Weights (g, kg, oz, lb) stand for forces and in torques for the force, as on a
        scale: with the standard acceleration of gravity. Hz counts pulses.

    Raises
    ------
    UnreadableError
        If it is no unit of that quantity.

    Examples
    --------
    >>> unit_conversion("mA", "current").factor
    0.001
    >>> unit_conversion("kgf cm", "torque").factor
    0.0980665
    """
    wanted = si_unit(quantity)
    spelled = _spelling(unit, wanted)
    if spelled in _PLAIN[wanted]:
        offset = _OFFSETS.get(spelled, 0.0) if wanted == "degC" else 0.0
        return Conversion(_PLAIN[wanted][spelled], offset, pulses=spelled == "Hz")
    conversion = _by_registry(spelled, wanted)
    if conversion is None:
        raise _no_unit(unit, wanted, quantity)
    return conversion


def size_in_si(unit: str) -> float:
    """The size of a unit in SI base units, whatever its dimension.

    Raises
    ------
    UnreadableError
        If it is no unit.

    Examples
    --------
    >>> round(size_in_si("V/1000 rpm"), 9), size_in_si("mN m")
    (0.009549297, 0.001)
    """
    for wanted, plain in _PLAIN.items():
        spelled = _spelling(unit, wanted)
        if spelled in plain:
            return plain[spelled]
    product = _product(_spelling(unit, ""))
    if product is None:
        raise UnreadableError(
            found=repr(unit), expected="a unit", remedy='Write it like "V/1000 rpm" or "mN m".'
        )
    return float(product.quantity.to_base_units().magnitude)


def _spelling(unit: str, wanted: str) -> str:
    """Our spelling of a unit; the text itself where it is none of the usual ones."""
    plain = clean(unit)
    own = _BY_DIMENSION.get(wanted, {})
    if plain in own:
        return own[plain]
    if plain.lower() in _ANY_CASE:
        return _ANY_CASE[plain.lower()]
    torque = _TORQUE.fullmatch(plain)
    if torque and wanted in ("N m", ""):
        force = torque["force"] or torque["force2"]
        arm = torque["arm"] or torque["arm2"]
        return f"{force} {arm}"
    return plain.replace(".", " ").replace("*", " ") if "**" not in plain else plain


@dataclass(frozen=True, slots=True)
class _Product:
    quantity: Any  # pint.Quantity
    roots: frozenset[str]  # names of the units without their prefixes
    prefixes: frozenset[str]


@functools.cache
def registry() -> pint.UnitRegistry[float]:
    """The one pint registry, made when first needed."""
    import pint

    return pint.UnitRegistry()


def _product(text: str) -> _Product | None:
    """A product of units; None where a part is no unit."""
    if len(text) > _LONGEST:
        return None
    units = registry()
    quantity: Any = units.Quantity(1.0, "")
    roots, prefixes = set[str](), set[str]()
    for place, part in enumerate(re.split(r"/|\bper\b", text)):
        if place == 0 and part.strip() == "1":
            continue
        names = re.split(r"\s+|(?<!\*)\*(?!\*)|-(?=[A-Za-z])", part.strip())
        for name in names:
            factor = _FACTOR.fullmatch(name)
            parsed = units.parse_unit_name(factor["name"]) if factor else ()
            if not factor or not parsed:
                return None
            prefix, root, _ = parsed[0]
            power = int(factor["power"] or 1) * (-1 if place else 1)
            size = units.Quantity(1.0, units.Unit(prefix + root))
            if root in ("degree_Celsius", "degree_Fahrenheit", "degree_Reaumur"):
                return None  # offsets do not multiply; temperatures go their own way
            quantity = quantity * size**power
            roots.add(root)
            prefixes.add(prefix)
    return _Product(quantity, frozenset(roots), frozenset(prefixes))


def _by_registry(text: str, wanted: str) -> Conversion | None:
    """The conversion of a less usual unit; None where it is not of the dimension."""
    if wanted == "degC":
        return _temperature(text)
    product = _product(text)
    if product is None or not _sensible(product, wanted):
        return None
    target = _product("rad/s" if wanted == "rad/s" else wanted)
    assert target is not None  # our own table
    quantity, aim = product.quantity, target.quantity
    weight = registry().Quantity(STANDARD_GRAVITY, "m/s**2")
    if wanted in ("N", "N m") and quantity.dimensionality == (aim / weight).dimensionality:
        quantity = quantity * weight
    if quantity.dimensionality != aim.dimensionality:
        return None
    factor = float(quantity.to_base_units().magnitude / aim.to_base_units().magnitude)
    return Conversion(factor, pulses="hertz" in product.roots)


def _sensible(product: _Product, wanted: str) -> bool:
    """Whether a unit of the right dimension is also of the right kind.

    An energy is no torque, a becquerel no speed, and a mega-ampere a slip of the shift key.
    """
    units = registry()
    if "mega" in product.prefixes and wanted not in ("ohm", "W"):
        return False
    if wanted == "N m":
        energy = units.Unit("joule").dimensionality
        return all(units.Unit(root).dimensionality != energy for root in product.roots)
    if wanted in ("rad", "rad/s"):
        return bool(product.roots & _ANGLE_ROOTS)
    return True


def _temperature(text: str) -> Conversion | None:
    units = registry()
    if not re.fullmatch(r"[A-Za-z]+", text) or len(text) > _LONGEST:
        return None
    parsed = units.parse_unit_name(text)
    if not parsed or units.Unit(parsed[0][1]).dimensionality != units.Unit("K").dimensionality:
        return None
    unit = units.Unit(parsed[0][0] + parsed[0][1])
    zero, one = (units.Quantity(x, unit).to("degC").magnitude for x in (0.0, 1.0))
    return Conversion(float(one - zero), float(zero))


def _no_unit(unit: str, wanted: str, quantity: str) -> UnreadableError:
    usual = _USUAL[wanted]
    near = difflib.get_close_matches(clean(unit), usual, n=1, cutoff=0.5)
    remedy = f"Did you mean {near[0]}?" if near else f"For example {EXAMPLES[wanted]}."
    if wanted == "N m" and clean(unit) in ("J", "joule", "joules"):
        remedy = "A joule is an energy; write N m."
    if re.match(r"M[AV]\b", clean(unit)):
        remedy = f"M is mega; write m{clean(unit)[1:]} for milli."
    named = quantity.replace("_", " ")
    return UnreadableError(
        found=f'the unit "{unit.strip()}"',
        expected=f"a unit of {named} such as {', '.join(usual[:4])}",
        remedy=remedy,
    )


def usual_unit(quantity: str, factor: float) -> str:
    """The usual unit of a quantity that has this size in SI; "" where there is none.

    Examples
    --------
    >>> usual_unit("voltage", 1.0), usual_unit("speed", 2 * math.pi / 60)
    ('V', 'rpm')
    """
    plain = _PLAIN.get(SI_UNITS.get(quantity, ""), {})
    near = (unit for unit, size in plain.items() if math.isclose(size, factor, rel_tol=1e-9))
    return next(near, "")
