"""How far each reading is from the fitted machine, and whether neighbours agree."""

from __future__ import annotations

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.estimation.joint import Joint
from motorfit.estimation.result import ResidualRow
from motorfit.estimation.robust import scores_as_read
from motorfit.estimation.rows import CURRENT, EQUATIONS, READ_TORQUE, SPEED, TORQUE, VOLTAGE
from motorfit.estimation.scatter import Projected, Stacked

#: Residuals hang together from this many standard deviations of a lag-one correlation on.
CORRELATED = 3.0

#: Fewer neighbours than this tell no correlation.
_FEWEST_PAIRS = 8

#: A correlation nearer to one is a drift through the whole sheet, which no factor makes good.
_MOST_CORRELATED = 0.8


def standardised(joint: Joint) -> FloatArray:
    """Residual of each present equation over its deviation, itself left out, (N,).

    With P the projection of generalised least squares, (P y)_i / P_ii is what is left
    of y_i when it is predicted from all others, with variance 1 / P_ii.
    """
    if joint.problem.held is not None:
        return scores_as_read(joint)
    return scores_of(joint.stack, joint.projected)


def scores_of(stack: Stacked, projected: Projected) -> FloatArray:
    """The same of any stack, (N,)."""
    projection = projected.projection
    return np.asarray((projection @ stack.residual) / np.sqrt(_diagonal(projection)))


def _diagonal(projection: FloatArray) -> FloatArray:
    # an equation that alone determines a parameter has no residual to speak of
    diagonal = np.diag(projection)
    return np.maximum(diagonal, 1e-12 * np.max(diagonal, initial=1e-300))


def places(joint: Joint) -> tuple[IntArray, IntArray]:
    """Row and equation of each entry of the stack."""
    row, equation = np.nonzero(joint.problem.conditions.present)
    return row, equation


def neighbour_correlation(joint: Joint, scores: FloatArray | None = None) -> tuple[float, float]:
    """Lag-one correlation of the voltage residuals within each sheet.

    Parameters
    ----------
    joint : Joint
        A solved bench.
    scores : ndarray, shape (N,), optional
        Its standardised residuals, where they are known already or others are meant.

    Returns
    -------
    correlation : float
        Pooled over the sheets.
    significance : float
        In standard deviations of independent residuals.
    """
    row, equation = places(joint)
    chosen = equation == 0
    scores = (standardised(joint) if scores is None else scores)[chosen]
    files = np.array(joint.problem.assembled.rows.file, dtype=object)[row[chosen]]
    pairs = files[1:] == files[:-1]
    count = int(np.sum(pairs))
    if count < _FEWEST_PAIRS:
        return 0.0, 0.0
    correlation = float(np.mean(scores[1:][pairs] * scores[:-1][pairs]) / np.mean(scores**2))
    return correlation, correlation * count**0.5


def widening(joint: Joint) -> float:
    r"""Factor on the scatter's variance for residuals that hang together.

    .. math:: (1 + \rho) / (1 - \rho)

    for neighbours correlated by :math:`\rho` (an autoregressive process of first order);
    one where the correlation is not significant. What settings share, and the drift of driven
    sheets that name none, are variance components already; this is for what is left, and for
    the other sheets.
    """
    correlation, significance = neighbour_correlation(joint)
    if significance < CORRELATED:
        return 1.0
    correlation = min(correlation, _MOST_CORRELATED)
    return (1.0 + correlation) / (1.0 - correlation)


def residual_rows(joint: Joint) -> tuple[ResidualRow, ...]:
    """One entry a present equation, in the order of the sheets."""
    rows, values = joint.problem.assembled.rows, joint.problem.conditions.nominal.values
    residual = joint.solution.linearised.residual
    scores, held = standardised(joint), joint.problem.held
    found = []
    for score, row, equation in zip(scores, *places(joint), strict=True):
        if rows.torque_from[row] != READ_TORQUE:  # a log has residuals of its own
            continue
        measured = float(values[row, VOLTAGE if equation == 0 else TORQUE])
        left = float(residual[row, equation])
        found.append(
            ResidualRow(
                file=rows.file[row],
                row=int(rows.row[row]),
                kind=rows.kind[row],
                equation="voltage" if EQUATIONS[equation] == "voltage" else "torque",
                speed=float(values[row, SPEED]),
                current=float(values[row, CURRENT]) + 0.0,
                measured=measured,
                fitted=measured - left,
                residual=left,
                standardised=float(score),
                note=rows.note[row],
                weight=1.0 if held is None else float(held[row]),
            )
        )
    return tuple(found)
