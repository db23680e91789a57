"""A slip that would make a reading fit, in words."""

from __future__ import annotations

from motorfit.bench.records import Run
from motorfit.estimation.corrections import Slip, unit_of


def slip_told(slips: tuple[Slip, ...], run: Run) -> str:
    """What may have happened to a row, as a sentence; empty where no slip fits.

    Parameters
    ----------
    slips : tuple of Slip
        Those that fit, the best first.
    run : Run
        Of the row.
    """
    if not slips:
        return ""
    return f"Perhaps {', or '.join(_told(slip, run) for slip in slips)}."


def _told(slip: Slip, run: Run) -> str:
    if slip.sort == "exchanged":
        return "volts and amps stand in each other's column: exchanged, they fit"
    ((column, value),) = slip.values
    fits = f"{written(run, column, value)} would fit"
    if slip.sort == "digits":
        return f"two digits of the {column} were swapped: {fits}"
    if slip.sort == "point":
        return f"the decimal point of the {column} is a place off: {fits}"
    if slip.sort == "sign":
        return f"the {column} has a minus sign too many: {fits}"
    if slip.sort == "resistor":
        return f"another resistor was connected: {fits}"
    return f"the {column} of row {slip.other_row} stands in this one: {fits}"


def written(run: Run, column: str, value: float) -> str:
    """A reading in the unit and with the decimals that its column was written in.

    Parameters
    ----------
    run : Run
        The sheet.
    column : str
        The quantity.
    value : float
        In SI.
    """
    unit, size = unit_of(run, column)
    step = run.written_step.get(column, 0.0) / size
    shown = value / size
    if column == "load" or step <= 0:
        return f"{shown:.4g} {unit}"
    decimals = 0
    while step < 0.9999 and decimals < 6:
        step, decimals = 10.0 * step, decimals + 1
    return f"{shown:.{decimals}f} {unit}"
