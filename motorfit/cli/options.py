"""Options that several commands have, and numbers with units as options take them."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Callable

    from motorfit.quantities import Stated

#: More points than this in one grid are a slip of the keyboard.
MOST_POINTS = 2000

_NUMBERS = re.compile(r"[\d.,:;\seE+-]*[\d.]")
_LIST_OR_DECIMAL = re.compile(r"[+-]?\d{1,2},\d{1,3}")

#: How sure an interval is to hold the truth.
level_option = click.option(
    "--level",
    type=click.FloatRange(0.5, 0.999),
    default=0.95,
    show_default=True,
    help="Coverage of the intervals.",
)


def read_stated(text: str, dimension: str) -> Stated:
    """Read a number with its unit.

    Raises
    ------
    click.BadParameter
        If it cannot be read, saying what was expected.
    """
    from motorfit.quantities import UnreadableError, read_quantity

    try:
        return read_quantity(text, dimension)
    except UnreadableError as error:
        raise click.BadParameter(str(error)) from None


def quantity(
    dimension: str, *, positive: bool
) -> Callable[[click.Context, click.Parameter, str], Stated]:
    """Make the reader of an option that takes a number with its unit."""

    def read(_: click.Context, __: click.Parameter, text: str) -> Stated:
        stated = read_stated(text, dimension)
        if positive and not stated.value > 0:
            raise click.BadParameter(f"{text!r} must be above zero.")
        if dimension != "temperature" and stated.value < 0:
            raise click.BadParameter(f"{text!r} must not be below zero.")
        return stated

    return read


def grid(
    dimension: str, *, open_end: bool = False
) -> Callable[[click.Context, click.Parameter, tuple[str, ...]], list[float]]:
    """Make the reader of an option that may be given several times.

    It takes "4.7 ohm", "500, 1000 rpm", "500:3000:250 rpm" (first:last:step), and "open"
    where ``open_end`` is set, into one list in SI.
    """

    def read(_: click.Context, __: click.Parameter, texts: tuple[str, ...]) -> list[float]:
        return [value for text in texts for value in _read_grid(text, dimension, open_end)]

    return read


def _read_grid(text: str, dimension: str, open_end: bool) -> list[float]:
    plain = text.strip()
    if open_end and plain.lower() == "open":
        return [math.inf]
    match = _NUMBERS.match(plain)
    numbers, unit = (match[0], plain[match.end() :]) if match else (plain, "")
    points = [
        read_stated(f"{number} {unit}", dimension).value for number in _spread(numbers.strip())
    ]
    if dimension != "voltage" and min(points) < 0:
        raise click.BadParameter(f"{text!r} goes below zero, which it cannot.")
    return points


def _spread(numbers: str) -> list[str]:
    """One number, a list of them, or first:last:step."""
    if ":" in numbers:
        return [f"{number:.12g}" for number in _steps(numbers)]
    if _LIST_OR_DECIMAL.fullmatch(numbers):
        left, right = numbers.split(",")
        raise click.BadParameter(
            f"{numbers!r} may be one number or two. Write {left}.{right}, or "
            f'"{left}, {right}" with a space.'
        )
    return [part for part in re.split(r"[,;]\s*", numbers) if part] or [numbers]


def _steps(text: str) -> list[float]:
    remedy = 'Write first:last:step, like "500:3000:250 rpm".'
    try:
        first, last, step = (float(part) for part in text.split(":"))
    except ValueError:
        raise click.BadParameter(f"{text!r} is not three numbers. {remedy}") from None
    count = (last - first) / step if step else math.inf
    if not 0 <= count < MOST_POINTS:
        raise click.BadParameter(
            f"{text!r} leads nowhere, or to more than {MOST_POINTS} points. {remedy}"
        )
    return [first + step * number for number in range(math.floor(count + 1e-9) + 1)]
