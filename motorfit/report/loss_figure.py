"""The figure of the torque lost in turning."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from motorfit.arrays import FloatArray
from motorfit.errors import ProfileError
from motorfit.estimation.result import Fit, ResidualRow
from motorfit.report.figure_parts import POINTS, column, draw_line, rows_of
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
from motorfit.unit_tables import RPM

if TYPE_CHECKING:
    from motorfit.profile.prediction import Prediction

_OF_KIND = {
    "no-load-motor": "running free",
    "brake": "on the brake",
    "open-circuit": "turned, nothing connected",
    "load": "turned, on a load",
}


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
    rows = rows_of(fit, "torque")
    if not rows or fit.loss is None:
        return None
    with mpl.rc_context(STYLE):
        figure, (axes,) = titled_figure("Torque lost in turning", fit.profile.machine.title)
        speeds = column(rows, "speed")
        speed = np.linspace(0.0, 1.05 * float(speeds.max()), POINTS)
        line, at_rows = _loss(fit, speed), _loss(fit, speeds)
        if line is not None and at_rows is not None:
            draw_line(axes, speed / RPM, line, fit.level, factor=1000.0)
            fitted = at_rows.value
        else:
            _draw_loss_point(axes, fit)
            fitted = np.full(len(rows), fit.loss.torque.value)
        # what is left over of the shaft torque is left over of the loss, with its sign turned
        points = 1000.0 * (fitted - column(rows, "residual"))
        _points_of_kind(axes, speeds / RPM, points, rows)
        mark_outstanding(axes, speeds / RPM, points, rows)
        axes.set_xlabel("speed (rpm)")
        axes.set_ylabel("loss torque (mN m)")
        axes.set_ylim(0.0, 1.15 * max(float(points.max()), axes.get_ylim()[1] / 1.05))
        room_around(axes, np.append(speeds, fit.loss.speed) / RPM)
        legend_outside(figure, axes)
    return figure


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
