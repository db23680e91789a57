"""Figures of a fit: functions from a `Fit` to a matplotlib `Figure` that is not shown or saved."""

from __future__ import annotations

from matplotlib.figure import Figure

from motorfit.estimation.result import Fit
from motorfit.report.load_figure import load_figure
from motorfit.report.loss_figure import loss_figure
from motorfit.report.open_circuit_figure import open_circuit_figure
from motorfit.report.spin_down_figure import spin_down_figures
from motorfit.report.warm_up_figure import warm_up_figure

__all__ = [
    "figures",
    "load_figure",
    "loss_figure",
    "open_circuit_figure",
    "spin_down_figures",
    "warm_up_figure",
]


def figures(fit: Fit) -> dict[str, Figure]:
    """Every figure that the readings of a fit have something to show in.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    dict of str to Figure
        By the name of the file that it goes to, without its ending. Many coast-downs go
        into several: "spin-down", "spin-down-2" and so on.
    """
    made: dict[str, Figure | None] = {
        "open-circuit": open_circuit_figure(fit),
        "load": load_figure(fit),
        "loss": loss_figure(fit),
    }
    for number, page in enumerate(spin_down_figures(fit), start=1):
        made["spin-down" if number == 1 else f"spin-down-{number}"] = page
    made["warm-up"] = warm_up_figure(fit)
    return {name: figure for name, figure in made.items() if figure is not None}
