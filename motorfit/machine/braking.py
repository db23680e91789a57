"""The torque balance of a machine that brakes itself on a resistor, integrated over time.

The speed is explicit in the current and not the other way round, so the current is what
is integrated, in plain numbers: it falls from step to step until the machine stands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray
from motorfit.machine.brushed import BrushedMachine


@dataclass(frozen=True, slots=True, kw_only=True)
class Brake:
    """The torque balance in plain numbers, by the current x that the machine gives."""

    constant: float  # EMF constant, the magnets as warm as they are [V s/rad]
    around: float  # resistance of machine and load [ohm]
    drop: float  # of the brushes [V]
    scale: float  # brush current scale [A]
    reaction: float  # armature reaction [1/A]
    loss: tuple[float, float, float]  # T0 [N m], b [N m s/rad], c [N m s2/rad2]
    inertia: float  # [kg m2]

    @classmethod
    def of(
        cls,
        machine: BrushedMachine,
        inertia: float,
        load: float,
        winding_factor: float,
        magnet_factor: float,
    ) -> Brake:
        """The brake that a machine is on a load; arguments as for `coast_down`."""

        def plain(value: ArrayLike) -> float:
            return float(np.asarray(value))

        return cls(
            constant=plain(machine.emf_constant) * magnet_factor,
            around=plain(machine.armature_resistance) * winding_factor + load,
            drop=plain(machine.brush_drop),
            scale=plain(machine.brush_current_scale),
            reaction=plain(machine.armature_reaction),
            loss=(
                plain(machine.coulomb_torque),
                plain(machine.viscous_coefficient),
                plain(machine.windage_coefficient),
            ),
            inertia=inertia,
        )

    def speed(self, x: float) -> float:
        """Speed at which the machine gives the current x. [rad/s]"""
        inside = self.around * x + self.drop * math.tanh(x / self.scale)
        return inside / (self.constant * (1.0 - self.reaction * x))

    def rate(self, x: float) -> float:
        """How fast the current that is given falls. [A/s]"""
        brush, flux = math.tanh(x / self.scale), 1.0 - self.reaction * x
        inside = self.around * x + self.drop * brush
        w = inside / (self.constant * flux)
        slope = self.around + self.drop / self.scale * (1.0 - brush**2)
        slope = (slope + self.reaction * inside / flux) / (self.constant * flux)
        torque = self.constant * flux * x + self.loss[0] + w * (self.loss[1] + w * self.loss[2])
        return -torque / self.inertia / slope


def integrated(brake: Brake, first: float, time: FloatArray) -> tuple[float, FloatArray]:
    """When the current that is given has gone, and what it is until then.

    Parameters
    ----------
    brake : Brake
        The machine on its load.
    first : float, positive
        Current at time zero. [A]
    time : array_like, shape (n,), positive
        In any order. [s]

    Returns
    -------
    stop : float
        Infinite where it never stands, or without dry friction. [s]
    given : ndarray, shape (n,)
        Zero from the stop on. [A]
    """
    from scipy.integrate import solve_ivp

    def rate(_t: float, x: FloatArray) -> list[float]:
        return [brake.rate(float(x[0]))]

    def stands(_t: float, x: FloatArray) -> float:
        return float(x[0])

    stands.terminal, stands.direction = True, -1.0  # type: ignore[attr-defined]
    asked, back = np.unique(time, return_inverse=True)
    # to its stop, wherever the times end; without dry friction there is none
    rests = brake.loss[0] > 0
    last = _longest(brake, first) if rests else float(asked[-1]) if asked.size else 0.0
    if last == 0.0:
        return np.inf, np.zeros(time.shape)
    inside = asked[asked <= last]
    found = solve_ivp(
        rate,
        (0.0, last),
        [first],
        method="DOP853",
        t_eval=np.append(0.0, inside),
        events=stands,
        rtol=1e-12,
        atol=1e-13 * first,
    )
    given = np.zeros(asked.shape)
    given[: found.y.shape[1] - 1] = np.maximum(found.y[0][1:], 0.0)
    stops = found.t_events[0] if found.t_events else np.zeros(0)
    stop = float(stops[0]) if stops.size else np.inf
    return stop, given[back.reshape(time.shape)]


def _longest(brake: Brake, first: float) -> float:
    """Time within which dry friction alone would have stopped it, and a little. [s]"""
    return 1.001 * brake.inertia * brake.speed(first) / brake.loss[0]
