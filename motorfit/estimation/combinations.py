"""Combinations that are known where their parts are not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.estimation.joint import Joint
from motorfit.estimation.physics import T0, VB, VBS, B, C, J, K, R
from motorfit.estimation.rows import CURRENT, SPEED, VOLTAGE
from motorfit.estimation.standing import KNOWN_TO
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.profile.model import Combination

#: Voltage over current of one resistor varies by less, whatever the meters' scatter.
_ONE_RESISTOR = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Form:
    of: str
    unit: str
    at: dict[str, float]
    value: float
    slopes: dict[int, float]  # d(value)/d(machine parameter)


def combinations(uncertainty: Uncertainty, level: float) -> tuple[Combination, ...]:
    """Combinations of the parameters that stand as `combined`.

    Parameters
    ----------
    uncertainty : Uncertainty
        Of a solved bench.
    level : float
        Coverage of the intervals.

    Returns
    -------
    tuple of Combination
        At the operating point where most readings are.
    """
    joint = uncertainty.joint
    forms = (
        form for form in _forms(joint) if np.isfinite([form.value, *form.slopes.values()]).all()
    )
    found = (_combination(uncertainty, form, level) for form in forms)
    return tuple(item for item in found if item is not None)


def _forms(joint: Joint) -> list[_Form]:
    free, standing = joint.problem.free, joint.standing
    tangled = {
        index
        for place, index in enumerate(free)
        if not standing.known[place] and not standing.alone[place]
    }
    forms = []
    if {T0, B, J} <= tangled:
        forms += _loss_to_inertia(joint)
    elif {T0, B} <= tangled:
        forms.append(_loss_at_one_speed(joint))
    if {K, R, VB} <= tangled:
        forms += _on_one_resistor(joint)
    elif {R, VB} <= tangled:
        forms.append(
            _drop_at_one_current(joint, VB, "brush_drop", joint.problem.assembled.rows.turning)
        )
    elif {K, VB} <= tangled:
        forms.append(_emf_at_one_speed(joint))
    if {R, VBS} <= tangled:
        forms.append(
            _drop_at_one_current(
                joint, VBS, "standing brush_drop", joint.problem.assembled.rows.standing
            )
        )
    return forms


def _values(joint: Joint) -> tuple[FloatArray, FloatArray]:
    """All machine parameters, and the readings at the machine (n, 4)."""
    conditions = joint.problem.conditions
    return conditions.full(joint.solution.theta), conditions.nominal.values


def _mean(values: FloatArray) -> float:
    return float(np.mean(values)) if len(values) else np.nan


def _loss_at_one_speed(joint: Joint) -> _Form:
    full, values = _values(joint)
    speed = float(np.mean(values[joint.problem.conditions.present[:, 1], SPEED]))
    return _Form(
        of="coulomb_torque + viscous_coefficient*speed",
        unit="N.m",
        at={"speed": speed},
        value=float(full[T0] + full[B] * speed),
        slopes={T0: 1.0, B: speed},
    )


def _loss_to_inertia(joint: Joint) -> list[_Form]:
    """How fast it slows by itself says the loss of one unit of inertia."""
    full, _ = _values(joint)
    inertia = full[J]
    return [
        _Form(
            of=f"{name}/moment_of_inertia",
            unit=unit,
            at={},
            value=float(full[index] / inertia),
            slopes={index: 1.0 / inertia, J: -full[index] / inertia**2},
        )
        for index, name, unit in (
            (T0, "coulomb_torque", "rad/s2"),
            (B, "viscous_coefficient", "1/s"),
            (C, "windage_coefficient", "1/rad"),
        )
        if index in joint.problem.free
    ]


def _drop_at_one_current(joint: Joint, drop: int, name: str, rows: BoolArray) -> _Form:
    full, values = _values(joint)
    read = joint.problem.assembled.rows
    connected = read.metered | np.isfinite(read.load)  # a voltmeter's share is no current
    size = np.abs(values[rows & connected, CURRENT])
    current = _mean(size[size > 0])
    return _Form(
        of=f"armature_resistance + {name}/current",
        unit="Ohm",
        at={"current": current},
        value=float(full[R] + full[drop] / current),
        slopes={R: 1.0, drop: 1.0 / current},
    )


def _emf_at_one_speed(joint: Joint) -> _Form:
    full, values = _values(joint)
    rows = joint.problem.assembled.rows.turning
    speed = float(np.mean(values[rows, SPEED]))
    return _Form(
        of="emf_constant - brush_drop/speed",
        unit="V.s/rad",
        at={"speed": speed},
        value=float(full[K] - full[VB] / speed),
        slopes={K: 1.0, VB: -1.0 / speed},
    )


def _on_one_resistor(joint: Joint) -> list[_Form]:
    """Current is affine in speed, i = (k omega - Vb)/(R + R_L): slope and intercept.

    Empty where what was connected was no resistor, a battery say.
    """
    full, values = _values(joint)
    carrying = values[:, CURRENT] < 0
    loads = values[carrying, VOLTAGE] / -values[carrying, CURRENT]
    load = _mean(loads)
    if not len(loads) or np.ptp(loads) > _ONE_RESISTOR * load:
        return []
    total = full[R] + load
    return [
        _Form(
            of="emf_constant / (armature_resistance + load)",
            unit="A.s/rad",
            at={"load": load},
            value=float(full[K] / total),
            slopes={K: 1.0 / total, R: -full[K] / total**2},
        ),
        _Form(
            of="brush_drop / (armature_resistance + load)",
            unit="A",
            at={"load": load},
            value=float(full[VB] / total),
            slopes={VB: 1.0 / total, R: -full[VB] / total**2},
        ),
    ]


def _combination(uncertainty: Uncertainty, form: _Form, level: float) -> Combination | None:
    free = uncertainty.joint.problem.free
    weights = np.array([form.slopes.get(index, 0.0) for index in free])
    estimate = uncertainty.estimate(weights, value=form.value, unit=form.unit, level=level)
    small = estimate.standard_uncertainty <= KNOWN_TO * abs(form.value)
    if not small and form.unit != "A":  # a brush drop of about zero is worth telling
        return None
    return Combination(
        of=form.of,
        at=form.at,
        value=form.value,
        unit=form.unit,
        standard_uncertainty=estimate.standard_uncertainty,
        interval=estimate.interval,
        degrees_of_freedom=estimate.degrees_of_freedom,
    )


#: What would take a tangle apart, by the parameters in it.
_REMEDIES: tuple[tuple[frozenset[int], str], ...] = (
    (frozenset({K, R, VB}), "open-circuit, at one speed or more"),
    (frozenset({R, VB}), "load with a second resistor, or at a second speed"),
    (frozenset({K, VB}), "open-circuit, at one speed or more"),
    (frozenset({R, VBS}), "resistance at a second current, or a load test"),
    (frozenset({T0, B, J}), "coast-down on a known resistor, or no-load-motor"),
    (frozenset({T0, B}), "no-load-motor at a second voltage"),
)


def what_separates(joint: Joint, place: int) -> str:
    """The test that would tell a tangled parameter from its partners."""
    free = joint.problem.free
    partners = frozenset(free[other] for other in joint.standing.partners(place))
    for tangle, remedy in _REMEDIES:
        if tangle <= partners | {free[place]} and free[place] in tangle:
            return remedy
    return "load over a wider range of speeds and currents"
