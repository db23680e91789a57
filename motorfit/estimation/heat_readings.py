"""Readings of one heat run as the heat fit needs them: in order, from the start, not too many.

Its limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.records import Run

#: More readings than this are averaged in their order: the machine warms so slowly that
#: nothing is lost, and the fit stays quick.
MOST_READINGS = 240

#: The time scale is at least so fine, whatever the readings are.
_FINEST_STEPS = 120

#: Blocks are short at the start, where a winding warms fast: their ends go by time to this power.
_STRETCH = 1.5

#: Current below this share of the largest is that of a resistance reading, or none.
OFF = 0.5

#: Current below this share of the largest is as good as none.
NOTHING = 0.005

#: A reading this many usual deviations off the median of its neighbours is a spike; scatter is
#: taken as no less than this share. More of them than this share are no spikes.
_SPIKE, _LEAST_SPIKE, _MOST_SPIKES = 10.0, 0.002, 0.05
_FLOWS = 0.02  # of the largest current: voltage over less is no resistance
_NEIGHBOURS, _FEWEST_FOR_SPIKES, _MEDIAN_TO_DEVIATION = 7, 15, 1.4826

#: From one reading to the next a steady current changes by less than this, relative to the
#: largest; or by less than so many times the usual change, where it scatters more.
_STEADY, _USUAL_CHANGES = 0.02, 8.0

#: A polynomial has a degree more for so many readings, up to the most.
_PER_DEGREE, _MOST_DEGREE = 8, 6

#: Each degree must pay for itself this many times (one is Schwarz's); no ammeter shows more than
#: this part of its reading.
_PENALTY, _EXACT = 2.0, 1e-6

_COLUMNS = ("current", "voltage", "speed", "winding", "ambient", "magnets")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatReadings:
    """A heat run of n readings, each the mean of ``count`` samples; NaN where unread."""

    run: Run
    time: FloatArray  # (n,) since the current was switched on [s]
    columns: Mapping[str, FloatArray]  # (n,) current, voltage, speed, temperatures; as shown
    smooth_current: FloatArray  # (n,) as shown, without the scatter from reading to reading [A]
    count: FloatArray  # (n,)
    samples: int  # in the whole log
    grid: FloatArray  # (g,) instants that the model steps through, `time` among them [s]
    place: IntArray  # (n,) of each reading in the grid
    switching: IntArray  # (s,) instants of the grid half way between heating and not
    left_out: IntArray  # rows of readings that jump out of their neighbours

    def __len__(self) -> int:
        return len(self.time)

    def get(self, quantity: str) -> FloatArray:
        """One column, NaN where unread."""
        return self.columns[quantity]

    @property
    def heating(self) -> BoolArray:
        """Readings while the heating current flowed, (n,)."""
        size = np.abs(self.get("current"))
        return np.asarray(size > OFF * np.max(size))

    @property
    def switched_off(self) -> float | None:
        """The last reading of the heating current, if others follow it. [s]"""
        last = int(np.flatnonzero(self.heating)[-1])
        return float(self.time[last]) if last < len(self) - 1 else None

    @property
    def end(self) -> float:
        """When heating ended: at the switching off, or at the last reading. [s]"""
        return float(self.time[np.flatnonzero(self.heating)[-1]])

    @property
    def usual_step(self) -> float:
        """Between readings. [s]"""
        return float(np.median(np.diff(self.time))) if len(self) > 1 else 1.0

    def on_grid(self, quantity: str, otherwise: float = np.nan) -> FloatArray:
        """A column at the instants of the grid, straight between readings, (g,)."""
        values = self.get(quantity)
        there = np.isfinite(values)
        if not there.any():
            return np.full(len(self.grid), otherwise)
        return np.interp(self.grid, self.time[there], values[there])


def heat_readings(run: Run) -> HeatReadings | None:
    """A heat run's readings in their order, long logs averaged; None where too few are left.

    Parameters
    ----------
    run : Run
        Of kind "heat-run".

    Returns
    -------
    HeatReadings or None
        None unless a current was read at two instants at least, and is not zero throughout.

    Notes
    -----
    The clock may start anywhere. The current is taken as switched on at the first reading,
    or at zero on the clock where that is no more than two steps before it; before that, where
    the log itself shows the current come.
    """
    time, current = run.get("time"), run.get("current")
    there = np.isfinite(time) & np.isfinite(current)
    if there.sum() < 2 or not np.nanmax(np.abs(current[there]), initial=0.0) > 0:
        return None
    order = np.flatnonzero(there)[np.argsort(time[there], kind="stable")]
    spikes = _spikes(run, order)
    left_out, order = run.rows[order[spikes]], order[~spikes]
    counts = run.blocks.count.astype(float) if run.blocks is not None else np.ones(len(run))
    clock, columns = time[order], {name: run.get(name)[order] for name in _COLUMNS}
    groups = _groups(clock, np.abs(columns["current"]))
    weight = counts[order]
    total = np.asarray(np.bincount(groups, weight), float)
    clock = np.bincount(groups, weight * clock) / total
    columns = {name: _mean(values, weight, groups) for name, values in columns.items()}
    start = _start(clock, np.abs(columns["current"]))
    if len(clock) < 2:
        return None
    size = np.abs(columns["current"])
    switched = np.flatnonzero(np.diff(size > OFF * size.max()) != 0)
    between = 0.5 * (clock[switched] + clock[switched + 1])
    grid = _grid(start, clock, switched)
    return HeatReadings(
        run=run,
        time=clock - start,
        columns=columns,
        smooth_current=_smooth(clock, columns["current"]),
        count=total,
        samples=int(run.blocks.samples if run.blocks is not None else there.sum()),
        grid=grid - start,
        place=np.searchsorted(grid, clock),
        switching=np.searchsorted(grid, between),
        left_out=left_out,
    )


def _spikes(run: Run, order: IntArray) -> BoolArray:
    """Which readings in their order jump out of their neighbours: a clip that slipped, (n,)."""
    current = np.abs(run.get("current")[order])
    flows = np.where(current > _FLOWS * np.max(current), current, np.nan)
    resistance = np.abs(run.get("voltage")[order]) / flows
    spikes = np.zeros(len(order), dtype=bool)
    for values in (resistance, run.get("winding")[order]):
        there = np.flatnonzero(np.isfinite(values))
        if len(there) < _FEWEST_FOR_SPIKES:
            continue
        middle = median_filter(values[there], size=_NEIGHBOURS, mode="nearest")
        away = np.abs(values[there] - middle)
        usual = np.maximum(_MEDIAN_TO_DEVIATION * np.median(away), _LEAST_SPIKE * np.abs(middle))
        found = away > _SPIKE * usual
        if found.sum() <= _MOST_SPIKES * len(there):
            spikes[there[found]] = True
    return spikes


def _groups(clock: FloatArray, size: FloatArray) -> IntArray:
    """Which readings are averaged together, numbered from zero in their order, (n,)."""
    _, instants = np.unique(clock, return_inverse=True)  # the same instant twice is one reading
    if instants[-1] < MOST_READINGS:
        return np.asarray(instants, dtype=np.int64)
    span = clock[-1] - clock[0]
    block = np.floor(MOST_READINGS * ((clock - clock[0]) / span) ** (1.0 / _STRETCH))
    switched = np.concatenate([[0], np.cumsum(np.diff(size > OFF * size.max()) != 0)])
    _, groups = np.unique(switched * 2 * MOST_READINGS + block, return_inverse=True)
    return np.asarray(groups, dtype=np.int64)


def _mean(values: FloatArray, weight: FloatArray, groups: IntArray) -> FloatArray:
    there = np.isfinite(values)
    sums = np.bincount(groups, np.where(there, weight * np.nan_to_num(values), 0.0))
    of = np.bincount(groups, np.where(there, weight, 0.0))
    return np.asarray(np.divide(sums, of, out=np.full(len(sums), np.nan), where=of > 0))


def _start(clock: FloatArray, size: FloatArray) -> float:
    """When the story begins: at a first reading without current, or when it came on. [s]"""
    first = float(clock[0])
    step = float(np.median(np.diff(clock))) if len(clock) > 1 else 0.0
    counted_from_zero = 0.0 <= first <= 2.0 * step
    return 0.0 if counted_from_zero and size[0] > NOTHING * size.max() else first


def _smooth(clock: FloatArray, current: FloatArray) -> FloatArray:
    """A polynomial through each stretch of a current that nobody switched or turned up, (n,).

    The scatter of an ammeter's readings, taken for current, would lower the resistance that
    voltages and currents give (regression dilution), and raise the brush drop.
    """
    change = np.abs(np.diff(current))
    usual = _USUAL_CHANGES * float(np.median(change))
    step = max(_STEADY * float(np.max(np.abs(current))), usual)
    stretches = np.concatenate([[0], np.cumsum(change > step)])
    smooth = current.copy()
    for stretch in np.unique(stretches):
        here = stretches == stretch
        if here.sum() > 2:
            smooth[here] = _simplest(clock[here], current[here])
    return smooth


def _simplest(clock: FloatArray, current: FloatArray) -> FloatArray:
    """The polynomial of the lowest degree that will do, by Schwarz's criterion, (n,).

    One degree too many is scatter of the ammeter that goes slowly up and down: it would pass
    for warming.
    """
    count = len(clock)
    least = (_EXACT * float(np.max(np.abs(current)))) ** 2 * count
    best, found = np.inf, current
    for degree in range(min(count // _PER_DEGREE, _MOST_DEGREE) + 1):
        line = np.polynomial.Polynomial.fit(clock, current, degree)(clock)
        squares = float(np.sum((current - line) ** 2)) + least
        criterion = count * np.log(squares) + _PENALTY * degree * np.log(count)
        if criterion < best:
            best, found = criterion, line
    return np.asarray(found)


def _grid(start: float, clock: FloatArray, switched: IntArray) -> FloatArray:
    """The readings' instants, the start, and more where they are far apart.

    Where the current was switched after a reading there is one more, just half way.
    """
    longest = (clock[-1] - start) / _FINEST_STEPS
    instants = np.unique(np.concatenate([[start], clock]))
    steps = np.diff(instants)
    parts = np.maximum(np.ceil(steps / longest), 1).astype(int)
    parts[switched + len(instants) - len(clock)] = 2
    fine = [
        np.linspace(begin, end, part, endpoint=False)
        for begin, end, part in zip(instants[:-1], instants[1:], parts, strict=True)
    ]
    return np.concatenate([*fine, instants[-1:]])
