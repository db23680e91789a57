r"""Torque that slows a coasting rotor, from the rate that a log of its run tells.

A log of the speed tells the acceleration itself. One of the terminal voltage, open or on a
resistor (so that :math:`|i|` is in proportion to v), tells it through the voltage equation,
:math:`v - R \rho i - V_b s(i) = c \varphi \omega` with :math:`c = k m \kappa` and
:math:`\varphi = 1 - a |i|`. Its change with time, :math:`\dot i = i \dot v / v`, gives

.. math::

    \dot\omega = \frac{\dot v}{\varphi v} \left( \omega + \frac{V_b G(i)}{c} \right),
    \qquad G(i) = s(i) - i s'(i)

and the torque is :math:`\tau = (J + J_\mathrm{added}) \dot\omega`.
"""

from __future__ import annotations

from functools import cached_property
from typing import Literal, TypeAlias

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.circuit import Amount
from motorfit.estimation.point import Point
from motorfit.estimation.rows import (
    CURRENT,
    RATE_OF_SPEED,
    RATE_OF_VOLTAGE,
    READ_TORQUE,
    SPEED,
    STATED_INERTIA,
    TORQUE,
    VOLTAGE,
)

#: What the torque depends on besides readings: c, Vb, a, J, the error of what was added.
By: TypeAlias = Literal["constant", "drop", "reaction", "inertia", "added"]


class Inertial:
    """Torque of n rows, read or by the acceleration, with its derivatives.

    A row of a stated inertia has what is stated less the inertia in place of a torque.

    Parameters
    ----------
    point : Point
        The readings; their torque is a rate, or an inertia, where `Rows.torque_from` says.
    constant, drop, reaction, inertia, added_error : ndarray or float
        c, Vb, a, J and the relative error of what was put on the shaft.
    flux : ndarray or float
        What armature reaction leaves.
    """

    def __init__(
        self,
        point: Point,
        *,
        constant: Amount,
        drop: Amount,
        reaction: Amount,
        inertia: Amount,
        added_error: Amount,
        flux: Amount,
    ) -> None:
        self.point, self.drop = point, drop
        self.reaction, self.inertia, self.flux = reaction, inertia, flux
        by = point.torque_from
        self.read = np.isin(by, (READ_TORQUE, STATED_INERTIA)).astype(float)
        self.stated = (by == STATED_INERTIA).astype(float)
        self.by_speed = (by == RATE_OF_SPEED).astype(float)
        by_voltage = by == RATE_OF_VOLTAGE
        self.voltage = np.where(by_voltage, point.values[VOLTAGE], 1.0)
        #: 1/c, where it counts; the solver starts from no constant at all
        counts = by_voltage & (np.asarray(constant) != 0)
        self.inverse = counts / np.where(counts, constant, 1.0)
        #: of one volt per second, by the speed alone
        self.per_volt = by_voltage / (flux * self.voltage)
        self.rate = point.values[TORQUE]
        self.whole = inertia + point.added_inertia * (1.0 + added_error)

    @cached_property
    def _fading(self) -> FloatArray:
        """G, the part of the brush drop that does not shrink with the current."""
        point = self.point
        return np.asarray(point.saturation - point.current * point.saturation_slope)

    @cached_property
    def _fading_slope(self) -> FloatArray:
        """Its change with the current."""
        point = self.point
        return np.asarray(
            2.0 * point.current / point.scale * point.saturation * point.saturation_slope
        )

    @cached_property
    def _reach(self) -> FloatArray:
        """Speed, and what of the brush drop is as good as speed."""
        return np.asarray(self.point.speed + self.drop * self._fading * self.inverse)

    @cached_property
    def per_rate(self) -> FloatArray:
        """Acceleration of a rate of one."""
        return np.asarray(self.per_volt * self._reach + self.by_speed)

    @cached_property
    def torque(self) -> FloatArray:
        """At the shaft, negative where the rotor slows."""
        own = self.read * self.rate - self.stated * self.inertia
        return np.asarray(own + self.whole * self.rate * self.per_rate)

    @cached_property
    def _by_rate(self) -> dict[By, FloatArray]:
        """d(torque)/d(what it depends on) of a rate of one."""
        volts = self.whole * self.per_volt
        return {
            "constant": np.asarray(-volts * self.drop * self._fading * self.inverse**2),
            "drop": np.asarray(volts * self._fading * self.inverse),
            "reaction": np.asarray(volts * self._reach * self.point.size / self.flux),
            "inertia": self.per_rate,
            "added": np.asarray(self.point.added_inertia * self.per_rate),
        }

    def slope(self, by: By) -> FloatArray:
        """d(torque)/d(what it depends on)."""
        slope = self.rate * self._by_rate[by]
        return np.asarray(slope - self.stated if by == "inertia" else slope)

    def sensitivity(self, quantity: int) -> FloatArray:
        """d(torque)/d(voltage, speed, current or what was read in place of the torque)."""
        volts = self.whole * self.rate * self.per_volt
        if quantity == TORQUE:
            return np.asarray(self.read + self.whole * self.per_rate)
        if quantity == SPEED:
            return np.asarray(volts)
        if quantity == VOLTAGE:
            return np.asarray(-volts * self._reach / self.voltage)
        return np.asarray(volts * self._by_current)

    @cached_property
    def _by_current(self) -> FloatArray:
        weaker = self._reach * self.reaction * self.point.sign / self.flux
        return np.asarray(self.drop * self._fading_slope * self.inverse + weaker)

    def sensitivity_slope(self, quantity: int, by: By) -> FloatArray:
        """d(`sensitivity`)/d(what it depends on)."""
        if quantity == TORQUE:
            return self._by_rate[by]
        if quantity == VOLTAGE:
            return np.asarray(-self.rate * self._volts(by) / self.voltage)
        if quantity == SPEED:
            return np.asarray(self.rate * self.per_volt * self._scale(by))
        assert quantity == CURRENT
        scaled = self._scale(by) * self._by_current
        return np.asarray(self.rate * self.per_volt * (scaled + self.whole * self._bends(by)))

    def _volts(self, by: By) -> FloatArray:
        """`_by_rate` of the rows that tell by their voltage."""
        return np.asarray(self._by_rate[by] * (self.per_volt != 0))

    def _scale(self, by: By) -> Amount:
        """Change of inertia over flux, times the flux."""
        if by == "inertia":
            return 1.0
        if by == "added":
            return np.asarray(self.point.added_inertia)
        return self.whole * self.point.size / self.flux if by == "reaction" else 0.0

    def _bends(self, by: By) -> Amount:
        """Change of `_by_current`."""
        turned = self.reaction * self.point.sign / self.flux
        if by == "constant":
            bent = self._fading_slope + self._fading * turned
            return np.asarray(-self.drop * bent * self.inverse**2)
        if by == "drop":
            return np.asarray((self._fading_slope + self._fading * turned) * self.inverse)
        if by == "reaction":
            bent = self.point.sign / self.flux + turned * self.point.size / self.flux
            return np.asarray(self._reach * bent)
        return 0.0
