"""Quantities at the edge: "36 V", "22 degC +- 5 K", "0.5 % + 2 digits" read into SI.

Units themselves are in `motorfit.units`, headers in `motorfit.headers`, and how numbers are
shown in `motorfit.showing`; what other rooms need of these can be had from here.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from motorfit.headers import Header, read_header
from motorfit.meter import Accuracy, Calibration
from motorfit.showing import (
    friendly,
    from_si,
    plain_unit,
    show_estimate,
    show_interval,
    show_number,
)
from motorfit.units import EXAMPLES, Conversion, UnreadableError, si_unit, unit_conversion

__all__ = [
    "Conversion",
    "Header",
    "Stated",
    "UnreadableError",
    "friendly",
    "from_si",
    "plain_unit",
    "read_accuracy",
    "read_calibration",
    "read_header",
    "read_number",
    "read_quantity",
    "read_width",
    "show_estimate",
    "show_interval",
    "show_number",
    "unit_conversion",
]  # fmt: skip

#: Taken for an accuracy that is "unknown": common practice for a meter without papers.
UNKNOWN_ACCURACY = Accuracy(relative=0.02, digits=5.0, text="unknown, 2 % + 5 digits is taken")

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?"
_STATED = re.compile(rf"(?P<value>{_NUMBER})\s*(?P<unit>[^+±]*?)\s*(?:±\s*(?P<half>.*))?")
_HALF = re.compile(rf"(?P<value>{_NUMBER})\s*(?P<unit>.*)")
_TERM = re.compile(rf"(?P<value>{_NUMBER})\s*(?P<unit>[^+\d]*)")
_DIGITS = frozenset({"digit", "digits", "dgt", "dgts", "d", "count", "counts", "lsd", "lsb"})
_ABSOLUTE_ZERO = -273.15  # [degC]


@dataclass(frozen=True, slots=True)
class Stated:
    """A quantity as somebody stated it, in SI (degC for temperatures).

    ``half_width`` is the rectangular half-width behind ``+-``, zero where none is given.
    """

    value: float
    half_width: float = 0.0
    text: str = ""


def read_number(text: str) -> float:
    """A number with a decimal point or a decimal comma.

    Raises
    ------
    UnreadableError
        If it is no finite number, or a comma may stand for thousands.

    Examples
    --------
    >>> read_number("4,7"), read_number("1e-3")
    (4.7, 0.001)
    """
    plain = _one_line(text)
    if not re.fullmatch(_NUMBER, plain):
        raise UnreadableError(
            found=_quoted(text), expected="a number", remedy='Write it like "12.5".'
        )
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", plain):
        raise UnreadableError(
            found=_quoted(text),
            expected="a number whose comma has one meaning",
            remedy=f"Write {plain.replace(',', '')} for thousands or "
            f"{plain.replace(',', '.')} for a decimal.",
        )
    value = float(plain.replace(",", "."))
    if not math.isfinite(value):
        raise UnreadableError(
            found=_quoted(text), expected="a finite number", remedy='Write it like "12.5".'
        )
    return value


def read_quantity(text: str, dimension: str) -> Stated:
    """A quantity with its unit, and the half-width behind ``+-`` if there is one.

    Parameters
    ----------
    text : str
        "36 V", "22 degC +- 5 K", "0.85 kg m2 +- 2 %"; ``±`` and ``+/-`` do too.
    dimension : str
        A quantity of the sheets or another name in `motorfit.units.SI_UNITS`.

    Returns
    -------
    Stated
        In SI, degC for temperatures.

    Raises
    ------
    UnreadableError
        If it is no finite number with a unit of that dimension.

    Examples
    --------
    >>> read_quantity("0.2 ohm +- 5 %", "resistance")
    Stated(value=0.2, half_width=0.01, text='0.2 ohm +- 5 %')
    >>> read_quantity("22 degC +- 5 K", "temperature").half_width
    5.0
    """
    si = si_unit(dimension)
    plain = re.sub(r"\+\s*/?\s*-", "±", _one_line(text))
    plain = re.sub(r"^\(([^()]*)\)", r"\1", plain)  # (22 +- 5) degC
    match = _STATED.fullmatch(plain)
    if not match:
        raise UnreadableError(
            found=_quoted(text),
            expected=f"a number with a unit of {_named(dimension)}",
            remedy=f'Write it like "{EXAMPLES[si]}".',
        )
    unit, half = match["unit"], match["half"]
    if not unit and half:
        unit = _last_unit(half)
    if not unit and dimension != "dimensionless":
        raise _unit_missing(text, match["value"], si, dimension)
    conversion = unit_conversion(unit, dimension)
    value = read_number(match["value"]) * conversion.factor + conversion.offset
    if not math.isfinite(value) or (si == "degC" and value < _ABSOLUTE_ZERO):
        raise UnreadableError(
            found=_quoted(text),
            expected=f"a possible {_named(dimension)}",
            remedy=f'Write it like "{EXAMPLES[si]}".',
        )
    width = 0.0 if half is None else _half_width(half, value, unit, dimension)
    return Stated(value, width, text.strip())


def _half_width(text: str, value: float, unit: str, dimension: str) -> float:
    """The half-width behind ``+-`` in SI; a difference, so that offsets fall away."""
    si = si_unit(dimension)
    example = f"{EXAMPLES[si]} +- 5 K" if si == "degC" else f"{EXAMPLES[si]} +- 2 %"
    match = _HALF.fullmatch(text.strip())
    number = read_number(match["value"]) if match else math.nan
    if not match or number < 0 or not (match["unit"] or dimension == "dimensionless"):
        raise UnreadableError(
            found=f'"+- {text.strip()}"',
            expected="a half-width with its unit",
            remedy=f'Write it like "{example}".',
        )
    if match["unit"].strip() == "%" and dimension != "dimensionless":
        if si == "degC":
            raise UnreadableError(
                found=f'"+- {text.strip()}"',
                expected="a half-width in K",
                remedy=f'Write it like "{example}".',
            )
        return abs(value) * number / 100
    return number * unit_conversion(match["unit"] or unit, dimension).factor


def read_width(text: str, dimension: str) -> float:
    """A difference of two quantities, such as a resolution: "0.01 V", "0.1 K".

    Returns
    -------
    float
        Above zero. In SI; a temperature's in K.

    Raises
    ------
    UnreadableError
        If it is no number above zero with a unit of that dimension.

    Examples
    --------
    >>> read_width("0.1 degC", "temperature"), read_width("10 mV", "voltage")
    (0.1, 0.01)
    """
    unit = "K" if si_unit(dimension) == "degC" else EXAMPLES[si_unit(dimension)].split(" ", 1)[-1]
    match = _HALF.fullmatch(_one_line(text))
    if not match or not match["unit"] or not read_number(match["value"]) > 0:
        raise UnreadableError(
            found=_quoted(text),
            expected="a number above zero with its unit",
            remedy=f'Write it like "0.01 {unit}".',
        )
    return read_number(match["value"]) * unit_conversion(match["unit"], dimension).factor


def read_accuracy(text: str, quantity: str) -> Accuracy:
    """A maker's accuracy statement.

    Parameters
    ----------
    text : str
        "0.5 % + 2 digits", "1 %", "0.02 V", "0.3 % + 0.01 V", or "unknown", for which
        a wide one is taken that says so.
    quantity : str
        What the instrument reads.

    Returns
    -------
    Accuracy

    Raises
    ------
    UnreadableError
        If it is no such statement, or would make the meter perfect.

    Examples
    --------
    >>> read_accuracy("0.5 % rdg + 2 dgt", "voltage")
    Accuracy(relative=0.005, digits=2.0, absolute=0.0, text='0.5 % rdg + 2 dgt')
    """
    if text.strip().lower() == "unknown":
        return UNKNOWN_ACCURACY
    plain = re.sub(r"[()]", " ", re.sub(r"±|\+\s*/?\s*-", " ", _one_line(text))).strip()
    parts = {"relative": 0.0, "digits": 0.0, "absolute": 0.0}
    for term in re.split(r"(?<![eE])\+|\bplus\b", plain):
        kind, size = _accuracy_term(term.strip(), quantity, text)
        parts[kind] += size
    if parts["relative"] >= 1.0:
        raise _no_accuracy(text, quantity)
    return Accuracy(**parts, text=text.strip())


def _accuracy_term(term: str, quantity: str, text: str) -> tuple[str, float]:
    match = _TERM.fullmatch(term)
    if not match:
        raise _no_accuracy(text, quantity)
    number, unit = read_number(match["value"]), match["unit"].strip()
    if not number > 0:
        raise _no_accuracy(text, quantity)
    if re.fullmatch(
        r"(?:%|percent|per cent)\s*(?:of\s*)?(?:rdg|reading|r|m\.?v\.?)?\.?", unit, re.IGNORECASE
    ):
        return "relative", number / 100
    if unit.lower().rstrip(".") in _DIGITS:
        return "digits", number
    if not unit or "%" in unit:
        raise _no_accuracy(text, quantity)
    return "absolute", number * unit_conversion(unit, quantity).factor


def read_calibration(text: str) -> Calibration:
    """A gain error found by checking the meter: "+0.12 % +- 0.05 %".

    Raises
    ------
    UnreadableError
        If it is not two percentages, the second positive.

    Examples
    --------
    >>> read_calibration("-0.25 % +- 0.05 %")
    Calibration(gain=-0.0025, half_width=0.0005, text='-0.25 % +- 0.05 %')
    """
    plain = re.sub(r"(?<=.)\+\s*/?\s*-", "±", _one_line(text))
    match = re.fullmatch(rf"({_NUMBER})\s*%\s*±\s*({_NUMBER})\s*%", plain)
    gain, width = (read_number(part) for part in match.groups()) if match else (0.0, 0.0)
    if not width > 0 or abs(gain) >= 50:
        raise UnreadableError(
            found=_quoted(text),
            expected="how much too high it reads, with what is left open, both in %",
            remedy='Write it like "+0.12 % +- 0.05 %".',
        )
    return Calibration(gain=gain / 100, half_width=width / 100, text=text.strip())


def _one_line(text: str) -> str:
    return re.sub(r"\s+", " ", text.replace("−", "-")).strip()


def _last_unit(half: str) -> str:
    """The unit of "22 +- 5 degC", which stands for both numbers."""
    match = _HALF.fullmatch(half.strip())
    unit = match["unit"].strip() if match else ""
    return "" if unit == "%" else unit


def _named(dimension: str) -> str:
    return dimension.replace("_", " ")


def _quoted(text: str) -> str:
    short = _one_line(text)
    return f'"{short if len(short) <= 60 else short[:57] + "..."}"'


def _unit_missing(text: str, number: str, si: str, dimension: str) -> UnreadableError:
    unit = EXAMPLES[si].split(" ", 1)[-1]
    return UnreadableError(
        found=f"{_quoted(text)} without a unit",
        expected=f"{'an' if dimension[0] in 'aei' else 'a'} {_named(dimension)} with its unit",
        remedy=f'Write "{number} {unit}" if it is in {unit}.',
    )


def _no_accuracy(text: str, quantity: str) -> UnreadableError:
    unit = EXAMPLES[si_unit(quantity)].split(" ", 1)[-1]
    return UnreadableError(
        found=_quoted(text),
        expected="an accuracy as in the meter's manual, above zero",
        remedy=f'Write it like "0.5 % + 2 digits", "1 %", "0.02 {unit}" or "unknown".',
    )
