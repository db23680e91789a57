"""Which part of a log is the machine coasting: from the release to the stop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter
from scipy.signal import find_peaks

from motorfit.arrays import BoolArray, FloatArray

ENGAGED = "drive still engaged"
LAGGING = "meter lag"
STANDING = "at a standstill"
BELOW_DISPLAY = "below the display"
AGAIN = "turned again"
SPIKE = "spike"

CONSTANT = "nothing but a constant"
SPEEDS_UP = "it speeds up"
TOO_SHORT = "too few readings while it slows down"

#: Fewer readings than this give no curve.
FEWEST = 5

#: Readings a running median takes, odd: it does not see spikes of up to three.
_WINDOW = 7

#: A reading this many robust standard deviations off its neighbours' median is a spike, and
#: so many steps of the display at least.
_SPIKE, _SPIKE_STEPS = 7.0, 3.0

#: Digits from zero on that a display no longer shows well.
_LAST_DIGITS = 3.0

#: Falls of less than this share of the largest range are the drive's wandering.
_FALL = 0.2

#: A change of course must improve the log likelihood, twice, by so much; the larger share is
#: for readings that remember.
_EVIDENCE = 30.0

#: Points that a search for a change looks at.
_LOOKS = 160

#: The lag leaves out no more than this share of a fall.
_LAG_SHARE = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trimmed:
    """Which of n readings count, and why the others do not."""

    kept: BoolArray  # (n,)
    reasons: tuple[str, ...]  # one a reading, "" where it counts
    problem: str = ""  # why nothing counts


def spikes_of(x: FloatArray, step: float) -> BoolArray:
    """Readings far off their neighbours, up to three in a row.

    Parameters
    ----------
    x : ndarray, shape (n,)
        What was shown, in order.
    step : float
        One digit of the display.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if len(x) < _WINDOW:
        return np.zeros(len(x), dtype=np.bool_)
    off = np.abs(x - running_median(x, _WINDOW))
    near = 1.4826 * median_filter(off, 8 * _WINDOW + 1, mode="nearest")
    usual = np.maximum(near, 1.4826 * np.median(off))
    least = max(_SPIKE_STEPS * step, 1e-4 * float(np.ptp(x)))
    return np.asarray(off > np.maximum(_SPIKE * usual, least))


def running_median(x: FloatArray, width: int) -> FloatArray:
    """Of ``width`` neighbours; beyond the ends a slope goes on as it came."""
    half = width // 2
    before, behind = 2.0 * x[0] - x[half:0:-1], 2.0 * x[-1] - x[-2 : -half - 2 : -1]
    return np.asarray(median_filter(np.concatenate([before, x, behind]), width)[half:-half])


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
    n = len(x)
    reasons = np.full(n, "", dtype=object)
    if n < FEWEST:
        return Trimmed(kept=np.zeros(n, dtype=np.bool_), reasons=("",) * n, problem=TOO_SHORT)
    spikes = spikes_of(x, step)
    reasons[spikes] = SPIKE
    use = np.flatnonzero(~spikes)
    t, y = time[use], x[use]
    first, last, problem = _fall(y, step)
    if problem:
        return Trimmed(kept=np.zeros(n, dtype=np.bool_), reasons=tuple(reasons), problem=problem)
    noise = max(_noise(y), 0.3 * step)
    release, driven = _release(t, y, first, last, noise)
    stop, stands = _stop(t, y, release, last, noise)
    begin, end = t[release], t[stop - 1]
    allowed = min(lag, _LAG_SHARE * (end - begin))
    told = reasons[use]
    told[:release] = ENGAGED
    told[last:] = AGAIN
    told[stop:last] = STANDING
    moving = np.arange(len(y))
    moving = (moving >= release) & (moving < stop)
    if driven:
        told[moving & (t <= begin + allowed)] = LAGGING
    if stands:
        told[moving & (t >= end - allowed) & (told == "")] = LAGGING
    faint = _faint(y, moving, step, y[-1] if stands else 0.0)
    told[faint & (told == "")] = BELOW_DISPLAY
    reasons[use] = told
    kept = np.asarray(reasons == "", dtype=np.bool_)
    return Trimmed(
        kept=kept, reasons=tuple(reasons), problem="" if kept.sum() >= FEWEST else TOO_SHORT
    )


def _noise(y: FloatArray) -> float:
    """Robust standard deviation of a reading about its neighbours."""
    bends = y[1:-1] - 0.5 * (y[2:] + y[:-2])
    return float(1.4826 * np.median(np.abs(bends)) / np.sqrt(1.5)) if len(bends) else 0.0


def _fall(y: FloatArray, step: float) -> tuple[int, int, str]:
    """The largest fall: from its highest reading to behind its lowest one."""
    smooth = _smooth(y)
    size = float(np.ptp(smooth))
    if size <= max(3.0 * step, 4.0 * _noise(y) / np.sqrt(len(y))) or size <= 1e-9 * abs(smooth[0]):
        return 0, 0, CONSTANT
    edge = [smooth.min() - 1.0]
    peaks = find_peaks(np.concatenate([edge, smooth, edge]), prominence=_FALL * size)[0] - 1
    edge = [-smooth.max() - 1.0]
    dips = find_peaks(np.concatenate([edge, -smooth, edge]), prominence=_FALL * size)[0] - 1
    falls = []
    for peak in peaks:
        behind = dips[dips > peak]
        if len(behind):
            falls.append((smooth[peak] - smooth[behind[0]], int(peak), int(behind[0])))
    if not falls:
        return 0, 0, SPEEDS_UP if smooth[-1] > smooth[0] else CONSTANT
    drop, peak, dip = max(falls)
    if drop < 0.5 * size and smooth[-1] - smooth[0] > 0.5 * size:
        return 0, 0, SPEEDS_UP
    above = dips[dips < peak]
    first = int(above[-1]) if len(above) else 0
    later = peaks[peaks > dip]
    behind = len(y)
    if len(later):  # it stands for a while before it is turned again
        rising = smooth[dip : later[0]] > smooth[dip] + 0.1 * drop
        behind = dip + int(np.argmax(rising)) if rising.any() else int(later[0])
    return _plateau(smooth, first, peak, max(5.0 * _noise(y), 2.0 * step)), behind, ""


def _smooth(y: FloatArray) -> FloatArray:
    width = min(_WINDOW, len(y) // 3 * 2 + 1)
    return np.asarray(median_filter(y, width, mode="nearest"))


def _plateau(smooth: FloatArray, first: int, peak: int, near: float) -> int:
    """The first reading about as high as the highest."""
    high = np.flatnonzero(smooth[first : peak + 1] >= smooth[peak] - near)
    return first + int(high[0])


def _release(t: FloatArray, y: FloatArray, first: int, last: int, noise: float) -> tuple[int, bool]:
    """First reading after the release, and whether any was before it."""
    smooth = _smooth(y[first:last])
    low = float(smooth.min())
    falling = smooth < low + 0.6 * (smooth.max() - low)
    end = first + (int(np.argmax(falling)) if falling.any() else last - first)
    end = min(max(end, first + 12), last)
    change = _change(t[first:end], y[first:end], noise)
    return first + change, change > 0 or first > 0


def _stop(t: FloatArray, y: FloatArray, release: int, last: int, noise: float) -> tuple[int, bool]:
    """Behind the last reading of the fall, and whether it stands from there on."""
    smooth = _smooth(y[release:last])
    low = float(smooth[-1])
    high = smooth > low + 0.4 * (smooth.max() - low)
    begin = release + (int(np.flatnonzero(high)[-1]) if high.any() else 0)
    begin = max(min(begin, last - 12), release)
    change = _change(-t[begin:last][::-1], y[begin:last][::-1], noise, level=True)
    return last - change, change > 0


def _change(t: FloatArray, y: FloatArray, noise: float, *, level: bool = False) -> int:
    """Where a course turns from going on about level to a curve: readings before that."""
    n = len(y)
    stride = max(n // _LOOKS, 1)
    looks = np.arange(0, n, stride)
    least = (0.5 * noise) ** 2 + (1e-7 * float(np.ptp(y))) ** 2
    u = 2.0 * (t - t[0]) / (t[-1] - t[0]) - 1.0
    before_terms, after_terms = 1 if level else 2, 4
    whole = n * np.log(max(_squares(u, y, after_terms)[0] / n, least))
    best, found = whole - _EVIDENCE, 0
    tried = looks[(looks >= 3) & (looks <= n - 6)]
    for _ in range(2):
        for k in tried:
            first, slope = _squares(u[:k], y[:k], before_terms)
            rest, _ = _squares(u[k:], y[k:], after_terms)
            score = k * np.log(max(first / k, least)) + (n - k) * np.log(max(rest / (n - k), least))
            steep = (y[-1] - y[k]) / (u[-1] - u[k])
            if score < best and abs(slope) < 0.5 * abs(steep):
                best, found = score, int(k)
        if not found or stride == 1:
            break
        tried = np.arange(max(found - stride, 3), min(found + stride, n - 6) + 1)
        tried = tried[:: max(len(tried) // _LOOKS, 1)]
    return found


def _squares(u: FloatArray, y: FloatArray, terms: int) -> tuple[float, float]:
    """Sum of squares about a polynomial, and its mean slope."""
    middle, half = 0.5 * (u[0] + u[-1]), max(0.5 * (u[-1] - u[0]), 1e-12)
    design = np.vander((u - middle) / half, terms, increasing=True)
    found = np.linalg.lstsq(design, y, rcond=None)[0]
    off = y - design @ found
    return float(off @ off), float(found[1] / half) if terms > 1 else 0.0


def _faint(y: FloatArray, moving: BoolArray, step: float, rest: float) -> BoolArray:
    """Readings from where the display shows its last few digits only."""
    if not step or not moving.any():
        return np.zeros(len(y), dtype=np.bool_)
    small = moving & (_smooth(y) < rest + _LAST_DIGITS * step)
    found = np.zeros(len(y), dtype=np.bool_)
    if small.any():
        found[np.argmax(small) :] = moving[np.argmax(small) :]
    return found
