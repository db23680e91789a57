"""Where a course turns from going on about level to falling.

Its limits are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from motorfit.arrays import FloatArray

#: A change of course must improve twice the log likelihood by so much. Readings that
#: remember make changes out of nothing: the margin is theirs.
_EVIDENCE = 30.0

#: Means of neighbouring readings that a search looks at.
_MEANS = 64

#: Readings, or means, that each side has at least.
_BEFORE, _AFTER = 3, 6

#: Means to either side of the place found in which a finer search looks again.
_AGAIN = 12

#: The course before is at most this share as steep as that behind.
_STEEP = 0.5


def course_changes(t: FloatArray, y: FloatArray, noise: float, *, level: bool = False) -> int:
    """How many readings come before a change from going on about level to a curve.

    Both pieces have a scatter of their own, so that a drive that wanders is told from a
    machine that coasts. The first is straight, the second a cubic.

    Parameters
    ----------
    t, y : ndarray, shape (n,)
        Growing instants and what was shown.
    noise : float
        Standard deviation of a reading, for courses without any.
    level : bool
        Whether the first piece stands still, with no slope of its own.

    Returns
    -------
    int
        Zero where nothing changes.
    """
    low, high, found = 0, len(y), 0
    while True:
        width = -(-(high - low) // _MEANS)
        starts = np.arange(low, high - width + 1, width) if width > 1 else np.arange(low, high)
        if len(starts) < _BEFORE + _AFTER:
            return found
        sizes = np.diff(np.concatenate([starts, [high]]))
        instants, means = (np.add.reduceat(part[:high], starts) / sizes for part in (t, y))
        place, gain = _best_change(instants, means, noise / np.sqrt(width), level)
        if not found and gain < _EVIDENCE:
            return 0
        if place:
            found = int(starts[place])
        if width == 1:
            return found
        low, high = max(low, found - _AGAIN * width), min(high, found + _AGAIN * width)


def _best_change(t: FloatArray, y: FloatArray, noise: float, level: bool) -> tuple[int, float]:
    """The likeliest place of a change, and by how much it betters no change at all."""
    n = len(y)
    places = np.arange(_BEFORE, n - _AFTER + 1)
    u = 2.0 * (t - t[0]) / (t[-1] - t[0]) - 1.0
    least = (0.5 * noise) ** 2 + (1e-7 * float(np.ptp(y))) ** 2
    before = np.arange(n) < places[:, None]
    first, slope = _squares(u, y, before, 1 if level else 2)
    rest, _ = _squares(u, y, ~before, 4)
    whole, _ = _squares(u, y, np.ones((1, n), dtype=np.bool_), 4)
    score = places * np.log(np.maximum(first / places, least))
    score += (n - places) * np.log(np.maximum(rest / (n - places), least))
    steep = (y[-1] - y[places]) / (u[-1] - u[places])
    score[np.abs(slope) > _STEEP * np.abs(steep)] = np.inf
    best = int(np.argmin(score))
    gain = n * np.log(max(float(whole[0]) / n, least)) - score[best]
    return (int(places[best]), float(gain)) if np.isfinite(gain) else (0, 0.0)


def _squares(
    u: FloatArray, y: FloatArray, taken: np.ndarray, terms: int
) -> tuple[FloatArray, FloatArray]:
    """Sums of squares about polynomials through parts of the readings, and straight slopes.

    The last diagonal element of R, in [design, y] = Q R, is what the design leaves of y.
    """
    count = taken.sum(axis=1)
    middle = (taken @ u) / count
    half = np.sqrt((taken @ u**2) / count - middle**2 + 1e-30)
    local = (u - middle[:, None]) / half[:, None]
    columns = [local**power for power in range(terms)]
    whole = np.stack([*columns, np.broadcast_to(y, local.shape)], axis=-1)
    upper = np.asarray(np.linalg.qr(whole * taken[:, :, None], mode="r"))
    slopes = np.zeros(len(count))
    if terms > 1:  # the pieces with a slope to ask for are straight
        slopes = upper[:, 1, -1] / upper[:, 1, 1] / half
    return upper[:, terms, terms] ** 2, slopes
