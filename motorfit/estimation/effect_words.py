"""What a fault does to the result: by how much, and what the result would be without."""

from __future__ import annotations

import numpy as np

from motorfit.estimation.explanation import machine_allowing
from motorfit.estimation.joint import Joint
from motorfit.estimation.physics import K, R
from motorfit.estimation.search import Explained, Verdict
from motorfit.quantities import from_si, show_number

_SHOWN = {K: ("the machine gives", "V/1000 rpm"), R: ("the winding has", "ohm")}


def damage(explained: Explained, verdict: Verdict) -> float:
    """How far a fault would move the machine, in standard uncertainties of what it moves most.

    Parameters
    ----------
    explained : Explained
        What was found.
    verdict : Verdict
        One of it.

    Returns
    -------
    float
        At least one.
    """
    machine = len(explained.joint.machine)
    place = machine + explained.verdicts.index(verdict)
    covariance = explained.projected.covariance
    known = np.flatnonzero(explained.joint.standing.known)
    if not len(known):
        return 1.0
    deviation = np.sqrt(np.diag(covariance)[known])
    moved = covariance[known, place] / covariance[place, place] * verdict.size
    return max(1.0, float(np.max(np.abs(moved) / deviation)))


def size_of(explained: Explained, verdict: Verdict) -> tuple[float, float]:
    """Size of a fault in its own unit, with its standard uncertainty.

    What is relative to the EMF or to the resistance was judged beside those of a fit that
    the fault had spoiled.

    Parameters
    ----------
    explained : Explained
        What was found.
    verdict : Verdict
        One of it, or of what explains nearly as much.

    Returns
    -------
    size, deviation : float
        A share of the speed, of the EMF or, a ampere, of the EMF; kelvin, ohm, ampere or
        volt.
    """
    relative_to = _RELATIVE_TO.get(verdict.suspicion.shape)
    free = explained.joint.problem.free
    if relative_to not in free:
        return verdict.size, verdict.deviation
    place = free.index(relative_to)
    before, after = explained.joint.machine[place], machine_allowing(explained)[0][place]
    factor = float(before / after) if before > 0 and after > 0 else 1.0
    return verdict.size * factor, verdict.deviation * factor


_RELATIVE_TO = {
    "speed": K,
    "reaction": K,
    "reverse-reaction": K,
    "speed-curve": K,
    "torque-constant": K,
    "heating": R,
    "heating-in-order": R,
}


def what_it_does(joint: Joint, explained: Explained, without: str) -> str:
    """What winding resistance or EMF constant would be with everything found allowed for.

    Parameters
    ----------
    joint : Joint
        The fit as the user gets it.
    explained : Explained
        What was found.
    without : str
        "without it", "allowing for that".

    Returns
    -------
    str
        A clause, empty where neither moves by its standard uncertainty.
    """
    machine, covariance = machine_allowing(explained)
    deviation = np.sqrt(np.diag(covariance))
    shifted = [
        place
        for place, index in enumerate(joint.problem.free)
        if index in _SHOWN
        and explained.joint.standing.known[place]
        and machine[place] > 0
        and abs(machine[place] - joint.machine[place]) >= deviation[place]
    ]
    if not shifted:
        return ""
    place = shifted[-1]  # the resistance where it is among them: it suffers most
    words, unit = _SHOWN[joint.problem.free[place]]
    value, doubt = (from_si(float(each[place]), unit) for each in (machine, deviation))
    return f"{without} {words} {show_number(value, doubt)} {unit}"
