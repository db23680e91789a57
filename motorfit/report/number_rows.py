"""Rows of the table of numbers: label, value, interval, how known."""

from __future__ import annotations

from motorfit.estimate import Estimate, NotKnown
from motorfit.quantities import friendly, show_interval, show_number
from motorfit.report.layout import WIDTH, cut_row

_COLUMNS = (26, 13, 25)

#: An interval that is narrower, relatively, is of no reading.
_EXACT = 1e-5


def columns_of(label: str, value: str, interval: str, known: str) -> str:
    """One row; what is too long for its column pushes the others to the right."""
    first, second, third = _COLUMNS
    row = f"{label} ".ljust(first) + value
    row = f"{row} ".ljust(first + second) + interval
    row = f"{row} ".ljust(first + second + third) + known
    return cut_row(row)


def number_row(
    label: str,
    known: Estimate | NotKnown,
    *,
    below: str = "",
    factor: float | None = None,
    unit: str = "",
    hidden: bool = False,
) -> str:
    """A parameter, or what it takes to know it.

    Parameters
    ----------
    label : str
        What it is called.
    known : Estimate or NotKnown
        What is known of it.
    below : str
        Where its combination with others is shown, for what is not known alone.
    factor, unit : float, str
        From its unit to that which is shown; left out, an easy one.
    hidden : bool
        Whether its test was done and a slip has made nothing of it.

    Returns
    -------
    str
        At most 80 columns.
    """
    label = f"  {label}"
    if isinstance(known, NotKnown):
        lacking = "assumed zero" if known.standing == "assumed" else "not measured"
        lacking += f"; it takes: {known.needs}"
        if len(lacking) > WIDTH - _COLUMNS[0]:
            lacking = f"needs {known.needs}"
        if hidden:
            lacking = "hidden by what does not fit: see Findings"
        if known.standing == "combined":
            lacking = f"not known alone, only together with others{below}"
        return cut_row(f"{label:<{_COLUMNS[0]}}{lacking}")
    if factor is None:
        factor, unit = friendly(known.value or max(known.interval, key=abs), known.unit)
    low, high = (factor * end for end in known.interval)
    if high - low < _EXACT * factor * known.value:  # stated without any doubt
        low = high = factor * known.value
    at_bound = known.value == 0.0 and low >= 0.0
    return columns_of(
        label,
        f"{show_number(factor * known.value, (high - low) / 2)} {unit}",
        f"{show_interval(low, high)} {unit}",
        "at its bound" if at_bound else known.standing,
    )


def value_row(
    label: str, value: float, interval: tuple[float, float], unit: str, known: str = "measured"
) -> str:
    """A number with its interval, both in ``unit``."""
    low, high = interval
    return columns_of(
        f"  {label}",
        f"{show_number(value, (high - low) / 2)} {unit}",
        f"{show_interval(low, high)} {unit}",
        known,
    )
