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
from motorfit.estimation.joint import Joint, fit_jointly
from motorfit.estimation.problem import Problem, pose
from motorfit.estimation.residuals import widening
from motorfit.estimation.rows import CURRENT
from motorfit.estimation.scatter import project
from motorfit.estimation.solver import solution_at
from motorfit.estimation.terms import PARAMETER, TERMS, Considered, Term
from motorfit.estimation.uncertainty import split_uncertainty

#: The readings demand a term from this many standard deviations on: one clean bench in
#: 30,000. What is fitted by itself must not be chance.
DEMANDED = 4.0

#: It must still be there without any one row, and beside a winding that warms up.
ROBUSTLY = 3.0
BESIDE_HEATING = 2.5

#: Below this no term is tried, or below this share of the most that it could reach.
_WORTH_A_TRY = 2.5
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
    standard deviations (Student's quantile for its degrees of freedom), is still clearly
    so with any one row set aside, and where it and every other parameter that was measured
    without it are measured. Armature reaction must also hold its own beside a winding that
    warms up with the square of the current. The doubt of the magnets' coefficient comes in
    where their temperatures were read and differ by more than `MAGNET_SPREAD`.
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
    if evidence < DEMANDED:
        return left_out("the readings do not ask for it clearly enough", evidence)
    if term == "armature-reaction" and beside_heating(tried, place) < BESIDE_HEATING:
        return left_out(
            "a winding that warms up under load would explain it as well; it takes a column "
            "winding",
            evidence,
        )
    if np.min(without_each_row(tried, place)) < ROBUSTLY:
        return left_out("a single row asks for it, the others do not", evidence)
    return tried, Considered(
        term=term, included=True, asked=False, why="the readings demand it", evidence=evidence
    )


def _in_order(*terms: Term) -> tuple[Term, ...]:
    return tuple(term for term in TERMS if term in terms)


def _worth_a_try(joint: Joint) -> float:
    """A score that is inflated by its own scatter cannot exceed the root of what is spare."""
    spare = max(1, len(joint.stack.residual) - len(joint.machine))
    return float(min(_WORTH_A_TRY, _SHARE_OF_MOST * spare**0.5))


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


def without_each_row(joint: Joint, place: int) -> FloatArray:
    r"""A parameter over its standard deviation with one row after another set aside, (n,).

    With G the gain and P the projection, setting a row i aside moves the parameters by
    :math:`G_i P_{ii}^{-1} (P y)_i` and adds :math:`G_i P_{ii}^{-1} G_i^\mathsf{T}` to
    their covariance, the scales held.

    Parameters
    ----------
    joint : Joint
        A solved bench.
    place : int
        Of the parameter among the free ones.

    Returns
    -------
    ndarray
        In the order of the rows that have an equation.
    """
    projected, stacked = joint.projected, joint.stack
    row, _ = np.nonzero(joint.problem.conditions.present)
    pull = projected.projection @ stacked.residual
    found = []
    for number in np.unique(row):
        own = np.flatnonzero(row == number)
        block = projected.projection[np.ix_(own, own)]
        gain = projected.gain[place, own]
        inverse = np.linalg.pinv(block, rcond=1e-9, hermitian=True)
        value = joint.machine[place] + gain @ inverse @ pull[own]
        variance = projected.covariance[place, place] + gain @ inverse @ gain
        found.append(value / variance**0.5)
    return np.array(found)


def beside_heating(joint: Joint, place: int) -> float:
    r"""Armature reaction over its standard deviation beside a winding that warms up.

    The resistance of a row grows with the square of its current, where no thermometer
    followed the winding: :math:`\partial f_1 / \partial h = -R\, i^3`.
    """
    rows, conditions = joint.problem.assembled.rows, joint.problem.conditions
    running = ~rows.standing
    if np.ptp(rows.winding[running]) > 0:
        return float(joint.machine[place] / joint.covariance[place, place] ** 0.5)
    heating = np.zeros(conditions.present.shape)
    heating[:, 0] = np.where(running, conditions.nominal.values[:, CURRENT] ** 3, 0.0)
    column = heating[conditions.present]
    size = float(np.linalg.norm(column)) or 1.0
    ridge = np.pad(joint.stack.ridge, (0, 1))
    wider = replace(
        joint.stack, design=np.column_stack([joint.stack.design, column / size]), ridge=ridge
    )
    projected = project(wider, joint.scales.log_variance)
    value = joint.machine[place] - float(projected.gain[place] @ wider.residual)
    return float(value / projected.covariance[place, place] ** 0.5)
