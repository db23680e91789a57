"""Figures of a fit: functions from a `Fit` to a matplotlib `Figure` that is not shown or saved."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure

from motorfit.arrays import FloatArray
from motorfit.errors import ProfileError
from motorfit.estimation.result import Fit, ResidualRow
from motorfit.report.figure_style import (
    COLOURS,
    LINE,
    SHAPES,
    STYLE,
    draw_band,
    legend_outside,
    mark_outstanding,
    room_around,
    titled_figure,
)
from motorfit.report.load_groups import Loads, line_speeds, loads_of, speed_label
from motorfit.report.words import RPM

if TYPE_CHECKING:
    from motorfit.profile.prediction import Prediction

_POINTS = 121
_OF_KIND = {
    "no-load-motor": "running free",
    "brake": "on the brake",
    "open-circuit": "turned, nothing connected",
    "load": "turned, on a load",
}


def figures(fit: Fit) -> dict[str, Figure]:
    """Every figure that the readings of a fit have something to show in.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    dict of str to Figure
        By the name of the file that it goes to, without its ending.
    """
    made = {
        "open-circuit": open_circuit_figure(fit),
        "load": load_figure(fit),
        "loss": loss_figure(fit),
    }
    return {name: figure for name, figure in made.items() if figure is not None}


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
    rows = _rows(fit, "voltage", "open-circuit")
    if not rows:
        return None
    with mpl.rc_context(STYLE):
        figure, (above, below) = titled_figure(
            "Voltage with nothing connected", fit.profile.machine.name, panels=2
        )
        rpm, volts = _column(rows, "speed") / RPM, _column(rows, "measured")
        above.plot(rpm, volts, "o", color=COLOURS[0], label="readings", zorder=3)
        speed = np.linspace(0.0, 1.05 * float(rpm.max()) * RPM, _POINTS)
        line = _voltage(fit, speed, np.zeros_like(speed))
        if line is not None:
            _draw_line(above, speed / RPM, line, fit.level)
            _band_about_zero(below, speed / RPM, line, fit.level)
        mark_outstanding(above, rpm, volts, rows, most=0)
        _left_over(below, rpm, rows, [COLOURS[0]] * len(rows), ["o"] * len(rows))
        above.set_ylabel("terminal voltage (V)")
        below.set_xlabel("speed (rpm)")
        above.set_ylim(bottom=0.0)
        room_around(below, rpm)
        legend_outside(figure, above)
    return figure


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
    rows = _rows(fit, "voltage", "load")
    if not rows:
        return None
    with mpl.rc_context(STYLE):
        figure, (above, below) = titled_figure(
            "Voltage under load", fit.profile.machine.name, panels=2
        )
        amperes, volts = np.abs(_column(rows, "current")), _column(rows, "measured")
        loads = loads_of(fit, rows)
        grouped = len(loads.labels) <= len(COLOURS)
        draw = _by_resistor if grouped else _by_colour_bar
        colours, shapes = draw(figure, [above, below], amperes, volts, loads)
        _lines_of_speed(above, fit, np.unique(_column(rows, "speed")), float(amperes.max()))
        mark_outstanding(above, amperes, volts, rows, most=0)
        _left_over(below, amperes, rows, colours, shapes)
        above.set_ylabel("terminal voltage (V)")
        below.set_xlabel("current (A)")
        above.set_ylim(bottom=0.0)
        room_around(below, amperes, beyond=1.24)  # the lines end with their names
        legend_outside(figure, above)
    return figure


def loss_figure(fit: Fit) -> Figure | None:
    """Loss torque against speed, with the points that tell it.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    Figure or None
        None where no reading tells of the loss.
    """
    rows = _rows(fit, "torque")
    if not rows or fit.loss is None:
        return None
    with mpl.rc_context(STYLE):
        figure, (axes,) = titled_figure("Torque lost in turning", fit.profile.machine.name)
        speeds = _column(rows, "speed")
        speed = np.linspace(0.0, 1.05 * float(speeds.max()), _POINTS)
        line, at_rows = _loss(fit, speed), _loss(fit, speeds)
        if line is not None and at_rows is not None:
            _draw_line(axes, speed / RPM, line, fit.level, factor=1000.0)
            fitted = at_rows.value
        else:
            _draw_loss_point(axes, fit)
            fitted = np.full(len(rows), fit.loss.torque.value)
        # what is left over of the shaft torque is left over of the loss, with its sign turned
        points = 1000.0 * (fitted - _column(rows, "residual"))
        _points_of_kind(axes, speeds / RPM, points, rows)
        mark_outstanding(axes, speeds / RPM, points, rows)
        axes.set_xlabel("speed (rpm)")
        axes.set_ylabel("loss torque (mN m)")
        axes.set_ylim(0.0, 1.15 * max(float(points.max()), axes.get_ylim()[1] / 1.05))
        room_around(axes, np.append(speeds, fit.loss.speed) / RPM)
        legend_outside(figure, axes)
    return figure


def _rows(fit: Fit, equation: str, *kinds: str) -> list[ResidualRow]:
    return [
        row
        for row in fit.residuals
        if row.equation == equation and (not kinds or row.kind in kinds)
    ]


def _column(rows: list[ResidualRow], name: str) -> FloatArray:
    return np.array([getattr(row, name) for row in rows], float)


def _voltage(fit: Fit, speed: FloatArray, current: FloatArray) -> Prediction | None:
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


def _loss(fit: Fit, speed: FloatArray) -> Prediction | None:
    try:
        return fit.profile.loss(speed=speed)
    except ProfileError:
        return None


def _draw_line(
    axes: Axes,
    x: FloatArray,
    line: Prediction,
    level: float,
    *,
    factor: float = 1.0,
    label: str = "fitted",
) -> None:
    low, high = line.interval(level)
    axes.plot(x, factor * line.value, color=LINE, label=label, zorder=2)
    draw_band(axes, x, factor * low, factor * high, label=f"its {100 * level:.4g} % band")


def _band_about_zero(axes: Axes, x: FloatArray, line: Prediction, level: float) -> None:
    low, high = line.interval(level)
    draw_band(axes, x, low - line.value, high - line.value)
    widest = 1.1 * float(np.max(high - line.value))
    axes.set_ylim(-widest, widest)


def _left_over(
    axes: Axes, x: FloatArray, rows: list[ResidualRow], colours: list[str], shapes: list[str]
) -> None:
    """The panel of residuals, each with the look of its reading above."""
    left = _column(rows, "residual")
    axes.axhline(0.0, color=LINE, linewidth=1.0)
    for look in dict.fromkeys(zip(colours, shapes, strict=True)):
        has_look = np.array([one == look for one in zip(colours, shapes, strict=True)])
        axes.plot(x[has_look], left[has_look], look[1], color=look[0], zorder=3)
    mark_outstanding(axes, x, left, rows)
    # room for the points and the band, and no hunt for millivolts where all is well
    largest = float(np.max(np.abs(_column(rows, "measured"))))
    widest = max(1.25 * float(np.max(np.abs(left))), axes.get_ylim()[1], 0.004 * largest, 1e-6)
    axes.set_ylim(-widest, widest)
    axes.set_ylabel("measured\nless fitted (V)")


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
    current = np.linspace(0.0, 1.06 * largest, _POINTS)
    for speed in line_speeds(speeds):
        line = _voltage(fit, np.full_like(current, speed), -current)
        if line is None:
            axes.plot([], [], " ", label="no fitted line: its parts\nare not known alone")
            return
        _draw_line(axes, current, line, fit.level, label=label)
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


def _draw_loss_point(axes: Axes, fit: Fit) -> None:
    """The loss at the one speed where it is known."""
    if fit.loss is None:
        return
    torque = fit.loss.torque
    low, high = torque.interval
    axes.errorbar(
        [fit.loss.speed / RPM],
        [1000.0 * torque.value],
        yerr=[[1000.0 * (torque.value - low)], [1000.0 * (high - torque.value)]],
        fmt="_",
        color=LINE,
        capsize=6.0,
        markersize=14.0,
        zorder=2,
        label=f"fitted, {100 * fit.level:.4g} % interval\n(known at this speed only)",
    )


def _points_of_kind(axes: Axes, x: FloatArray, y: FloatArray, rows: list[ResidualRow]) -> None:
    kinds = list(dict.fromkeys(row.kind for row in rows))
    for number, kind in enumerate(kinds):
        of_kind = np.array([row.kind == kind for row in rows])
        axes.plot(
            x[of_kind],
            y[of_kind],
            SHAPES[number],
            color=COLOURS[number],
            label=_OF_KIND.get(kind, kind),
            zorder=3,
        )
