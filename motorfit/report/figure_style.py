"""One look for every figure: colours that all eyes tell apart, shapes besides, no pyplot."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterable
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from motorfit.arrays import FloatArray
from motorfit.estimation.result import ResidualRow
from motorfit.report.layout import wrapped
from motorfit.report.words import STANDS_OUT

FigureFormat = Literal["png", "svg"]

#: Eight colours of M. Okabe and K. Ito (2008), distinct to readers of any colour vision,
#: without the yellow that is faint on white; a shape goes with each.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
SHAPES = ("o", "s", "^", "D", "v", "P", "X")
LINE, BAND = "#333333", "#BBBBBB"

STYLE: dict[Any, Any] = {
    "font.size": 10.0,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#E4E4E4",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 11.0,
    "legend.frameon": False,
    "legend.fontsize": 9.0,
    "lines.markersize": 6.0,
    "savefig.dpi": 120.0,
    # the same figure gives the same file
    "svg.hashsalt": "motorfit",
    "svg.fonttype": "path",
}


def titled_figure(
    title: str, machine: str, panels: int = 1, *, ratio: float = 3.0
) -> tuple[Figure, list[Axes]]:
    """An empty figure of one panel, or of one with another below.

    Parameters
    ----------
    title : str
        What is shown.
    machine : str
        Of which machine; a long name is wrapped, then cut.
    panels : int
        1, or 2 that share the lower axis.
    ratio : float
        Height of the upper one over that of the lower.

    Returns
    -------
    figure : Figure
    axes : list of Axes
        From the top.
    """
    figure = Figure(figsize=(8.0, 5.6 if panels == 2 else 4.8), layout="constrained")
    write_title(figure, title, machine)
    ratios = (ratio, 1.0) if panels == 2 else (1.0,)
    grid = figure.subplots(panels, 1, sharex=True, squeeze=False, height_ratios=ratios)
    return figure, [axes for row in grid for axes in row]


def write_title(figure: Figure, title: str, machine: str) -> None:
    """What is shown, and of which machine: a long name is wrapped, then cut."""
    width = int(10.5 * figure.get_figwidth())
    shown = [title, *wrapped(machine.replace("$", r"\$"), width, most=2)]
    figure.suptitle("\n".join(shown), fontsize=11.0, ha="left", x=0.02)


def draw_band(axes: Axes, x: FloatArray, low: FloatArray, high: FloatArray, **options: Any) -> None:
    """The band of a line."""
    axes.fill_between(x, low, high, color=BAND, alpha=0.6, linewidth=0.0, zorder=1, **options)


def mark_outstanding(
    axes: Axes, x: FloatArray, y: FloatArray, rows: list[ResidualRow], most: int = 4
) -> None:
    """Ring the readings that stand out, and name the row of the worst."""
    far = np.array([abs(row.standardised) for row in rows])
    chosen = np.flatnonzero(far > STANDS_OUT)
    if not chosen.size:
        return
    axes.scatter(
        x[chosen],
        y[chosen],
        s=130.0,
        facecolors="none",
        edgecolors="#000000",
        linewidths=1.2,
        zorder=4,
        label="stands out",
    )
    middle = float(np.mean([np.min(x), np.max(x)]))
    for index in chosen[np.argsort(-far[chosen])][:most]:
        right = x[index] > middle
        axes.annotate(
            f"row {rows[index].row}",
            (x[index], y[index]),
            xytext=(-9 if right else 9, 0),
            textcoords="offset points",
            ha="right" if right else "left",
            va="center",
            fontsize=8.5,
        )


def legend_outside(figure: Figure, *panels: Axes) -> None:
    """The legend of some panels at the right of the figure, never over data."""
    once = _legend_of(panels)
    figure.legend(once.values(), once.keys(), loc="outside right center")


def legend_below(figure: Figure, panels: Iterable[Axes], columns: int) -> None:
    """The same in so many columns below the figure, where it is wide."""
    once = _legend_of(panels)
    figure.legend(once.values(), once.keys(), loc="outside lower center", ncols=columns)


def _legend_of(panels: Iterable[Axes]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for axes in panels:
        handles, labels = axes.get_legend_handles_labels()
        found |= dict(zip(labels, handles, strict=True))
    return found


def room_around(axes: Axes, x: FloatArray, beyond: float = 1.08) -> None:
    """Limits from zero to a little beyond the largest ``x``."""
    largest = float(np.max(x, initial=0.0))
    axes.set_xlim(0.0, beyond * largest if largest > 0 else 1.0)


def figure_bytes(figure: Figure, form: FigureFormat = "png") -> bytes:
    """A figure as the content of a file, byte for byte the same for the same fit.

    Parameters
    ----------
    figure : Figure
        A figure that was not saved before: saving settles its layout.
    form : str
        "png" or "svg".

    Returns
    -------
    bytes
    """
    content = io.BytesIO()
    metadata = {"Date": None} if form == "svg" else {"Software": "motorfit"}
    with mpl.rc_context(STYLE), warnings.catch_warnings():
        # a name in a script that the font lacks is drawn as boxes; nobody can mend that here
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(content, format=form, metadata=metadata)
    return content.getvalue()
