"""The figure of the heat run: how the winding warms, and how warm it may be."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from motorfit.arrays import BoolArray
from motorfit.errors import ProfileError
from motorfit.estimation.heating_result import Heating
from motorfit.estimation.result import Fit
from motorfit.machine.heating import ASSUMED_CLASS, COOLANT, MAGNET_LIMIT, PERMITTED_RISE
from motorfit.quantities import show_number
from motorfit.report.figure_parts import draw_log
from motorfit.report.figure_style import (
    COLOURS,
    LINE,
    SHAPES,
    STYLE,
    draw_band,
    legend_outside,
    titled_figure,
)
from motorfit.report.words import rounded

_MINUTE = 60.0

#: The band of the end is drawn over the readings too where the current was steady to this. [K]
_STEADY = 1.0


def warm_up_figure(fit: Fit) -> Figure | None:
    """Winding temperature against time, with what it would come to and what it may be.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    Figure or None
        None without a heat run that could be fitted.
    """
    heating = fit.heating
    if heating is None or not len(heating.time):
        return None
    with mpl.rc_context(STYLE):
        title = f"Warming up, rotor {heating.rotor}, {rounded(heating.current)} A"
        figure, (above, below) = titled_figure(title, fit.profile.machine.title, panels=2)
        _curves(above, heating, fit.level)
        _readings(above, below, heating)
        _switching_off(above, heating, fit.level)
        end = float(max(heating.time[-1], *heating.curve_time[-1:])) / _MINUTE
        below.set_xlim(-0.02 * end, 1.02 * end)
        _limits(above, fit, heating, end)
        below.axhline(0.0, color=LINE, linewidth=1.0)
        widest = max(1.25 * float(np.max(np.abs(heating.temperature - heating.fitted))), 0.5)
        below.set_ylim(-widest, widest)
        above.set_ylabel("winding (degC)")
        below.set_ylabel("read less\nfitted (K)")
        below.set_xlabel("time since switching on (min)")
        legend_outside(figure, above)
    return figure


def _curves(axes: Axes, heating: Heating, level: float) -> None:
    """The fit, and the warm-up at the current of the end carried on."""
    time, curve = heating.curve_time, heating.curve
    later = time >= heating.heated_until
    if not len(time):
        return
    warming = heating.time <= heating.heated_until
    along = np.interp(heating.time[warming], time, curve)
    steady = bool(np.all(np.abs(along - heating.fitted[warming]) < _STEADY))
    banded = later | steady
    draw_band(
        axes,
        time[banded] / _MINUTE,
        heating.curve_low[banded],
        heating.curve_high[banded],
        label=f"its {100 * level:.4g} % band",
    )
    if later.any():
        axes.plot(
            time[later] / _MINUTE, curve[later], "--", color=LINE, label="carried on", zorder=2
        )


def _readings(above: Axes, below: Axes, heating: Heating) -> None:
    """Readings with the fit, those after switching off by themselves."""
    cooling = heating.time > heating.heated_until
    left = heating.temperature - heating.fitted
    parts: list[tuple[BoolArray, str, str, str]] = [
        (~cooling, COLOURS[0], SHAPES[0], "warming"),
        (cooling, COLOURS[1], SHAPES[1], "cooling"),
    ]
    for chosen, colour, shape, label in parts:
        if not chosen.any():
            continue
        minutes = heating.time[chosen] / _MINUTE
        draw_log(above, minutes, heating.temperature[chosen], colour, shape, label)
        draw_log(below, minutes, left[chosen], colour, shape, label)
        fitted = heating.fitted[chosen]
        above.plot(minutes, fitted, color=LINE, label="fitted", zorder=3)


def _switching_off(axes: Axes, heating: Heating, level: float) -> None:
    """How hot the winding was at the end, and what the cooling alone says of it."""
    minutes = heating.heated_until / _MINUTE
    hottest = heating.hottest
    low, high = hottest.interval
    axes.errorbar(
        [minutes],
        [hottest.value],
        yerr=[[hottest.value - low], [high - hottest.value]],
        fmt=SHAPES[3],
        color=COLOURS[3],
        capsize=5.0,
        zorder=5,
        label=f"at the end: {show_number(hottest.value, (high - low) / 2)} degC\n"
        f"({100 * level:.4g} % interval)",
    )
    if heating.from_cooling is not None:
        axes.plot(
            [minutes],
            [heating.from_cooling],
            SHAPES[5],
            color=COLOURS[2],
            markersize=9.0,
            zorder=6,
            label="the same, carried\nback from cooling",
        )


def _limits(axes: Axes, fit: Fit, heating: Heating, end: float) -> None:
    """Lines of the air and of what the winding may reach, each named above itself."""
    lines = [(heating.ambient, f"air at the end: {heating.ambient:.3g} degC"), *_permitted(fit)]
    read = (heating.temperature, heating.curve_high, [heating.ambient])
    low = min(float(np.min(part)) for part in read if len(part))
    top = max(float(np.max(part)) for part in (*read, [at for at, _ in lines]) if len(part))
    for at, says in lines:
        axes.axhline(at, color=COLOURS[1] if at > heating.ambient else COLOURS[5], linestyle=":")
        axes.annotate(
            says,
            (end, at),
            xytext=(0, 3),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=8.5,
        )
    room = 0.09 * (top - low)
    axes.set_ylim(low - 0.5 * room, top + room)


def _permitted(fit: Fit) -> list[tuple[float, str]]:
    """Temperatures that the winding may have by resistance, and the magnets where they decide."""
    stated = fit.profile.constants.insulation
    known = stated in PERMITTED_RISE
    rise = PERMITTED_RISE[stated if known else ASSUMED_CLASS]
    name = f"class {stated}" if known else f"class {ASSUMED_CLASS}, assumed"
    limit = COOLANT + rise
    lines = [(limit, f"the winding may have {limit:.0f} degC ({name})")]
    try:
        told = fit.profile.continuous_current().assumed
    except ProfileError:
        return lines
    if any(one.startswith("magnets") for one in told):
        magnets = MAGNET_LIMIT["neodymium"]
        unknown = fit.profile.constants.magnet == "unknown"
        of = "unknown, as if neodymium" if unknown else "neodymium"
        lines.append((magnets, f"the magnets may have {magnets:.0f} degC ({of})"))
    return lines
