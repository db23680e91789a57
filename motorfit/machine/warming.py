r"""How a machine warms up and cools down: one body, or a winding in a frame.

Temperatures are rises over the air around. Heat is made in the winding (and what the
frame makes of its own enters there); every path that carries heat is a thermal
resistance, every body that stores it a time constant.

.. math::

    \text{one body:}\quad & \tau \dot\theta = R_\theta P - \theta \\
    \text{two:}\quad & \tau_w \dot\theta_w = R_w P - (\theta_w - \theta_f), \quad
    \tau_f \dot\theta_f = R_f \Bigl(P_f + \frac{\theta_w - \theta_f}{R_w}\Bigr) - \theta_f

A copper loss that grows with temperature is a feedback, :math:`P = P_0 + p\,\theta`, and
leaves the equations linear: all solutions here are closed forms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import exprel

from motorfit.arrays import FloatArray

#: A rise that has grown by e to this power has run away; much more would overflow.
_LARGEST_EXPONENT = 500.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneBody:
    """A machine that warms as one piece; each field a float or an array (draws).

    Parameters
    ----------
    thermal_resistance : array_like, positive
        From the winding to the air. [K/W]
    time_constant : array_like, positive
        Thermal resistance times heat capacity. [s]
    """

    thermal_resistance: ArrayLike
    time_constant: ArrayLike


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwoBodies:
    """A winding that heats a frame that heats the air; floats or arrays (draws).

    Parameters
    ----------
    winding_to_frame, frame_to_air : array_like, positive
        Thermal resistances. [K/W]
    winding_time_constant : array_like, positive
        ``winding_to_frame`` times the heat capacity of the winding. [s]
    frame_time_constant : array_like, positive
        ``frame_to_air`` times the heat capacity of the frame. [s]
    """

    winding_to_frame: ArrayLike
    winding_time_constant: ArrayLike
    frame_to_air: ArrayLike
    frame_time_constant: ArrayLike

    @property
    def thermal_resistance(self) -> FloatArray:
        """From the winding to the air, both in series. [K/W]"""
        return np.asarray(
            np.asarray(self.winding_to_frame, float) + np.asarray(self.frame_to_air, float)
        )

    @property
    def frame_share(self) -> FloatArray:
        """Rise of the frame over that of the winding once both are steady.

        Holds where all heat is made in the winding.
        """
        return np.asarray(np.asarray(self.frame_to_air) / self.thermal_resistance)


Bodies: TypeAlias = OneBody | TwoBodies


def one_body_rise(
    time: ArrayLike,
    power: ArrayLike,
    thermal_resistance: ArrayLike,
    time_constant: ArrayLike,
    start_rise: ArrayLike = 0.0,
    *,
    growth: ArrayLike = 0.0,
) -> FloatArray:
    r"""Rise of one body under a power that may grow with the rise.

    .. math::

        \theta = \theta_0 e^{x} + R_\theta P_0 \frac{t}{\tau} \frac{e^{x} - 1}{x},
        \qquad x = -(1 - R_\theta p)\, t / \tau

    Parameters
    ----------
    time : array_like
        Since the power was switched on. [s]
    power : array_like
        Heat made at the temperature of the air. [W]
    thermal_resistance, time_constant : array_like, positive
        [K/W], [s]
    start_rise : array_like
        Rise at time zero. [K]
    growth : array_like
        How much more heat is made for each kelvin of rise, p. [W/K]

    Returns
    -------
    ndarray
        All arguments broadcast together; infinite where the machine has run away. [K]

    Notes
    -----
    Where :math:`R_\theta p \ge 1` the rise has no end: the winding makes more heat than
    its path carries off, whatever the temperature.

    References
    ----------
    .. [1] The step response of a first-order lag, with the feedback p drawn into it; derived
       in the equations of this module.

    Examples
    --------
    >>> one_body_rise([0.0, 600.0, 1e6], 20.0, 3.0, 600.0).round(3)
    array([ 0.   , 37.927, 60.   ])
    """
    lags = np.asarray(time, float) / np.asarray(time_constant, float)
    resistance = np.asarray(thermal_resistance, float)
    exponent = -(1.0 - resistance * np.asarray(growth)) * lags
    bounded = np.minimum(exponent, _LARGEST_EXPONENT)
    forced = resistance * np.asarray(power) * lags * exprel(bounded)
    rise = np.asarray(start_rise) * np.exp(bounded) + forced
    return np.where(exponent > _LARGEST_EXPONENT, np.inf, rise)


def two_body_rise(
    time: ArrayLike,
    power: ArrayLike,
    bodies: TwoBodies,
    start_rise: tuple[ArrayLike, ArrayLike] = (0.0, 0.0),
    *,
    growth: ArrayLike = 0.0,
    frame_power: ArrayLike = 0.0,
) -> tuple[FloatArray, FloatArray]:
    r"""Rise of the winding and of the frame.

    .. math:: \dot\theta = A\,\theta + u, \qquad
        \theta = e^{A t} \theta_0 + \int_0^t e^{A s}\,\mathrm{d}s\; u

    taken apart along the two eigenvectors of the matrix, whose eigenvalues are real and
    distinct.

    Parameters
    ----------
    time : array_like
        Since the power was switched on. [s]
    power : array_like
        Heat made in the winding at the temperature of the air. [W]
    bodies : TwoBodies
        Thermal resistances and time constants.
    start_rise : (array_like, array_like)
        Of winding and frame at time zero. [K]
    growth : array_like
        How much more heat the winding makes for each kelvin of its rise. [W/K]
    frame_power : array_like
        Heat made in the frame itself. [W]

    Returns
    -------
    winding, frame : ndarray
        All arguments broadcast together; infinite where the machine has run away. [K]

    Examples
    --------
    >>> bodies = TwoBodies(winding_to_frame=1.0, winding_time_constant=60.0,
    ...                    frame_to_air=2.0, frame_time_constant=1200.0)
    >>> winding, frame = two_body_rise([0.0, 60.0, 1e6], 20.0, bodies)
    >>> winding.round(3), frame.round(3)
    (array([ 0.   , 12.842, 60.   ]), array([ 0.  ,  0.703, 40.  ]))
    """
    t = np.asarray(time, float)
    inner, outer = np.asarray(bodies.winding_to_frame), np.asarray(bodies.frame_to_air)
    tau_w = np.asarray(bodies.winding_time_constant, float)
    tau_f = np.asarray(bodies.frame_time_constant, float)
    a, b = (np.asarray(growth) * inner - 1.0) / tau_w, 1.0 / tau_w
    c, d = outer / inner / tau_f, -(1.0 + outer / inner) / tau_f
    middle, apart = 0.5 * (a + d), np.sqrt(0.25 * (a - d) ** 2 + b * c)
    slow, fast = middle + apart, middle - apart  # eigenvalues of A
    start_w, start_f = (np.asarray(start, float) for start in start_rise)
    push_w, push_f = np.asarray(power) * inner / tau_w, np.asarray(frame_power) * outer / tau_f
    winding: FloatArray = np.zeros(())
    frame: FloatArray = np.zeros(())
    for own, other in ((slow, fast), (fast, slow)):
        exponent = np.minimum(own * t, _LARGEST_EXPONENT)
        decay, held = np.exp(exponent), t * exprel(exponent)
        x, y = decay * start_w + held * push_w, decay * start_f + held * push_f
        # the part of (x, y) along this eigenvector
        winding = winding + ((a - other) * x + b * y) / (own - other)
        frame = frame + (c * x + (d - other) * y) / (own - other)
    away = slow * t > _LARGEST_EXPONENT
    return np.where(away, np.inf, winding), np.where(away, np.inf, frame)


def steady_rise(
    power: ArrayLike, thermal_resistance: ArrayLike, *, growth: ArrayLike = 0.0
) -> FloatArray:
    r"""Rise of the winding once it no longer changes, of one body or of two.

    .. math:: \theta_\infty = \frac{R_\theta P_0}{1 - R_\theta p}

    Parameters
    ----------
    power : array_like
        Heat made at the temperature of the air. [W]
    thermal_resistance : array_like, positive
        From the winding to the air. [K/W]
    growth : array_like
        How much more heat is made for each kelvin of rise, p. [W/K]

    Returns
    -------
    ndarray
        Infinite where the machine runs away. [K]

    Examples
    --------
    >>> steady_rise(20.0, 3.0, growth=[0.0, 0.1, 0.4]).round(3)
    array([60.   , 85.714,    inf])
    """
    resistance = np.asarray(thermal_resistance, float)
    power, margin = np.broadcast_arrays(
        np.asarray(power, float) * resistance, 1.0 - resistance * np.asarray(growth)
    )
    return np.asarray(np.divide(power, margin, out=np.full(power.shape, np.inf), where=margin > 0))


def cooling_rise(time: ArrayLike, start_rise: ArrayLike, time_constant: ArrayLike) -> FloatArray:
    r"""Rise that is left after switching off, one body.

    .. math:: \theta = \theta_0\, e^{-t/\tau}

    Parameters
    ----------
    time : array_like
        Since switching off. [s]
    start_rise : array_like
        At the instant of switching off. [K]
    time_constant : array_like, positive
        Of the machine at rest: a fan on the shaft no longer turns. [s]

    Returns
    -------
    ndarray
        [K]

    Examples
    --------
    >>> cooling_rise([0.0, 600.0], 60.0, 600.0).round(3)
    array([60.   , 22.073])
    """
    return np.asarray(
        np.asarray(start_rise, float) * np.exp(-np.asarray(time, float) / time_constant)
    )


def rise_at_switching_off(time: ArrayLike, rise: ArrayLike) -> tuple[float, float]:
    r"""Extrapolate a cooling curve to the instant of switching off.

    The straight line of :math:`\ln\theta` over time, least squares. A reading of
    temperature with an error of constant size gives a logarithm whose error grows as
    :math:`1/\theta`, so each reading weighs :math:`\theta^2`.

    Parameters
    ----------
    time : array_like, shape (n,)
        Since switching off, at least two different values. [s]
    rise : array_like, shape (n,), positive
        Over the temperature that the curve ends at. [K]

    Returns
    -------
    rise, time_constant : float
        At time zero [K]; of the curve, infinite where it does not fall [s].

    Raises
    ------
    ValueError
        If there are fewer than two different times, or a rise is not positive.

    Notes
    -----
    The winding of a machine cools into its frame at first and so faster than the whole:
    keep to the first minute or two, while the points lie on one straight line.

    References
    ----------
    .. [1] IEC 60034-1, 8.6.2.3 (extrapolation of readings after shutdown to the instant of
       switching off, on a logarithmic scale; from memory).

    Examples
    --------
    >>> start, lag = rise_at_switching_off([20.0, 40.0, 60.0], [57.0, 54.15, 51.4425])
    >>> round(start, 6), round(lag, 3)
    (60.0, 389.915)
    """
    t, theta = np.asarray(time, float), np.asarray(rise, float)
    if np.unique(t).size < 2:
        raise ValueError("two different times are needed to extrapolate a cooling curve")
    if not np.all(theta > 0):
        raise ValueError("every rise must be positive: it is over the end of the curve")
    weight = theta**2 / np.sum(theta**2)
    logarithm = np.log(theta)
    mid_time, mid_log = np.sum(weight * t), np.sum(weight * logarithm)
    away = t - mid_time
    slope = np.sum(weight * away * logarithm) / np.sum(weight * away**2)
    lag = -1.0 / slope if slope < 0 else np.inf
    return float(np.exp(mid_log - slope * mid_time)), float(lag)
