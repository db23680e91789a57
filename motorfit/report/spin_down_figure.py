"""The figures of the coast-downs: how the machine spins down, log by log."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec

from motorfit.arrays import BoolArray, FloatArray
from motorfit.estimation.coast_result import CoastDown
from motorfit.estimation.coast_trim import SPIKE
from motorfit.estimation.result import Fit
from motorfit.report.coast_words import sheet_of, worth
from motorfit.report.figure_parts import draw_log
from motorfit.report.figure_style import (
    COLOURS,
    LINE,
    SHAPES,
    STYLE,
    legend_below,
    legend_outside,
    write_title,
)
from motorfit.report.layout import cut
from motorfit.report.thinning import MOST_DRAWN, some_of
from motorfit.report.words import count_of
from motorfit.unit_tables import RPM

#: Logs in one figure; more of them go into further figures.
ON_A_PAGE = 8

#: Left-out readings of one reason that are drawn.
_MOST_LEFT_OUT = 40

_NOT_USED = "not used"

#: Looks of reasons for leaving out, besides those of `SHAPES`: never that of what counts.
_LOOKS = (
    *zip(COLOURS[1:], SHAPES[1:], strict=True),
    *(("#D55E00", "<"), ("#009E73", ">"), ("#666666", "*"), ("#0072B2", "x")),
)


@dataclass(frozen=True, slots=True, eq=False)
class _Log:
    """What is drawn of one log: every array has shape (n,)."""

    time: FloatArray  # [s]
    shown: FloatArray
    fitted: FloatArray  # NaN where left out
    kept: BoolArray
    reasons: dict[str, BoolArray]
    unit: str


def spin_down_figures(fit: Fit) -> list[Figure]:
    """Speed or voltage of every coast-down against time, a few logs to a figure.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    list of Figure
        Empty without coast-downs.
    """
    logs = sorted(fit.coast_downs, key=lambda one: Path(one.file).stem)
    pages = [logs[first : first + ON_A_PAGE] for first in range(0, len(logs), ON_A_PAGE)]
    return [_page(fit, page) for page in pages]


def _page(fit: Fit, coasted: list[CoastDown]) -> Figure:
    columns = _columns(len(coasted))
    rows = math.ceil(len(coasted) / columns)
    with mpl.rc_context(STYLE):
        width = 8.0 if columns == 1 else 0.6 + 3.6 * columns
        figure = Figure(figsize=(width, 1.4 + 4.2 * rows), layout="constrained")
        write_title(figure, "Spinning down", fit.profile.machine.title)
        grid = figure.add_gridspec(2 * rows, columns, height_ratios=(3.0, 1.0) * rows)
        drawn = [_log(fit, one) for one in coasted]
        looks = _looks(drawn)
        panels = [
            _draw(figure, grid, divmod(place, columns), pair, looks)
            for place, pair in enumerate(zip(coasted, drawn, strict=True))
        ]
        if columns == 1:
            legend_outside(figure, *panels)
        else:
            legend_below(figure, panels, columns=columns)
    return figure


def _columns(count: int) -> int:
    """Panels side by side: four logs are two over two."""
    return count if count <= 3 else math.ceil(count / 2)


def _log(fit: Fit, coasted: CoastDown) -> _Log:
    found, run = coasted.retardation, sheet_of(fit, coasted)
    factor, unit = (1.0 / RPM, "rpm") if coasted.quantity == "speed" else (1.0, "V")
    if found is None:
        time, shown = run.get("time"), factor * run.get(coasted.quantity)
        nowhere = np.zeros(len(run), dtype=np.bool_)
        reasons = {_NOT_USED: ~nowhere & np.isfinite(time) & np.isfinite(shown)}
        return _Log(time, shown, np.full(len(run), np.nan), nowhere, reasons, unit)
    readable = np.isfinite(found.time) & np.isfinite(found.shown)
    reasons = {
        one.reason: np.isin(run.rows, one.rows) & ~found.kept & readable for one in found.left_out
    }
    if found.problem:
        told = np.any([*reasons.values(), found.kept], axis=0)
        reasons[_NOT_USED] = ~told & readable
    reasons = {reason: chosen for reason, chosen in reasons.items() if chosen.any()}
    return _Log(found.time, factor * found.shown, factor * found.fitted, found.kept, reasons, unit)


def _looks(drawn: list[_Log]) -> dict[str, tuple[str, str]]:
    """A colour and a shape for each reason, the same in all panels."""
    reasons = dict.fromkeys(reason for log in drawn for reason in log.reasons)
    return {reason: _LOOKS[number % len(_LOOKS)] for number, reason in enumerate(reasons)}


def _draw(
    figure: Figure,
    grid: GridSpec,
    place: tuple[int, int],
    pair: tuple[CoastDown, _Log],
    looks: dict[str, tuple[str, str]],
) -> Axes:
    """The panels of one log; the upper one is returned."""
    (row, column), (coasted, log) = place, pair
    above = figure.add_subplot(grid[2 * row, column])
    below = figure.add_subplot(grid[2 * row + 1, column], sharex=above)
    above.set_title(_title(coasted), fontsize=9.0, loc="left")
    quantity = coasted.quantity
    above.set_ylabel(f"{quantity} ({log.unit})")
    below.set_ylabel(f"read less\nfitted ({log.unit})")
    below.set_xlabel("time (s)")
    above.tick_params(labelbottom=False)
    kept, high = log.kept, _top(log)
    if kept.any():
        draw_log(above, log.time[kept], log.shown[kept], COLOURS[0], SHAPES[0], "reading")
        draw_log(
            below, log.time[kept], (log.shown - log.fitted)[kept], COLOURS[0], SHAPES[0], "reading"
        )
        few = np.flatnonzero(kept)[some_of(int(kept.sum()), MOST_DRAWN)]
        above.plot(log.time[few], log.fitted[few], color=LINE, label="fitted", zorder=4)
    else:
        below.set_yticks([])
    below.axhline(0.0, color=LINE, linewidth=1.0)
    _draw_left_out(above, log, looks, high)
    above.set_ylim(-0.04 * high, 1.06 * high)
    _even(below)
    return above


def _title(coasted: CoastDown) -> str:
    name = cut(coasted.file, 36).replace("$", r"\$")
    found = coasted.retardation
    if coasted.problem or found is None:
        return f"{name}\nnot used: {cut(coasted.problem, 38)}"
    load = "on a load" if coasted.loaded else "open"
    samples = count_of(found.samples, "sample")
    return f"{name}\n{load}; {samples}, worth {worth(found)}"


def _top(log: _Log) -> float:
    """Upper end of the panel: all but stray readings."""
    usual = log.kept.copy()
    for reason, chosen in log.reasons.items():
        if reason not in (SPIKE, _NOT_USED):
            usual |= chosen
    tops = [float(np.max(log.shown[usual], initial=0.0))]
    if _NOT_USED in log.reasons:  # nobody looked for spikes among these
        tops.append(float(np.percentile(log.shown[log.reasons[_NOT_USED]], 98.0)))
    return max(tops) if max(tops) > 0 else 1.0


def _draw_left_out(axes: Axes, log: _Log, looks: dict[str, tuple[str, str]], high: float) -> None:
    """What does not count, each reason with its look; far readings at the edge."""
    for reason, chosen in log.reasons.items():
        colour, shape = looks[reason]
        places = np.flatnonzero(chosen)
        places = places[some_of(len(places), _MOST_LEFT_OUT)]
        axes.plot(
            log.time[places],
            np.clip(log.shown[places], -0.02 * high, 1.03 * high),
            shape,
            color=colour,
            markerfacecolor="none" if shape != "x" else colour,
            markersize=4.5,
            label=reason if reason == _NOT_USED else f"left out: {reason}",
            zorder=3,
        )


def _even(axes: Axes) -> None:
    """Zero in the middle."""
    widest = max(map(abs, axes.get_ylim()))
    axes.set_ylim(-1.15 * widest, 1.15 * widest)
