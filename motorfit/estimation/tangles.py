"""Parameters that the readings cannot tell apart: which, what is known of them, what would help."""

from __future__ import annotations

from motorfit.estimation.combinations import combinations, what_separates
from motorfit.estimation.physics import MACHINE_PARAMETERS
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.finding import Finding
from motorfit.profile.parts import Combination
from motorfit.quantities import from_si, show_number

WORDS = {
    "emf_constant": "EMF constant",
    "armature_resistance": "winding resistance",
    "brush_drop": "brush drop",
    "coulomb_torque": "dry friction",
    "viscous_coefficient": "viscous loss",
    "windage_coefficient": "windage",
    "armature_reaction": "armature reaction",
    "standing_brush_drop": "brush drop of the held rotor",
}

_LEVEL = 0.95

#: In which unit a combination, or the point where it is known, is told.
_UNITS = {"N.m": "mN m", "Ohm": "ohm", "V.s/rad": "V/1000 rpm", "speed": "rpm", "current": "A"}


def not_told_apart(uncertainty: Uncertainty) -> list[Finding]:
    """One finding for each set of parameters that only have values together.

    Parameters
    ----------
    uncertainty : Uncertainty
        Of the solved bench.

    Returns
    -------
    list of Finding
        Empty where every parameter has a value of its own, or none at all.
    """
    joint = uncertainty.joint
    known = combinations(uncertainty, _LEVEL)
    found, told = [], set[int]()
    for place in range(len(joint.problem.free)):
        partners = joint.standing.partners(place)
        if place in told or place not in partners or len(partners) < 2:
            continue
        told.update(partners)
        names = [joint.problem.names[other] for other in partners]
        together = [each for each in known if all(part in names for part in _parts(each))]
        found.append(
            Finding(
                kind="not-told-apart",
                where="bench",
                says=(
                    f"These readings cannot tell {_listed(names)} apart"
                    + (f": known is {_value(together[0])}." if together else ".")
                ),
                suggestion=f"It takes {what_separates(joint, place)}.",
                severity="note",
                damage=float(len(partners)),
            )
        )
    return found


def _parts(combination: Combination) -> list[str]:
    """Names of the parameters in a combination."""
    return [name for name in MACHINE_PARAMETERS if name in combination.of]


def _listed(names: list[str]) -> str:
    words = [WORDS.get(name, name.replace("_", " ")) for name in names]
    return f"{', '.join(words[:-1])} and {words[-1]}"


def _value(combination: Combination) -> str:
    """'the two together, 32.4 +- 1.6 mN m at 1480 rpm'."""
    unit = _UNITS.get(combination.unit, combination.unit)
    value = from_si(combination.value, unit)
    doubt = from_si(combination.standard_uncertainty, unit)
    at = ", ".join(
        f"{from_si(where, _UNITS[name]):.4g} {_UNITS[name]}"
        for name, where in combination.at.items()
        if name in _UNITS
    )
    number = show_number(value, doubt)
    return f"what they make together, {number} {unit}{f' at {at}' if at else ''}"
