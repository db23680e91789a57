"""What is wrong with a bench, as its residuals tell it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.bench.records import Bench
from motorfit.errors import FitError
from motorfit.estimation.brush_scale import BRUSH_SCALE
from motorfit.estimation.conditions import BrushedConditions
from motorfit.estimation.ground import sheets_of
from motorfit.estimation.joint import Joint, fit_jointly, joint_of, open_soft, stack
from motorfit.estimation.physics import brush_shape_doubts
from motorfit.estimation.problem import Problem, pose
from motorfit.estimation.residuals import CORRELATED, neighbour_correlation, scores_of
from motorfit.estimation.rows import CURRENT, STATED_INERTIA
from motorfit.estimation.scatter import estimate_scales
from motorfit.estimation.search import Explained, search
from motorfit.estimation.solver import solution_at
from motorfit.estimation.suspicions import suspects

#: How many things may be wrong at once.
MOST = 4

#: A step leaves nothing behind that hangs together; what drifts does. In standard deviations.
_AFTER_A_STEP = 1.75

#: A row that is set aside is worth this much of one; a stated inertia is exact to a millionth
#: but for an error that stays with it.
_ASIDE, _INERTIA_ASIDE = 1e-6, 1e-14

#: No more than this share of the rows is set aside to see the others better.
_MOST_ASIDE = 0.5


def explain(bench: Bench, joint: Joint, most: int = MOST) -> Explained:
    """Search for what is wrong with a bench.

    Parameters
    ----------
    bench : Bench
        The readings.
    joint : Joint
        Their fit.
    most : int
        How many things are looked for.

    Returns
    -------
    Explained
        With no verdict where nothing is beyond chance.

    Notes
    -----
    A gross slip draws the fit so far that its equations are no longer straight about
    where it ended. What is found is therefore set aside, the rest fitted by itself, and
    the search made once more about that.
    """
    found = _search(bench, joint, most)
    apart = _fit_apart(bench, joint, found) if found.verdicts else None
    if apart is None:
        return found
    again = _search(bench, apart, most)
    return again if again.verdicts else found


def _search(bench: Bench, joint: Joint, most: int) -> Explained:
    """Whatever explains it; single readings alone where something drifts nevertheless."""
    suspicions = suspects(bench, joint)
    found = search(joint, suspicions, most)
    if all(verdict.suspicion.family == "reading" for verdict in found.verdicts):
        return found
    if not _drifts(joint, found):
        return found
    # what changes slowly looks like a step or a curve, and neither is its cause
    return search(joint, [each for each in suspicions if each.family == "reading"], most)


def _drifts(joint: Joint, found: Explained) -> bool:
    """Whether something changes all the time: one step is not enough, or does not end it."""
    steps = [each.suspicion.file for each in found.verdicts if each.suspicion.family == "step"]
    if len(set(steps)) < len(steps):
        return True
    scores = scores_of(found.stack, found.projected)
    return neighbour_correlation(joint, scores)[1] >= (_AFTER_A_STEP if steps else CORRELATED)


def _fit_apart(bench: Bench, joint: Joint, found: Explained) -> Joint | None:
    """All readings about the fit of those that are above suspicion; none where few are."""
    problem = joint.problem
    touched = np.zeros(len(problem.assembled.rows), dtype=bool)
    for verdict in found.verdicts:
        if verdict.suspicion.family in ("reading", "group", "step", "sheet"):
            touched[verdict.suspicion.rows] = True
    if not 0 < np.mean(touched) <= _MOST_ASIDE:
        return None
    rest = pose(_without(bench, touched), terms=problem.terms)
    if rest.free != problem.free:
        return None
    problem = _as_of(problem, rest)
    stated = problem.assembled.rows.torque_from == STATED_INERTIA
    aside = np.where(stated, _INERTIA_ASIDE, _ASIDE)
    weight = problem.conditions.weight * np.where(touched, aside, 1.0)
    try:
        apart = fit_jointly(replace(problem, conditions=problem.conditions.weighted(weight)))
    except FitError:
        return None
    pairs = zip(joint.standing.known, apart.standing.known, strict=True)
    if any(before and not after for before, after in pairs):
        return None
    return _with_all_rows(problem, apart)


def _without(bench: Bench, touched: BoolArray) -> Bench:
    kept = {id(sheet.run): sheet.run.only(~touched[sheet.rows]) for sheet in sheets_of(bench)}
    return replace(bench, runs=tuple(kept.get(id(run), run) for run in bench.runs))


def _as_of(problem: Problem, rest: Problem) -> Problem:
    """A problem with start, sizes and brush drop's current scale of some of its readings."""
    old, machine = problem.conditions, len(problem.free)
    start = problem.start.copy()
    start[:machine] = rest.start[:machine]
    scale = rest.assembled.brush_current_scale
    shapes = brush_shape_doubts(old.nominal.values[:, CURRENT], scale)
    brush = old.influence.brush.copy()
    doubts = [each.quantity == BRUSH_SCALE for each in problem.assembled.nuisances]
    for place, shape in zip(np.flatnonzero(doubts), shapes, strict=False):  # none without current
        brush[:, place] = np.where(brush[:, place] != 0.0, shape, 0.0)
    influence = replace(old.influence, brush=brush)
    assembled = replace(problem.assembled, influence=influence, brush_current_scale=scale)
    conditions = BrushedConditions(
        old.rows,
        influence,
        free=problem.free,
        thermal=old.thermal,
        brush_current_scale=scale,
        patterns=assembled.patterns,
        friction=assembled.friction,
    ).weighted(old.weight)
    return replace(problem, assembled=assembled, conditions=conditions, start=start, size=rest.size)


def _with_all_rows(problem: Problem, apart: Joint) -> Joint:
    theta = apart.solution.theta
    scales = np.exp(apart.scales.log_variance)
    solution = solution_at(problem.conditions, theta, scales)
    stacked = stack(problem, solution, open_soft(problem, apart.standing.open))
    estimated = estimate_scales(stacked, apart.scales.log_variance)
    return joint_of(problem, solution, estimated, apart.standing, stacked)


def machine_allowing(explained: Explained) -> tuple[FloatArray, FloatArray]:
    """The machine with everything that was found allowed for, and its covariance.

    Returns
    -------
    machine : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
    """
    count = len(explained.joint.machine)
    moved = explained.projected.gain[:count] @ explained.stack.residual
    return explained.joint.machine - moved, explained.projected.covariance[:count, :count]
