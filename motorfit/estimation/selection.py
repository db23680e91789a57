"""Which optional terms the readings demand and can carry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from motorfit.bench.records import Bench
from motorfit.errors import FitError
from motorfit.estimation.joint import Joint, fit_jointly
from motorfit.estimation.physics import C, J
from motorfit.estimation.problem import Problem, pose
from motorfit.estimation.term_evidence import (
    direction_of,
    explained_otherwise,
    loss_bends,
    score,
    significance,
)
from motorfit.estimation.terms import PARAMETER, TERMS, Considered, Term

#: The readings demand a term from this many standard deviations on: one clean bench in
#: 30,000. What is fitted by itself must not be chance.
DEMANDED = 4.0

#: From this many standard deviations on a term is tried, and is in at least as a doubt ...
HINTED: dict[Term, float] = {"armature-reaction": 2.0, "windage": 2.5}

#: ... or from this share of the most that it could reach: with few readings to spare no score
#: can be large.
_SHARE_OF_MOST = 0.75

#: Magnet temperatures that differ by more make the coefficient's doubt matter. [K]
MAGNET_SPREAD = 10.0

#: Readings that would carry a term.
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
    standard deviations (Student's quantile for its degrees of freedom), where no one other
    thing that may be wrong explains the readings as well (`explained_otherwise`), and where
    it and every other parameter that was measured without it are measured. At `HINTED` or
    more it is in as a doubt: it is fitted, not claimed, and the uncertainty of all grows
    until the fit without it is within. Where something else explains the readings as well
    it is out; what armature reaction would do to the others is then added to their
    uncertainty. The doubt of the magnets' coefficient comes in where their temperatures
    were read and differ by more than `MAGNET_SPREAD`.

    An open coast-down shows by itself that its loss bends: beside others, a fit without
    windage may be so far off that it cannot be asked. There the search begins with it.
    """
    problem = pose(bench, terms=terms or ())
    if terms is not None:
        joint = fitter(problem)
        return Chosen(joint=joint, considered=tuple(_asked(joint, term) for term in TERMS))
    spread = _magnet_spread(problem)
    if spread > MAGNET_SPREAD:
        problem = pose(bench, terms=("magnet-temperature",))
    found: dict[Term, Considered] = {"magnet-temperature": _magnets(spread)}
    bent = _bent_by_windage(bench, problem, fitter)
    if bent is None:
        joint = fitter(problem)
    else:
        joint, found["windage"] = bent
    waiting = [term for term in PARAMETER if term not in found]
    while waiting:
        scores = {term: score(joint, term) for term in waiting}
        term = max(waiting, key=lambda each: scores[each] or 0.0)
        waiting.remove(term)
        joint, found[term] = _consider(bench, joint, term, scores[term], fitter)
    return Chosen(joint=joint, considered=tuple(found[term] for term in TERMS))


def _bent_by_windage(
    bench: Bench, problem: Problem, fitter: Fitter
) -> tuple[Joint, Considered] | None:
    """The fit with windage where an open coast-down surely bends by it; None where none does."""
    evidence = max((loss_bends(run) for run in bench.of_kind("coast-down")), default=0.0)
    if evidence < DEMANDED:
        return None
    problem = pose(bench, terms=_in_order(*problem.terms, "windage"))
    try:
        joint = fitter(problem)
    except FitError:
        return None
    place = problem.free.index(C)
    if joint.standing.measured[place]:
        # nothing in another sheet bends the curve of one log
        evidence = significance(joint, place)
        if evidence < DEMANDED:
            return None
    elif problem.free.index(J) not in joint.standing.partners(place):
        return None
    why = "the readings demand it"
    return joint, Considered(term="windage", included=True, asked=False, why=why, evidence=evidence)


def _asked(joint: Joint, term: Term) -> Considered:
    wanted = term in joint.problem.terms
    why = "asked for" if wanted else "left out as asked"
    evidence = None
    if wanted and term in PARAMETER:
        place = _place(joint, term)
        if place is None or not joint.standing.known[place]:
            why = f"asked for, and the readings cannot carry it; it takes {WHAT_IT_TAKES[term]}"
        else:
            evidence = significance(joint, place)
    return Considered(term=term, included=wanted, asked=True, why=why, evidence=evidence)


def _place(joint: Joint, term: Term) -> int | None:
    free = joint.problem.free
    return free.index(PARAMETER[term]) if PARAMETER[term] in free else None


def _magnet_spread(problem: Problem) -> float:
    """How far the magnets' temperatures differ, of the readings that turn. [K]"""
    rows = problem.assembled.rows
    magnets = rows.magnets[rows.turning]
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
    if first < _worth_a_try(joint, term):
        return left_out("the readings do not ask for it")
    problem = pose(bench, terms=_in_order(*joint.problem.terms, term))
    if PARAMETER[term] not in problem.free:  # a voltmeter's own current is none to react
        return left_out(f"no reading shows it; it takes {WHAT_IT_TAKES[term]}")
    try:
        tried = fitter(problem)
    except FitError:
        return left_out(f"the readings cannot carry it; it takes {WHAT_IT_TAKES[term]}")
    place = tried.problem.free.index(PARAMETER[term])
    if not _carried(joint, tried, place):
        return left_out(f"the readings cannot carry it; it takes {WHAT_IT_TAKES[term]}")
    evidence = significance(tried, place)
    demanded = evidence >= DEMANDED
    rival = explained_otherwise(bench, tried, place, demanded=demanded)
    if rival is not None:
        return allowed_for(rival, evidence)
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


def _worth_a_try(joint: Joint, term: Term) -> float:
    """A score that is inflated by its own scatter cannot exceed the root of what is spare."""
    spare = max(1, len(joint.stack.residual) - len(joint.machine))
    return float(min(HINTED[term], _SHARE_OF_MOST * spare**0.5))


def _allowing_for(joint: Joint, term: Term) -> Joint:
    r"""The same fit, uncertain by what a term left out would do: :math:`G d\,\hat c`."""
    direction = direction_of(joint, PARAMETER[term])
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
