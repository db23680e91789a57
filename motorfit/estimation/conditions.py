r"""Condition equations of a brushed machine, with their derivatives.

.. math::

    f_1 &= v - k m \kappa \omega (1 - a |i|) - R \rho\, i - V_b \tanh(i/i_0) \\
    f_2 &= \tau - k m \kappa (1 - a |i|)\, i + \lambda (T_0 + b \omega + c \omega^2)

:math:`\kappa` and :math:`\lambda` are one, or the ratio of the second direction's EMF
constant and loss to the first's. Values come from `motorfit.machine`.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.estimation.chain import Evaluated
from motorfit.estimation.circuit import AtMachine, Circuit, Slopes, at_machine
from motorfit.estimation.physics import (
    BRUSH_SHAPE,
    EMF_RATIO,
    INERTIA_FACTOR,
    LOSS_FACTOR,
    LOSS_RATIO,
    MACHINE_PARAMETERS,
    MAGNET_FACTOR,
    RESISTANCE_FACTOR,
    T0,
    B,
    C,
    J,
    K,
    Physics,
    R,
    machine_of,
)
from motorfit.estimation.point import Factors, Point
from motorfit.estimation.rows import (
    BRUSH,
    ERRORS,
    GAIN,
    INERTIA,
    LOAD,
    LOSS,
    MAGNETS,
    READ_TORQUE,
    RESISTANCE,
    WINDING,
    Influence,
    Rows,
    Shares,
)
from motorfit.estimation.solver import Linearised
from motorfit.machine.brushed import BrushedMachine, loss_torque
from motorfit.machine.temperature import magnet_factor, winding_factor

#: No friction is steadier than this share of itself.
_EXACT_LOSS = 1e-4


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
        self.influence, self.free = influence, list(free)
        self.thermal, self.brush_current_scale = thermal, brush_current_scale
        self.friction = friction
        self.weight = np.ones(len(rows))
        self.shares = Shares(influence)
        self._patterns = patterns**2
        self._winding = winding_factor(rows.winding, thermal.reference, thermal.winding_constant)
        self._magnets = magnet_factor(rows.magnets, thermal.reference, thermal.magnet_coefficient)
        self._show(rows)

    def _show(self, rows: Rows) -> None:
        self.rows = rows
        self._known = rows.rounding + rows.unread
        self._shown = np.ascontiguousarray(np.moveaxis(rows.shown, -1, 0))
        circuit = Circuit(rows, self._shown, [0.0] * ERRORS)
        self._nominal = Point(rows, self.brush_current_scale, circuit.values)

    @property
    def nominal(self) -> AtMachine:
        """The readings carried to the machine as they are, without any correction."""
        return at_machine(self.rows, Influence.none(len(self.rows), 0), np.zeros(0))

    def weighted(self, weight: FloatArray) -> BrushedConditions:
        """The same with each row worth ``weight`` (n,) rows: its covariance is divided by that."""
        other = copy(self)
        other.weight = np.asarray(weight, float)
        return other

    def shifted(self, shift: FloatArray) -> BrushedConditions:
        """The same bench had it shown ``shift`` (..., n, 4) more, in SI.

        Leading axes make as many benches of it, and `linearise` then takes as many sets of
        parameters.
        """
        return self.with_rows(replace(self.rows, shown=self.rows.shown + shift))

    def with_rows(self, rows: Rows) -> BrushedConditions:
        """The same bench with other readings in its rows."""
        other = copy(self)
        other._show(rows)
        return other

    def part(self, rows: IntArray) -> BrushedConditions:
        """Some of the rows only."""
        other = copy(self)
        other.influence = self.influence.part(rows)
        other.shares = Shares(other.influence)
        other.weight = self.weight[..., rows]
        other._patterns = self._patterns[:, rows]
        other._winding, other._magnets = self._winding[rows], self._magnets[rows]
        other._show(self.rows.part(rows))
        return other

    @property
    def present(self) -> BoolArray:
        """Which equations exist, (n, 2)."""
        return self.rows.present

    def full(self, theta: FloatArray) -> FloatArray:
        """All of `MACHINE_PARAMETERS`, zero where not free."""
        full = np.zeros(len(MACHINE_PARAMETERS))
        full[self.free] = theta[: len(self.free)]
        return full

    def at(
        self,
        theta: FloatArray,
        *,
        equations: Sequence[int] = (0, 1),
        shift: FloatArray | None = None,
    ) -> Evaluated:
        """What the equations are made of at ``theta`` (..., p + r), each array (..., n)."""
        machine = len(self.free)
        full: list[FloatArray | float] = [0.0] * len(MACHINE_PARAMETERS)
        for place, index in enumerate(self.free):
            full[index] = theta[..., place, None]
        errors = self.shares.total(theta[..., machine:])
        factors = self._factors(errors)
        by_factor = self._factor_slopes(factors, errors[LOSS])
        wanted = {*self.free, *(factor for factor, _ in by_factor)}
        shown = self._shown if shift is None else self._shown + np.moveaxis(shift, -1, 0)
        circuit = Circuit(self.rows, shown, errors)
        point = self._nominal.elsewhere(circuit.values)
        physics = Physics(full, point, factors, wanted=wanted, equations=equations)
        return Evaluated(
            free=self.free,
            errors=self.shares.errors,
            circuit=circuit,
            physics=physics,
            # at the readings as they are, but with all factors: what a gain or a temperature takes
            # from a parameter must leave the weights alone, or they would reward the exchange
            nominal=physics.elsewhere(self._nominal),
            by_factor=by_factor,
        )

    def multiplied(self) -> FloatArray:
        """What is added to each parameter before it multiplies, (p + r,); infinite if it does not.

        Nothing to a constant, one to a gain, the distance from absolute zero to a temperature.
        """
        constants = dict.fromkeys((K, R, T0, B, C, J), 0.0) | {EMF_RATIO: 1.0, LOSS_RATIO: 1.0}
        machine = np.array([constants.get(index, np.inf) for index in self.free])
        nuisance = np.full(self.influence.leads.shape, np.inf)
        whole = dict.fromkeys((*GAIN, LOAD, LOSS, RESISTANCE, INERTIA), 1.0)
        whole[WINDING] = float(np.mean(self._winding)) / self._per_kelvin
        if self.thermal.magnet_coefficient:
            whole[MAGNETS] = float(np.mean(self._magnets)) / self.thermal.magnet_coefficient
        for error, column, share in self.shares.parts:
            if error in whole:
                largest = share[np.arange(len(share)), np.argmax(np.abs(share), axis=1)]
                known = np.isfinite(nuisance[column])
                nuisance[column] = np.where(known, nuisance[column], whole[error] / largest)
        return np.concatenate([machine, nuisance])

    def linearise(self, theta: FloatArray, shift: FloatArray | None = None) -> Linearised:
        """Equations and derivatives; see `motorfit.estimation.solver.Equations`.

        Leading axes of ``theta`` and of the readings are several benches.
        """
        at, present = self.at(theta, shift=shift), self.rows.present
        shape = np.broadcast_shapes((*theta.shape[:-1], 1), self._shown.shape[1:])
        forwards = at.forwards(shape)
        residual = np.stack([at.physics.residual(0), at.physics.residual(1)], axis=-1)
        slopes = np.where(present[..., None, None], forwards.sensitivity_slope, 0.0)
        return Linearised(
            residual=np.where(present, residual, 0.0),
            design=self._by_nuisance(np.where(present[..., None], forwards.design, 0.0)),
            sensitivity=np.where(present[..., None], forwards.sensitivity, 0.0),
            sensitivity_slope=self._by_nuisance(
                slopes.reshape(*slopes.shape[:-3], -1, slopes.shape[-1])
            ).reshape(*slopes.shape[:-1], -1),
        )

    def _by_nuisance(self, slopes: FloatArray) -> FloatArray:
        """From slopes by p machine parameters and e errors to p and the r nuisances."""
        machine, shares = len(self.free), self.shares.by_row
        whole = np.empty((*slopes.shape[:-1], machine + shares.shape[-1]))
        whole[..., :machine] = slopes[..., :machine]
        whole[..., machine:] = slopes[..., machine:] @ shares
        return whole

    def _factors(self, errors: Sequence[FloatArray | float]) -> Factors:
        """Temperatures, runs, positions and brushes as these errors have them."""
        return Factors(
            winding=self._winding + errors[WINDING] * self._per_kelvin,
            position=1.0 + errors[RESISTANCE],
            magnets=self._magnets + self.thermal.magnet_coefficient * errors[MAGNETS],
            # the third of the square makes the estimate the mean of what runs differ by; without
            # it large losses would count for more, with an exponential small ones
            loss=1.0 + errors[LOSS] + np.square(errors[LOSS]) / 3.0,
            inertia=errors[INERTIA],
            brush_shape=errors[BRUSH],
        )

    def _factor_slopes(self, factors: Factors, loss: FloatArray | float) -> Slopes:
        """Change of the factors, by (factor, error)."""
        slopes: Slopes = {
            (RESISTANCE_FACTOR, WINDING): self._per_kelvin * factors.position,
            (RESISTANCE_FACTOR, RESISTANCE): factors.winding,
            (MAGNET_FACTOR, MAGNETS): self.thermal.magnet_coefficient,
            (LOSS_FACTOR, LOSS): 1.0 + 2.0 / 3.0 * loss,
            (BRUSH_SHAPE, BRUSH): 1.0,
            (INERTIA_FACTOR, INERTIA): 1.0,
        }
        return {key: slope for key, slope in slopes.items() if key[1] in self.shares.errors}

    @property
    def _per_kelvin(self) -> float:
        return 1.0 / (self.thermal.winding_constant + self.thermal.reference)

    def reading_covariance(self, scales: FloatArray) -> FloatArray:
        """Covariance of the errors in what was shown, (n, 4, 4)."""
        return self._by_weight(_diagonal(self.reading_variance(scales)))

    def reading_variance(self, scales: FloatArray) -> FloatArray:
        """Variance of the errors in what was shown by a row that counts once, (n, 4)."""
        return np.asarray(self._known + np.tensordot(scales, self._patterns, axes=1))

    def _by_weight(self, covariance: FloatArray) -> FloatArray:
        return np.asarray(covariance / self.weight[..., None, None])

    def patterned(self, component: int) -> FloatArray:
        """Covariance of one component at its usual size, (n, 4, 4)."""
        return self._by_weight(_diagonal(self._patterns[component]))

    @property
    def rounding(self) -> FloatArray:
        """Covariance of the displays' rounding, (n, 4, 4)."""
        return self._by_weight(_diagonal(self.rows.rounding))

    @property
    def known(self) -> FloatArray:
        """Covariance that no scale multiplies: rounding, and what was not read, (n, 4, 4)."""
        return self._by_weight(_diagonal(self._known))

    def own_variance(self, theta: FloatArray, scales: FloatArray) -> FloatArray:
        """What the torque equation lacks: friction that wanders from row to row, (n, 2, 2)."""
        friction = self.friction_variance(theta, scales)
        variance = np.zeros((*friction.shape, 2, 2))
        variance[..., 1, 1] = friction
        return self._by_weight(variance)

    def friction_variance(self, theta: FloatArray, scales: FloatArray) -> FloatArray:
        """Of the torque, by friction that wanders, of a row that counts once, (n,)."""
        full = self.full(theta)
        ratio = 1.0 + full[LOSS_RATIO] * self.rows.reverse
        loss = ratio * loss_torque(self.machine(full), self._nominal.speed)
        # a log of a coasting machine is one run, with one friction; where the solver tries no
        # inertia at all, nothing else would be left of the variance of its torque
        read, coasts = self.rows.torque_from == READ_TORQUE, self.rows.coasting
        share = float(scales @ self.friction**2) * read + _EXACT_LOSS**2 * coasts
        return np.asarray(share * loss**2)

    def machine(self, full: FloatArray) -> BrushedMachine:
        """The machine of a full set of parameters, running."""
        return machine_of(full, self.brush_current_scale)


def _diagonal(variance: FloatArray) -> FloatArray:
    """Matrices (n, 4, 4) of these variances (n, 4)."""
    return np.asarray(variance[..., None] * np.eye(variance.shape[-1]))
