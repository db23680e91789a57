"""Which part of a log is the machine coasting: from the release to the stop.

Its limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from motorfit.arrays import BoolArray, FloatArray
from motorfit.estimation.coast_change import course_changes
from motorfit.estimation.turning_points import prominent_peaks

ENGAGED = "drive still engaged"
LAGGING = "meter lag"
STANDING = "at a standstill"
BELOW_DISPLAY = "below the display"
AGAIN = "turned again"
SPIKE = "spike"
FROZEN = "display stuck"

CONSTANT = "nothing but a constant"
SPEEDS_UP = "it speeds up"
TOO_SHORT = "too few readings while it slows down"

#: Fewer readings than this give no curve.
FEWEST = 5

#: Readings a running median takes, odd: it does not see spikes of up to three.
_WINDOW = 7

#: A reading so many robust standard deviations off its neighbours' median is a spike, and
#: so many steps of the display at least.
_SPIKE, _SPIKE_STEPS = 7.0, 3.0

#: Digits from zero on that a display no longer shows well.
_LAST_DIGITS = 3.0

#: Falls of less than this share of the largest range are the drive's wandering.
_FALL = 0.2

#: The lag leaves out no more than this share of a fall.
_LAG_SHARE = 0.25

#: Equal readings from so many on, over which the course moved on by so many steps or
#: standard deviations, were not taken anew.
_FROZEN, _FROZEN_STEPS = 4, 8.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trimmed:
    """Which of n readings count, and why the others do not."""

    reasons: NDArray[np.object_]  # (n,) "" where a reading counts
    problem: str = ""  # why none counts


def running_median(x: FloatArray, width: int) -> FloatArray:
    """Of ``width`` neighbours, odd; beyond the ends a slope goes on as it came."""
    half = min(width // 2, len(x) - 1)
    return np.asarray(median_filter(_prolonged(x, half), 2 * half + 1)[half : half + len(x)])


def off_neighbours(time: FloatArray, x: FloatArray) -> FloatArray:
    """Each reading less the straight line between the medians of three before and behind, (n,)."""
    before, behind = _medians(x)
    instants = _prolonged(time, 3)
    first, last = instants[1:-5], instants[5:-1]  # the middle ones of three
    share = (time - first) / np.where(last > first, last - first, 1.0)
    return np.asarray(x - before - share * (behind - before))


def _medians(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Of the three readings before each and of the three behind, (n,)."""
    wide = np.lib.stride_tricks.sliding_window_view(_prolonged(x, 3), 7)
    return np.median(wide[:, :3], axis=1), np.median(wide[:, 4:], axis=1)


def _prolonged(x: FloatArray, half: int) -> FloatArray:
    before, behind = 2.0 * x[0] - x[half:0:-1], 2.0 * x[-1] - x[-2 : -half - 2 : -1]
    return np.concatenate([before, x, behind])


def spikes_of(time: FloatArray, x: FloatArray, step: float) -> BoolArray:
    """Readings far off their neighbours, up to three in a row.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Growing. [s]
    x : ndarray, shape (n,)
        What was shown.
    step : float
        One digit of the display.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if len(x) < 2 * _WINDOW:
        return np.zeros(len(x), dtype=np.bool_)
    off = np.abs(off_neighbours(time, x))
    near = 1.4826 * median_filter(off, _neighbourhood(len(x)), mode="nearest")
    usual = np.maximum(near, 1.4826 * np.median(off))
    least = max(_SPIKE_STEPS * step, 1e-3 * float(np.ptp(x)))
    limit = np.maximum(_SPIKE * usual, least)
    found = np.asarray(_beyond_neighbours(x, x) > limit)
    if found.any():  # a spike puts off its neighbours' medians, if by less
        clean = np.array(x)
        clean[found] = np.interp(time[found], time[~found], x[~found])
        found &= _beyond_neighbours(x, clean) > limit
    return found


def _neighbourhood(n: int) -> int:
    """Readings that tell what is usual about one, odd: in a short log not all of it."""
    return min(8 * _WINDOW, max(2 * _WINDOW, n // 4)) // 2 * 2 + 1


def _beyond_neighbours(x: FloatArray, course: FloatArray) -> FloatArray:
    """How far each reading is outside what lies between the medians before and behind, (n,).

    Between them is where a machine passes that is let go, or that a resistor brakes hard.
    """
    before, behind = _medians(course)
    return np.asarray(
        np.maximum(x - np.maximum(before, behind), np.minimum(before, behind) - x).clip(0.0)
    )


def coasting_part(time: FloatArray, x: FloatArray, *, step: float, lag: float) -> Trimmed:
    """Find the fall from the release to the stop.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Growing. [s]
    x : ndarray, shape (n,)
        What was shown, positive; finite.
    step : float
        One digit of the display; zero where unknown.
    lag : float
        Seconds that are left out where the course changes.

    Returns
    -------
    Trimmed
    """
    reasons = np.full(len(x), "", dtype=object)
    if len(x) < FEWEST:
        return Trimmed(reasons=reasons, problem=TOO_SHORT)
    frozen = _frozen(x, step, scatter_of(x))
    reasons[frozen] = FROZEN
    use = np.flatnonzero(~frozen)
    reasons[use[spikes_of(time[use], x[use], step)]] = SPIKE
    use = np.flatnonzero(reasons == "")
    told, problem = _told(time[use], x[use], step, lag)
    reasons[use] = told
    if not problem and np.sum(reasons == "") < FEWEST:
        problem = TOO_SHORT
    return Trimmed(reasons=reasons, problem=problem)


def _told(t: FloatArray, y: FloatArray, step: float, lag: float) -> tuple[NDArray[np.object_], str]:
    """A reason for each reading outside the fall, and what is wrong if there is none."""
    told = np.full(len(y), "", dtype=object)
    noise = scatter_of(y)
    first, last, problem = _fall(y, step, noise)
    if problem:
        return told, problem
    noise = max(noise, 0.3 * step)
    release, driven = _release(t, y, first, last, noise)
    stop, stands = _stop(t, y, release, last, noise)
    told[:release], told[last:], told[stop:last] = ENGAGED, AGAIN, STANDING
    begin, end = t[release], t[stop - 1]
    allowed = min(lag, _LAG_SHARE * (end - begin))
    free = told == ""
    if driven:
        told[free & (t <= begin + allowed)] = LAGGING
    if stands:
        told[free & (t >= end - allowed)] = LAGGING
    told[_faint(y, told == "", step, float(y[last - 1]) if stands else 0.0)] = BELOW_DISPLAY
    return told, ""


def scatter_of(y: FloatArray) -> float:
    """Robust standard deviation of a reading about its neighbours."""
    if len(y) < 3:
        return 0.0
    bends = y[1:-1] - 0.5 * (y[2:] + y[:-2])
    return float(1.4826 * np.median(np.abs(bends)) / np.sqrt(1.5))


def _fall(y: FloatArray, step: float, noise: float) -> tuple[int, int, str]:
    """The largest fall: from where it is about highest to where it is turned again."""
    smooth = _smooth(y)
    size = float(np.ptp(smooth))
    least = max(3.0 * step, 5.0 * noise, 1e-9 * float(np.abs(smooth).max()))
    if size <= least:
        return 0, 0, CONSTANT
    peaks, dips = prominent_peaks(smooth, _FALL * size), prominent_peaks(-smooth, _FALL * size)
    falls = []
    for peak in peaks:
        behind = [dip for dip in dips if dip > peak]
        if behind:
            falls.append((float(smooth[peak] - smooth[behind[0]]), peak, behind[0]))
    rises = float(smooth[-1] - smooth[0]) > 0.5 * size
    if not falls:
        return 0, 0, SPEEDS_UP if rises else CONSTANT
    drop, peak, dip = max(falls)
    if drop < 0.5 * size and rises:
        return 0, 0, SPEEDS_UP
    first = max((low for low in dips if low < peak), default=0)
    high = smooth[first : peak + 1] >= smooth[peak] - max(5.0 * noise, 2.0 * step)
    return first + int(np.argmax(high)), _end_of_fall(smooth, peaks, dip, drop), ""


def _end_of_fall(smooth: FloatArray, peaks: list[int], dip: int, drop: float) -> int:
    """Where it rises again, or the end of the log."""
    later = [peak for peak in peaks if peak > dip]
    if not later:
        return len(smooth)
    rising = smooth[dip : later[0]] > smooth[dip] + 0.1 * drop
    return dip + int(np.argmax(rising)) if rising.any() else later[0]


def _smooth(y: FloatArray) -> FloatArray:
    return running_median(y, min(_WINDOW, len(y) // 2))


def _release(t: FloatArray, y: FloatArray, first: int, last: int, noise: float) -> tuple[int, bool]:
    """First reading after the release, and whether any was before it."""
    smooth = _smooth(y[first:last])
    low = float(smooth.min())
    falling = smooth < low + 0.6 * (smooth.max() - low)
    end = first + (int(np.argmax(falling)) if falling.any() else last - first)
    end = min(max(end, first + 12), last)
    change = course_changes(t[first:end], y[first:end], noise)
    return first + change, change > 0 or first > 0


def _stop(t: FloatArray, y: FloatArray, release: int, last: int, noise: float) -> tuple[int, bool]:
    """Behind the last reading of the fall, and whether it stands from there on."""
    smooth = _smooth(y[release:last])
    low = float(smooth[-1])
    high = np.flatnonzero(smooth > low + 0.4 * (smooth.max() - low))
    begin = release + (int(high[-1]) if len(high) else 0)
    begin = max(min(begin, last - 12), release)
    change = course_changes(-t[begin:last][::-1], y[begin:last][::-1], noise, level=True)
    return last - change, change > 0


def _frozen(y: FloatArray, step: float, noise: float) -> BoolArray:
    """All but the first of equal readings during which the course moved on."""
    starts = np.flatnonzero(np.concatenate([[True], np.diff(y) != 0.0]))
    ends = np.concatenate([starts[1:], [len(y)]])
    found = np.zeros(len(y), dtype=np.bool_)
    for start, end in zip(starts, ends, strict=True):
        if end - start >= _FROZEN and start > 0 and end < len(y):
            # a drive that lets go of a machine that brakes hard moves it from one reading to
            # the next, and on; a display that was stuck shows several such steps at once
            usual = np.abs(np.diff(y))[[start - 1, min(end, len(y) - 2)]].max()
            moved = abs(y[end] - y[start]) - 2.0 * usual
            found[start + 1 : end] = moved > _FROZEN_STEPS * max(step, noise)
    return found


def _faint(y: FloatArray, moving: BoolArray, step: float, rest: float) -> BoolArray:
    """Readings from where the display shows its last few digits only."""
    small = moving & (_smooth(y) < rest + _LAST_DIGITS * step)
    found = np.zeros(len(y), dtype=np.bool_)
    if step and small.any():
        found[np.argmax(small) :] = moving[np.argmax(small) :]
    return found
