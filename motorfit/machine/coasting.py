r"""A machine coasting to rest, open or on a resistor: closed forms and what they leave out.

.. math:: J \dot\omega = k m (1 - a |i|)\, i - (T_0 + b \omega + c \omega^2)

Open, :math:`i = 0`. On a resistor the brush drop is full as long as the current is well
above its scale; then, without armature reaction, the current is a straight line in the
speed. Both ways the speed obeys

.. math:: \dot\omega = -(d_0 + d_1 \omega + d_2 \omega^2)

which has a closed form, see `motorfit.machine.slowing`. Elsewhere the torque balance is integrated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray
from motorfit.machine.braking import Brake, integrated
from motorfit.machine.brushed import BrushedMachine, flux_factor, loss_torque
from motorfit.machine.operating import current_on_resistor
from motorfit.machine.slowing import speed_after, time_to_reach

__all__ = [
    "CoastDown",
    "braking_power",
    "coast_down",
    "coasting_time",
    "retardation_coefficients",
    "speed_after",
    "time_to_reach",
]

#: From this many brush current scales on, the brush drop is full to the last digit.
FULL_DROP = 19.1

#: Panels, each half as wide as the one above it, and nodes of Gauss's rule in each.
_PANELS, _NODES = 32, 12


def retardation_coefficients(
    machine: BrushedMachine,
    inertia: ArrayLike,
    *,
    load: ArrayLike = np.inf,
    winding_factor: ArrayLike = 1.0,
    magnet_factor: ArrayLike = 1.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    r"""Coefficients of the retardation of a coasting machine, brush drop full.

    .. math::

        d_0 = \frac{1}{J}\Bigl(T_0 - \frac{k m V_b}{R \rho + R_L}\Bigr), \quad
        d_1 = \frac{1}{J}\Bigl(b + \frac{(k m)^2}{R \rho + R_L}\Bigr), \quad
        d_2 = \frac{c}{J}

    Parameters
    ----------
    machine : BrushedMachine
        Parameters; armature reaction is left out.
    inertia : array_like, positive
        Of everything that turns, seen from the shaft. [kg m2]
    load : array_like
        Everything outside the terminals; infinite for open, zero for a short circuit.
        [ohm]
    winding_factor, magnet_factor : array_like
        Resistance and EMF constant relative to the reference temperature.

    Returns
    -------
    d0, d1, d2 : ndarray
        [rad/s2], [1/s], [1/rad]. On a resistor they hold while :math:`|i| > 5 i_0`.

    Examples
    --------
    >>> machine = BrushedMachine(emf_constant=0.05, armature_resistance=0.5,
    ...                          brush_drop=0.5, coulomb_torque=0.02)
    >>> [float(part.round(9)) for part in retardation_coefficients(machine, 1e-3, load=4.5)]
    [15.0, 0.5, 0.0]
    """
    constant = np.asarray(machine.emf_constant, float) * magnet_factor
    around = np.asarray(machine.armature_resistance) * winding_factor + np.asarray(load, float)
    conductance = 1.0 / around
    inertia = np.asarray(inertia, float)
    return (
        np.asarray(
            (np.asarray(machine.coulomb_torque) - constant * conductance * machine.brush_drop)
            / inertia
        ),
        np.asarray((np.asarray(machine.viscous_coefficient) + constant**2 * conductance) / inertia),
        np.asarray(np.asarray(machine.windage_coefficient) / inertia),
    )


def braking_power(
    machine: BrushedMachine,
    speed: ArrayLike,
    current: ArrayLike = 0.0,
    *,
    magnet_factor: ArrayLike = 1.0,
) -> FloatArray:
    r"""Power that brakes a coasting machine: its loss and what it turns into electricity.

    .. math:: P = \bigl(T_\ell(\omega) - k m (1 - a |i|)\, i\bigr)\, \omega
        = -\frac{\mathrm{d}}{\mathrm{d}t} \tfrac12 J \omega^2

    Parameters
    ----------
    machine : BrushedMachine
        Parameters.
    speed : array_like
        Shaft speed. [rad/s]
    current : array_like
        Armature current, negative as it generates; zero for open. [A]
    magnet_factor : array_like
        EMF constant relative to the reference temperature.

    Returns
    -------
    ndarray
        [W]

    Examples
    --------
    >>> machine = BrushedMachine(emf_constant=0.05, armature_resistance=0.5,
    ...                          coulomb_torque=0.02)
    >>> braking_power(machine, 200.0, [0.0, -2.0]).round(9)
    array([ 4., 24.])
    """
    current, speed = np.asarray(current, float), np.asarray(speed, float)
    air_gap = (
        np.asarray(machine.emf_constant) * magnet_factor * flux_factor(machine, current) * current
    )
    return np.asarray((loss_torque(machine, speed) - air_gap) * speed)


def coasting_time(
    machine: BrushedMachine,
    inertia: ArrayLike,
    start: ArrayLike,
    end: ArrayLike = 0.0,
    *,
    load: ArrayLike = np.inf,
    winding_factor: ArrayLike = 1.0,
    magnet_factor: ArrayLike = 1.0,
) -> FloatArray:
    r"""How long a machine coasts from one speed to another, brush drop and all.

    Open in closed form. On a resistor by Gauss's rule over the current :math:`x = -i`, in
    which the speed is explicit,

    .. math::

        \omega = \frac{(R\rho + R_L)\, x + V_b \tanh(x / i_0)}{k m (1 - a x)}, \qquad
        t = \int \frac{J}{k m (1 - a x) x + T_\ell(\omega)}\,
            \frac{\mathrm{d}\omega}{\mathrm{d}x}\,\mathrm{d}x

    Parameters
    ----------
    machine : BrushedMachine
        Parameters.
    inertia : array_like, positive
        Of everything that turns. [kg m2]
    start, end : array_like
        Speeds, the first the higher. [rad/s]
    load : array_like
        Everything outside the terminals; infinite for open. [ohm]
    winding_factor, magnet_factor : array_like
        Resistance and EMF constant relative to the reference temperature.

    Returns
    -------
    ndarray
        All arguments broadcast together; infinite where ``end`` is never reached. [s]

    Notes
    -----
    Panels halve towards zero current, where a light brake makes the integrand steep;
    against the closed form the rule is right to 1e-12.

    Examples
    --------
    >>> machine = BrushedMachine(emf_constant=0.05, armature_resistance=0.5,
    ...                          coulomb_torque=0.02)
    >>> coasting_time(machine, 1e-3, 400.0, load=[np.inf, 4.5]).round(6)
    array([20.      ,  4.795791])
    """
    factors = {"winding_factor": winding_factor, "magnet_factor": magnet_factor}
    load = np.asarray(load, float)
    coefficients = retardation_coefficients(machine, inertia)
    open_time = time_to_reach(start, end, *coefficients)
    loaded = np.isfinite(load)
    if not np.any(loaded):
        return np.asarray(np.broadcast_arrays(open_time, load)[0])
    resistance = np.where(loaded, load, 1.0)
    low = -current_on_resistor(machine, end, resistance, **factors)
    high = -current_on_resistor(machine, start, resistance, **factors)
    braked = _braked_time(machine, inertia, low, high, resistance, winding_factor, magnet_factor)
    standing = _torque_at(machine, end, low, magnet_factor) > 0
    braked = np.where(standing, braked, np.inf)
    braked = np.where(np.asarray(start, float) <= np.asarray(end, float), 0.0, braked)
    return np.where(loaded, braked, open_time)


def _torque_at(
    machine: BrushedMachine, speed: ArrayLike, given: FloatArray, magnet_factor: ArrayLike
) -> FloatArray:
    """Braking torque at a speed and the current that is given there. [N m]"""
    constant = np.asarray(machine.emf_constant) * magnet_factor
    return np.asarray(constant * flux_factor(machine, given) * given + loss_torque(machine, speed))


def _braked_time(
    machine: BrushedMachine,
    inertia: ArrayLike,
    low: FloatArray,
    high: FloatArray,
    load: FloatArray,
    winding_factor: ArrayLike,
    magnet_factor: ArrayLike,
) -> FloatArray:
    """The integral of `coasting_time` between two currents, nodes along a last axis."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    edges = np.maximum(high[..., None] * 0.5 ** np.append(np.arange(_PANELS), 9e3), low[..., None])
    half = 0.5 * (edges[..., :-1] - edges[..., 1:])
    x = (edges[..., 1:] + half)[..., None] + half[..., None] * nodes

    def tall(value: ArrayLike) -> FloatArray:
        return np.asarray(value, float)[..., None, None]

    constant = tall(np.asarray(machine.emf_constant) * magnet_factor)
    around = tall(np.asarray(machine.armature_resistance) * winding_factor + load)
    drop, scale = tall(machine.brush_drop), tall(machine.brush_current_scale)
    reaction = tall(machine.armature_reaction)
    brush, flux = np.tanh(x / scale), 1.0 - reaction * x
    inside = around * x + drop * brush
    speed = inside / (constant * flux)
    slope = (around + drop / scale * (1.0 - brush**2) + reaction * inside / flux) / (
        constant * flux
    )
    torque = (
        constant * flux * x
        + tall(machine.coulomb_torque)
        + tall(machine.viscous_coefficient) * speed
        + tall(machine.windage_coefficient) * speed**2
    )
    ratio = np.divide(
        slope, torque, out=np.zeros(np.broadcast(slope, torque).shape), where=half[..., None] > 0
    )
    return np.asarray(np.asarray(inertia, float) * np.sum(half * (ratio @ weights), axis=-1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoastDown:
    """A machine coasting to rest; arrays of shape (n,)."""

    speed: FloatArray  # [rad/s]
    current: FloatArray  # negative as it generates [A]
    voltage: FloatArray  # at the terminals [V]
    stop: float  # when it stands still; infinite where it never does [s]


def coast_down(
    machine: BrushedMachine,
    inertia: float,
    start_speed: float,
    time: ArrayLike,
    *,
    load: float = np.inf,
    winding_factor: float = 1.0,
    magnet_factor: float = 1.0,
) -> CoastDown:
    """Speed, current and voltage of one machine that is left to coast.

    Closed form where that is exact: open, or on a resistor while the brush drop is full
    and without armature reaction. Elsewhere the torque balance is integrated.

    Parameters
    ----------
    machine : BrushedMachine
        Parameters, each a float.
    inertia : float, positive
        Of everything that turns. [kg m2]
    start_speed : float, positive
        Speed at time zero. [rad/s]
    time : array_like, shape (n,), zero or positive
        When to tell of it, in any order. [s]
    load : float
        Everything outside the terminals; infinite for open, zero for a short circuit.
        [ohm]
    winding_factor, magnet_factor : float
        Resistance and EMF constant relative to the reference temperature.

    Returns
    -------
    CoastDown
        All zero from the stop on.

    Examples
    --------
    >>> machine = BrushedMachine(emf_constant=0.05, armature_resistance=0.5,
    ...                          coulomb_torque=0.02)
    >>> run = coast_down(machine, 1e-3, 400.0, [0.0, 2.0, 10.0], load=4.5)
    >>> run.speed.round(3), run.voltage.round(3)
    (array([400.   , 121.867,   0.   ]), array([18.   ,  5.484,  0.   ]))
    """
    t = np.asarray(time, float)
    factors = {"winding_factor": winding_factor, "magnet_factor": magnet_factor}
    constant = float(np.asarray(machine.emf_constant)) * magnet_factor
    if np.isinf(load):
        coefficients = retardation_coefficients(machine, inertia)
        speed = speed_after(t, start_speed, *coefficients)
        return CoastDown(
            speed=speed,
            current=np.zeros(t.shape),
            voltage=np.asarray(constant * speed),
            stop=float(time_to_reach(start_speed, 0.0, *coefficients)),
        )
    coefficients = retardation_coefficients(machine, inertia, load=load, **factors)
    change = _end_of_closed_form(machine, constant, start_speed, load, winding_factor)
    closed = float(time_to_reach(start_speed, change, *coefficients))
    speed = speed_after(np.minimum(t, closed), start_speed, *coefficients)
    given = -current_on_resistor(machine, speed, load, **factors)
    stop = closed
    late = t > closed
    if np.isfinite(closed) and change > 0:
        brake = Brake.of(machine, inertia, load, winding_factor, magnet_factor)
        first = -float(current_on_resistor(machine, change, load, **factors))
        stop, given[late] = integrated(brake, first, t[late] - closed)
        stop += closed
        speed[late] = [brake.speed(x) for x in given[late]]
    gone = t >= stop
    speed, given = np.where(gone, 0.0, speed), np.where(gone, 0.0, given)
    return CoastDown(
        speed=speed, current=np.asarray(0.0 - given), voltage=np.asarray(load * given), stop=stop
    )


def _end_of_closed_form(
    machine: BrushedMachine, constant: float, start: float, load: float, winding_factor: float
) -> float:
    """Speed from which on the torque balance must be integrated; zero for never. [rad/s]"""
    drop = float(np.asarray(machine.brush_drop))
    if np.any(np.asarray(machine.armature_reaction) != 0):
        return start
    if drop == 0:
        return 0.0
    around = float(np.asarray(machine.armature_resistance)) * winding_factor + load
    full = FULL_DROP * float(np.asarray(machine.brush_current_scale))
    return min(start, (around * full + drop) / constant)
