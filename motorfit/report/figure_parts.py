"""What several figures share: readings as columns, fitted lines, the panel of residuals."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from motorfit.arrays import FloatArray
from motorfit.errors import ProfileError
from motorfit.estimation.result import Fit, ResidualRow
from motorfit.report.figure_style import LINE, draw_band, mark_outstanding
from motorfit.report.thinning import thinned

if TYPE_CHECKING:
    from motorfit.profile.prediction import Prediction

#: Points of a drawn line.
POINTS = 121


def rows_of(fit: Fit, equation: str, *kinds: str) -> list[ResidualRow]:
    """Readings that entered one equation, of these kinds of test or of all."""
    return [
        row
        for row in fit.residuals
        if row.equation == equation and (not kinds or row.kind in kinds)
    ]


def column(rows: list[ResidualRow], name: str) -> FloatArray:
    """One attribute of all rows."""
    return np.array([getattr(row, name) for row in rows], float)


def fitted_voltage(fit: Fit, speed: FloatArray, current: FloatArray) -> Prediction | None:
    """The fitted voltage at the winding temperature of the bench, if it can be told."""
    try:
        return fit.profile.voltage(speed=speed, current=current, winding=winding_temperature(fit))
    except ProfileError:
        return None


def winding_temperature(fit: Fit) -> float:
    """The usual winding temperature of the readings. [degC]"""
    read = [run.get("winding") for run in fit.bench.runs]
    values = np.concatenate(read) if read else np.zeros(0)
    values = values[np.isfinite(values)]
    if values.size:
        return float(np.median(values))
    return fit.bench.settings.conditions.winding.value


def draw_line(
    axes: Axes,
    x: FloatArray,
    line: Prediction,
    level: float,
    *,
    factor: float = 1.0,
    label: str = "fitted",
) -> None:
    """Draw a fitted line and its band, both times ``factor``."""
    low, high = line.interval(level)
    axes.plot(x, factor * line.value, color=LINE, label=label, zorder=2)
    draw_band(axes, x, factor * low, factor * high, label=f"its {100 * level:.4g} % band")


def draw_residuals(
    axes: Axes, x: FloatArray, rows: list[ResidualRow], colours: list[str], shapes: list[str]
) -> None:
    """The panel of residuals, each with the look of its reading above."""
    left = column(rows, "residual")
    axes.axhline(0.0, color=LINE, linewidth=1.0)
    for look in dict.fromkeys(zip(colours, shapes, strict=True)):
        has_look = np.array([one == look for one in zip(colours, shapes, strict=True)])
        axes.plot(x[has_look], left[has_look], look[1], color=look[0], zorder=3)
    mark_outstanding(axes, x, left, rows)
    # room for the points and the band, and no hunt for millivolts where all is well
    largest = float(np.max(np.abs(column(rows, "measured"))))
    widest = max(1.25 * float(np.max(np.abs(left))), axes.get_ylim()[1], 0.004 * largest, 1e-6)
    axes.set_ylim(-widest, widest)
    axes.set_ylabel("measured\nless fitted (V)")


def draw_log(axes: Axes, x: FloatArray, y: FloatArray, colour: str, shape: str, label: str) -> None:
    """Readings of a log; of a long one means, on a band from the least to the largest."""
    found = thinned(x, y)
    size = 4.5 if len(found.x) <= 100 else 2.5
    if found.each > 1:
        band = "their least and largest"
        axes.fill_between(
            found.x, found.low, found.high, color=colour, alpha=0.25, linewidth=0.0, label=band
        )
        label = f"{label},\nmeans of {found.each}"
    axes.plot(found.x, found.y, shape, color=colour, markersize=size, label=label, zorder=2)
