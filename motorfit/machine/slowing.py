r"""Slowing down by :math:`\dot\omega = -(d_0 + d_1 \omega + d_2 \omega^2)`: closed forms.

They hold whatever the signs of the coefficients, and near where one formula of the textbook
goes over into another.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import exprel

from motorfit.arrays import BoolArray, FloatArray


def speed_after(
    time: ArrayLike, start: ArrayLike, d0: ArrayLike, d1: ArrayLike, d2: ArrayLike
) -> FloatArray:
    r"""Speed after coasting for some time.

    With :math:`D = 4 d_0 d_2 - d_1^2`,

    .. math::

        \omega = \frac{\omega_0\, C - (d_0 + d_1 \omega_0 / 2)\, S}
                      {C + (d_1 / 2 + d_2 \omega_0)\, S}, \qquad
        C = \cos \tfrac{\sqrt{D}}{2} t, \quad
        S = \tfrac{2}{\sqrt{D}} \sin \tfrac{\sqrt{D}}{2} t

    and hyperbolic functions where :math:`D < 0`. Nothing is divided by a coefficient, so
    that any of them may be zero, tiny or negative.

    Parameters
    ----------
    time : array_like
        Since ``start``. [s]
    start : array_like, positive
        Speed at time zero, or whatever else falls in this way. [rad/s]
    d0, d1, d2 : array_like
        Coefficients of the retardation. [rad/s2], [1/s], [1/rad]

    Returns
    -------
    ndarray
        All arguments broadcast together. Zero from the stop on; infinite where a negative
        retardation has carried the speed beyond all measure. [rad/s]

    References
    ----------
    .. [1] Riccati's equation by :math:`\omega = \dot u / (d_2 u)`,
       :math:`\ddot u + d_1 \dot u + d_0 d_2 u = 0`; derived.

    Examples
    --------
    >>> speed_after([0.0, 10.0, 30.0], 400.0, 20.0, 0.0, 0.0)
    array([400., 200.,   0.])
    """
    t, w, d0, d1, d2 = np.broadcast_arrays(
        *(np.asarray(part, float) for part in (time, start, d0, d1, d2))
    )
    discriminant = 4.0 * d0 * d2 - d1**2
    root = np.sqrt(np.abs(discriminant))
    swings = discriminant > 0
    phase = np.where(swings, 0.5 * root * t, 0.0)
    lags = np.where(swings, 0.0, root * t)
    # of hyperbolic functions both are divided by exp(lags / 2), which would overflow
    even = np.where(swings, np.cos(phase), 0.5 * (1.0 + np.exp(-np.abs(lags))))
    odd = t * np.where(swings, np.sinc(phase / np.pi), exprel(-np.abs(lags)))
    above = w * even - (d0 + 0.5 * d1 * w) * odd
    below = even + (0.5 * d1 + d2 * w) * odd
    above = np.where(lags > 1.0, _late(w, d0, d1, d2, root, lags), above)
    speed = np.full(t.shape, np.inf)
    np.divide(above, below, out=speed, where=below > 0)
    stopped = t >= time_to_reach(w, 0.0, d0, d1, d2)
    return np.asarray(np.where(stopped, 0.0, np.maximum(speed, 0.0)))


def _late(
    w: FloatArray,
    d0: FloatArray,
    d1: FloatArray,
    d2: FloatArray,
    root: FloatArray,
    lags: FloatArray,
) -> FloatArray:
    """The numerator of `speed_after` where it is a small difference: same, term by term."""
    safe = np.where(lags > 1.0, root, 1.0)
    minus, plus = _factors(d0, d1, d2, safe)
    held, gone = -(2.0 * d0 + minus * w), (2.0 * d0 + plus * w)
    return np.asarray(0.5 * (held + gone * np.exp(-np.maximum(lags, 0.0))) / safe)


def _factors(
    d0: FloatArray, d1: FloatArray, d2: FloatArray, root: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """``d1 - root`` and ``d1 + root`` without loss of digits; their product is 4 d0 d2."""
    large = np.where(d1 >= 0, d1 + root, d1 - root)
    small = np.divide(4.0 * d0 * d2, large, out=np.zeros_like(large), where=large != 0)
    return np.where(d1 >= 0, small, large), np.where(d1 >= 0, large, small)


def time_to_reach(
    start: ArrayLike, end: ArrayLike, d0: ArrayLike, d1: ArrayLike, d2: ArrayLike
) -> FloatArray:
    r"""How long it takes to coast from one speed to another.

    .. math::

        t = \int_{\omega_1}^{\omega_0} \frac{\mathrm{d}\omega}{d_0 + d_1\omega + d_2\omega^2}
          = \frac{2}{\sqrt{D}} \arctan\frac{\sqrt{D}\,(\omega_0 - \omega_1)}{N}, \qquad
        N = 2 d_0 + d_1 (\omega_0 + \omega_1) + 2 d_2 \omega_0 \omega_1

    and a logarithm where :math:`D = 4 d_0 d_2 - d_1^2` is negative.

    Parameters
    ----------
    start, end : array_like
        Speeds, the first the higher. [rad/s]
    d0, d1, d2 : array_like
        Coefficients of the retardation; any may be zero or negative.
        [rad/s2], [1/s], [1/rad]

    Returns
    -------
    ndarray
        All arguments broadcast together; infinite where ``end`` is never reached. [s]

    Examples
    --------
    >>> time_to_reach(400.0, [200.0, 0.0], 20.0, 0.0, 0.0)
    array([10., 20.])
    >>> time_to_reach(400.0, [200.0, 0.0], 0.0, 0.05, 0.0).round(6)
    array([13.862944,       inf])
    """
    w0, w1, d0, d1, d2 = np.broadcast_arrays(
        *(np.asarray(part, float) for part in (start, end, d0, d1, d2))
    )
    discriminant = 4.0 * d0 * d2 - d1**2
    root = np.sqrt(np.abs(discriminant))
    fall = w0 - w1
    nominal = 2.0 * d0 + d1 * (w0 + w1) + 2.0 * d2 * w0 * w1
    swings = discriminant > 0
    reached = _falls(w0, w1, d0, d1, d2, discriminant)
    angle = 2.0 * np.arctan2(root * fall, nominal)
    near = swings | (np.abs(root * fall) < 0.5 * nominal)
    ratio = np.divide(root * fall, nominal, out=np.zeros_like(root), where=near & ~swings)
    minus, plus = _factors(d0, d1, d2, np.where(near, 0.0, root))
    product = 2.0 * d0 + 2.0 * d2 * w0 * w1
    high, low = product + plus * w0 + minus * w1, product + minus * w0 + plus * w1
    far = reached & ~near & (low > 0)
    quotient = np.divide(high, low, out=np.ones_like(root), where=far)
    turned = np.where(swings, angle, np.where(near, 2.0 * np.arctanh(ratio), np.log(quotient)))
    time = np.full(root.shape, np.inf)
    np.divide(turned, root, out=time, where=(root > 0) & (near | far))
    np.divide(2.0 * fall, nominal, out=time, where=(root * fall <= 1e-9 * nominal) & (nominal > 0))
    return np.asarray(np.where(fall <= 0, 0.0, np.where(reached, time, np.inf)))


def _falls(
    w0: FloatArray,
    w1: FloatArray,
    d0: FloatArray,
    d1: FloatArray,
    d2: FloatArray,
    discriminant: FloatArray,
) -> BoolArray:
    """Whether the retardation is positive all the way from one speed to the other."""
    ends = (d0 + d1 * w0 + d2 * w0**2 > 0) & (d0 + d1 * w1 + d2 * w1**2 > 0)
    # a valley between the ends that dips to zero: lowest where d1 + 2 d2 w = 0
    valley = (d2 > 0) & (d1 + 2.0 * d2 * w1 < 0) & (d1 + 2.0 * d2 * w0 > 0) & (discriminant <= 0)
    return np.asarray(ends & ~valley)
