"""From the cells of a column to numbers, and what to say of a cell that is none.

A number is digits with at most one decimal sign, perhaps an exponent. Thousands
separators are never guessed at: what may be 1234 or 1.234 is asked about.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.bench.tables import shown
from motorfit.quantities import Header, UnreadableError, unit_conversion

DecimalSign = Literal[".", ","]

_NUMBER = r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_ONE_SIGN = re.compile(_NUMBER)
_LIKE_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_GROUPED = re.compile(
    r"[+-]?[0-9]{1,3}(?:(?P<group>[.,'\N{RIGHT SINGLE QUOTATION MARK}\s])[0-9]{3})"
    r"(?:(?P=group)[0-9]{3})*(?P<rest>[.,][0-9]*)?"
)
_WITH_UNIT = re.compile(rf"(?P<number>{_NUMBER})\s*(?P<unit>\D.*)")
_CLOCK = re.compile(r"(?:[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]{1,4}[ T])?[0-9]{1,2}:[0-9]{2}.*")
_PLAIN_SIGNS = frozenset("0123456789+-.,eE")
_MOST_DECIMALS = 15  # a double holds no more
_NOT_READ = "Write the reading; to leave the row out, write the reason into an exclude column."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Numbers:
    """A column as numbers in the unit of its header; each array has shape (n,)."""

    values: FloatArray  # NaN where the cell is blank or no number
    filled: BoolArray  # something stands in the cell
    wrong: tuple[int, ...]  # places of the cells that are no number
    decimals: int  # the finest decimal place written


@dataclass(frozen=True, slots=True, kw_only=True)
class Complaint:
    """What is wrong with a cell, without its place."""

    found: str
    expected: str
    remedy: str


def decimal_sign(columns: Iterable[Sequence[str]], delimiter: str) -> DecimalSign | None:
    """Tell the decimal sign of a sheet from all its cells of numbers.

    Parameters
    ----------
    columns : iterable of sequences of str
        The cells that ought to be numbers.
    delimiter : str
        What separates the cells of the sheet.

    Returns
    -------
    "." or "," or None
        None where each cell with a sign may as well have thousands in it.

    Examples
    --------
    >>> decimal_sign([["1500", "1200"], ["12,5", "1,234"]], ";")
    ','
    >>> decimal_sign([["1.500", "1.200"]], ";") is None
    True
    """
    signed = [cell for column in columns for cell in column if "," in cell or "." in cell]
    if not any("," in cell for cell in signed) and (delimiter in ",;" or not signed):
        unclear_dots = delimiter == ";" and signed and all(map(_LIKE_THOUSANDS.fullmatch, signed))
        return None if unclear_dots else "."
    evidence = [sign for sign in map(_evidence, signed) if sign]
    commas = evidence.count(",")
    if evidence:
        preferred = 2 * commas > len(evidence) or (2 * commas == len(evidence) and delimiter != ",")
        return "," if preferred else "."
    if delimiter == ";" and any("," in cell for cell in signed):
        return ","
    if delimiter == "," and any("." in cell for cell in signed):
        return "."
    return None if signed else "."


def read_numbers(cells: Sequence[str], sign: DecimalSign | None) -> Numbers:
    """Read a column of cells whose decimal sign is known."""
    filled = np.array([cell != "" for cell in cells], dtype=np.bool_)
    quick = _all_at_once(cells, sign)
    if quick is None:
        quick = np.array([_number(cell, sign) for cell in cells], dtype=np.float64)
    wrong = np.flatnonzero(filled & ~np.isfinite(quick))
    quick[wrong] = np.nan
    bad = set(wrong.tolist())
    return Numbers(
        values=quick,
        filled=filled,
        wrong=tuple(wrong.tolist()),
        decimals=max(
            (decimals_of(cell) for place, cell in enumerate(cells) if cell and place not in bad),
            default=0,
        ),
    )


def complain(cell: str, sign: DecimalSign | None, header: Header) -> Complaint:
    """Say what is wrong with a cell that is no number, and what to write instead."""
    plain = _ascii(cell)
    grouped = _complain_of_thousands(cell, plain, sign)
    if grouped:
        return grouped
    if _ONE_SIGN.fullmatch(plain):
        return _complain_of_number(cell, plain, sign)
    with_unit = _WITH_UNIT.fullmatch(plain)
    if header.quantity == "time" and _CLOCK.fullmatch(plain):
        remedy = (
            "Write the time since the first row instead of the time of day: a spreadsheet makes "
            "seconds of it by 86400 * (A3 - A$2), in a cell that is shown as a number."
        )
    elif any(mark in cell for mark in "\t;"):
        remedy = "Separate the cells of every row with the same sign as the headers."
    elif with_unit:
        remedy = _without_unit(with_unit["number"], with_unit["unit"].strip(), sign, header)
    elif plain.lower().strip(". ") in ("ol", "0l", "o.l", "0.l", "1.", "over", "overload"):
        remedy = (
            "The meter was out of its range: read again in a larger one, or write so into an "
            "exclude column to leave the row out."
        )
    elif plain[:1] in ("=", "#"):
        remedy = "Save the sheet again with the result of the formula in this cell."
    elif re.match(r"[<>~?]|ca\.?|about", plain, re.IGNORECASE):
        remedy = "Write the number alone; what is to be said of it goes into a note column."
    else:
        remedy = _NOT_READ
    return Complaint(found=shown(cell), expected="a number", remedy=remedy)


def complain_briefly(cell: str, _sign: DecimalSign | None, _header: Header) -> Complaint:
    """Say that a cell is no number, at once: one of very many of a column."""
    return Complaint(found=shown(cell), expected="a number", remedy=_NOT_READ)


def _evidence(cell: str) -> DecimalSign | None:
    """Tell which decimal sign a cell proves, if it proves one."""
    plain = _ascii(cell)
    if _LIKE_THOUSANDS.fullmatch(plain):
        return None
    if _ONE_SIGN.fullmatch(plain):
        return "," if "," in plain else "."
    grouped = _GROUPED.fullmatch(plain)
    if not grouped:
        return None
    if grouped["rest"]:
        return "," if grouped["rest"][0] == "," else "."
    return "," if grouped["group"] == "." else "."


def _all_at_once(cells: Sequence[str], sign: DecimalSign | None) -> FloatArray | None:
    """Read an ordinary column quickly; None where a cell needs looking at."""
    text = "".join(cells)
    other = {".": ",", ",": "."}.get(sign or "", ",")
    if not set(text) <= _PLAIN_SIGNS or other in text or (sign is None and "." in text):
        return None
    if sign == ",":
        cells = [cell.replace(",", ".") for cell in cells]
    try:
        return np.array([float(cell) if cell else np.nan for cell in cells], dtype=np.float64)
    except ValueError:
        return None


def _number(cell: str, sign: DecimalSign | None) -> float:
    plain = _ascii(cell)
    wrong_sign = any(mark in plain for mark in ".," if mark != sign)
    if wrong_sign or not _ONE_SIGN.fullmatch(plain):
        return math.nan
    return float(plain.replace(",", "."))


def decimals_of(cell: str) -> int:
    """Count the decimals written in a number; negative for 1.5e3, whose last digit is a hundred."""
    mantissa, _, exponent = _ascii(cell).lower().partition("e")
    digits = mantissa.replace(",", ".").partition(".")[2]
    return max(-_MOST_DECIMALS, min(len(digits) - int(exponent or 0), _MOST_DECIMALS))


def _ascii(cell: str) -> str:
    return cell.replace("\N{MINUS SIGN}", "-").replace("\N{EN DASH}", "-")


def _complain_of_thousands(cell: str, plain: str, sign: DecimalSign | None) -> Complaint | None:
    grouped = _GROUPED.fullmatch(plain)
    if not grouped or (sign and _LIKE_THOUSANDS.fullmatch(plain) and sign in plain):
        return None
    group, rest = grouped["group"], grouped["rest"] or ""
    whole = plain.removesuffix(rest).replace(group, "")
    if group in ".," and plain.count(group) == 1 and not rest:
        decimal = plain.replace(group, sign or ".")
        return Complaint(
            found=f"{shown(cell)}, which may be {whole} or {decimal}",
            expected="a number that can be read in one way only",
            remedy=f"Write {whole}, or {decimal}0; set the cells to show no thousands separator.",
        )
    return Complaint(
        found=shown(cell),
        expected="a number without thousands separators",
        remedy=f"Write {whole}{rest.replace(rest[:1], sign or rest[:1]) if rest else ''}.",
    )


def _complain_of_number(cell: str, plain: str, sign: DecimalSign | None) -> Complaint:
    """Complain of a number with the other decimal sign, or of one too large."""
    if sign and any(mark in plain for mark in ".," if mark != sign):
        word = "comma" if sign == "," else "point"
        return Complaint(
            found=shown(cell),
            expected=f"a decimal {word}, as in the rest of the sheet",
            remedy=f"Write {plain.replace(',', '.').replace('.', sign)}.",
        )
    return Complaint(found=shown(cell), expected="a number of possible size", remedy=_NOT_READ)


def _without_unit(number: str, unit: str, sign: DecimalSign | None, header: Header) -> str:
    """Say what to write in place of "850 mV" below "voltage (V)"."""
    wanted = f", in {header.unit}" if header.unit else ""
    try:
        own = unit_conversion(unit, header.quantity)
        value = float(number.replace(",", "."))
    except (UnreadableError, ValueError):
        return f"Write the number alone{wanted}; remarks go into a note column."
    there = header.conversion
    if own == there:
        number = number if sign is None else re.sub("[.,]", sign, number)
        return f"Write {number}; the unit stands in the header."
    if own.pulses != there.pulses:
        return f"Write the number alone{wanted}."
    value = (value * own.factor + own.offset - there.offset) / there.factor
    return f"Write {f'{value:.6g}'.replace('.', sign or '.')}; the header says {header.unit}."
