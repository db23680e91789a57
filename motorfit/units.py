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
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from motorfit.unit_tables import (
    ANY_CASE,
    BY_DIMENSION,
    EXAMPLES,
    OFFSETS,
    PLAIN_SIZES,
    SI_UNITS,
    STANDARD_GRAVITY,
    USUAL_UNITS,
)

if TYPE_CHECKING:
    import pint

__all__ = [
    "EXAMPLES",
    "SI_UNITS",
    "Conversion",
    "UnreadableError",
    "clean",
    "registry",
    "si_unit",
    "size_in_si",
    "unit_conversion",
    "usual_unit",
]


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
    if spelled in PLAIN_SIZES[wanted]:
        offset = OFFSETS.get(spelled, 0.0) if wanted == "degC" else 0.0
        return Conversion(PLAIN_SIZES[wanted][spelled], offset, pulses=spelled.endswith("Hz"))
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
    for wanted, plain in PLAIN_SIZES.items():
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
    own = BY_DIMENSION.get(wanted, {})
    if plain in own:
        return own[plain]
    if plain.lower() in ANY_CASE:
        return ANY_CASE[plain.lower()]
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
    return Conversion(factor)


def _sensible(product: _Product, wanted: str) -> bool:
    """Whether a unit of the right dimension is also of the right kind.

    An energy is no torque, a becquerel no speed, and a mega-ampere a slip of the shift key.
    """
    units = registry()
    if "mega" in product.prefixes and wanted not in ("ohm", "W"):
        return False
    if wanted == "N m":
        parts = [units.Unit(part).dimensionality for part in ("newton", "kilogram", "metre")]
        return all(units.Unit(root).dimensionality in parts for root in product.roots)
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
    usual = USUAL_UNITS[wanted]
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
    plain = PLAIN_SIZES.get(SI_UNITS.get(quantity, ""), {})
    near = (unit for unit, size in plain.items() if math.isclose(size, factor, rel_tol=1e-9))
    return next(near, "")
