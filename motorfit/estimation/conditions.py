r"""Condition equations of a brushed machine, with their derivatives.

.. math::

    f_1 &= v - k m \kappa \omega (1 - a |i|) - R \rho\, i - V_b \tanh(i/i_0) \\
    f_2 &= \tau - k m \kappa (1 - a |i|)\, i + \lambda (T_0 + b \omega + c \omega^2)

:math:`\kappa` and :math:`\lambda` are one, or the ratio of the second direction's EMF
constant and loss to the first's. Values come from `motorfit.machine`.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.estimation.physics import (
    LOSS_RATIO,
    MACHINE_PARAMETERS,
    Factors,
    Physics,
    R,
    machine_of,
)
from motorfit.estimation.rows import (
    CURRENT,
    SPEED,
    AtMachine,
    Influence,
    Rows,
    at_machine,
)
from motorfit.estimation.solver import Linearised
from motorfit.machine.brushed import BrushedMachine, loss_torque
from motorfit.machine.temperature import magnet_factor, winding_factor


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
        self.weight = np.ones(len(rows))
        self.nominal = at_machine(rows, influence, np.zeros(influence.leads.shape))
        self._rounding = rows.rounding[..., None] * np.eye(4)
        self._patterns = patterns[..., None] ** 2 * np.eye(4)
        self._winding = winding_factor(rows.winding, thermal.reference, thermal.winding_constant)
        self._magnets = magnet_factor(rows.magnets, thermal.reference, thermal.magnet_coefficient)

    def weighted(self, weight: FloatArray) -> BrushedConditions:
        """The same with each row worth ``weight`` (n,) rows: its covariance is divided by that."""
        other = copy(self)
        other.weight = np.asarray(weight, float)
        return other

    def shifted(self, shift: FloatArray) -> BrushedConditions:
        """The same bench had it shown ``shift`` (n, 4) more, in SI."""
        other = copy(self)
        other.rows = replace(self.rows, shown=self.rows.shown + shift)
        other.nominal = at_machine(other.rows, self.influence, np.zeros(self.influence.leads.shape))
        return other

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
        rows = self.rows if shift is None else replace(self.rows, shown=self.rows.shown + shift)
        at = at_machine(rows, self.influence, nuisance)
        factors = self._factors(nuisance)
        physics = Physics(self.rows, self.brush_current_scale, full, at.values, factors)
        # at the readings as they are, but with all factors: what a gain or a temperature takes
        # from a parameter must leave the weights alone, or they would reward the exchange
        nominal = Physics(self.rows, self.brush_current_scale, full, self.nominal.values, factors)
        machine_slopes = physics.machine_slopes()[..., self.free]
        design = np.concatenate([machine_slopes, self._nuisance_slopes(physics, at)], axis=-1)
        sensitivity = nominal.sensitivity() @ at.from_shown
        present = self.rows.present
        return Linearised(
            residual=np.where(present, physics.residual(), 0.0),
            design=np.where(present[..., None], design, 0.0),
            sensitivity=np.where(present[..., None], sensitivity, 0.0),
            sensitivity_slope=np.where(
                present[..., None, None], self._sensitivity_slopes(nominal, at), 0.0
            ),
        )

    def _factors(self, nuisance: FloatArray) -> Factors:
        """Temperatures, runs, positions and brushes as these nuisances have them."""
        influence = self.influence
        warmer = influence.winding @ nuisance * self._per_kelvin
        return Factors(
            winding=self._winding + warmer,
            position=1.0 + influence.resistance @ nuisance,
            magnets=self._magnets
            + self.thermal.magnet_coefficient * (influence.magnets @ nuisance),
            loss=1.0 + influence.loss @ nuisance,
            brush_shape=influence.brush @ nuisance,
        )

    @property
    def _per_kelvin(self) -> float:
        return 1.0 / (self.thermal.winding_constant + self.thermal.reference)

    def _resistance_slopes(self, factors: Factors) -> FloatArray:
        """Change of the resistance's factor with the nuisances, (n, r)."""
        return np.asarray(
            self._per_kelvin * factors.position[:, None] * self.influence.winding
            + factors.winding[:, None] * self.influence.resistance
        )

    def _nuisance_slopes(self, physics: Physics, at: AtMachine) -> FloatArray:
        """df/d(nuisances), (n, 2, r)."""
        influence = self.influence
        slopes = physics.sensitivity() @ at.from_nuisance
        resistive = physics.full[R] * physics.current
        slopes[:, 0] -= resistive[:, None] * self._resistance_slopes(physics.factors)
        slopes[:, 0] -= physics.drop[:, None] * influence.brush
        per_magnet = physics.magnet_slopes() * self.thermal.magnet_coefficient
        slopes += per_magnet[..., None] * influence.magnets[:, None, :]
        slopes[:, 1] += (physics.loss_ratio * physics.loss)[:, None] * influence.loss
        return slopes

    def _sensitivity_slopes(self, physics: Physics, at: AtMachine) -> FloatArray:
        """dA/d(theta), A with respect to what was shown, (n, 2, 4, p + r)."""
        influence = self.influence
        by_machine = physics.sensitivity_slopes()[..., self.free]
        by_factor = np.zeros((len(self.rows), 2, 4, len(influence.leads)))
        by_factor[:, 0, CURRENT] = -physics.full[R] * self._resistance_slopes(physics.factors)
        per_magnet = physics.magnet_sensitivity() * self.thermal.magnet_coefficient
        by_factor += per_magnet[..., None] * influence.magnets[:, None, None, :]
        per_loss = physics.loss_ratio * physics.loss_slope
        by_factor[:, 1, SPEED] += per_loss[:, None] * influence.loss
        carried = np.concatenate([by_machine, by_factor], axis=-1)
        slopes = np.einsum("nmqp,nqs->nmsp", carried, at.from_shown)
        through = np.einsum("nmq,nqsr->nmsr", physics.sensitivity(), at.from_shown_slope)
        slopes[..., len(self.free) :] += through
        return np.asarray(slopes)

    def reading_covariance(self, scales: FloatArray) -> FloatArray:
        """Covariance of the errors in what was shown, (n, 4, 4)."""
        return self._by_weight(self._rounding + np.tensordot(scales, self._patterns, axes=1))

    def _by_weight(self, covariance: FloatArray) -> FloatArray:
        return np.asarray(covariance / self.weight[:, None, None])

    def patterned(self, component: int) -> FloatArray:
        """Covariance of one component at its usual size, (n, 4, 4)."""
        return self._by_weight(self._patterns[component])

    @property
    def rounding(self) -> FloatArray:
        """Covariance of the displays' rounding, (n, 4, 4)."""
        return self._by_weight(self._rounding)

    def own_variance(self, theta: FloatArray, scales: FloatArray) -> FloatArray:
        """What the torque equation lacks: friction that wanders from row to row, (n, 2, 2)."""
        full = self.full(theta)
        ratio = 1.0 + full[LOSS_RATIO] * self.rows.reverse
        loss = ratio * loss_torque(self.machine(full), self.nominal.values[:, SPEED])
        variance = np.zeros((len(self.rows), 2, 2))
        variance[:, 1, 1] = float(scales @ self.friction**2) * loss**2
        return self._by_weight(variance)

    def machine(self, full: FloatArray) -> BrushedMachine:
        """The machine of a full set of parameters, running."""
        return machine_of(full, self.brush_current_scale)
