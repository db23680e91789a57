r"""Both equations of a brushed machine with their derivatives, reading by reading.

.. math::

    f_1 &= v - k m \kappa \omega (1 - a |i|) - R \rho\, i - V_b \tanh(i/i_0) \\
    f_2 &= \tau - k m \kappa (1 - a |i|)\, i + \lambda (T_0 + b \omega + c \omega^2)

The values come from `motorfit.machine`; only the derivatives are written out here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.rows import CURRENT, SPEED, TORQUE, VOLTAGE, Rows
from motorfit.machine.brushed import (
    BRUSH_SCALE_FACTOR,
    BrushedMachine,
    brush_saturation,
    flux_factor,
    loss_torque,
    shaft_torque,
    terminal_voltage,
)

#: Every parameter of the machine that the equations know, in order.
MACHINE_PARAMETERS = (
    "emf_constant",
    "armature_resistance",
    "brush_drop",
    "coulomb_torque",
    "viscous_coefficient",
    "windage_coefficient",
    "armature_reaction",
    "standing_brush_drop",  # rotor held; differs from the running one
    "emf_ratio",  # second direction's EMF constant over the first's, less one
    "loss_ratio",  # second direction's loss over the first's, less one
)
K, R, VB, T0, B, C, A, VBS, EMF_RATIO, LOSS_RATIO = range(len(MACHINE_PARAMETERS))


def machine_of(full: FloatArray, brush_current_scale: float) -> BrushedMachine:
    """The running machine of a full set of `MACHINE_PARAMETERS`."""
    return BrushedMachine(
        emf_constant=full[K],
        armature_resistance=full[R],
        brush_drop=full[VB],
        coulomb_torque=full[T0],
        viscous_coefficient=full[B],
        windage_coefficient=full[C],
        armature_reaction=full[A],
        brush_current_scale=brush_current_scale,
    )


def brush_shape_doubt(current: FloatArray, scale: float) -> FloatArray:
    r"""By how much the brush drop's shape may be off at each current, relative to Vb.

    The scale i0 may be three times smaller or larger. It is the same for all readings,
    so that repeats do not average it away:

    .. math:: s(i) = \tanh(i/i_0) + \delta\, h(i), \qquad |\delta| \le 1

    with h the larger of what either end changes,
    :math:`\tanh(3 i/i_0) - \tanh(i/i_0)` and :math:`\tanh(i/i_0) - \tanh(i/3 i_0)`.

    Parameters
    ----------
    current : ndarray, shape (n,)
        Armature current. [A]
    scale : float
        i0. [A]

    Returns
    -------
    ndarray, shape (n,)
        h, with the sign of the current; zero far above i0 and at no current.
    """
    size = np.abs(current) / scale
    here = np.tanh(size)
    higher, lower = np.tanh(BRUSH_SCALE_FACTOR * size), np.tanh(size / BRUSH_SCALE_FACTOR)
    return np.asarray(np.sign(current) * np.maximum(higher - here, here - lower))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Factors:
    """Circumstances of each reading relative to the reference; every array is (n,)."""

    winding: FloatArray  # resistance, by temperature
    position: FloatArray  # resistance, by rotor position
    magnets: FloatArray  # EMF constant, by temperature
    loss: FloatArray  # loss torque, by run
    brush_shape: FloatArray  # added to the saturation of the brush drop


class Physics:
    """Both equations and their derivatives at one set of readings.

    Parameters
    ----------
    rows : Rows
        Which of the n readings are of a held rotor, and in which direction it turned.
    brush_current_scale : float
        i0. [A]
    full : ndarray, shape (10,)
        All of `MACHINE_PARAMETERS`.
    values : ndarray, shape (n, 4)
        Voltage, speed, current and torque at the machine.
    factors : Factors
        What the readings' circumstances make of the parameters.
    """

    def __init__(
        self,
        rows: Rows,
        brush_current_scale: float,
        full: FloatArray,
        values: FloatArray,
        factors: Factors,
    ) -> None:
        self.full, self.values, self.factors = full, values, factors
        self.winding = factors.winding * factors.position
        self.speed, self.current = values[:, SPEED], values[:, CURRENT]
        self.standing, self.reverse = rows.standing, rows.reverse
        self.emf_ratio = 1.0 + full[EMF_RATIO] * self.reverse
        self.loss_ratio = 1.0 + full[LOSS_RATIO] * self.reverse
        self.magnets, self.loss_factor = factors.magnets, factors.loss
        self.scale = brush_current_scale
        self.saturation = brush_saturation(self.current, self.scale)
        self.brush_shape = factors.brush_shape
        running = machine_of(full, brush_current_scale)
        drop = np.where(self.standing, full[VBS], full[VB])
        self.drop = drop
        self.machine = replace(running, brush_drop=drop)
        self.flux = flux_factor(running, self.current)
        self.loss = loss_torque(running, self.speed)
        self.loss_slope = full[B] + 2.0 * full[C] * self.speed

    def residual(self) -> FloatArray:
        """f, (n, 2)."""
        voltage = terminal_voltage(
            self.machine,
            self.speed,
            self.current,
            winding_factor=self.winding,
            magnet_factor=self.magnets * self.emf_ratio,
        )
        torque = shaft_torque(
            self.machine, self.speed, self.current, magnet_factor=self.magnets * self.emf_ratio
        )
        extra = (self.loss_ratio * self.loss_factor - 1.0) * self.loss
        voltage = voltage + self.drop * self.brush_shape
        return np.stack(
            [self.values[:, VOLTAGE] - voltage, self.values[:, TORQUE] - torque + extra], axis=-1
        )

    def machine_slopes(self) -> FloatArray:
        """df/d(machine parameters), (n, 2, 10)."""
        k = self.full[K]
        speed, current, factor = self.speed, self.current, self.magnets * self.emf_ratio
        loss_factor = self.loss_ratio * self.loss_factor
        slopes = np.zeros((len(speed), 2, len(MACHINE_PARAMETERS)))
        slopes[:, 0, K] = -factor * self.flux * speed
        slopes[:, 0, R] = -self.winding * current
        brush = self.saturation + self.brush_shape
        slopes[:, 0, VB] = -brush * ~self.standing
        slopes[:, 0, VBS] = -brush * self.standing
        slopes[:, 0, A] = k * factor * speed * np.abs(current)
        slopes[:, 0, EMF_RATIO] = -k * self.magnets * self.reverse * self.flux * speed
        slopes[:, 1, K] = -factor * self.flux * current
        slopes[:, 1, T0] = loss_factor
        slopes[:, 1, B] = loss_factor * speed
        slopes[:, 1, C] = loss_factor * speed**2
        slopes[:, 1, A] = k * factor * np.abs(current) * current
        slopes[:, 1, EMF_RATIO] = -k * self.magnets * self.reverse * self.flux * current
        slopes[:, 1, LOSS_RATIO] = self.loss * self.reverse * self.loss_factor
        return slopes

    def magnet_slopes(self) -> FloatArray:
        """df/dm, (n, 2)."""
        emf = self.full[K] * self.emf_ratio * self.flux
        return np.stack([-emf * self.speed, -emf * self.current], axis=-1)

    def sensitivity(self) -> FloatArray:
        """A = df/d(voltage, speed, current, torque), (n, 2, 4)."""
        k, a = self.full[K] * self.magnets * self.emf_ratio, self.full[A]
        slopes = np.zeros((len(self.speed), 2, 4))
        slopes[:, 0, VOLTAGE] = 1.0
        slopes[:, 0, SPEED] = -k * self.flux
        slopes[:, 0, CURRENT] = (
            k * self.speed * a * np.sign(self.current)
            - self.full[R] * self.winding
            - self.drop * (1.0 - self.saturation**2) / self.scale
        )
        slopes[:, 1, TORQUE] = 1.0
        slopes[:, 1, SPEED] = self.loss_ratio * self.loss_factor * self.loss_slope
        slopes[:, 1, CURRENT] = -k * (1.0 - 2.0 * a * np.abs(self.current))
        return slopes

    def magnet_sensitivity(self) -> FloatArray:
        """dA/dm, (n, 2, 4)."""
        constant, a = self.full[K] * self.emf_ratio, self.full[A]
        slopes = np.zeros((len(self.speed), 2, 4))
        slopes[:, 0, SPEED] = -constant * self.flux
        slopes[:, 0, CURRENT] = constant * self.speed * a * np.sign(self.current)
        slopes[:, 1, CURRENT] = -constant * (1.0 - 2.0 * a * np.abs(self.current))
        return slopes

    def sensitivity_slopes(self) -> FloatArray:
        """dA/d(machine parameters), (n, 2, 4, 10)."""
        k, a, sign = self.full[K], self.full[A], np.sign(self.current)
        factor, size = self.magnets * self.emf_ratio, np.abs(self.current)
        other = self.magnets * self.reverse
        gradient = (1.0 - self.saturation**2) / self.scale
        slopes = np.zeros((len(self.speed), 2, 4, len(MACHINE_PARAMETERS)))
        slopes[:, 0, SPEED, K] = -factor * self.flux
        slopes[:, 0, SPEED, A] = k * factor * size
        slopes[:, 0, SPEED, EMF_RATIO] = -k * other * self.flux
        slopes[:, 0, CURRENT, K] = factor * self.speed * a * sign
        slopes[:, 0, CURRENT, A] = k * factor * self.speed * sign
        slopes[:, 0, CURRENT, EMF_RATIO] = k * other * self.speed * a * sign
        slopes[:, 0, CURRENT, R] = -self.winding
        slopes[:, 0, CURRENT, VB] = -gradient * ~self.standing
        slopes[:, 0, CURRENT, VBS] = -gradient * self.standing
        slopes[:, 1, SPEED, B] = self.loss_ratio * self.loss_factor
        slopes[:, 1, SPEED, C] = 2.0 * self.loss_ratio * self.loss_factor * self.speed
        slopes[:, 1, SPEED, LOSS_RATIO] = self.loss_slope * self.reverse * self.loss_factor
        slopes[:, 1, CURRENT, K] = -factor * (1.0 - 2.0 * a * size)
        slopes[:, 1, CURRENT, A] = 2.0 * k * factor * size
        slopes[:, 1, CURRENT, EMF_RATIO] = -k * other * (1.0 - 2.0 * a * size)
        return slopes
