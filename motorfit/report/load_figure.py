"""The figure of the load test."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LogNorm
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
    winding_temperature,
)
from motorfit.report.figure_style import (
    COLOURS,
    LINE,
    SHAPES,
    STYLE,
    legend_outside,
    mark_outstanding,
    room_around,
    titled_figure,
)
from motorfit.report.load_groups import Loads, line_speeds, loads_of, speed_label


def load_figure(fit: Fit) -> Figure | None:
    """Voltage against current under load, with the fitted lines of a few speeds.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    Figure or None
        None where no load reading was used. Currents that the machine gives are shown
        positive.
    """
    rows = rows_of(fit, "voltage", "load")
    if not rows:
        return None
    with mpl.rc_context(STYLE):
        figure, (above, below) = titled_figure(
            "Voltage under load", fit.profile.machine.title, panels=2
        )
        amperes, volts = np.abs(column(rows, "current")), column(rows, "measured")
        loads = loads_of(fit, rows)
        grouped = len(loads.labels) <= len(COLOURS)
        draw = _by_resistor if grouped else _by_colour_bar
        colours, shapes = draw(figure, [above, below], amperes, volts, loads)
        _lines_of_speed(above, fit, np.unique(column(rows, "speed")), float(amperes.max()))
        mark_outstanding(above, amperes, volts, rows, most=0)
        draw_residuals(below, amperes, rows, colours, shapes)
        above.set_ylabel("terminal voltage (V)")
        below.set_xlabel("current (A)")
        above.set_ylim(0.0, 1.06 * above.dataLim.y1)
        room_around(below, amperes, beyond=1.24)  # the lines end with their names
        legend_outside(figure, above)
    return figure


def _by_resistor(
    _figure: Figure, panels: list[Axes], x: FloatArray, y: FloatArray, loads: Loads
) -> tuple[list[str], list[str]]:
    """A colour and a shape for each resistor."""
    for number, label in enumerate(loads.labels):
        of_load = loads.group == number
        panels[0].plot(
            x[of_load],
            y[of_load],
            SHAPES[number],
            color=COLOURS[number],
            label=label,
            zorder=3,
        )
    return [COLOURS[n] for n in loads.group], [SHAPES[n] for n in loads.group]


def _by_colour_bar(
    figure: Figure, panels: list[Axes], x: FloatArray, y: FloatArray, loads: Loads
) -> tuple[list[str], list[str]]:
    """More resistors than a legend has room for: a scale of colours, dark is a small load."""
    scale = LogNorm(float(loads.ohms.min()), float(loads.ohms.max()))
    points = panels[0].scatter(
        x, y, c=loads.ohms, cmap="cividis", norm=scale, s=28.0, zorder=3, label="readings"
    )
    bar = figure.colorbar(points, ax=panels, pad=0.02)
    bar.set_label("load (ohm)")
    bar.ax.yaxis.set_major_formatter(mpl.ticker.FuncFormatter(lambda value, _: f"{value:g}"))
    bar.ax.yaxis.set_minor_formatter(mpl.ticker.NullFormatter())
    colours = [mpl.colors.to_hex(colour) for colour in mpl.colormaps["cividis"](scale(loads.ohms))]
    return colours, ["o"] * len(x)


def _lines_of_speed(axes: Axes, fit: Fit, speeds: FloatArray, largest: float) -> None:
    """The fitted line of each of a few speeds, named at its end."""
    label = f"fitted, winding\nat {winding_temperature(fit):.3g} degC"
    current = np.linspace(0.0, 1.06 * largest, POINTS)
    for speed in line_speeds(speeds):
        line = fitted_voltage(fit, np.full_like(current, speed), -current)
        if line is None:
            axes.plot([], [], " ", label="no fitted line: its parts\nare not known alone")
            return
        draw_line(axes, current, line, fit.level, label=label)
        positive = np.flatnonzero(line.value > 0)
        end = positive[-1] if positive.size else 0
        low = line.value[end] < 0.05 * axes.dataLim.y1
        axes.annotate(
            speed_label(float(speed)),
            (current[end], max(float(line.value[end]), 0.0)),
            xytext=(4, 8 if low else 0),  # clear of the axis
            textcoords="offset points",
            va="center",
            fontsize=8.5,
            color=LINE,
        )
