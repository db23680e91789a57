"""The coverage study as one figure: how often the truth was held, and how wide it took."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from motorfit.report.figure_style import BAND, COLOURS, LINE, SHAPES, STYLE
from motorfit.studies.bound import QUANTITIES
from motorfit.studies.targets import LEAST, MOST, WIDEST

#: Words above the panels.
_TITLES = {
    "k": "EMF constant",
    "R": "resistance",
    "Vb": "brush drop",
    "T0": "dry friction",
    "b": "viscous loss",
    "J": "inertia",
    "V half": "volts at half\ncurrent",
    "V full": "volts at full\ncurrent",
    "loss W": "watts of\nturning",
}

_ROW_HEIGHT = 0.21  # of one scenario and way to an interval [inch]
_LEAST_SHOWN = 0.80  # a coverage below stands at the edge, and its bars end there
_WIDEST_SHOWN = 4.0


def coverage_figure(scores: pd.DataFrame, level: float) -> Figure:
    """How often the intervals held the truth, and how wide they were, scenario by scenario.

    Parameters
    ----------
    scores : DataFrame
        From `motorfit.studies.scores.Tally.table`.
    level : float
        What the intervals claim.

    Returns
    -------
    Figure
        Above, coverage with one binomial standard error, the target's band shaded; below,
        widths over the ideal. One panel a quantity, one colour and shape a way to an
        interval. What lies beyond the axis stands at its edge.
    """
    scenarios = list(dict.fromkeys(scores["scenario"]))
    quantities = [name for name in QUANTITIES if (scores["quantity"] == name).any()]
    ways = list(dict.fromkeys(scores["interval"]))
    rows = len(scenarios) * (1.0 + 0.25 * (len(ways) - 1))
    with mpl.rc_context(STYLE):
        figure = Figure(
            figsize=(4.2 + 1.35 * len(quantities), 2.6 + 2 * _ROW_HEIGHT * (rows + 2)),
            layout="constrained",
        )
        figure.suptitle(
            f"Intervals of {100 * level:g} %: how often they held the truth, and their width",
            fontsize=11.0,
            ha="left",
            x=0.02,
        )
        panels = figure.subplots(2, len(quantities), sharey=True, squeeze=False)
        for column, quantity in enumerate(quantities):
            chosen = scores[scores["quantity"] == quantity]
            upper, lower = panels[0][column], panels[1][column]
            _coverage(upper, chosen, scenarios, ways)
            _width(lower, chosen, scenarios, ways)
            upper.set_title(_TITLES[quantity], fontsize=10.0)
        _name(panels[0][0], scenarios)
        _name(panels[1][0], scenarios)
        middle = len(quantities) // 2
        panels[0][middle].set_xlabel("held the truth [%]")
        panels[1][middle].set_xlabel("width over the ideal")
        if len(ways) > 1:
            handles, labels = panels[0][0].get_legend_handles_labels()
            figure.legend(handles, labels, loc="outside lower right", ncols=len(ways))
    return figure


def _places(
    chosen: pd.DataFrame, scenarios: Sequence[str], ways: Sequence[str], way: str
) -> tuple[pd.DataFrame, np.ndarray]:
    """Rows of one way to an interval, and where they stand; ways of a scenario side by side."""
    part = chosen[chosen["interval"] == way]
    shift = (ways.index(way) - 0.5 * (len(ways) - 1)) * 0.44 / max(len(ways) - 1, 1)
    base = np.array([scenarios.index(name) for name in part["scenario"]], float)
    return part, base + shift


def _coverage(
    axes: Axes, chosen: pd.DataFrame, scenarios: Sequence[str], ways: Sequence[str]
) -> None:
    axes.axvspan(100 * LEAST, 100 * MOST, color=BAND, alpha=0.6, linewidth=0.0, zorder=0)
    for number, way in enumerate(ways):
        part, places = _places(chosen, scenarios, ways, way)
        share = np.maximum(part["coverage"].to_numpy(), _LEAST_SHOWN)
        error = part["standard_error"].to_numpy()
        seen = np.minimum(error, [share - _LEAST_SHOWN, np.maximum(1.0 - share, 0.0)])
        axes.errorbar(
            100 * share,
            places,
            xerr=100 * seen,
            fmt=SHAPES[number],
            color=COLOURS[number],
            markersize=3.5,
            elinewidth=1.0,
            label=way,
            clip_on=False,
            zorder=3,
        )
    axes.set_xlim(100 * _LEAST_SHOWN, 101.0)
    axes.set_xticks([80, 90, 95, 100])


def _width(axes: Axes, chosen: pd.DataFrame, scenarios: Sequence[str], ways: Sequence[str]) -> None:
    axes.axvspan(1.0, WIDEST, color=BAND, alpha=0.6, linewidth=0.0, zorder=0)
    axes.axvline(1.0, color=LINE, linewidth=0.8, zorder=1)
    for number, way in enumerate(ways):
        part, places = _places(chosen, scenarios, ways, way)
        ratio = np.clip(part["width_over_ideal"].to_numpy(), 0.5, _WIDEST_SHOWN)
        axes.plot(
            ratio,
            places,
            SHAPES[number],
            color=COLOURS[number],
            markersize=3.5,
            clip_on=False,
            zorder=3,
        )
    axes.set_xscale("log")
    axes.set_xlim(0.5, _WIDEST_SHOWN)
    axes.set_xticks([0.5, 1.0, 2.0, 4.0], ["0.5", "1", "2", "4"])
    axes.minorticks_off()


def _name(axes: Axes, scenarios: Sequence[str]) -> None:
    axes.set_yticks(range(len(scenarios)), scenarios, fontsize=8.5)
    axes.set_ylim(len(scenarios) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0.0)
