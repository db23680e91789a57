r"""The bootstrap: the readings themselves tell how they scatter.

Readings are resampled with replacement among their like: repeats of one setting among each
other, the other readings of a sheet among each other. Of m like readings m - 1 are drawn,
each counted :math:`m/(m-1)` times, so that the variance is not too small by
:math:`(m-1)/m` [1]_. What all readings share is redrawn: instruments, and what groups of
rows have in common.

It has limits. A reading that settles much draws the fit towards itself, and its residual
cannot show how wrong it is: two no-load readings that settle two loss terms lie on the fit
exactly. So where less than `LEAST_SPARE` of a reading's own variance is left in its residual
the reading is not resampled, nor are the readings of a sheet with fewer degrees of freedom
than `FEWEST`; their errors are drawn as in the Monte Carlo. A resample that has lost most of
what settles a parameter is redrawn. Nor does a resample know how few readings it rests on:
`Drawn` widens by Student's quantile over the normal one.

References
----------
.. [1] J. N. K. Rao and C. F. J. Wu, J. Am. Stat. Assoc. 83 (1988) 231: resampling inference
   with complex survey data.
"""

from __future__ import annotations

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.estimation.effects import SETTING
from motorfit.estimation.joint import Joint, row_blocks
from motorfit.estimation.resampling import (
    draw_means,
    draw_reading_errors,
    with_itself,
)
from motorfit.estimation.rows import SPEED
from motorfit.estimation.together import Resamples
from motorfit.estimation.uncertainty import Uncertainty

#: Degrees of freedom, readings less groups of like ones, from which on the readings of a
#: sheet are resampled. Fewer do not know their own scatter.
FEWEST = 6

#: A reading is resampled if at least this share of the variance of its own error is left
#: in its residual: one less its leverage.
LEAST_SPARE = 0.5

#: A resample in which some direction of the parameters keeps less of its information than
#: this has too few distinct readings, and is redrawn.
_LEAST_LEFT = 0.2

#: How often; what is still too poor then has its readings drawn instead of resampled.
_ROUNDS = 30


def bootstrap(
    uncertainty: Uncertainty, log_variance: FloatArray, rng: np.random.Generator
) -> Resamples:
    """Resamples with the readings resampled, and what they share drawn.

    Parameters
    ----------
    uncertainty : Uncertainty
        Of a solved bench.
    log_variance : ndarray, shape (B, c)
        Scales of scatter of each resample, for what is drawn.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    Resamples
        The first of them is the bench as it is.
    """
    joint = uncertainty.joint
    weight, drawn = draw_weights(joint, len(log_variance), rng)
    shift = draw_reading_errors(joint, log_variance, rng) * uncertainty.widening**0.5
    mean = draw_means(uncertainty, log_variance, rng)
    return Resamples(
        shift=with_itself(shift * drawn[..., None], 0.0),
        mean=mean,
        weight=with_itself(weight, 1.0),
    )


def draw_weights(
    joint: Joint, count: int, rng: np.random.Generator
) -> tuple[FloatArray, BoolArray]:
    """How many times each row counts, and which rows are drawn instead, both (B, n)."""
    groups = [group for group in strata(joint) if len(group) > 1]
    weight = np.ones((count, len(joint.problem.assembled.rows)))
    information = _information(joint)
    poor = np.arange(count)
    for _ in range(_ROUNDS):
        for group in groups:
            weight[np.ix_(poor, group)] = _counts(len(group), len(poor), rng)
        poor = poor[_least_left(weight[poor], information) < _LEAST_LEFT]
        if not len(poor):
            break
    drawn = np.ones(weight.shape, dtype=bool)
    for group in groups:
        drawn[:, group] = False
    weight[poor], drawn[poor] = 1.0, True
    return weight, drawn


def _counts(size: int, count: int, rng: np.random.Generator) -> FloatArray:
    even = np.full(size, 1.0 / size)
    return np.asarray(rng.multinomial(size - 1, even, size=count) * (size / (size - 1.0)))


def strata(joint: Joint) -> list[IntArray]:
    """Rows that are resampled among each other: repeats of a setting, rows of a sheet.

    A row in a group of one is not resampled.
    """
    rows = joint.problem.assembled.rows
    sheets = np.array([f"{file} {kind}" for file, kind in zip(rows.file, rows.kind, strict=True)])
    setting, telling = _setting(joint), _spare(joint) >= LEAST_SPARE
    found: list[IntArray] = []
    for sheet in dict.fromkeys(sheets):
        groups = _alike(np.flatnonzero(telling & (sheets == sheet)), setting)
        if sum(len(group) - 1 for group in groups) >= FEWEST:
            found += groups
    alone = np.setdiff1d(np.arange(len(rows)), np.concatenate([*found, np.zeros(0, dtype=int)]))
    return [*found, *alone[:, None]]


def _alike(rows: IntArray, setting: IntArray) -> list[IntArray]:
    """Of the rows of one sheet: repeats of each setting, and the others; none alone."""
    groups = [rows[setting[rows] == each] for each in np.unique(setting[rows]) if each >= 0]
    repeated = [group for group in groups if len(group) > 1]
    others = np.setdiff1d(rows, np.concatenate([*repeated, np.zeros(0, dtype=int)]))
    return [group for group in (*repeated, others) if len(group) > 1]


def _setting(joint: Joint) -> IntArray:
    """Number of the setting that each row shares with others, -1 where none, (n,)."""
    assembled = joint.problem.assembled
    setting = np.full(len(assembled.rows), -1)
    for index, nuisance in enumerate(assembled.nuisances):
        if nuisance.quantity == SETTING:
            setting[assembled.influence.gain[:, SPEED, index] != 0] = index
    return setting


def _spare(joint: Joint) -> FloatArray:
    """Share of each row's own variance that its residuals keep, the least of its equations."""
    own = row_blocks(joint.projected.projection, joint.problem.conditions.present)
    factor = np.linalg.cholesky(joint.solution.covariance)
    return np.asarray(np.linalg.eigvalsh(factor.swapaxes(-1, -2) @ own @ factor)[:, 0])


def _information(joint: Joint) -> FloatArray:
    """What each row tells of the machine parameters, as a share of all rows' (n, p, p).

    In coordinates in which all rows together, with what holds open directions, are the
    identity.
    """
    solution, machine = joint.solution, len(joint.machine)
    design = solution.linearised.design[..., :machine]
    each = design.swapaxes(-1, -2) @ np.linalg.solve(solution.covariance, design)
    size = 1.0 / np.sqrt(np.diag(each.sum(axis=0)) + np.diag(joint.stack.ridge))
    whole = (each.sum(axis=0) + joint.stack.ridge) * size[:, None] * size
    values, vectors = np.linalg.eigh(whole)
    turned = size[:, None] * vectors / np.sqrt(np.maximum(values, 1e-12 * values[-1]))
    return np.asarray(turned.T @ each @ turned)


def _least_left(weight: FloatArray, information: FloatArray) -> FloatArray:
    """Smallest share of its information that any direction keeps, (B,)."""
    machine = information.shape[-1]
    flat = information.reshape(len(information), -1)
    held = np.eye(machine) - information.sum(axis=0)
    left = (weight @ flat).reshape(-1, machine, machine) + held
    return np.asarray(np.linalg.eigvalsh(left)[:, 0])
