r"""How a machine warms under a power that changes: one body, or a winding in a frame.

The power is taken as a straight line between the instants that it is known at, and the
response to that is exact:

.. math:: \theta_j = a_j \theta_{j-1} + R_\theta (c_j P_{j-1} + d_j P_j),
    \qquad a = e^{-h/\tau},\; d = 1 - (1 - a)\,\tau/h,\; c = 1 - a - d

with the step :math:`h = t_j - t_{j-1}`. Two bodies are two such lags side by side.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray
from motorfit.machine.warming import OneBody, TwoBodies

#: Resistance, time constant and share of a start rise of each lag, three arrays (m,).
Lags: TypeAlias = tuple[FloatArray, FloatArray, FloatArray]

#: The rise is settled to this part of itself; a copper loss that grows needs a few rounds.
_SETTLED = 1e-10
_MOST_ROUNDS = 200


def lags_of(bodies: OneBody | TwoBodies) -> Lags:
    r"""The lags, side by side, that the winding of these bodies answers a power with.

    Parameters
    ----------
    bodies : OneBody or TwoBodies
        Each field a float.

    Returns
    -------
    resistance, time_constant, start : ndarray, shape (m,)
        [K/W], [s], and what share of a rise that winding and frame have at the start decays
        with it. Resistances add to that from the winding to the air, shares to one.

    Examples
    --------
    >>> resistance, lag, share = lags_of(TwoBodies(winding_to_frame=1.0,
    ...     winding_time_constant=60.0, frame_to_air=2.0, frame_time_constant=1200.0))
    >>> resistance.round(3), lag.round(1)
    (array([2.184, 0.816]), array([1325.7,   54.3]))
    """
    if isinstance(bodies, OneBody):
        resistance, lag = (
            np.asarray(value, float).reshape(1)
            for value in (bodies.thermal_resistance, bodies.time_constant)
        )
        return resistance, lag, np.ones(1)
    inner, lag_w, outer, lag_f = (
        float(np.asarray(value, float))
        for value in (
            bodies.winding_to_frame,
            bodies.winding_time_constant,
            bodies.frame_to_air,
            bodies.frame_time_constant,
        )
    )
    a, d = -1.0 / lag_w, -(1.0 + outer / inner) / lag_f
    apart = np.sqrt(0.25 * (a - d) ** 2 + outer / inner / (lag_w * lag_f))
    own = 0.5 * (a + d) + apart * np.array([1.0, -1.0])  # eigenvalues, slow and fast
    other = own[::-1]
    resistances = (a - other) / (own - other) * inner / lag_w / -own
    return resistances, -1.0 / own, -other / (own - other)


def response(time: ArrayLike, lags: Lags) -> FloatArray:
    """Matrix that makes the rise of a power that is straight between these instants.

    Parameters
    ----------
    time : array_like, shape (n,)
        Ascending. [s]
    lags : three ndarrays, shape (m,)
        From `lags_of`.

    Returns
    -------
    ndarray, shape (n, n)
        Lower triangular: rise = response @ power. [K/W]

    Examples
    --------
    >>> body = OneBody(thermal_resistance=3.0, time_constant=600.0)
    >>> (response([0.0, 600.0, 1e6], lags_of(body)) @ [20.0, 20.0, 20.0]).round(3)
    array([ 0.   , 37.927, 60.   ])
    """
    t = np.asarray(time, float)
    step = np.diff(t)
    ago = np.maximum(t[:, None] - t[None, :], 0.0)
    later = np.tri(len(t), dtype=bool)
    whole = np.zeros(ago.shape)
    for resistance, lag, _ in zip(*lags, strict=True):
        decay = np.where(later, np.exp(-ago / lag), 0.0)
        share = -np.expm1(-step / lag)  # of the step that is answered at its end
        end = 1.0 - share * lag / step
        whole[:, 1:] += resistance * end * decay[:, 1:]
        whole[:, :-1] += resistance * (share - end) * decay[:, 1:]
    return whole


def driven_rise(
    time: ArrayLike,
    power: ArrayLike,
    lags: Lags,
    start_rise: ArrayLike = 0.0,
    *,
    growth: ArrayLike = 0.0,
    answer: FloatArray | None = None,
) -> FloatArray:
    r"""Rise of the winding under a power that changes, and grows with the rise.

    .. math:: P(t) = P_0(t) + p(t)\,\theta(t)

    Parameters
    ----------
    time : array_like, shape (n,)
        Ascending, the first is the start. [s]
    power : array_like, shape (..., n)
        Heat made at the temperature of the air. [W]
    lags : three ndarrays, shape (m,)
        From `lags_of`.
    start_rise : array_like, shape (..., 1) or a number
        Of winding and frame alike. [K]
    growth : array_like, shape (..., n)
        How much more heat is made for each kelvin of rise. [W/K]
    answer : ndarray, shape (n, n), optional
        `response` of these, where it is at hand.

    Returns
    -------
    ndarray, shape (..., n)
        [K]

    Raises
    ------
    ValueError
        If the steps are so long, or the growth so large, that it does not settle.

    Notes
    -----
    Solved by putting the rise back into the power (Picard). The response looks backwards
    only, so this settles however strong the feedback is, if the steps are short.
    """
    t = np.asarray(time, float)
    whole = response(t, lags) if answer is None else answer
    decay = np.exp(-(t - t[0]) / lags[1][:, None])
    begun = np.asarray(start_rise, float) * (lags[2] @ decay)
    rise = begun + np.asarray(power, float) @ whole.T
    first, growth = rise, np.asarray(growth, float)
    if not np.any(growth):
        return np.asarray(rise)
    for _ in range(_MOST_ROUNDS):
        before, rise = rise, first + (growth * rise) @ whole.T
        if not np.all(np.isfinite(rise)):
            break
        if np.max(np.abs(rise - before)) <= _SETTLED * (1.0 + np.max(np.abs(rise))):
            return np.asarray(rise)
    raise ValueError("the rise does not settle: the steps of time are too long for it")
