"""What a machine will do, with its standard uncertainty: first-order propagation."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import BoolArray, FloatArray
from motorfit.estimate import coverage_factor
from motorfit.machine import brushed
from motorfit.machine.brushed import BrushedMachine
from motorfit.profile.known import Need, find_known
from motorfit.profile.points import Point, operating_point, outside_range
from motorfit.profile.propagation import Spread, propagate

if TYPE_CHECKING:
    from motorfit.profile.model import MachineProfile

Quantity: TypeAlias = Literal[
    "voltage",
    "current",
    "torque",
    "terminal_power",
    "shaft_power",
    "efficiency",
    "loss",
    "loss_power",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prediction:
    """A predicted quantity; all arrays have one shape, that of the points asked for."""

    value: FloatArray
    standard_uncertainty: FloatArray
    degrees_of_freedom: FloatArray  # effective (JCGM 100, G.4.1); infinite where instruments decide
    extrapolated: BoolArray  # outside the speeds, currents and temperatures of the test
    unit: str  # UCUM code
    bounds: tuple[float, float] = (-np.inf, np.inf)  # of what is physically possible
    assumed: tuple[str, ...] = ()  # what nobody measured and it rests on, in sentences

    def interval(self, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Lower and upper end of the interval that covers with probability ``level``.

        Parameters
        ----------
        level : float
            Between 0 and 1.

        Returns
        -------
        low, high : ndarray
            By the t quantile of the effective degrees of freedom (JCGM 100, G.3.2), cut
            at what is physically possible. In ``unit``.

        Raises
        ------
        ValueError
            If ``level`` is not between 0 and 1.
        """
        if not 0 < level < 1:
            raise ValueError(f"level must be between 0 and 1, found {level!r}")
        half = coverage_factor(level, self.degrees_of_freedom) * self.standard_uncertainty
        low, high = self.bounds
        return (
            np.asarray(np.clip(self.value - half, low, high)),
            np.asarray(np.clip(self.value + half, low, high)),
        )


Formula: TypeAlias = Callable[[BrushedMachine, FloatArray, FloatArray, "Point"], FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rule:
    """How one quantity is predicted."""

    words: str
    unit: str
    needs: tuple[Need, ...]
    formula: Formula
    bounds: tuple[float, float] = (-np.inf, np.inf)


def _heat(point: Point) -> dict[str, FloatArray]:
    return {"winding_factor": point.winding_factor, "magnet_factor": point.magnet_factor}


RULES: Mapping[Quantity, _Rule] = {
    "voltage": _Rule(
        words="terminal voltage",
        unit="V",
        needs=("emf", "drop"),
        formula=lambda m, w, i, at: brushed.terminal_voltage(m, w, i, **_heat(at)),
    ),
    "current": _Rule(
        words="current",
        unit="A",
        needs=("emf", "drop"),
        formula=lambda _m, _w, i, _at: i,
    ),
    "torque": _Rule(
        words="shaft torque",
        unit="N.m",
        needs=("emf", "loss"),
        formula=lambda m, w, i, at: brushed.shaft_torque(m, w, i, magnet_factor=at.magnet_factor),
    ),
    "terminal_power": _Rule(
        words="electrical power",
        unit="W",
        needs=("emf", "drop"),
        formula=lambda m, w, i, at: brushed.terminal_power(m, w, i, **_heat(at)),
    ),
    "shaft_power": _Rule(
        words="shaft power",
        unit="W",
        needs=("emf", "loss"),
        formula=lambda m, w, i, at: brushed.shaft_power(m, w, i, magnet_factor=at.magnet_factor),
    ),
    "efficiency": _Rule(
        words="efficiency",
        unit="1",
        needs=("emf", "drop", "loss"),
        formula=lambda m, w, i, at: brushed.efficiency(m, w, i, **_heat(at)),
        bounds=(0.0, 1.0),
    ),
    "loss": _Rule(
        words="loss torque",
        unit="N.m",
        needs=("loss",),
        formula=lambda m, w, _i, _at: brushed.loss_torque(m, w),
        bounds=(0.0, np.inf),
    ),
    "loss_power": _Rule(
        words="turning loss",
        unit="W",
        needs=("loss",),
        formula=lambda m, w, _i, _at: brushed.loss_torque(m, w) * w,
        bounds=(0.0, np.inf),
    ),
}


def predict(
    profile: MachineProfile,
    quantity: Quantity,
    *,
    speed: ArrayLike,
    current: ArrayLike | None = None,
    load: ArrayLike | None = None,
    voltage: ArrayLike | None = None,
    winding: ArrayLike | None = None,
    magnets: ArrayLike | None = None,
) -> Prediction:
    r"""Predict one quantity, with first-order propagation of the joint covariance.

    .. math:: u^2 = g^\mathsf{T} S g + \sum_j (g^\mathsf{T} s_j)^2 u_j^2

    Parameters
    ----------
    profile : MachineProfile
        What is known of the machine.
    quantity : str
        A key of `RULES`.
    speed : array_like, zero or positive
        Shaft speed. [rad/s]
    current, load, voltage : array_like, optional
        One of them fixes the operating point: current, positive into the machine [A];
        resistance connected to a driven machine, infinite for nothing [ohm]; terminal
        voltage [V].
    winding, magnets : array_like, optional
        Temperatures, the reference temperature where not given. [degC]

    Returns
    -------
    Prediction
        All arguments broadcast together.

    Raises
    ------
    NotMeasuredError
        If the prediction needs what is not known, naming what would measure it.
    ProfileError
        If ``magnets`` is given and the profile does not say what they are made of.
    ValueError
        If not exactly one of current, load and voltage is given, if a speed is negative
        or a load not positive.

    Notes
    -----
    Sensitivities ``g`` are central differences over half a standard uncertainty either
    way, within the bounds of the parameters; ``S`` is the scatter covariance and ``s_j``
    the sensitivity of the parameters to instrument error ``j``. The brush current scale,
    a rule of thumb, counts as known within a factor of three. What is known only as a
    combination has no known correlation with the rest: its part is added in full.

    References
    ----------
    .. [1] JCGM 100:2008, 5.2.2 (correlated input quantities), G.4.1 (effective degrees of
       freedom).
    """
    rule = RULES[quantity]
    settles = rule.needs != ("loss",)  # loss needs no operating point, a speed is enough
    point = operating_point(profile, settles, speed, current, load, voltage, winding, magnets)
    known = find_known(profile, rule.words, _needs(rule, point), point)
    spread = Spread.of(profile, known)
    machine = spread.machine(point.speed.ndim)
    amperes = _current(machine, point)
    results = np.broadcast_to(
        rule.formula(machine, point.speed, amperes, point), (spread.count, *point.speed.shape)
    )
    uncertainty, freedom = propagate(profile, known, spread, results)
    return Prediction(
        value=np.array(results[0]),
        standard_uncertainty=uncertainty,
        degrees_of_freedom=freedom,
        extrapolated=outside_range(profile, point, amperes, winding),
        unit=rule.unit,
        bounds=rule.bounds,
    )


def _needs(rule: _Rule, point: Point) -> tuple[Need, ...]:
    """What it takes there: nothing is lost inside without current, no loss without turning."""
    needs: list[Need] = list(rule.needs)
    if point.given == "nothing":
        return rule.needs
    if point.given == "current":
        if rule.words == "current":
            return ()
        if np.all(point.value == 0):
            needs = [need for need in needs if need != "drop"]
    elif point.given == "load" and np.all(np.isinf(point.value)):
        needs = [need for need in needs if need != "drop"]
    elif "drop" not in needs:
        needs.append("drop")  # the current is not given, it settles
    return tuple(needs)


def _current(machine: BrushedMachine, point: Point) -> FloatArray:
    """The current of the point, given or settling, with the machine's leading axis."""
    if point.given == "current":
        return point.value
    if point.given == "nothing":
        return np.zeros(point.speed.shape)
    from motorfit.machine.operating import current_at_voltage, current_on_resistor

    settle = current_on_resistor if point.given == "load" else current_at_voltage
    return settle(machine, point.speed, point.value, **_heat(point))
