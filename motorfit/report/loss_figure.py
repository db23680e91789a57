"""The figure of the torque and power lost in turning."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from motorfit.arrays import FloatArray
from motorfit.errors import ProfileError
from motorfit.estimate import Estimate
from motorfit.estimation.coast_result import CoastDown
from motorfit.estimation.result import Fit, ResidualRow
from motorfit.report.figure_parts import POINTS, column, draw_line, rows_of
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
from motorfit.unit_tables import RPM

if TYPE_CHECKING:
    from motorfit.profile.prediction import Prediction

#: Parts of the loss, the power of the speed that theirs grows with, and their names.
_PARTS = (
    ("coulomb_torque", 1, "dry friction"),
    ("viscous_coefficient", 2, "viscous and eddy loss"),
    ("windage_coefficient", 3, "windage"),
)
_DASHES = ("--", "-.", ":")

_OF_KIND = {
    "no-load-motor": "running free",
    "brake": "on the brake",
    "open-circuit": "turned, nothing connected",
    "load": "turned, on a load",
}


def loss_figure(fit: Fit) -> Figure | None:
    """Loss torque against speed, with the points that tell it, and the power that it takes.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    Figure or None
        None where no reading tells of the loss.
    """
    rows, coasted = rows_of(fit, "torque"), [one for one in fit.coast_downs if one.loss is not None]
    if fit.loss is None or not (rows or coasted):
        return None
    coasting = np.concatenate([np.zeros(0), *_speeds(coasted)])
    speeds = column(rows, "speed")
    speed = np.linspace(0.0, 1.05 * float(max([*speeds, *coasting])), POINTS)
    line, at_rows = _loss(fit, speed), _loss(fit, speeds)
    with mpl.rc_context(STYLE):
        split = line is not None
        title = "Torque and power lost in turning" if split else "Torque lost in turning"
        figure, panels = titled_figure(
            title, fit.profile.machine.title, panels=2 if split else 1, ratio=1.3
        )
        axes = panels[0]
        if line is not None and at_rows is not None:
            draw_line(axes, speed / RPM, line, fit.level, factor=1000.0)
            fitted = at_rows.value
        else:
            _draw_loss_point(axes, fit)
            fitted = np.full(len(rows), fit.loss.torque.value)
        # what is left over of the shaft torque is left over of the loss, with its sign turned
        points = 1000.0 * (fitted - column(rows, "residual"))
        _points_of_kind(axes, speeds / RPM, points, rows)
        highest = _coasting_points(axes, coasted, len({row.kind for row in rows}))
        mark_outstanding(axes, speeds / RPM, points, rows)
        axes.set_ylabel("loss torque (mN m)")
        top = max([*points, highest, axes.get_ylim()[1] / 1.05])
        axes.set_ylim(0.0, 1.15 * float(top))
        if split:
            _draw_split(panels[1], fit, speed)
        panels[-1].set_xlabel("speed (rpm)")
        room_around(axes, np.concatenate([speeds, coasting, [fit.loss.speed]]) / RPM)
        legend_outside(figure, *panels)
    return figure


def _speeds(coasted: list[CoastDown]) -> list[FloatArray]:
    return [one.speed for one in coasted if one.speed is not None]


def _coasting_points(axes: Axes, coasted: list[CoastDown], before: int) -> float:
    """The torque at the rates that each log was reduced to; the largest is returned. [mN m]"""
    highest = 0.0
    for place, (loaded, label) in enumerate(
        ((False, "coasting, nothing\nconnected"), (True, "coasting on a load"))
    ):
        points = [
            (one.speed / RPM, 1000.0 * one.loss)
            for one in coasted
            if one.loaded == loaded and one.speed is not None and one.loss is not None
        ]
        if not points:
            continue
        x, y = (np.concatenate(part) for part in zip(*points, strict=True))
        colour, shape = COLOURS[before + place], SHAPES[before + place]
        axes.plot(x, y, shape, color=colour, markerfacecolor="none", label=label, zorder=3)
        highest = max(highest, float(np.max(y)))
    return highest


def _draw_split(axes: Axes, fit: Fit, speed: FloatArray) -> None:
    """Power that each part of the loss takes, with its band, and all of it."""
    whole = fit.profile.loss_power(speed=speed)
    axes.plot(speed / RPM, whole.value, color=LINE, zorder=3)
    least, most = whole.interval(fit.level)
    draw_band(axes, speed / RPM, least, most)
    for number, (name, power, label) in enumerate(_PARTS):
        known = fit.parameters[name]
        if not isinstance(known, Estimate):
            continue
        colour, dashes = COLOURS[3 + number], _DASHES[number]
        low, high = (end * speed**power for end in known.interval)
        axes.fill_between(speed / RPM, low, high, color=colour, alpha=0.2, linewidth=0.0, zorder=1)
        value = known.value * speed**power
        axes.plot(speed / RPM, value, dashes, color=colour, label=label, zorder=2)
    axes.set_ylabel("power lost (W)")
    axes.set_ylim(0.0, 1.05 * max(float(most[-1]), axes.get_ylim()[1] / 1.05))


def _loss(fit: Fit, speed: FloatArray) -> Prediction | None:
    try:
        return fit.profile.loss(speed=speed)
    except ProfileError:
        return None


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
