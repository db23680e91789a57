"""Which optional terms the readings demand and can carry."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri, stdtr

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench
from motorfit.errors import FitError
from motorfit.estimation.ground import Suspicion
from motorfit.estimation.joint import Joint, fit_jointly
from motorfit.estimation.problem import Problem, pose
from motorfit.estimation.residuals import widening
from motorfit.estimation.solver import solution_at
from motorfit.estimation.suspicions import suspects
from motorfit.estimation.terms import PARAMETER, TERMS, Considered, Term
from motorfit.estimation.uncertainty import split_uncertainty

#: The readings demand a term from this many standard deviations on: one clean bench in
#: 30,000. What is fitted by itself must not be chance.
DEMANDED = 4.0

#: It must still be there beside whatever else may be wrong with a bench: a slip in a row, a
#: winding that warms up, a lead that came loose.
BESIDE = 2.5

#: ... or, where it is in as a doubt only, by this share of what it is alone.
_SHARE_BESIDE = 0.4

#: From this many standard deviations on a term is tried, and is in as a doubt ...
HINTED = 2.5

#: ... or from this share of the most that it could reach.
_SHARE_OF_MOST = 0.75

#: Magnet temperatures that differ by more make the coefficient's doubt matter. [K]
MAGNET_SPREAD = 10.0

#: Readings in so few degrees of freedom tell nothing of a chance.
_NO_CHANCE = 1e-300

WHAT_IT_TAKES: dict[Term, str] = {
    "armature-reaction": "load with several resistors at several speeds",
    "windage": "no-load-motor over a wide range of speeds",
    "magnet-temperature": "a column magnets, cold and warm",
}

Fitter = Callable[[Problem], Joint]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chosen:
    """A solved bench and what was decided of each optional term."""

    joint: Joint
    considered: tuple[Considered, ...]  # in the order of `TERMS`


def fit_with_terms(
    bench: Bench, terms: tuple[Term, ...] | None, fitter: Fitter = fit_jointly
) -> Chosen:
    """Solve a bench with the terms asked for, or with those that its readings demand.

    Parameters
    ----------
    bench : Bench
        Readings, settings, instruments.
    terms : tuple of Term, or None
        What the user wants; None leaves it to the readings.
    fitter : callable
        From a problem to its solution.

    Returns
    -------
    Chosen

    Raises
    ------
    FitError
        If there is nothing to fit, or it does not settle.

    Notes
    -----
    Left to the readings, a term comes in where its coefficient is positive by `DEMANDED`
    standard deviations (Student's quantile for its degrees of freedom), is still so by
    `BESIDE` next to any one other thing that may be wrong (a slip in a row, a winding that
    warms up, a lead that came loose), and where it and every other parameter that was
    measured without it are measured. At `HINTED` or more it is in as a doubt: it is fitted,
    not claimed, and the uncertainty of all grows until the fit without it is within. Where
    something else explains the readings as well it is out; what armature reaction would do
    to the others is then added to their uncertainty. The doubt of the magnets' coefficient
    comes in where their temperatures were read and differ by more than `MAGNET_SPREAD`.
    """
    problem = pose(bench, terms=terms or ())
    if terms is not None:
        joint = fitter(problem)
        return Chosen(joint=joint, considered=tuple(_asked(joint, term) for term in TERMS))
    spread = _magnet_spread(problem)
    if spread > MAGNET_SPREAD:
        problem = pose(bench, terms=("magnet-temperature",))
    joint = fitter(problem)
    found: dict[Term, Considered] = {"magnet-temperature": _magnets(spread)}
    waiting = list(PARAMETER)
    while waiting:
        scores = {term: score(joint, term) for term in waiting}
        term = max(waiting, key=lambda each: scores[each] or 0.0)
        waiting.remove(term)
        joint, found[term] = _consider(bench, joint, term, scores[term], fitter)
    return Chosen(joint=joint, considered=tuple(found[term] for term in TERMS))


def _asked(joint: Joint, term: Term) -> Considered:
    wanted = term in joint.problem.terms
    why = "asked for" if wanted else "left out as asked"
    evidence = None
    if wanted and term in PARAMETER:
        place = _place(joint, term)
        if place is None or not joint.standing.known[place]:
            why = f"asked for, and the readings cannot carry it; it takes {WHAT_IT_TAKES[term]}"
        else:
            evidence = _significance(joint, place)
    return Considered(term=term, included=wanted, asked=True, why=why, evidence=evidence)


def _place(joint: Joint, term: Term) -> int | None:
    free = joint.problem.free
    return free.index(PARAMETER[term]) if PARAMETER[term] in free else None


def _magnet_spread(problem: Problem) -> float:
    """How far the magnets' temperatures differ, of the readings that turn. [K]"""
    rows = problem.assembled.rows
    magnets = rows.magnets[~rows.standing]
    return float(np.ptp(magnets)) if len(magnets) else 0.0


def _magnets(spread: float) -> Considered:
    included = spread > MAGNET_SPREAD
    why = (
        f"the magnets' temperatures differ by {spread:.0f} K, and what that does is known "
        "within 30 % only"
        if included
        else f"the magnets' temperatures hardly differ; it takes "
        f"{WHAT_IT_TAKES['magnet-temperature']}"
    )
    return Considered(term="magnet-temperature", included=included, asked=False, why=why)


def _consider(
    bench: Bench, joint: Joint, term: Term, first: float | None, fitter: Fitter
) -> tuple[Joint, Considered]:
    """The fit with the term where it is demanded and carried, else the one without it."""

    def left_out(why: str, evidence: float | None = first) -> tuple[Joint, Considered]:
        return joint, Considered(term=term, included=False, asked=False, why=why, evidence=evidence)

    def allowed_for(why: str, evidence: float) -> tuple[Joint, Considered]:
        # without windage T0 and b are the line through the loss that was read: to widen them
        # would widen the loss, which is right
        if term == "windage":
            return left_out(why, evidence)
        why = f"{why}; the intervals allow for it"
        return _allowing_for(joint, term), left_out(why, evidence)[1]

    if first is None:
        return left_out(f"no reading shows it; it takes {WHAT_IT_TAKES[term]}")
    if first < _worth_a_try(joint):
        return left_out("the readings do not ask for it")
    try:
        tried = fitter(pose(bench, terms=_in_order(*joint.problem.terms, term)))
    except FitError:
        return left_out(f"the readings cannot carry it; it takes {WHAT_IT_TAKES[term]}")
    place = tried.problem.free.index(PARAMETER[term])
    if not _carried(joint, tried, place):
        return left_out(f"the readings cannot carry it; it takes {WHAT_IT_TAKES[term]}")
    evidence = _significance(tried, place)
    demanded = evidence >= DEMANDED
    rival = _rival(bench, tried, place, demanded=demanded)
    if rival is not None:
        return allowed_for(_RIVALS[rival.family].format(file=rival.file), evidence)
    return _joined(joint, tried, place, doubted=not demanded), Considered(
        term=term,
        included=demanded,
        asked=False,
        why="the readings demand it"
        if demanded
        else "the readings hint at it: allowed for, and not claimed",
        evidence=evidence,
    )


def _joined(before: Joint, after: Joint, place: int, *, doubted: bool) -> Joint:
    """The fit with a term, with what was doubted before; half of what it does where doubted.

    Halfway lies the mean of the two fits, with the term and without, and half their
    difference is what they scatter about it: so both are within the intervals.
    """
    hinted = [] if before.hinted is None else [np.insert(before.hinted, place, 0.0, axis=1)]
    problem = replace(after.problem, doubted=before.problem.doubted)
    if doubted:
        hinted.append(0.5 * (after.machine - np.insert(before.machine, place, 0.0))[None])
        problem = replace(problem, doubted=(*problem.doubted, problem.free[place]))
    return replace(after, problem=problem, hinted=np.vstack(hinted) if hinted else None)


def _in_order(*terms: Term) -> tuple[Term, ...]:
    return tuple(term for term in TERMS if term in terms)


def _worth_a_try(joint: Joint) -> float:
    """A score that is inflated by its own scatter cannot exceed the root of what is spare."""
    spare = max(1, len(joint.stack.residual) - len(joint.machine))
    return float(min(HINTED, _SHARE_OF_MOST * spare**0.5))


def fitted_magnet_coefficient(joint: Joint) -> float | None:
    """Change of the EMF constant per kelvin: the usual one, or what the readings made of it."""
    coefficient = joint.problem.magnet_coefficient
    if coefficient is None or "magnet-temperature" not in joint.problem.terms:
        return coefficient
    error = joint.solution.theta[len(joint.problem.free) :][-1]  # the last unknown error
    return float(coefficient * (1.0 + error))


def score(joint: Joint, term: Term) -> float | None:
    r"""How far the residuals of a fit without a term ask for it, in standard deviations.

    .. math:: z = -d^\mathsf{T} P y / \sqrt{d^\mathsf{T} P d}

    with d the derivative of the condition equations with the term's coefficient.

    Parameters
    ----------
    joint : Joint
        Solved without the term.
    term : Term
        One with a machine parameter.

    Returns
    -------
    float or None
        None where no residual could show it.
    """
    direction = _direction(joint, PARAMETER[term])
    projection = joint.projected.projection
    information = float(direction @ projection @ direction)
    most = float(direction @ joint.projected.weight @ direction)
    if not information > 1e-9 * most:
        return None
    return float(-(direction @ projection @ joint.stack.residual) / information**0.5)


def _direction(joint: Joint, index: int) -> FloatArray:
    """df/d(a machine parameter that is not free), at its value of zero, (N,)."""
    conditions = copy(joint.problem.conditions)
    place = int(np.searchsorted(joint.problem.free, index))
    conditions.free = [*joint.problem.free[:place], index, *joint.problem.free[place:]]
    theta = np.insert(joint.solution.theta, place, 0.0)
    at = solution_at(conditions, theta, np.exp(joint.scales.log_variance))
    return np.asarray(at.linearised.design[conditions.present][:, place])


def _allowing_for(joint: Joint, term: Term) -> Joint:
    r"""The same fit, uncertain by what a term left out would do: :math:`G d\,\hat c`."""
    direction = _direction(joint, PARAMETER[term])
    turned = joint.projected.projection @ direction
    size = (turned @ joint.stack.residual) / (turned @ direction)
    moves = (joint.projected.gain @ direction * size)[None]
    before = joint.hinted
    return replace(joint, hinted=moves if before is None else np.vstack([before, moves]))


def _carried(before: Joint, after: Joint, place: int) -> bool:
    """Whether the term is measured, and all that was measured without it still is."""
    names = after.problem.names
    measured = {name for name, known in zip(names, after.standing.measured, strict=True) if known}
    lost = {
        name
        for name, known in zip(before.problem.names, before.standing.measured, strict=True)
        if known and name not in measured
    }
    return names[place] in measured and not lost


def _significance(joint: Joint, place: int) -> float:
    """By how many standard deviations a parameter is above zero, small samples allowed for."""
    uncertainty = split_uncertainty(joint, widening(joint))
    weights = np.eye(len(joint.machine))[place]
    ratio = float(joint.machine[place]) / max(float(uncertainty.total[place, place]) ** 0.5, 1e-300)
    chance = float(stdtr(uncertainty.degrees_of_freedom(weights), -abs(ratio)))
    return float(np.sign(ratio) * -ndtri(max(chance, _NO_CHANCE)))


def _rival(bench: Bench, joint: Joint, place: int, *, demanded: bool) -> Suspicion | None:
    """What explains the readings as well as the term, if anything does."""
    others = [one for one in suspects(bench, joint) if one.family in _RIVALS]
    if not others:
        return None
    ratios = beside(joint, place, np.stack([one.direction for one in others]))
    least = int(np.argmin(ratios))
    alone = float(joint.machine[place] / joint.covariance[place, place] ** 0.5)
    enough = BESIDE if demanded else _SHARE_BESIDE * alone
    return others[least] if ratios[least] < enough else None


#: What a rival of a term is, by its family.
_RIVALS = {
    "reading": "a single row of {file} would explain it as well",
    "group": "one setting of {file} would explain it as well",
    "step": "something that changed while {file} was filled in would explain it as well",
    "sheet": "something in {file} alone would explain it as well",
    "heating": "a winding that warms up in {file} would explain it as well; it takes a column "
    "winding",
}


def beside(joint: Joint, place: int, directions: FloatArray) -> FloatArray:
    r"""A parameter over its standard deviation beside one other effect after another.

    With G the gain, P the projection and d what another effect would do to the condition
    equations, fitting that too moves the parameters by
    :math:`G d\, (d^\mathsf{T} P y) / (d^\mathsf{T} P d)` and adds
    :math:`G d\, d^\mathsf{T} G^\mathsf{T} / (d^\mathsf{T} P d)` to their covariance, the
    scales held.

    Parameters
    ----------
    joint : Joint
        A solved bench of N condition equations.
    place : int
        Of the parameter among the free ones.
    directions : ndarray, shape (s, N)
        The other effects.

    Returns
    -------
    ndarray, shape (s,)
        As without the other effect where no residual could show that one.
    """
    projected, value = joint.projected, float(joint.machine[place])
    variance = float(projected.covariance[place, place])
    turned = directions @ projected.projection
    information = np.einsum("sn,sn->s", turned, directions)
    most = np.einsum("sn,nm,sm->s", directions, projected.weight, directions)
    seen = information > 1e-9 * most
    information = np.where(seen, information, 1.0)
    reach = np.where(seen, directions @ projected.gain[place], 0.0)
    moved = value + reach * (turned @ joint.stack.residual) / information
    return np.asarray(moved / np.sqrt(variance + reach**2 / information))
