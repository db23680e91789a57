"""How far the readings ask for an optional term, and what else would explain them as well."""

from __future__ import annotations

from copy import copy

import numpy as np
from scipy.special import ndtri, stdtr

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.joint import Joint
from motorfit.estimation.residuals import widening
from motorfit.estimation.solver import solution_at
from motorfit.estimation.suspicions import suspects
from motorfit.estimation.terms import PARAMETER, Term
from motorfit.estimation.uncertainty import split_uncertainty

#: A term that is claimed must still be there by so many standard deviations beside whatever
#: else may be wrong with a bench: a slip in a row, a winding that warms up, a lead that came
#: loose.
BESIDE = 2.5

#: One that is in as a doubt only, by this share of what it is alone.
_SHARE_BESIDE = 0.4

#: Less information than this share of what there would be without any parameter is rounding.
_ROUNDING = 1e-9

#: Readings in so few degrees of freedom tell nothing of a chance.
_NO_CHANCE = 1e-300

#: What explains the readings as well as a term, by its family.
_RIVALS = {
    "reading": "a single row of {file} would explain it as well",
    "group": "one setting of {file} would explain it as well",
    "step": "something that changed while {file} was filled in would explain it as well",
    "sheet": "something in {file} alone would explain it as well",
    "heating": "a winding that warms up in {file} would explain it as well; it takes a column "
    "winding",
}


def loss_bends(run: Run) -> float:
    r"""How surely the loss of an open coast-down rises ever more with speed.

    Of three rates :math:`\dot x_i` at :math:`x_i`, the second divided difference
    :math:`-\sum_i \dot x_i / \prod_{j \ne i} (x_i - x_j)` over its standard deviation.

    Parameters
    ----------
    run : Run
        Reduced to rates.

    Returns
    -------
    float
        Zero for other runs, and for rates at fewer than three values.
    """
    rates = run.rates
    if rates is None or len(rates.value) != 3 or {"current", "load"} & set(run.readings):
        return 0.0
    apart = run.get(rates.quantity)[:, None] - run.get(rates.quantity)
    weights = -1.0 / np.prod(apart + np.eye(3), axis=1)
    variance = weights**2 @ rates.own + np.sum((weights @ rates.shared) ** 2)
    return float(weights @ rates.value / np.sqrt(variance))


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
    direction = direction_of(joint, PARAMETER[term])
    projection = joint.projected.projection
    information = float(direction @ projection @ direction)
    most = float(direction @ joint.projected.weight @ direction)
    if not information > _ROUNDING * most:
        return None
    return float(-(direction @ projection @ joint.stack.residual) / information**0.5)


def direction_of(joint: Joint, index: int) -> FloatArray:
    """df/d(a machine parameter that is not free), at its value of zero, (N,)."""
    conditions = copy(joint.problem.conditions)
    place = int(np.searchsorted(joint.problem.free, index))
    conditions.free = [*joint.problem.free[:place], index, *joint.problem.free[place:]]
    theta = np.insert(joint.solution.theta, place, 0.0)
    at = solution_at(conditions, theta, np.exp(joint.scales.log_variance))
    return np.asarray(at.linearised.design[conditions.present][:, place])


def significance(joint: Joint, place: int) -> float:
    """By how many standard deviations a parameter is above zero, small samples allowed for."""
    uncertainty = split_uncertainty(joint, widening(joint))
    weights = np.eye(len(joint.machine))[place]
    ratio = float(joint.machine[place]) / max(float(uncertainty.total[place, place]) ** 0.5, 1e-300)
    chance = float(stdtr(uncertainty.degrees_of_freedom(weights), -abs(ratio)))
    return float(np.sign(ratio) * -ndtri(max(chance, _NO_CHANCE)))


def explained_otherwise(bench: Bench, joint: Joint, place: int, *, demanded: bool) -> str | None:
    """What explains the readings as well as a term.

    Parameters
    ----------
    bench : Bench
        The readings.
    joint : Joint
        Their fit with the term.
    place : int
        Of the term's coefficient among the free parameters.
    demanded : bool
        Whether it would be claimed, not only allowed for.

    Returns
    -------
    str or None
        One clause; None where nothing does.
    """
    others = [one for one in suspects(bench, joint) if one.family in _RIVALS]
    if not others:
        return None
    ratios = beside(joint, place, np.stack([one.direction for one in others]))
    least = int(np.argmin(ratios))
    alone = float(joint.machine[place] / joint.covariance[place, place] ** 0.5)
    enough = BESIDE if demanded else _SHARE_BESIDE * alone
    if not ratios[least] < enough:
        return None
    return _RIVALS[others[least].family].format(file=others[least].file)


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
    seen = information > _ROUNDING * most
    information = np.where(seen, information, 1.0)
    reach = np.where(seen, directions @ projected.gain[place], 0.0)
    moved = value + reach * (turned @ joint.stack.residual) / information
    return np.asarray(moved / np.sqrt(variance + reach**2 / information))
