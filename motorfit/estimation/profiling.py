"""From a solved bench to its machine profile."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

import motorfit
from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench
from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.combinations import combinations, what_separates
from motorfit.estimation.effects import COAST_FRICTION, POSITION, RUN_FRICTION
from motorfit.estimation.ground import sheets_of
from motorfit.estimation.joint import Joint
from motorfit.estimation.physics import EMF_RATIO, LOSS_RATIO, MACHINE_PARAMETERS, T0, A, B, C, K
from motorfit.estimation.profile_parts import described_machine, known_in_order, profile_error
from motorfit.estimation.rows import CURRENT, SPEED
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.finding import Finding
from motorfit.profile.model import (
    PARAMETER_UNITS,
    Constants,
    InstrumentError,
    MachineProfile,
    Provenance,
    Range,
)
from motorfit.quantities import Stated

#: The test that would measure a parameter of which the readings say nothing.
NEEDS = {
    "emf_constant": "open-circuit",
    "armature_resistance": "load",
    "brush_drop": "load with two resistors, or at several speeds",
    "coulomb_torque": "no-load-motor at two voltages",
    "viscous_coefficient": "no-load-motor at two voltages",
    "windage_coefficient": "no-load-motor over a wide range of speeds",
    "armature_reaction": "load with several resistors at several speeds",
    "moment_of_inertia": "coast-down",
    "breakaway_torque": "breakaway",
    "thermal_resistance": "heat-run",
    "thermal_time_constant": "heat-run",
}

#: An inertia is measured where its uncertainty is less than this share of the stated one's.
_BETTERED = 0.9

#: Optional terms: zero where they are not in.
TAKEN_AS_ZERO = ("windage_coefficient", "armature_reaction")


def make_profile(
    bench: Bench, uncertainty: Uncertainty, findings: tuple[Finding, ...], level: float
) -> MachineProfile:
    """The profile of a fitted bench.

    Parameters
    ----------
    bench : Bench
        The readings.
    uncertainty : Uncertainty
        Of the solved bench.
    findings : tuple of Finding
        All of them, most damaging first.
    level : float
        Coverage of the intervals.

    Returns
    -------
    MachineProfile
    """
    joint = uncertainty.joint
    parameters = _parameters(bench, uncertainty, level)
    order = known_in_order(parameters)
    machine = bench.settings.machine
    return MachineProfile(
        machine=described_machine(bench),
        reference_temperature=bench.settings.conditions.reference.value,
        parameters=parameters,
        combinations=combinations(uncertainty, level),
        constants=Constants(
            winding_constant=joint.problem.conditions.thermal.winding_constant,
            magnet_coefficient=fitted_magnet_coefficient(joint),
            brush_current_scale=joint.problem.conditions.brush_current_scale,
            inductance=machine.inductance.value if machine.inductance else None,
            insulation=machine.insulation,
            magnet=machine.magnet,
        ),
        covariance_order=order,
        scatter_covariance=_scatter(uncertainty, parameters, order),
        instruments=_instruments(uncertainty, order),
        range=_tested_range(bench, joint),
        directions=_directions(uncertainty, level),
        findings=findings,
        provenance=Provenance(
            motorfit=motorfit.__version__,
            files=dict(bench.files),
            assumed=(*bench.assumed, *_assumed(joint), *uncertainty.way.notes),
            level=level,
        ),
    )


def fitted_magnet_coefficient(joint: Joint) -> float | None:
    """Change of the EMF constant per kelvin: the usual one, or what the readings made of it."""
    coefficient = joint.problem.magnet_coefficient
    if coefficient is None or "magnet-temperature" not in joint.problem.terms:
        return coefficient
    error = joint.solution.theta[len(joint.problem.free) :][-1]  # the last unknown error
    return float(coefficient * (1.0 + error))


_ZERO_WORDS = {C: "windage", A: "armature reaction"}


def _assumed(joint: Joint) -> tuple[str, ...]:
    zero = [words for index, words in _ZERO_WORDS.items() if index not in joint.problem.free]
    sentences = [f"{' and '.join(zero)} taken as zero"] if zero else []
    if any(
        n.quantity in (RUN_FRICTION, COAST_FRICTION, POSITION) and n.component is None
        for n in joint.problem.assembled.nuisances
    ):
        sentences.append("what a single run or rotor position cannot show: usual sizes (3 %)")
    return tuple(sentences)


def _parameters(
    bench: Bench, uncertainty: Uncertainty, level: float
) -> dict[str, Estimate | NotKnown]:
    joint = uncertainty.joint
    names = joint.problem.names
    found: dict[str, Estimate | NotKnown] = {}
    for name, unit in PARAMETER_UNITS.items():
        if name in names:
            found[name] = _one_parameter(uncertainty, names.index(name), unit, level)
        else:
            zero = name in TAKEN_AS_ZERO
            found[name] = NotKnown(
                unit=unit, standing="assumed" if zero else "unmeasured", needs=NEEDS[name]
            )
    inertia = bench.settings.machine.moment_of_inertia
    if inertia is not None:
        found["moment_of_inertia"] = _with_what_is_stated(
            found["moment_of_inertia"], inertia, level
        )
    return found


def _with_what_is_stated(
    found: Estimate | NotKnown, stated: Stated, level: float
) -> Estimate | NotKnown:
    """The inertia as fitted, or as stated; assumed where no reading betters that."""
    if not isinstance(found, Estimate):
        return _stated(stated.value, stated.half_width, "kg.m2", level)
    bettered = found.standard_uncertainty < _BETTERED * stated.half_width / 3.0**0.5
    return found if bettered else replace(found, standing="assumed")


def _one_parameter(
    uncertainty: Uncertainty, place: int, unit: str, level: float
) -> Estimate | NotKnown:
    joint = uncertainty.joint
    name = joint.problem.names[place]
    claimed = joint.standing.measured[place] and joint.problem.free[place] not in (
        joint.problem.doubted
    )
    if joint.standing.known[place]:
        return uncertainty.estimate(
            np.eye(len(joint.problem.free))[place],
            value=float(joint.machine[place]),
            unit=unit,
            level=level,
            lower=-np.inf if joint.problem.free[place] == A else 0.0,
            standing="measured" if claimed else "assumed",
        )
    if joint.standing.alone[place]:
        return NotKnown(unit=unit, standing="unmeasured", needs=NEEDS[name])
    return NotKnown(unit=unit, standing="combined", needs=what_separates(joint, place))


def _stated(value: float, half_width: float, unit: str, level: float) -> Estimate:
    """What the settings state, rectangular within its half-width."""
    return Estimate(
        value=value,
        unit=unit,
        standard_uncertainty=half_width / 3.0**0.5,
        from_scatter=half_width / 3.0**0.5,
        from_instruments=0.0,
        interval=(value - level * half_width, value + level * half_width),
        level=level,
        degrees_of_freedom=np.inf,
        method="stated",
        standing="assumed",
    )


def _scatter(
    uncertainty: Uncertainty, parameters: dict[str, Estimate | NotKnown], order: tuple[str, ...]
) -> FloatArray:
    names = uncertainty.joint.problem.names
    covariance = np.zeros((len(order), len(order)))
    fitted = [index for index, name in enumerate(order) if name in names]
    places = [names.index(order[index]) for index in fitted]
    covariance[np.ix_(fitted, fitted)] = uncertainty.scatter[np.ix_(places, places)]
    for index, name in enumerate(order):
        estimate = parameters[name]
        if name not in names and isinstance(estimate, Estimate):
            covariance[index, index] = estimate.standard_uncertainty**2
    return covariance


def _instruments(uncertainty: Uncertainty, order: tuple[str, ...]) -> tuple[InstrumentError, ...]:
    names = uncertainty.joint.problem.names
    places = {name: names.index(name) for name in order if name in names}
    return tuple(
        profile_error(nuisance, {name: float(column[place]) for name, place in places.items()})
        for nuisance, column in zip(uncertainty.instruments, uncertainty.sensitivity.T, strict=True)
    )


def _tested_range(bench: Bench, joint: Joint) -> Range:
    rows, values = joint.problem.assembled.rows, joint.problem.conditions.nominal.values
    running = values[rows.turning & ~rows.coasting, SPEED]
    running = np.concatenate([running, _coasted(bench, joint)])
    speed = running if len(running) else np.zeros(1)
    current = np.abs(values[:, CURRENT])
    nothing_connected = ~rows.metered & np.isinf(rows.load)
    current = np.where(nothing_connected, 0.0, current)
    directions = {text for run in bench.runs for text in run.direction if text}
    return Range(
        speed=(float(speed.min()), float(speed.max())),
        current=(float(current.min()), float(current.max())),
        winding=joint.problem.assembled.winding_used,
        direction="a" if "a" in directions else "".join(sorted(directions)),
    )


def _coasted(bench: Bench, joint: Joint) -> FloatArray:
    """Smallest and largest speed of each log that was reduced."""
    speed = joint.problem.conditions.nominal.values[:, SPEED]
    found: list[float] = []
    for sheet in sheets_of(bench):
        rates = sheet.run.rates
        if rates is not None and rates.quantity != "inertia":
            per_unit = speed[sheet.rows[0]] / sheet.run.get(rates.quantity)[0]
            found += [end * per_unit for end in rates.span]
    return np.array(found)


def _directions(uncertainty: Uncertainty, level: float) -> dict[str, dict[str, Estimate]]:
    """EMF constant and loss of each direction, where both were read."""
    problem, joint = uncertainty.joint.problem, uncertainty.joint
    full = problem.conditions.full(joint.solution.theta)
    found: dict[str, dict[str, Estimate]] = {}
    for base, ratio in ((K, EMF_RATIO), (T0, LOSS_RATIO), (B, LOSS_RATIO)):
        if ratio not in problem.free or base not in problem.free:
            continue
        places = problem.free.index(base), problem.free.index(ratio)
        if not all(joint.standing.known[place] for place in places):
            continue
        name = MACHINE_PARAMETERS[base]
        for direction, share in (("a", 0.0), ("b", 1.0)):
            weights = np.zeros(len(problem.free))
            weights[places[0]] = 1.0 + share * full[ratio]
            weights[places[1]] = share * full[base]
            found.setdefault(direction, {})[name] = uncertainty.estimate(
                weights,
                value=float(full[base] * weights[places[0]]),
                unit=PARAMETER_UNITS[name],
                level=level,
                lower=0.0,
            )
    return found
