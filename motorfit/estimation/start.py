"""Where the solver starts, and how large each parameter may plausibly be."""

from __future__ import annotations

import numpy as np
from scipy.optimize import lsq_linear

from motorfit.arrays import FloatArray
from motorfit.estimation.conditions import BrushedConditions
from motorfit.estimation.physics import (
    EMF_RATIO,
    LOSS_RATIO,
    MACHINE_PARAMETERS,
    T0,
    VB,
    VBS,
    A,
    B,
    C,
    J,
    K,
    R,
)
from motorfit.estimation.rows import CURRENT, READ_TORQUE, SPEED, TORQUE, VOLTAGE

#: Share of the EMF that armature reaction may plausibly take at the largest current.
_PLAUSIBLE_REACTION = 0.1

#: Loss torque as a share of that of the largest current, and in newton metres, where nothing
#: else tells it: any would do, for then only its ratio to the inertia is told.
_LOSS_OF_CURRENT = 0.03
_ANY_LOSS = 0.01


def first_guess(conditions: BrushedConditions) -> FloatArray:
    """Where the solver starts: least squares of each equation, no errors in the regressors.

    Parameters
    ----------
    conditions : BrushedConditions
        Of a bench.

    Returns
    -------
    ndarray, shape (len(MACHINE_PARAMETERS),)
    """
    full = np.zeros(len(MACHINE_PARAMETERS))
    nuisance = np.zeros(len(conditions.influence.leads))
    # at one supply voltage a brush drop could take all of it, and leave no EMF
    drop = _usual_drop(conditions) * 2.0
    limit = {VB: drop, VBS: drop}
    for equation, wanted in ((0, (K, R, VB, VBS)), (1, (T0, B, J))):
        at = conditions.linearise(np.concatenate([full[conditions.free], nuisance]))
        columns = [place for place, index in enumerate(conditions.free) if index in wanted]
        rows = conditions.present[:, equation]
        if not columns or not rows.any():
            continue
        design = -at.design[rows, equation][:, columns]
        # newton metres beside the kilogram square metres of a stated inertia
        scale = np.maximum(np.max(np.abs(design), axis=1), np.finfo(float).tiny)
        scale = np.where(conditions.rows.torque_from[rows] == READ_TORQUE, 1.0, scale)
        design, residual = design / scale[:, None], at.residual[rows, equation] / scale
        size = np.maximum(np.linalg.norm(design, axis=0), np.finfo(float).tiny)
        most = [limit.get(conditions.free[place], np.inf) for place in columns] * size
        found = lsq_linear(design / size, residual, bounds=(0.0, most))
        full[[conditions.free[place] for place in columns]] = found.x / size
    if J in conditions.free and not full[J] > 0:
        _take_some_inertia(conditions, full)
    return full


def _take_some_inertia(conditions: BrushedConditions, full: FloatArray) -> None:
    """An inertia where the readings tell but ratios to it, and the loss that goes with it."""
    nuisance = np.zeros(len(conditions.influence.leads))
    at = conditions.at(np.concatenate([full[conditions.free], nuisance]))
    rows = conditions.rows.coasting
    slowing = -at.physics.inertial.slope("inertia")[rows]
    current = float(np.max(np.abs(conditions.nominal.values[:, CURRENT]), initial=0.0))
    loss = full[T0] or _LOSS_OF_CURRENT * full[K] * current or _ANY_LOSS
    full[J] = loss / max(float(np.median(slowing)), np.finfo(float).tiny)
    speed = conditions.nominal.values[rows, SPEED]
    design = np.stack([np.ones_like(speed), speed / np.max(speed)], axis=-1)
    found = lsq_linear(design, full[J] * slowing, bounds=(0.0, np.inf)).x
    full[[T0, B]] = found[0], found[1] / np.max(speed)


def _usual_drop(conditions: BrushedConditions) -> float:
    """A brush drop of carbon, or a tenth of a low-voltage machine's largest voltage. [V]"""
    voltage = float(np.max(np.abs(conditions.nominal.values[:, VOLTAGE]), initial=0.0)) or 1.0
    return min(1.0, 0.1 * voltage)


def plausible_sizes(conditions: BrushedConditions, full: FloatArray) -> FloatArray:
    """Plausible size of each parameter: what 'not determined at all' would mean.

    Parameters
    ----------
    conditions : BrushedConditions
        Of a bench.
    full : ndarray
        From `first_guess`.

    Returns
    -------
    ndarray, shape (len(MACHINE_PARAMETERS),)
    """
    rows, values = conditions.rows, np.abs(conditions.nominal.values)
    voltage = float(np.max(values[:, VOLTAGE], initial=0.0)) or 1.0
    current = float(np.max(values[:, CURRENT], initial=0.0)) or 1.0
    speed = float(np.max(values[:, SPEED], initial=0.0)) or 1.0
    drop = _usual_drop(conditions)
    braked = rows.present[:, 1] & (rows.torque_from == READ_TORQUE)
    loss = np.abs(full[K] * values[braked, CURRENT] - values[braked, TORQUE])
    torque = float(np.median(loss)) if len(loss) else 1.0
    if not len(loss) and full[J] > 0:
        torque = float(full[T0] + full[B] * speed)
    sizes = np.ones(len(MACHINE_PARAMETERS))
    sizes[K] = max(full[K], 0.3 * voltage / speed)
    sizes[R] = max(full[R], 0.2 * voltage / current)
    sizes[VB], sizes[VBS] = max(full[VB], drop), max(full[VBS], drop)
    sizes[T0] = max(torque, np.finfo(float).tiny)
    sizes[B], sizes[C] = sizes[T0] / speed, sizes[T0] / speed**2
    sizes[A] = _PLAUSIBLE_REACTION / current
    sizes[EMF_RATIO], sizes[LOSS_RATIO] = 0.1, 0.5
    # the machine's own may well be as large as what was put on its shaft
    added = float(np.max(rows.added_inertia, initial=0.0))
    sizes[J] = max(full[J], added, np.finfo(float).tiny)
    return sizes
