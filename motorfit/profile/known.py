"""What a prediction needs to know, and where the profile has it.

The parameters themselves come first. Where they are not known one by one, a
combination of them may be known at one operating point: there, and only there, it
stands in for them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray
from motorfit.errors import NotMeasuredError
from motorfit.estimate import Estimate, NotKnown
from motorfit.profile.points import Point
from motorfit.unit_tables import RPM

if TYPE_CHECKING:
    from motorfit.profile.model import MachineProfile
    from motorfit.profile.parts import Combination

#: What a prediction may need: the EMF constant, the voltage lost inside, the loss torque.
Need: TypeAlias = Literal["emf", "drop", "loss"]

PARTS: dict[Need, tuple[str, ...]] = {
    "emf": ("emf_constant",),
    "drop": ("armature_resistance", "brush_drop"),
    "loss": ("coulomb_torque", "viscous_coefficient"),
}

#: Corrections that count as zero as long as nobody has measured them.
CORRECTIONS: dict[Need, str] = {"emf": "armature_reaction", "loss": "windage_coefficient"}

WORDS: dict[str, str] = {
    "emf_constant": "the EMF constant",
    "armature_resistance": "the armature resistance",
    "brush_drop": "the brush drop",
    "coulomb_torque": "the Coulomb torque (dry friction)",
    "viscous_coefficient": "the viscous coefficient",
    "windage_coefficient": "the windage coefficient",
    "armature_reaction": "the armature reaction",
    "moment_of_inertia": "the moment of inertia",
    "thermal_resistance": "the thermal resistance from winding to air",
    "thermal_time_constant": "the thermal time constant",
}

#: How near an operating point must be to the one where a combination is known.
NEARNESS = 1e-3

#: The combinations that can stand in, each with the quantity it is known at.
LOSS = ("coulomb_torque + viscous_coefficient*speed", "speed")
DROP = ("armature_resistance + brush_drop/current", "current")
GAIN = ("emf_constant / (armature_resistance + load)", "load")
SHIFT = ("brush_drop / (armature_resistance + load)", "load")


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """A value that stands in for parameters, with no known correlation to any other."""

    value: float
    standard_uncertainty: float
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """Where each field of the machine comes from in one prediction.

    ``joint`` are parameters of the profile with their joint covariance, ``apart`` are
    stand-ins. A field in neither is zero.
    """

    joint: tuple[str, ...]
    apart: Mapping[str, Apart] = field(default_factory=dict)


def find_known(
    profile: MachineProfile, quantity: str, needs: tuple[Need, ...], point: Point
) -> Known:
    """Find what a prediction needs in the profile.

    Parameters
    ----------
    profile : MachineProfile
        What is known.
    quantity : str
        What is to be predicted, in words, for the message.
    needs : tuple of str
        What it takes.
    point : Point
        Where: decides whether a combination may stand in.

    Returns
    -------
    Known

    Raises
    ------
    NotMeasuredError
        If something is not known, naming the test that would measure it.
    """
    missing = [need for need in PARTS if need in needs and unknown_parts(profile, need)]
    joint = known_parts(profile, (need for need in needs if need not in missing))
    if {"emf", "drop"} & set(missing) and "loss" not in needs:
        circuit = _circuit_on_load(profile, point)
        if circuit:
            return Known(joint=(), apart=circuit)
    apart: dict[str, Apart] = {}
    for need in missing:
        stand_in = _stand_in(profile, need, point)
        if stand_in is None:
            raise NotMeasuredError(quantity, _why(profile, missing))
        apart |= stand_in
    return Known(joint=joint, apart=apart)


def unknown_parts(profile: MachineProfile, need: Need) -> list[str]:
    """The parts without a value, and a correction that is known to be there without one.

    Parameters
    ----------
    profile : MachineProfile
        What is known.
    need : str
        A key of `PARTS`.

    Returns
    -------
    list of str
        Empty where all of it is known.
    """
    parts = [name for name in PARTS[need] if not isinstance(profile.parameters.get(name), Estimate)]
    correction = CORRECTIONS.get(need, "")
    found = profile.parameters.get(correction)
    if isinstance(found, NotKnown) and found.standing not in ("unmeasured", "assumed"):
        parts.append(correction)
    return parts


def _stand_in(profile: MachineProfile, need: Need, point: Point) -> dict[str, Apart] | None:
    """A combination that is known at the very point, as a field of the machine."""
    if need == "loss":
        found = _there(profile, LOSS, point.speed)
        return None if found is None else {"coulomb_torque": _apart(found)}
    if need == "drop" and point.given == "current" and _at_reference(point):
        found = _there(profile, DROP, np.abs(point.value))
        return None if found is None else {"armature_resistance": _apart(found)}
    return None


def _circuit_on_load(profile: MachineProfile, point: Point) -> dict[str, Apart]:
    r"""The machine as seen by the one resistor it was tested with.

    Current is affine in speed, :math:`-i = A \omega - B`, so a machine without
    resistance, with :math:`k = A R_L` and :math:`V_b = B R_L`, is the same to that load.
    """
    if point.given != "load" or not _at_reference(point):
        return {}
    gain = _there(profile, GAIN, point.value)
    shift = _there(profile, SHIFT, point.value)
    if gain is None or shift is None:
        return {}
    load = gain.at["load"]
    return {
        "emf_constant": _apart(gain, load),
        "brush_drop": _apart(shift, load),
    }


def _combination(profile: MachineProfile, wanted: tuple[str, str]) -> Combination | None:
    of, key = wanted
    for combination in profile.combinations:
        if combination.of == of and set(combination.at) == {key}:
            return combination
    return None


def _there(
    profile: MachineProfile, wanted: tuple[str, str], values: FloatArray
) -> Combination | None:
    """A combination, if all points lie where it is known."""
    found = _combination(profile, wanted)
    return found if found and _all_near(values, found.at[wanted[1]]) else None


def _at_reference(point: Point) -> bool:
    """Whether winding and magnets are at the reference temperature."""
    return _all_near(point.winding_factor, 1.0) and _all_near(point.magnet_factor, 1.0)


def _all_near(values: ArrayLike, wanted: float) -> bool:
    return bool(np.all(np.abs(np.asarray(values) - wanted) <= NEARNESS * abs(wanted)))


def known_parts(profile: MachineProfile, needs: Iterable[Need]) -> tuple[str, ...]:
    """The parameters with a value that belong to these needs, corrections among them."""
    return tuple(
        name
        for need in needs
        for name in (*PARTS[need], CORRECTIONS.get(need, ""))
        if isinstance(profile.parameters.get(name), Estimate)
    )


def _apart(combination: Combination, factor: float = 1.0) -> Apart:
    return Apart(
        value=combination.value * factor,
        standard_uncertainty=combination.standard_uncertainty * factor,
        degrees_of_freedom=combination.degrees_of_freedom,
    )


def _why(profile: MachineProfile, missing: list[Need]) -> str:
    names = [name for need in missing for name in unknown_parts(profile, need)]
    return not_known(profile, names) + _known_somewhere(profile, missing)


def not_known(profile: MachineProfile, names: list[str]) -> str:
    """That these parameters are not known, and which tests would measure them.

    Parameters
    ----------
    profile : MachineProfile
        Has what each of them needs.
    names : list of str
        Parameters without a value, at least one.

    Returns
    -------
    str
        One or two sentences.
    """
    words = [WORDS[name] for name in names]
    what = " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
    says = f"{what} {'is' if len(names) == 1 else 'are'} not known from these readings."
    tests: list[str] = []
    for name in names:
        found = profile.parameters.get(name)
        if isinstance(found, NotKnown) and found.needs not in tests:
            tests.append(found.needs)
    if tests:
        says += f" What would measure {'it' if len(names) == 1 else 'them'}: {'; '.join(tests)}."
    return says


def _known_somewhere(profile: MachineProfile, missing: list[Need]) -> str:
    """Where the loss or the drop is known after all, so that the reader can ask for that."""
    at = {of: found.at[of[1]] for of in (LOSS, DROP, GAIN) if (found := _combination(profile, of))}
    if "loss" in missing and LOSS in at:
        return f" So far the loss is known at {at[LOSS] / RPM:.5g} rpm only."
    if "drop" in missing and DROP in at:
        return f" So far the voltage lost inside is known at {at[DROP]:.4g} A only."
    if "loss" not in missing and GAIN in at:
        return f" So far the current is known on the resistor of the test, {at[GAIN]:.4g} ohm."
    return ""
