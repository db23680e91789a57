"""Where a brushed machine settles: on a resistor, on a supply, running free."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize.elementwise import find_root

from motorfit.arrays import FloatArray, IntArray
from motorfit.machine.brushed import (
    BrushedMachine,
    loss_torque,
    terminal_voltage,
)

#: Steps of Newton's method; it is done in a handful.
_MOST_STEPS = 40


def _root(
    function: Callable[[FloatArray], FloatArray], low: FloatArray, high: FloatArray
) -> FloatArray:
    low, high = np.broadcast_arrays(np.asarray(low, float), np.asarray(high, float))

    def of_these(x: FloatArray, place: IntArray) -> FloatArray:
        # the search drops the elements it has found; the function knows the full shape only
        full = np.array(low)
        full.flat[place] = x
        return np.asarray(function(full).flat[place])

    found = find_root(
        of_these,
        (low, high),
        args=(np.arange(low.size).reshape(low.shape),),
        tolerances={"xrtol": 1e-14, "frtol": 1e-14},
    )
    return np.asarray(np.where(found.success, found.x, np.nan))


def current_on_resistor(
    machine: BrushedMachine,
    speed: ArrayLike,
    load: ArrayLike,
    *,
    winding_factor: ArrayLike = 1.0,
    magnet_factor: ArrayLike = 1.0,
) -> FloatArray:
    r"""Current of a machine that is driven and feeds a resistor.

    Solves :math:`v(\omega, i) + R_L i = 0`, that is with :math:`x = -i`

    .. math:: k m \omega - (R \rho + R_L + a k m \omega)\, x - V_b \tanh(x / i_0) = 0

    by Newton's method. For :math:`x \ge 0` the left side falls and is convex, so that from
    a point below the solution every step stays below it.

    Parameters
    ----------
    machine : BrushedMachine
        Parameters.
    speed : array_like, positive
        Shaft speed. [rad/s]
    load : array_like, positive
        Everything outside the terminals; infinite for nothing connected. [ohm]
    winding_factor, magnet_factor : array_like
        Resistance and EMF constant relative to the reference temperature.

    Returns
    -------
    ndarray
        Zero or negative: the machine gives. NaN where ``speed`` or ``load`` is. [A]

    Examples
    --------
    >>> small = BrushedMachine(emf_constant=0.05, armature_resistance=0.5)
    >>> round(current_on_resistor(small, 200.0, 4.5).item(), 9)
    -2.0
    """
    emf = np.asarray(machine.emf_constant) * magnet_factor * np.asarray(speed, float)
    inside = np.asarray(machine.armature_resistance) * winding_factor
    in_all = inside + np.asarray(load, float) + np.asarray(machine.armature_reaction) * emf
    conductance = 1.0 / in_all
    drop, scale = np.asarray(machine.brush_drop), machine.brush_current_scale
    given = np.maximum((emf - drop) * conductance, 0.0)
    for _ in range(_MOST_STEPS):
        brush = np.tanh(given / scale)
        left = (emf - drop * brush) * conductance - given
        step = left / (1.0 + drop * conductance / scale * (1.0 - brush**2))
        given = given + step
        if not np.any(np.abs(step) > 1e-12 * np.abs(given)):
            break
    return np.asarray(0.0 - given)


def current_at_voltage(
    machine: BrushedMachine,
    speed: ArrayLike,
    voltage: ArrayLike,
    *,
    winding_factor: ArrayLike = 1.0,
    magnet_factor: ArrayLike = 1.0,
) -> FloatArray:
    r"""Current at a given terminal voltage and speed, positive into the machine.

    Solves :math:`v(\omega, i) = v`.

    Parameters
    ----------
    machine : BrushedMachine
        Parameters.
    speed : array_like
        Shaft speed. [rad/s]
    voltage : array_like
        Terminal voltage. [V]
    winding_factor, magnet_factor : array_like
        Resistance and EMF constant relative to the reference temperature.

    Returns
    -------
    ndarray
        NaN where armature reaction outweighs the resistance, so that the current would
        run away. [A]

    Examples
    --------
    >>> small = BrushedMachine(emf_constant=0.05, armature_resistance=0.5)
    >>> round(current_at_voltage(small, 200.0, 12.0).item(), 9)
    4.0
    """
    speed, voltage = np.broadcast_arrays(np.asarray(speed, float), np.asarray(voltage, float))
    factors = {"winding_factor": winding_factor, "magnet_factor": magnet_factor}
    emf = terminal_voltage(machine, speed, 0.0, **factors)
    across = np.abs(voltage - emf)
    slope = np.asarray(machine.armature_resistance) * winding_factor - np.where(
        voltage > emf, np.asarray(machine.armature_reaction) * np.abs(emf), 0.0
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = np.where(slope > 0, 2.0 * across / slope + 1e-9, np.nan)

    def mismatch(current: FloatArray) -> FloatArray:
        return np.asarray(terminal_voltage(machine, speed, current, **factors) - voltage)

    return _root(mismatch, -reach, reach)


def free_running(
    machine: BrushedMachine,
    voltage: ArrayLike,
    *,
    brake_torque: ArrayLike = 0.0,
    winding_factor: ArrayLike = 1.0,
    magnet_factor: ArrayLike = 1.0,
) -> tuple[FloatArray, FloatArray]:
    r"""Speed and current of a motor on a supply, shaft free or braked.

    Solves the voltage and torque equations together for :math:`\tau` equal to
    ``brake_torque``.

    Parameters
    ----------
    machine : BrushedMachine
        Parameters.
    voltage : array_like, positive
        Terminal voltage. [V]
    brake_torque : array_like
        Torque taken at the shaft, zero or positive. [N m]
    winding_factor, magnet_factor : array_like
        Resistance and EMF constant relative to the reference temperature.

    Returns
    -------
    speed, current : ndarray
        [rad/s], [A]; NaN where the motor does not start.

    Examples
    --------
    >>> small = BrushedMachine(emf_constant=0.05, armature_resistance=0.5,
    ...                        coulomb_torque=0.01)
    >>> speed, current = free_running(small, 12.0)
    >>> round(speed.item(), 6), round(current.item(), 6)
    (238.0, 0.2)
    """
    voltage, brake = np.broadcast_arrays(
        np.asarray(voltage, float), np.asarray(brake_torque, float)
    )
    constant = np.asarray(machine.emf_constant) * magnet_factor

    reaction = np.asarray(machine.armature_reaction, float)

    def current_at(speed: FloatArray) -> FloatArray:
        linear = (loss_torque(machine, speed) + brake) / constant
        # the smaller root of i (1 - a i) = linear; where a > 1/(4 linear) no current is enough
        rest = 1.0 - 4.0 * reaction * linear
        return np.asarray(2.0 * linear / (1.0 + np.sqrt(np.where(rest >= 0, rest, np.nan))))

    def mismatch(speed: FloatArray) -> FloatArray:
        inside = terminal_voltage(
            machine,
            speed,
            current_at(speed),
            winding_factor=winding_factor,
            magnet_factor=magnet_factor,
        )
        return np.asarray(inside - voltage)

    # the smaller root leaves at least half of the flux
    fastest = np.asarray(voltage / constant * np.where(reaction > 0, 2.0, 1.0) * (1 + 1e-9), float)
    slowest = np.zeros(np.broadcast_shapes(fastest.shape, mismatch(np.zeros(())).shape))
    speed = _root(mismatch, slowest, fastest)
    return speed, current_at(speed)
