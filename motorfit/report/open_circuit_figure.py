"""The figure of the open-circuit test."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from motorfit.arrays import FloatArray
from motorfit.estimation.result import Fit
from motorfit.report.figure_parts import (
    POINTS,
    column,
    draw_line,
    draw_residuals,
    fitted_voltage,
    rows_of,
)
from motorfit.report.figure_style import (
    COLOURS,
    STYLE,
    draw_band,
    legend_outside,
    mark_outstanding,
    room_around,
    titled_figure,
)
from motorfit.unit_tables import RPM

if TYPE_CHECKING:
    from motorfit.profile.prediction import Prediction


def open_circuit_figure(fit: Fit) -> Figure | None:
    """Voltage with nothing connected against speed, with what is left over below.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    Figure or None
        None where no such reading was used.
    """
    rows = rows_of(fit, "voltage", "open-circuit")
    if not rows:
        return None
    with mpl.rc_context(STYLE):
        figure, (above, below) = titled_figure(
            "Voltage with nothing connected", fit.profile.machine.title, panels=2
        )
        rpm, volts = column(rows, "speed") / RPM, column(rows, "measured")
        above.plot(rpm, volts, "o", color=COLOURS[0], label="readings", zorder=3)
        speed = np.linspace(0.0, 1.05 * float(rpm.max()) * RPM, POINTS)
        line = fitted_voltage(fit, speed, np.zeros_like(speed))
        if line is not None:
            draw_line(above, speed / RPM, line, fit.level)
            _band_about_zero(below, speed / RPM, line, fit.level)
        mark_outstanding(above, rpm, volts, rows, most=0)
        draw_residuals(below, rpm, rows, [COLOURS[0]] * len(rows), ["o"] * len(rows))
        above.set_ylabel("terminal voltage (V)")
        below.set_xlabel("speed (rpm)")
        above.set_ylim(0.0, 1.06 * above.dataLim.y1)
        room_around(below, rpm)
        legend_outside(figure, above)
    return figure


def _band_about_zero(axes: Axes, x: FloatArray, line: Prediction, level: float) -> None:
    low, high = line.interval(level)
    draw_band(axes, x, low - line.value, high - line.value)
    widest = 1.1 * float(np.max(high - line.value))
    axes.set_ylim(-widest, widest)
