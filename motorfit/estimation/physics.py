r"""Both equations of a brushed machine with their derivatives, reading by reading.

.. math::

    f_1 &= v - k m \kappa \omega (1 - a |i|) - R \rho\, i - V_b \tanh(i/i_0) \\
    f_2 &= \tau - k m \kappa (1 - a |i|)\, i + \lambda (T_0 + b \omega + c \omega^2)

The values come from `motorfit.machine`; only the derivatives are written out here.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from functools import cached_property, partial
from typing import TypeAlias

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.circuit import Amount, Slopes
from motorfit.estimation.inertia import By, Inertial
from motorfit.estimation.point import Factors, Point
from motorfit.estimation.rows import CURRENT, READ, SPEED, TORQUE, VOLTAGE
from motorfit.machine.brushed import (
    BRUSH_SCALE_FACTOR,
    BrushedMachine,
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
    "moment_of_inertia",
)
K, R, VB, T0, B, C, A, VBS, EMF_RATIO, LOSS_RATIO, J = range(len(MACHINE_PARAMETERS))


def machine_of(full: Sequence[Amount] | FloatArray, brush_current_scale: float) -> BrushedMachine:
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


def brush_shape_doubts(current: FloatArray, scale: float) -> FloatArray:
    r"""By how much the brush drop's shape may be off at each current, relative to Vb.

    The scale i0 may be three times smaller or larger. It is the same for all readings,
    so that repeats do not average it away:

    .. math::

        s(i) = \tanh(i/i_0) + \delta_1 h_1(i) + \delta_2 h_2(i), \qquad |\delta_j| \le 1

    with :math:`h_1 = \tanh(3 i/i_0) - \tanh(i/i_0)`, the drop that fades at a smaller
    current, and :math:`h_2 = \tanh(i/i_0) - \tanh(i/3 i_0)`, at a larger one. So either
    end of the factor is met exactly.

    Parameters
    ----------
    current : ndarray, shape (n,)
        Armature current. [A]
    scale : float
        i0. [A]

    Returns
    -------
    ndarray, shape (2, n)
        h, with the sign of the current; zero far above i0 and at no current.
    """
    size = np.abs(current) / scale
    here = np.tanh(size)
    higher, lower = np.tanh(BRUSH_SCALE_FACTOR * size), np.tanh(size / BRUSH_SCALE_FACTOR)
    return np.asarray(np.sign(current) * np.stack([higher - here, here - lower]))


#: What the circumstances of a reading do to the parameters: more places to differentiate by.
FACTORS = ("resistance", "magnets", "loss", "brush_shape", "added_inertia")
RESISTANCE_FACTOR, MAGNET_FACTOR, LOSS_FACTOR, BRUSH_SHAPE, INERTIA_FACTOR = range(
    len(MACHINE_PARAMETERS), len(MACHINE_PARAMETERS) + len(FACTORS)
)


class Physics:
    """Both equations and their derivatives at one set of readings.

    Derivatives are by the `MACHINE_PARAMETERS` and, numbered after them, the `FACTORS`.
    Each is one array that broadcasts to (..., n); leading axes of parameters and readings
    are several sets of them.

    Parameters
    ----------
    full : sequence of ndarray or float
        All of `MACHINE_PARAMETERS`, each a number or an array (..., 1).
    point : Point
        The readings.
    factors : Factors
        What the readings' circumstances make of the parameters.
    wanted : collection of int
        What to differentiate by.
    equations : sequence of int
        Which of the two to differentiate.
    """

    def __init__(
        self,
        full: Sequence[Amount],
        point: Point,
        factors: Factors,
        *,
        wanted: Collection[int],
        equations: Sequence[int] = (0, 1),
    ) -> None:
        self.full, self.point, self.factors = full, point, factors
        self.wanted, self.equations = wanted, equations
        self.resistance = factors.winding * factors.position
        self.loss_ratio = 1.0 + full[LOSS_RATIO] * point.reverse
        self.magnets = factors.magnets * (1.0 + full[EMF_RATIO] * point.reverse)
        self.other_magnets = factors.magnets * point.reverse
        self.resistive = full[R] * self.resistance
        self.drop = point.by_rotor(full[VB], full[VBS])
        self.machine = replace(machine_of(full, point.scale), brush_drop=self.drop)
        self.reacts = bool(np.any(full[A]))
        self.constant = full[K] * self.magnets
        self.loss_factor = self.loss_ratio * factors.loss * point.losing

    def elsewhere(self, point: Point) -> Physics:
        """The same machine at other readings of the same rows."""
        return Physics(self.full, point, self.factors, wanted=self.wanted, equations=self.equations)

    @cached_property
    def flux(self) -> Amount:
        """Share of the flux that armature reaction leaves."""
        return flux_factor(self.machine, self.point.current) if self.reacts else 1.0

    @cached_property
    def inertial(self) -> Inertial:
        """Torque where it is not read but told by the rate at which the rotor slows."""
        return Inertial(
            self.point,
            constant=self.constant,
            drop=self.drop,
            reaction=self.full[A],
            inertia=self.full[J],
            added_error=self.factors.inertia,
            flux=self.flux,
        )

    @cached_property
    def loss(self) -> FloatArray:
        """Loss torque of the first direction."""
        return loss_torque(self.machine, self.point.speed)

    @cached_property
    def loss_slope(self) -> Amount:
        """Its change with speed."""
        return self.full[B] + 2.0 * self.full[C] * self.point.speed

    @cached_property
    def flux_slope(self) -> FloatArray:
        """Change of flux times current with the current."""
        return np.asarray(1.0 - 2.0 * self.full[A] * self.point.size)

    def residual(self, equation: int) -> FloatArray:
        """f of one equation."""
        point, factors = self.point, self.factors
        if equation == 0:
            voltage = terminal_voltage(
                self.machine,
                point.speed,
                point.current,
                winding_factor=self.resistance,
                magnet_factor=self.magnets,
            )
            return np.asarray(
                point.values[VOLTAGE] - (voltage + self.drop * factors.brush_shape), float
            )
        torque = shaft_torque(self.machine, point.speed, point.current, magnet_factor=self.magnets)
        extra = (self.loss_factor - 1.0) * self.loss
        at_shaft = self.inertial.torque if point.any_inertial else point.values[TORQUE]
        return np.asarray(at_shaft - torque + extra, float)

    def slopes(self) -> Slopes:
        """df, by (equation, what by)."""
        k, point = self.full[K], self.point
        speed, current, factor = point.speed, point.current, self.magnets
        loss_factor = self.loss_factor

        def brush() -> FloatArray:
            return np.asarray(point.saturation + self.factors.brush_shape)

        formulas: _Formulas = {
            (0, K): lambda: -factor * self.flux * speed,
            (0, R): lambda: -self.resistance * current,
            (0, VB): lambda: -brush() * point.running,
            (0, VBS): lambda: -brush() * point.standing,
            (0, A): lambda: k * factor * speed * point.size,
            (0, EMF_RATIO): lambda: -k * self.other_magnets * self.flux * speed,
            (0, RESISTANCE_FACTOR): lambda: -self.full[R] * current,
            (0, MAGNET_FACTOR): lambda: -k * self._ratio * self.flux * speed,
            (0, BRUSH_SHAPE): lambda: -self.drop,
            (1, K): lambda: -factor * self.flux * current,
            (1, T0): lambda: loss_factor,
            (1, B): lambda: loss_factor * speed,
            (1, C): lambda: loss_factor * speed**2,
            (1, A): lambda: k * factor * point.size * current,
            (1, EMF_RATIO): lambda: -k * self.other_magnets * self.flux * current,
            (1, LOSS_RATIO): lambda: self.loss * point.reverse * self.factors.loss * point.losing,
            (1, MAGNET_FACTOR): lambda: -k * self._ratio * self.flux * current,
            (1, LOSS_FACTOR): lambda: self.loss_ratio * self.loss * point.losing,
        }
        if point.any_inertial:
            for by, (of, carried) in self._through_inertia.items():
                formulas[1, by] = _plus(
                    formulas.get((1, by)), _inertial(self.inertial.slope, of, carried)
                )
        return self._wanted(formulas)

    @cached_property
    def sensitivity(self) -> Slopes:
        """A = df/d(values), by (equation, quantity)."""
        k, a, point = self.constant, self.full[A], self.point
        slopes: Slopes = {}
        if 0 in self.equations:
            resistive = self.resistive + self.drop * point.saturation_slope
            slopes[0, VOLTAGE] = 1.0
            slopes[0, SPEED] = -k * self.flux if self.reacts else -k
            slopes[0, CURRENT] = (
                k * point.speed * a * point.sign - resistive if self.reacts else -resistive
            )
        if 1 in self.equations:
            slopes[1, TORQUE] = 1.0
            slopes[1, SPEED] = self.loss_factor * self.loss_slope
            slopes[1, CURRENT] = -k * self.flux_slope
            if point.any_inertial:
                inertial = self.inertial.sensitivity
                slopes[1, TORQUE], slopes[1, VOLTAGE] = inertial(TORQUE), inertial(VOLTAGE)
                slopes[1, SPEED] = slopes[1, SPEED] + inertial(SPEED)
                slopes[1, CURRENT] = slopes[1, CURRENT] + inertial(CURRENT)
        return slopes

    def sensitivity_slopes(self) -> Slopes:
        """dA, by (equation, quantity, what by)."""
        k, a, point = self.full[K], self.full[A], self.point
        factor, other, ratio = self.magnets, self.other_magnets, self._ratio
        loss_factor = self.loss_factor

        def weakened() -> FloatArray:
            return np.asarray(point.speed * a * point.sign)

        formulas: _Formulas = {
            (0, SPEED, K): lambda: -factor * self.flux,
            (0, SPEED, A): lambda: k * factor * point.size,
            (0, SPEED, EMF_RATIO): lambda: -k * other * self.flux,
            (0, SPEED, MAGNET_FACTOR): lambda: -k * ratio * self.flux,
            (0, CURRENT, A): lambda: k * factor * point.speed * point.sign,
            (0, CURRENT, R): lambda: -self.resistance,
            (0, CURRENT, VB): lambda: -point.saturation_slope * point.running,
            (0, CURRENT, VBS): lambda: -point.saturation_slope * point.standing,
            (0, CURRENT, RESISTANCE_FACTOR): lambda: -self.full[R],
            (1, SPEED, B): lambda: loss_factor,
            (1, SPEED, C): lambda: 2.0 * loss_factor * point.speed,
            (1, SPEED, LOSS_RATIO): lambda: (
                self.loss_slope * point.reverse * self.factors.loss * point.losing
            ),
            (1, SPEED, LOSS_FACTOR): lambda: self.loss_ratio * self.loss_slope * point.losing,
            (1, CURRENT, K): lambda: -factor * self.flux_slope,
            (1, CURRENT, A): lambda: 2.0 * k * factor * point.size,
            (1, CURRENT, EMF_RATIO): lambda: -k * other * self.flux_slope,
            (1, CURRENT, MAGNET_FACTOR): lambda: -k * ratio * self.flux_slope,
        }
        if self.reacts:
            formulas |= {
                (0, CURRENT, K): lambda: factor * weakened(),
                (0, CURRENT, EMF_RATIO): lambda: k * other * weakened(),
                (0, CURRENT, MAGNET_FACTOR): lambda: k * ratio * weakened(),
            }
        if point.any_inertial:
            for quantity in range(len(READ)):
                for by, (of, carried) in self._through_inertia.items():
                    key = (1, quantity, by)
                    slope = partial(self.inertial.sensitivity_slope, quantity)
                    formulas[key] = _plus(formulas.get(key), _inertial(slope, of, carried))
        return self._wanted(formulas)

    @property
    def _through_inertia(self) -> dict[int, tuple[By, Amount]]:
        """What the inertial torque depends on, by parameter or factor, and how much it is of it."""
        k = self.full[K]
        return {
            K: ("constant", self.magnets),
            MAGNET_FACTOR: ("constant", k * self._ratio),
            EMF_RATIO: ("constant", k * self.other_magnets),
            VB: ("drop", self.point.running),
            A: ("reaction", 1.0),
            J: ("inertia", 1.0),
            INERTIA_FACTOR: ("added", 1.0),
        }

    @property
    def _ratio(self) -> FloatArray:
        """EMF constant over that of the first direction."""
        return np.asarray(1.0 + self.full[EMF_RATIO] * self.point.reverse)

    def _wanted(self, formulas: _Formulas) -> Slopes:
        return {
            key: formula()
            for key, formula in formulas.items()
            if key[0] in self.equations and key[-1] in self.wanted
        }


_Formulas: TypeAlias = dict[tuple[int, ...], Callable[[], Amount]]


def _inertial(slope: Callable[[By], FloatArray], of: By, carried: Amount) -> Callable[[], Amount]:
    return lambda: slope(of) * carried


def _plus(first: Callable[[], Amount] | None, second: Callable[[], Amount]) -> Callable[[], Amount]:
    """The sum of two formulas, made when it is wanted."""
    return second if first is None else lambda: first() + second()
