"""Numbers as people read them: digits that the uncertainty allows, trade units, ASCII."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TypeVar

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.units import clean, size_in_si, unit_conversion

Number = TypeVar("Number", float, FloatArray)

#: UCUM codes in plain words.
_PLAIN_UNITS: Mapping[str, str] = {
    "1": "",
    "Ohm": "ohm",
    "Cel": "degC",
    "V.s/rad": "V s/rad",
    "N.m": "N m",
    "N.m/A": "N m/A",
    "N.m.s/rad": "N m s/rad",
    "N.m.s2/rad2": "N m s2/rad2",
    "kg.m2": "kg m2",
    "rad/s": "rad/s",
}

#: Units that take a prefix when shown.
_SCALED = {"Ohm": "ohm", "N.m": "N m", "A": "A", "V": "V", "H": "H"}

_SMALLEST, _LARGEST = 1e-4, 1e6  # plain decimals between these
_WITHOUT_UNCERTAINTY = 4  # significant digits of a number that comes without one


def _last_place(uncertainty: float) -> int:
    """Power of ten of the last digit that an uncertainty leaves.

    Two digits of the uncertainty count where it begins with 1 or 2, else one: rounding then
    moves the number by at most a fifth of its uncertainty.
    """
    exponent = math.floor(math.log10(uncertainty))
    lead = uncertainty / 10.0**exponent
    if round(lead, 9) >= 10:
        exponent, lead = exponent + 1, 1.0
    return exponent - 1 if round(lead, 9) < 3 else exponent


def _place(uncertainty: float, size: float) -> int:
    """The last digit's power of ten; by the size of the number where nothing else tells."""
    if math.isfinite(uncertainty) and uncertainty > 0:
        return _last_place(uncertainty)
    if size > 0 and math.isfinite(size):
        return math.floor(math.log10(size)) - (_WITHOUT_UNCERTAINTY - 1)
    return 0


def _digits(value: float, place: int, size: float) -> str:
    """One number, rounded at ``place``; scientific where ``size`` asks for it."""
    if not math.isfinite(value):
        return str(float(value))
    if size and not _SMALLEST <= size < _LARGEST:
        exponent = math.floor(math.log10(abs(value))) if value else place
        exponent = max(exponent, place)
        mantissa, _, power = (
            f"{round(value / 10.0**place) * 10.0**place:.{exponent - place}e}".partition("e")
        )
        return f"{mantissa}e{int(power)}" if float(mantissa) else "0"
    text = f"{round(value, -place):.{max(-place, 0)}f}"
    return text.lstrip("-") if not float(text) else text


def show_number(value: float, uncertainty: float) -> str:
    """A number with the digits that its uncertainty allows.

    Parameters
    ----------
    value, uncertainty : float
        In the same unit; an uncertainty of zero or infinity tells nothing, and four
        significant digits are shown.

    Returns
    -------
    str
        Scientific only below 1e-4 and from 1e6 on.

    Examples
    --------
    >>> show_number(0.050213, 0.0016), show_number(3127.4, 40.0)
    ('0.0502', '3130')
    >>> show_number(2.3456e-5, 3e-6)
    '2.3e-5'
    """
    return _digits(value, _place(uncertainty, abs(value)), abs(value))


def show_interval(low: float, high: float) -> str:
    """An interval, both ends with the digits that its width allows.

    Examples
    --------
    >>> show_interval(0.048612, 0.051793)
    '0.0486 to 0.0518'
    >>> show_interval(0.0486, math.inf)
    '0.04860 or more'
    """
    return _interval(low, high, _place((high - low) / 2, _size(low, high)), _size(low, high))


def show_estimate(
    value: float, interval: tuple[float, float], unit: str = "", level: float | None = None
) -> str:
    """A number with its unit and interval.

    Parameters
    ----------
    value : float
        In ``unit``, as are the ends of ``interval``.
    interval : tuple of float
        Its ends.
    unit : str
        As it is shown.
    level : float, optional
        Coverage of the interval.

    Returns
    -------
    str

    Examples
    --------
    >>> show_estimate(0.050213, (0.048612, 0.051793), "ohm", 0.95)
    '0.0502 ohm (95 %: 0.0486 to 0.0518)'
    """
    low, high = interval
    size = _size(low, high, value)
    place = _place((high - low) / 2, size)
    shown = _digits(value, place, size) + (f" {unit}" if unit else "")
    cover = "" if level is None else f"{100 * level:.4g} %: "
    return f"{shown} ({cover}{_interval(low, high, place, size)})"


def _size(*values: float) -> float:
    return max((abs(value) for value in values if math.isfinite(value)), default=0.0)


def _interval(low: float, high: float, place: int, size: float) -> str:
    if math.isinf(low) and math.isinf(high):
        return "no bound"
    if math.isinf(high):
        return f"{_digits(low, place, size)} or more"
    if math.isinf(low):
        return f"{_digits(high, place, size)} or less"
    return f"{_digits(low, place, size)} to {_digits(high, place, size)}"


def from_si(value: Number, unit: str) -> Number:
    """A quantity in SI (degC for temperatures), in the unit it is shown in.

    Parameters
    ----------
    value : float or ndarray
        In SI.
    unit : str
        "rpm", "V/1000 rpm", "mohm", "degC", "N m"; UCUM codes too. "rpm/V" takes an EMF
        constant in V s/rad and gives its reciprocal.

    Returns
    -------
    float or ndarray

    Raises
    ------
    UnreadableError
        If it is no unit.

    Examples
    --------
    >>> round(from_si(0.1, "V/1000 rpm"), 6), round(from_si(0.1, "rpm/V"), 6)
    (10.471976, 95.492966)
    """
    plain = clean(unit)
    if plain == "rpm/V":
        return 1.0 / (value * size_in_si("rpm"))
    if plain in ("Cel", "degC", "K", "degF"):
        conversion = unit_conversion(plain, "temperature")
        return (value - conversion.offset) / conversion.factor
    return value / size_in_si(plain)


def plain_unit(ucum: str) -> str:
    """A UCUM code in the words it is shown in.

    Examples
    --------
    >>> plain_unit("N.m.s/rad"), plain_unit("Ohm")
    ('N m s/rad', 'ohm')
    """
    return _PLAIN_UNITS.get(ucum, ucum.replace(".", " "))


def friendly(value: float, ucum: str) -> tuple[float, str]:
    """A factor and a unit that make a number easy to read.

    Parameters
    ----------
    value : float
        In SI.
    ucum : str
        Its unit.

    Returns
    -------
    factor : float
        Multiply the value, its uncertainty and its interval by this.
    unit : str
        The unit they then have.

    Examples
    --------
    >>> friendly(0.0042, "Ohm"), friendly(0.42, "Ohm"), friendly(0.0042, "V.s/rad")
    ((1000.0, 'mohm'), (1.0, 'ohm'), (1.0, 'V s/rad'))
    """
    if ucum not in _SCALED or not value or not np.isfinite(value):
        return 1.0, plain_unit(ucum)
    size, unit = abs(value), _SCALED[ucum]
    if size < 1e-5:
        return 1e6, f"u{unit}"
    if size < 1e-2:
        return 1e3, f"m{unit}"
    if size >= 1e4:
        return 1e-3, f"k{unit}"
    return 1.0, unit
