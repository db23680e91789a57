"""One line a machine, where several were fitted at once."""

from __future__ import annotations

from collections.abc import Mapping

from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.result import Fit
from motorfit.quantities import show_number
from motorfit.report.layout import WIDTH, end_of, one_line
from motorfit.report.tables import table
from motorfit.unit_tables import RPM

_NAME_WIDTH = 18


def summary(fits: Mapping[str, Fit | None]) -> str:
    """A table of several fits.

    Parameters
    ----------
    fits : mapping of str to Fit or None
        By the path of their bench; None where the bench could not be fitted.

    Returns
    -------
    str
        Plain text of at most 80 columns.
    """
    columns = ("bench", "V/1000 rpm", "winding (ohm)", "brush drop (V)", "loss (W)", "odd")
    rows = [
        (
            end_of(one_line(name), _NAME_WIDTH),
            *(("not fitted", "", "", "", "") if fit is None else _row(fit)),
        )
        for name, fit in fits.items()
    ]
    return table(columns, rows, right=("odd",), width=WIDTH)


def _row(fit: Fit) -> tuple[str, str, str, str, str]:
    parameters = fit.parameters
    loss = "?" if fit.loss is None else with_half_width(fit.loss.power)
    odd = sum(one.grave for one in fit.findings)
    return (
        with_half_width(parameters["emf_constant"], 1000 * RPM),
        with_half_width(parameters["armature_resistance"]),
        with_half_width(parameters["brush_drop"]),
        loss,
        str(odd),
    )


def with_half_width(known: Estimate | NotKnown, factor: float = 1.0) -> str:
    """A value and the half-width of its interval; a question mark where it is not known.

    Examples
    --------
    >>> with_half_width(NotKnown(unit="V", standing="unmeasured", needs="load"))
    '?'
    """
    if isinstance(known, NotKnown):
        return "?"
    low, high = (factor * end for end in known.interval)
    half = (high - low) / 2
    return f"{show_number(factor * known.value, half)} +- {show_number(half, half)}"
