r"""Brushed permanent-magnet machine in steady state: pure functions of arrays.

One sign convention, the consumer's: current and shaft torque are positive when the
machine runs as a motor, so a generating machine has ``current < 0``.

.. math::

    v &= k m \omega (1 - a |i|) + R \rho\, i + V_b \tanh(i / i_0) \\
    \tau &= k m (1 - a |i|)\, i - T_\ell(\omega) \\
    T_\ell &= T_0 + b \omega + c \omega^2

with the winding factor :math:`\rho` and the magnet factor :math:`m` of
`motorfit.machine.temperature`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray

#: The brush current scale is a rule of thumb: known within this factor either way.
BRUSH_SCALE_FACTOR = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BrushedMachine:
    """Parameters of a brushed permanent-magnet machine at its reference temperature.

    Each is a float, or an array that broadcasts against the readings (draws of a
    Monte Carlo along a leading axis).

    Parameters
    ----------
    emf_constant : array_like
        EMF per speed and torque per current, k. [V s/rad] = [N m/A]
    armature_resistance : array_like
        Armature circuit without the brush contacts, R. [ohm]
    brush_drop : array_like
        Both brush contacts together, Vb. [V]
    coulomb_torque, viscous_coefficient, windage_coefficient : array_like
        Loss torque T0 [N m], b [N m s/rad], c [N m s2/rad2].
    armature_reaction : array_like
        Weakening of the field by current, a. [1/A]
    brush_current_scale : array_like, positive
        Current at which the brush drop has risen to 76 %, i0. [A]
    """

    emf_constant: ArrayLike
    armature_resistance: ArrayLike
    brush_drop: ArrayLike = 0.0
    coulomb_torque: ArrayLike = 0.0
    viscous_coefficient: ArrayLike = 0.0
    windage_coefficient: ArrayLike = 0.0
    armature_reaction: ArrayLike = 0.0
    brush_current_scale: ArrayLike = 0.1


def brush_saturation(current: ArrayLike, scale: ArrayLike) -> FloatArray:
    r"""Share of the brush drop that is there at ``current``, with its sign.

    .. math:: s(i) = \tanh(i / i_0)

    Parameters
    ----------
    current : array_like
        Armature current. [A]
    scale : array_like, positive
        Current scale i0. [A]

    Returns
    -------
    ndarray
        From -1 to 1.

    Raises
    ------
    ValueError
        If ``scale`` is not positive.
    """
    scale = np.asarray(scale, float)
    if not np.all(scale > 0):
        raise ValueError(f"scale must be positive, found {scale}")
    return np.asarray(np.tanh(np.asarray(current, float) / scale))


def flux_factor(machine: BrushedMachine, current: ArrayLike) -> FloatArray:
    """Share of the flux that armature reaction leaves, ``1 - a |i|``.

    Parameters
    ----------
    machine : BrushedMachine
        Parameters; only the armature reaction counts. [1/A]
    current : array_like
        Armature current, either sign. [A]

    Returns
    -------
    ndarray
        One without current or armature reaction.
    """
    return np.asarray(
        1.0 - np.asarray(machine.armature_reaction) * np.abs(np.asarray(current, float))
    )


def terminal_voltage(
    machine: BrushedMachine,
    speed: ArrayLike,
    current: ArrayLike,
    *,
    winding_factor: ArrayLike = 1.0,
    magnet_factor: ArrayLike = 1.0,
) -> FloatArray:
    r"""Terminal voltage in steady state.

    .. math:: v = k m \omega (1 - a |i|) + R \rho\, i + V_b \tanh(i / i_0)

    Parameters
    ----------
    machine : BrushedMachine
        Parameters at the reference temperature.
    speed : array_like
        Shaft speed. [rad/s]
    current : array_like
        Armature current, positive into the machine. [A]
    winding_factor, magnet_factor : array_like
        Resistance and EMF constant relative to the reference temperature.

    Returns
    -------
    ndarray
        All arguments broadcast together; NaN gives NaN in its own place only. [V]

    Notes
    -----
    Leaves out inductance: valid once the current is steady.

    References
    ----------
    .. [1] Modelica Association, Modelica Standard Library, model
       ``Electrical.Machines.BasicMachines.DCMachines.DC_PermanentMagnet``: the same
       circuit with brush, friction and core losses.

    Examples
    --------
    >>> big = BrushedMachine(emf_constant=0.64, armature_resistance=0.05)
    >>> terminal_voltage(big, 150.0, [100.0, -20.0])
    array([101.,  95.])
    """
    current = np.asarray(current, float)
    emf = np.asarray(machine.emf_constant) * magnet_factor * np.asarray(speed, float)
    drop = np.asarray(machine.armature_resistance) * winding_factor * current
    brush = np.asarray(machine.brush_drop) * brush_saturation(current, machine.brush_current_scale)
    return np.asarray(emf * flux_factor(machine, current) + drop + brush)


def loss_torque(machine: BrushedMachine, speed: ArrayLike) -> FloatArray:
    r"""Torque that friction, core and air take at ``speed``.

    .. math:: T_\ell = T_0 + b \omega + c \omega^2, \qquad \omega > 0

    At zero it is the limit from above: what it takes to keep the machine just turning.

    Parameters
    ----------
    machine : BrushedMachine
        Parameters.
    speed : array_like
        Shaft speed. [rad/s]

    Returns
    -------
    ndarray
        [N m]

    Examples
    --------
    >>> light = BrushedMachine(emf_constant=0.1, armature_resistance=1.0,
    ...                        coulomb_torque=0.02, viscous_coefficient=5e-5)
    >>> loss_torque(light, 400.0).item()
    0.04
    """
    speed = np.asarray(speed, float)
    return np.asarray(
        np.asarray(machine.coulomb_torque)
        + np.asarray(machine.viscous_coefficient) * speed
        + np.asarray(machine.windage_coefficient) * speed**2
    )


def shaft_torque(
    machine: BrushedMachine,
    speed: ArrayLike,
    current: ArrayLike,
    *,
    magnet_factor: ArrayLike = 1.0,
) -> FloatArray:
    r"""Torque at the shaft, positive when the machine drives, negative when driven.

    .. math:: \tau = k m (1 - a |i|)\, i - T_\ell(\omega)

    Parameters
    ----------
    machine : BrushedMachine
        Parameters.
    speed : array_like
        Shaft speed. [rad/s]
    current : array_like
        Armature current, positive into the machine. [A]
    magnet_factor : array_like
        EMF constant relative to the reference temperature.

    Returns
    -------
    ndarray
        [N m]
    """
    current = np.asarray(current, float)
    air_gap = (
        np.asarray(machine.emf_constant) * magnet_factor * flux_factor(machine, current) * current
    )
    return np.asarray(air_gap - loss_torque(machine, speed))


def terminal_power(
    machine: BrushedMachine,
    speed: ArrayLike,
    current: ArrayLike,
    *,
    winding_factor: ArrayLike = 1.0,
    magnet_factor: ArrayLike = 1.0,
) -> FloatArray:
    r"""Electrical power at the terminals, positive into the machine.

    .. math:: P_e = v\, i

    Parameters
    ----------
    machine, speed, current, winding_factor, magnet_factor
        As for `terminal_voltage`.

    Returns
    -------
    ndarray
        Negative where the machine gives, as a generator. [W]

    Examples
    --------
    >>> big = BrushedMachine(emf_constant=0.64, armature_resistance=0.05)
    >>> terminal_power(big, 150.0, [100.0, -20.0])
    array([10100., -1900.])
    """
    voltage = terminal_voltage(
        machine, speed, current, winding_factor=winding_factor, magnet_factor=magnet_factor
    )
    return np.asarray(voltage * np.asarray(current, float))


def shaft_power(
    machine: BrushedMachine,
    speed: ArrayLike,
    current: ArrayLike,
    *,
    magnet_factor: ArrayLike = 1.0,
) -> FloatArray:
    r"""Mechanical power at the shaft, positive out of the machine.

    .. math:: P_m = \tau\, \omega

    Parameters
    ----------
    machine, speed, current, magnet_factor
        As for `shaft_torque`.

    Returns
    -------
    ndarray
        Negative where the machine must be driven. [W]

    Examples
    --------
    >>> big = BrushedMachine(emf_constant=0.64, armature_resistance=0.05)
    >>> shaft_power(big, 150.0, [100.0, -20.0])
    array([ 9600., -1920.])
    """
    torque = shaft_torque(machine, speed, current, magnet_factor=magnet_factor)
    return np.asarray(torque * np.asarray(speed, float))


def efficiency(
    machine: BrushedMachine,
    speed: ArrayLike,
    current: ArrayLike,
    *,
    winding_factor: ArrayLike = 1.0,
    magnet_factor: ArrayLike = 1.0,
) -> FloatArray:
    r"""Power out over power in, whichever way it goes.

    .. math:: \eta = P_m / P_e \quad\text{or}\quad \eta = P_e / P_m

    Parameters
    ----------
    machine, speed, current, winding_factor, magnet_factor
        As for `terminal_voltage`.

    Returns
    -------
    ndarray
        From 0 to 1. Zero where power goes in at both ends (a motor too weakly fed to
        turn itself), or in at one and nothing out; NaN where none goes in.

    Examples
    --------
    >>> big = BrushedMachine(emf_constant=0.64, armature_resistance=0.05)
    >>> efficiency(big, 150.0, [100.0, -20.0, 0.0]).round(4)
    array([0.9505, 0.9896,    nan])
    """
    electrical = terminal_power(
        machine, speed, current, winding_factor=winding_factor, magnet_factor=magnet_factor
    )
    mechanical = shaft_power(machine, speed, current, magnet_factor=magnet_factor)
    given = np.maximum(mechanical, 0.0) + np.maximum(-electrical, 0.0)
    taken = np.maximum(electrical, 0.0) + np.maximum(-mechanical, 0.0)
    share = np.full(np.broadcast(given, taken).shape, np.nan)
    return np.asarray(np.divide(given, taken, out=share, where=taken > 0))
