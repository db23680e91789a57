r"""Condition equations of a brushed machine, with their derivatives.

.. math::

    f_1 &= v - k m \kappa \omega (1 - a |i|) - R \rho\, i - V_b \tanh(i/i_0) \\
    f_2 &= \tau - k m \kappa (1 - a |i|)\, i + \lambda (T_0 + b \omega + c \omega^2)

:math:`\kappa` and :math:`\lambda` are one, or the ratio of the second direction's EMF
constant and loss to the first's. Values come from `motorfit.machine`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.estimation.rows import (
    CURRENT,
    SPEED,
    TORQUE,
    VOLTAGE,
    AtMachine,
    Influence,
    Rows,
    at_machine,
)
from motorfit.estimation.solver import Linearised
from motorfit.machine.brushed import (
    BrushedMachine,
    brush_saturation,
    flux_factor,
    loss_torque,
    shaft_torque,
    terminal_voltage,
)
from motorfit.machine.temperature import magnet_factor, winding_factor

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

#: Below this many i0 the shape of the brush drop is the model's guess.
UNSURE_BELOW = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Thermal:
    """Temperatures that the parameters are reported at, and how they carry over."""

    reference: float  # [degC]
    winding_constant: float  # [K]
    magnet_coefficient: float  # [1/K], zero where the magnets are unknown


class BrushedConditions:
    """Condition equations of all rows of a bench, for `motorfit.estimation.solver`.

    The parameters are the free ones of `MACHINE_PARAMETERS`, then the nuisances.

    Parameters
    ----------
    rows : Rows
        n readings.
    influence : Influence
        How r nuisances enter them.
    free : tuple of int
        Indices of the free machine parameters; the others are zero.
    thermal : Thermal
        Reference temperature and coefficients.
    brush_current_scale : float
        i0. [A]
    patterns : ndarray, shape (c, n, 4)
        Usual standard deviation of each variance component in what was shown.
    friction : ndarray, shape (c,)
        Usual relative standard deviation of the loss torque from row to row, zero but
        for the component that is friction.
    """

    def __init__(
        self,
        rows: Rows,
        influence: Influence,
        *,
        free: tuple[int, ...],
        thermal: Thermal,
        brush_current_scale: float,
        patterns: FloatArray,
        friction: FloatArray,
    ) -> None:
        self.rows, self.influence, self.free = rows, influence, list(free)
        self.thermal, self.brush_current_scale = thermal, brush_current_scale
        self.friction = friction
        self.nominal = at_machine(rows, influence, np.zeros(influence.leads.shape))
        through = self.nominal.from_shown
        self._rounding = (through * rows.rounding[:, None, :]) @ through.swapaxes(-1, -2)
        self._patterns = (through * patterns[:, :, None, :] ** 2) @ through.swapaxes(-1, -2)
        self._winding = winding_factor(rows.winding, thermal.reference, thermal.winding_constant)
        self._magnets = magnet_factor(rows.magnets, thermal.reference, thermal.magnet_coefficient)

    @property
    def names(self) -> tuple[str, ...]:
        """Free machine parameters, then numbered nuisances."""
        machine = tuple(MACHINE_PARAMETERS[index] for index in self.free)
        return machine + tuple(f"nuisance {i}" for i in range(len(self.influence.leads)))

    @property
    def present(self) -> BoolArray:
        """Which equations exist, (n, 2)."""
        return self.rows.present

    def full(self, theta: FloatArray) -> FloatArray:
        """All of `MACHINE_PARAMETERS`, zero where not free."""
        full = np.zeros(len(MACHINE_PARAMETERS))
        full[self.free] = theta[: len(self.free)]
        return full

    def linearise(self, theta: FloatArray, shift: FloatArray | None = None) -> Linearised:
        """Equations and derivatives; see `motorfit.estimation.solver.Equations`."""
        full, nuisance = self.full(theta), theta[len(self.free) :]
        at = at_machine(self.rows, self.influence, nuisance)
        if shift is not None:
            at = replace(at, values=at.values + shift)
        winding = self._winding + (self.influence.winding @ nuisance) / (
            self.thermal.winding_constant + self.thermal.reference
        )
        position = 1.0 + self.influence.resistance @ nuisance
        magnets = self._magnets + self.thermal.magnet_coefficient * (
            self.influence.magnets @ nuisance
        )
        loss_factor = 1.0 + self.influence.loss @ nuisance
        physics = _Physics(self, full, at.values, winding * position, magnets, loss_factor)
        nominal = _Physics(
            self,
            full,
            self.nominal.values,
            self._winding,
            self._magnets,
            np.ones(len(self.rows)),
        )
        machine_slopes = nominal.sensitivity_slopes()[..., self.free]
        nuisance_slopes = np.zeros((*machine_slopes.shape[:-1], len(nuisance)))
        design = np.concatenate(
            [
                physics.machine_slopes()[..., self.free],
                self._nuisance_slopes(physics, at, winding, position),
            ],
            axis=-1,
        )
        slopes = np.concatenate([machine_slopes, nuisance_slopes], axis=-1)
        present = self.rows.present
        return Linearised(
            residual=np.where(present, physics.residual(), 0.0),
            design=np.where(present[..., None], design, 0.0),
            sensitivity=np.where(present[..., None], nominal.sensitivity(), 0.0),
            sensitivity_slope=np.where(present[..., None, None], slopes, 0.0),
        )

    def _nuisance_slopes(
        self, physics: _Physics, at: AtMachine, winding: FloatArray, position: FloatArray
    ) -> FloatArray:
        slopes = physics.sensitivity() @ at.from_nuisance
        thermal, influence = self.thermal, self.influence
        per_kelvin = 1.0 / (thermal.winding_constant + thermal.reference)
        per_factor = -physics.full[R] * physics.current
        slopes[:, 0] += (per_factor * per_kelvin * position)[:, None] * influence.winding
        slopes[:, 0] += (per_factor * winding)[:, None] * influence.resistance
        per_magnet = physics.magnet_slopes() * thermal.magnet_coefficient
        slopes += per_magnet[..., None] * influence.magnets[:, None, :]
        slopes[:, 1] += (physics.loss_ratio * physics.loss)[:, None] * influence.loss
        return slopes

    def reading_covariance(self, scales: FloatArray) -> FloatArray:
        """Covariance of the readings' own errors, carried to the machine, (n, 4, 4)."""
        return np.asarray(self._rounding + np.tensordot(scales, self._patterns, axes=1))

    def patterned(self, component: int) -> FloatArray:
        """Covariance of one component at its usual size, (n, 4, 4)."""
        return np.asarray(self._patterns[component])

    @property
    def rounding(self) -> FloatArray:
        """Covariance of the displays' rounding, (n, 4, 4)."""
        return np.asarray(self._rounding)

    def own_variance(self, theta: FloatArray, scales: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What the equations themselves lack: see `brush_doubt` and friction, with slopes."""
        full = self.full(theta)
        current, speed = self.nominal.values[:, CURRENT], self.nominal.values[:, SPEED]
        variance = np.zeros((len(self.rows), 2, 2))
        slope = np.zeros((len(self.rows), 2, 2, len(MACHINE_PARAMETERS)))
        doubt = brush_doubt(current, self.brush_current_scale) ** 2
        running, standing = ~self.rows.standing, self.rows.standing
        drop = np.where(standing, full[VBS], full[VB])
        variance[:, 0, 0] = doubt * drop**2
        slope[:, 0, 0, VB] = 2.0 * doubt * drop * running
        slope[:, 0, 0, VBS] = 2.0 * doubt * drop * standing

        machine = self.machine(full)
        ratio = 1.0 + full[LOSS_RATIO] * self.rows.reverse
        loss = loss_torque(machine, speed)
        wander = float(scales @ self.friction**2)
        variance[:, 1, 1] = wander * (ratio * loss) ** 2
        for index, part in ((T0, np.ones_like(speed)), (B, speed), (C, speed**2)):
            slope[:, 1, 1, index] = 2.0 * wander * ratio**2 * loss * part
        slope[:, 1, 1, LOSS_RATIO] = 2.0 * wander * ratio * loss**2 * self.rows.reverse
        chosen = slope[..., self.free]
        padding = np.zeros((*chosen.shape[:-1], len(self.influence.leads)))
        return variance, np.concatenate([chosen, padding], axis=-1)

    def machine(self, full: FloatArray) -> BrushedMachine:
        """The machine of a full set of parameters, running."""
        return BrushedMachine(
            emf_constant=full[K],
            armature_resistance=full[R],
            brush_drop=full[VB],
            coulomb_torque=full[T0],
            viscous_coefficient=full[B],
            windage_coefficient=full[C],
            armature_reaction=full[A],
            brush_current_scale=self.brush_current_scale,
        )


def brush_doubt(current: FloatArray, scale: float) -> FloatArray:
    r"""Standard uncertainty of the brush drop's shape at small currents, relative to Vb.

    The scale i0 may be three times smaller or larger; half the spread of tanh between
    the two is a rectangular half-width:

    .. math:: u = \frac{\tanh(3|i|/i_0) - \tanh(|i|/3 i_0)}{2\sqrt{3}}, \quad |i| < 5 i_0

    Parameters
    ----------
    current : ndarray, shape (n,)
        [A]
    scale : float
        i0. [A]

    Returns
    -------
    ndarray, shape (n,)
        Zero from `UNSURE_BELOW` scales on.
    """
    ratio = np.abs(current) / scale
    spread = np.tanh(3.0 * ratio) - np.tanh(ratio / 3.0)
    return np.asarray(np.where(ratio < UNSURE_BELOW, spread / (2.0 * np.sqrt(3.0)), 0.0))


class _Physics:
    """Both equations and their derivatives at one set of readings."""

    def __init__(
        self,
        conditions: BrushedConditions,
        full: FloatArray,
        values: FloatArray,
        winding: FloatArray,
        magnets: FloatArray,
        loss_factor: FloatArray,
    ) -> None:
        self.full, self.values, self.winding = full, values, winding
        self.speed, self.current = values[:, SPEED], values[:, CURRENT]
        self.standing, self.reverse = conditions.rows.standing, conditions.rows.reverse
        self.emf_ratio = 1.0 + full[EMF_RATIO] * self.reverse
        self.loss_ratio = 1.0 + full[LOSS_RATIO] * self.reverse
        self.magnets, self.loss_factor = magnets, loss_factor
        self.scale = conditions.brush_current_scale
        self.saturation = brush_saturation(self.current, self.scale)
        running = conditions.machine(full)
        drop = np.where(self.standing, full[VBS], full[VB])
        self.drop = drop
        self.machine = replace(running, brush_drop=drop)
        self.flux = flux_factor(running, self.current)
        self.loss = loss_torque(running, self.speed)

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
        slopes[:, 0, VB] = -self.saturation * ~self.standing
        slopes[:, 0, VBS] = -self.saturation * self.standing
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
        slopes[:, 1, SPEED] = (
            self.loss_ratio * self.loss_factor * (self.full[B] + 2.0 * self.full[C] * self.speed)
        )
        slopes[:, 1, CURRENT] = -k * (1.0 - 2.0 * a * np.abs(self.current))
        return slopes

    def sensitivity_slopes(self) -> FloatArray:
        """dA/d(machine parameters), (n, 2, 4, 10)."""
        k, a, sign = self.full[K], self.full[A], np.sign(self.current)
        factor, size = self.magnets * self.emf_ratio, np.abs(self.current)
        other = self.magnets * self.reverse
        gradient = (1.0 - self.saturation**2) / self.scale
        loss_slope = self.full[B] + 2.0 * self.full[C] * self.speed
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
        slopes[:, 1, SPEED, LOSS_RATIO] = loss_slope * self.reverse * self.loss_factor
        slopes[:, 1, CURRENT, K] = -factor * (1.0 - 2.0 * a * size)
        slopes[:, 1, CURRENT, A] = 2.0 * k * factor * size
        slopes[:, 1, CURRENT, EMF_RATIO] = -k * other * (1.0 - 2.0 * a * size)
        return slopes
