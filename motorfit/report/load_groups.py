"""Which readings of a load test belong together: by resistor, and by speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.estimation.result import Fit, ResidualRow
from motorfit.report.words import rounded
from motorfit.unit_tables import RPM

#: Resistors whose values are not written down are one where these are within 15 %.
SAME_LOAD = 1.15

#: Speeds within this part of the largest are one setting.
SAME_SPEED = 0.05

#: Lines of one speed that a figure has room for.
MOST_SPEEDS = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Loads:
    """The load of each reading, and the group it belongs to."""

    ohms: FloatArray  # (n,)
    group: IntArray  # (n,), counted from the smallest load
    labels: tuple[str, ...]  # one a group


def loads_of(fit: Fit, rows: list[ResidualRow]) -> Loads:
    """Group readings of load tests by the resistor they were taken on.

    Parameters
    ----------
    fit : Fit
        The fit.
    rows : list of ResidualRow
        Rows of its load tests, n of them.

    Returns
    -------
    Loads
        By the value written in the sheet; where there is none, by voltage over current.
    """
    written = _written_loads(fit)
    stated = np.array([written.get((row.file, row.row), np.nan) for row in rows])
    ratio = np.array([row.measured / max(abs(row.current), 1e-12) for row in rows])
    known = np.isfinite(stated)
    ohms = np.where(known, stated, ratio)
    order = np.argsort(ohms, kind="stable")
    steps = np.diff(ohms[order])
    same = np.where(
        known[order][1:] & known[order][:-1],
        np.isclose(steps, 0.0, atol=1e-9),
        ohms[order][1:] <= SAME_LOAD * ohms[order][:-1],
    )
    group = np.zeros(len(rows), dtype=np.int64)
    group[order] = np.concatenate([[0], np.cumsum(~same)])
    labels = []
    for number in range(int(group.max(initial=-1)) + 1):
        members = group == number
        middle = float(np.median(ohms[members]))
        written = known[members].all()
        labels.append(f"{rounded(middle)} ohm" if written else f"about {rounded(middle, 2)} ohm")
    return Loads(ohms=ohms, group=group, labels=tuple(labels))


def _written_loads(fit: Fit) -> dict[tuple[str, int], float]:
    return {
        (run.source.name, int(row)): float(load)
        for run in fit.bench.of_kind("load")
        for row, load in zip(run.rows, run.get("load"), strict=True)
    }


def line_speeds(speeds: FloatArray) -> FloatArray:
    """A few speeds that stand for those of the readings, at most `MOST_SPEEDS`.

    Parameters
    ----------
    speeds : ndarray, shape (n,)
        Of the readings. [rad/s]

    Returns
    -------
    ndarray
        Rising. [rad/s]

    Examples
    --------
    >>> line_speeds(np.array([100.0, 101.0, 200.0])).tolist()
    [100.5, 200.0]
    """
    rising = np.sort(speeds)
    far = np.diff(rising) > SAME_SPEED * rising[-1]
    groups = np.split(rising, np.flatnonzero(far) + 1)
    middle = np.array([np.median(group) for group in groups])
    if len(middle) == 1 and rising[-1] - rising[0] > 2 * SAME_SPEED * rising[-1]:
        middle = np.linspace(rising[0], rising[-1], 4)  # a drive that has no steps
    chosen = np.linspace(0, len(middle) - 1, min(len(middle), MOST_SPEEDS))
    return np.asarray(middle[np.unique(chosen.round().astype(int))])


def speed_label(speed: float) -> str:
    """A speed as it stands at a line.

    Examples
    --------
    >>> speed_label(157.0)
    '1500 rpm'
    """
    rpm = speed / RPM
    digits = 10.0 ** (np.floor(np.log10(rpm)) - 2) if rpm > 0 else 1.0
    return f"{round(rpm / digits) * digits:.0f} rpm"
