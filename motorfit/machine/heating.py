r"""Heat runs, and the current that a machine can carry: all day, or for a while.

Heat is made by the current in the winding, whose resistance grows as it warms, by the
brush contacts and by the loss torque:

.. math:: P = i^2 R\,\frac{K + T_a + \theta}{K + T_\mathrm{ref}} + V_b |i| + P_\ell

All of it is taken to be made in the winding, which is the hotter and so the safe side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray
from motorfit.machine.permitted import (
    ASSUMED_CLASS,
    COOLANT,
    MAGNET_LIMIT,
    PERMITTED_RISE,
    STANDARD_CLASSES,
    limiting_rise,
    permitted_rise,
)
from motorfit.machine.temperature import winding_factor
from motorfit.machine.warming import (
    Bodies,
    OneBody,
    TwoBodies,
    cooling_rise,
    one_body_rise,
    rise_at_switching_off,
    steady_rise,
    two_body_rise,
)

__all__ = [
    "ASSUMED_CLASS",
    "COOLANT",
    "MAGNET_LIMIT",
    "PERMITTED_RISE",
    "STANDARD_CLASSES",
    "Bodies",
    "HeatRun",
    "OneBody",
    "TwoBodies",
    "Winding",
    "continuous_current",
    "cooling_rise",
    "heat_run",
    "limiting_rise",
    "one_body_rise",
    "overload_time",
    "permitted_rise",
    "rise_at_switching_off",
    "steady_rise",
    "two_body_rise",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Winding:
    """What makes heat when current flows; each field a float or an array (draws).

    Parameters
    ----------
    resistance : array_like, positive
        Armature circuit without brush contacts, at the reference temperature. [ohm]
    reference : float
        Reference temperature. [degC]
    winding_constant : float
        K, 234.5 for copper, 225 for aluminium. [K]
    brush_drop : array_like
        Both brush contacts together. [V]
    """

    resistance: ArrayLike
    reference: float = 25.0
    winding_constant: float = 234.5
    brush_drop: ArrayLike = 0.0

    def hot_resistance(self, temperature: ArrayLike) -> FloatArray:
        """At a mean temperature of the winding [degC]. [ohm]"""
        return np.asarray(self.resistance) * winding_factor(
            temperature, self.reference, self.winding_constant
        )

    def heat(
        self, current: ArrayLike, ambient: ArrayLike, loss_power: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Power at the temperature of the air [W], and how it grows with the rise [W/K]."""
        size = np.abs(np.asarray(current, float))
        copper = size**2 * self.hot_resistance(ambient)
        power = copper + np.asarray(self.brush_drop) * size + np.asarray(loss_power)
        growth = copper / (self.winding_constant + np.asarray(ambient, float))
        return np.asarray(power), np.asarray(growth)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatRun:
    """What a heat run goes through; all arrays broadcast together."""

    winding: FloatArray  # mean temperature of the winding [degC]
    frame: FloatArray  # of the frame; with one body the winding's [degC]
    resistance: FloatArray  # of the armature, without the brush contacts [ohm]
    power: FloatArray  # heat that is made [W]


def heat_run(
    time: ArrayLike,
    current: ArrayLike,
    winding: Winding,
    bodies: Bodies,
    *,
    ambient: ArrayLike = 20.0,
    loss_power: ArrayLike = 0.0,
    start_rise: ArrayLike | tuple[ArrayLike, ArrayLike] = 0.0,
) -> HeatRun:
    """Temperatures of a machine at constant current, its copper loss growing as it warms.

    Parameters
    ----------
    time : array_like
        Since the current was switched on. [s]
    current : array_like
        Constant, either sign; zero for cooling. [A]
    winding : Winding
        What makes the heat.
    bodies : OneBody or TwoBodies
        What stores it and carries it off.
    ambient : array_like
        Of the air, constant. [degC]
    loss_power : array_like
        Heat of the loss torque, torque times speed; zero with the rotor held. [W]
    start_rise : array_like, or a pair of them for two bodies
        Rise at time zero, of winding and frame alike or of each. [K]

    Returns
    -------
    HeatRun

    Examples
    --------
    >>> run = heat_run([0.0, 1e5], 5.0, Winding(resistance=0.8),
    ...                OneBody(thermal_resistance=2.0, time_constant=900.0))
    >>> run.winding.round(2), run.resistance.round(4)
    (array([20.  , 66.38]), array([0.7846, 0.9276]))
    """
    power, growth = winding.heat(current, ambient, loss_power)
    if isinstance(bodies, TwoBodies):
        starts = start_rise if isinstance(start_rise, tuple) else (start_rise, start_rise)
        rise, frame = two_body_rise(time, power, bodies, starts, growth=growth)
    else:
        start = start_rise[0] if isinstance(start_rise, tuple) else start_rise
        rise = frame = one_body_rise(
            time, power, bodies.thermal_resistance, bodies.time_constant, start, growth=growth
        )
    air = np.asarray(ambient, float)
    return HeatRun(
        winding=np.asarray(air + rise),
        frame=np.asarray(air + frame),
        resistance=winding.hot_resistance(air + rise),
        power=np.asarray(power + growth * rise),
    )


def continuous_current(
    winding: Winding,
    thermal_resistance: ArrayLike,
    rise: ArrayLike,
    *,
    ambient: ArrayLike = COOLANT,
    loss_power: ArrayLike = 0.0,
) -> FloatArray:
    r"""Current that holds the winding at a rise for ever (duty type S1).

    .. math:: i^2 R_\mathrm{hot} + V_b\, i + P_\ell = \theta / R_\theta

    Parameters
    ----------
    winding : Winding
        What makes the heat.
    thermal_resistance : array_like, positive
        From the winding to the air. [K/W]
    rise : array_like
        Of the winding, permitted; see `permitted_rise` and `limiting_rise`. [K]
    ambient : array_like
        Of the air. [degC]
    loss_power : array_like
        Heat of the loss torque, torque times speed. [W]

    Returns
    -------
    ndarray
        Zero where the loss alone warms the machine as far. [A]

    Notes
    -----
    A steady current: one that pulses heats by its root mean square.

    References
    ----------
    .. [1] IEC 60034-1, 4.2.1 (duty type S1: constant load until thermal equilibrium).

    Examples
    --------
    >>> continuous_current(Winding(resistance=0.8), 2.0, [55.0, 80.0]).round(3)
    array([5.203, 6.05 ])
    """
    rise = np.asarray(rise, float)
    hot = winding.hot_resistance(np.asarray(ambient, float) + rise)
    left = np.maximum(rise / np.asarray(thermal_resistance, float) - loss_power, 0.0)
    drop = np.asarray(winding.brush_drop, float)
    # the positive root, in the form that loses no digits for a small one
    below = drop + np.sqrt(drop**2 + 4.0 * hot * left)
    left, below = np.broadcast_arrays(2.0 * left, below)
    return np.asarray(np.divide(left, below, out=np.zeros(left.shape), where=below > 0))


def overload_time(
    current: ArrayLike,
    winding: Winding,
    bodies: Bodies,
    rise: ArrayLike,
    *,
    ambient: ArrayLike = COOLANT,
    loss_power: ArrayLike = 0.0,
    start_rise: ArrayLike = 0.0,
) -> FloatArray:
    r"""How long a current may flow until the winding has reached its permitted rise.

    One body, with :math:`s = R_\theta P_0` and :math:`g = 1 - R_\theta p`:

    .. math:: t = \frac{\tau}{g} \ln\frac{s - g\theta_0}{s - g\theta}

    Of two bodies the instant is searched.

    Parameters
    ----------
    current : array_like
        Constant, either sign. [A]
    winding : Winding
        What makes the heat.
    bodies : OneBody or TwoBodies
        What stores it and carries it off.
    rise : array_like
        Of the winding, permitted. [K]
    ambient : array_like
        Of the air. [degC]
    loss_power : array_like
        Heat of the loss torque, torque times speed. [W]
    start_rise : array_like
        Of the winding at the start: zero from cold, or steady at a lesser current, with
        the frame in its share. [K]

    Returns
    -------
    ndarray
        Infinite where the rise is never reached, zero where it is exceeded at once. [s]

    Examples
    --------
    >>> winding = Winding(resistance=0.8)
    >>> body = OneBody(thermal_resistance=2.0, time_constant=900.0)
    >>> overload_time([5.2, 10.0, 20.0], winding, body, 55.0).round(1)
    array([  inf, 312.4,  69.1])
    """
    power, growth = winding.heat(current, ambient, loss_power)
    start, rise = np.asarray(start_rise, float), np.asarray(rise, float)
    if isinstance(bodies, TwoBodies):
        return _two_body_time(power, growth, bodies, start, rise)
    resistance = np.asarray(bodies.thermal_resistance, float)
    source, margin = resistance * power, 1.0 - resistance * growth
    way, speed, margin = np.broadcast_arrays(rise - start, source - margin * rise, margin)
    reached = np.divide(way, speed, out=np.full(way.shape, np.inf), where=speed > 0)
    lags = _log_ratio(margin, reached)
    time = np.asarray(bodies.time_constant, float) * np.where(way > 0, lags, 0.0)
    return np.asarray(time)


def _log_ratio(margin: FloatArray, reached: FloatArray) -> FloatArray:
    """``log(1 + margin * reached) / margin`` with its limit at zero; infinite stays so."""
    finite = np.isfinite(reached)
    x = margin * np.where(finite, reached, 0.0)
    small = np.abs(x) < 1e-8  # log1p(x)/x is 1 - x/2 to the last digit
    safe = np.where(small, 1.0, x)
    ratio = np.where(small, 1.0 - 0.5 * x, np.log1p(safe) / safe)
    return np.asarray(np.where(finite, np.where(finite, reached, 0.0) * ratio, np.inf))


def _two_body_time(
    power: FloatArray, growth: FloatArray, bodies: TwoBodies, start: FloatArray, rise: FloatArray
) -> FloatArray:
    """The instant at which the winding, rising all along, gets to its permitted rise."""
    from scipy.optimize.elementwise import bracket_root, find_root

    final = steady_rise(power, bodies.thermal_resistance, growth=growth)
    fields = np.broadcast_arrays(
        power,
        growth,
        start,
        rise,
        final,
        np.asarray(bodies.winding_to_frame, float),
        np.asarray(bodies.winding_time_constant, float),
        np.asarray(bodies.frame_to_air, float),
        np.asarray(bodies.frame_time_constant, float),
    )
    flat = [field.ravel() for field in fields]
    never, at_once = flat[4] <= flat[3], flat[2] >= flat[3]
    time = np.where(at_once, 0.0, np.inf)
    asked = ~never & ~at_once
    if not np.any(asked):
        return np.asarray(time.reshape(fields[0].shape))

    def short(logarithm: FloatArray, *these: FloatArray) -> FloatArray:
        heat, more, first, wanted, _, inner, lag, outer, slow_lag = these
        two = TwoBodies(
            winding_to_frame=inner,
            winding_time_constant=lag,
            frame_to_air=outer,
            frame_time_constant=slow_lag,
        )
        starts = (first, first * two.frame_share)
        got, _ = two_body_rise(np.exp(logarithm), heat, two, starts, growth=more)
        return np.asarray(np.minimum(got, 2.0 * wanted) - wanted)

    args = tuple(field[asked] for field in flat)
    middle = np.log(args[6])
    bracket = bracket_root(short, middle - 1.0, middle + 1.0, factor=2.0, args=args, maxiter=60)
    found = find_root(
        short, bracket.bracket, args=args, tolerances={"xatol": 1e-13, "xrtol": 1e-13}
    )
    time[asked] = np.where(found.success, np.exp(found.x), np.inf)
    return np.asarray(time.reshape(fields[0].shape))
