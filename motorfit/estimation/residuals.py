"""How far each reading is from the fitted machine, and which do not belong."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri, stdtr

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.records import Bench
from motorfit.estimation.joint import Joint, fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.result import ResidualRow
from motorfit.estimation.robust import scores_as_read
from motorfit.estimation.rows import CURRENT, EQUATIONS, SPEED, TORQUE, VOLTAGE
from motorfit.estimation.scatter import estimate_scales, project, subset

#: A reading is looked at again when its residual exceeds this many of its own deviations,
#: or this share of the most that it could: with itself among n equations for p
#: parameters, none exceeds the square root of n - p.
_SUSPICIOUS = 2.5
_SHARE_OF_MOST = 0.75

#: Among many readings the largest is larger by chance: it may be the one in this many.
_ONE_IN = 0.2

#: Log variances to 5 % are enough to judge one reading by.
_ROUGHLY = 0.05

#: Chance that the most extreme of all residuals of a clean bench is called odd.
OUTLIER_LEVEL = 0.005

#: Residuals hang together from this many standard deviations of a lag-one correlation on.
_CORRELATED = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlier:
    """A reading that does not belong, judged with itself left out."""

    stacked: int  # index in the stack of present equations
    standardised: float  # its residual over its own standard deviation, itself left out
    off: float  # how far it is from what the others say, V or N m
    chance: float  # Bonferroni over the bench


def standardised(joint: Joint) -> FloatArray:
    """Residual of each present equation over its deviation, itself left out, (N,).

    With P the projection of generalised least squares, (P y)_i / P_ii is what is left
    of y_i when it is predicted from all others, with variance 1 / P_ii.
    """
    if joint.problem.held is not None:
        return scores_as_read(joint)
    projection = joint.projected.projection
    return np.asarray((projection @ joint.stack.residual) / np.sqrt(_diagonal(projection)))


def _diagonal(projection: FloatArray) -> FloatArray:
    # an equation that alone determines a parameter has no residual to speak of
    diagonal = np.diag(projection)
    return np.maximum(diagonal, 1e-12 * np.max(diagonal, initial=1e-300))


def places(joint: Joint) -> tuple[IntArray, IntArray]:
    """Row and equation of each entry of the stack."""
    row, equation = np.nonzero(joint.problem.conditions.present)
    return row, equation


def outliers(joint: Joint, most: int = 3) -> tuple[Outlier, ...]:
    """Readings that do not belong: externally studentised, Bonferroni over the bench.

    The most extreme readings are set aside one after another; those belong not that
    come before the last one whose residual is beyond chance when it is judged with all
    before it set aside. So two slips cannot hide each other.

    Parameters
    ----------
    joint : Joint
        A solved bench.
    most : int
        How many are looked for.

    Returns
    -------
    tuple of Outlier
        The worst first, each judged with all of them set aside.

    References
    ----------
    .. [1] B. Rosner, Technometrics 25 (1983) 165: generalised extreme studentised deviate.
    """
    row, _ = places(joint)
    kept = np.ones(len(row), dtype=bool)
    candidates: list[int] = []
    beyond_chance = 0
    scores = standardised(joint)
    spare = max(1, len(row) - len(joint.machine))
    by_chance = max(_SUSPICIOUS, float(-ndtri(0.5 * _ONE_IN / len(row))))
    suspicious = min(by_chance, _SHARE_OF_MOST * spare**0.5)
    while len(candidates) < most:
        candidate = int(np.argmax(np.where(kept, np.abs(scores), 0.0)))
        if abs(scores[candidate]) < suspicious or np.sum(kept) <= len(joint.machine):
            break
        kept = kept & (row != row[candidate])
        candidates.append(candidate)
        if _judge(joint, candidate, kept).chance <= OUTLIER_LEVEL:
            beyond_chance = len(candidates)
        scores = _scores_without(joint, kept)
    chosen = candidates[:beyond_chance]
    kept = ~np.isin(row, row[chosen])
    found = (_judge(joint, candidate, kept) for candidate in chosen)
    return tuple(sorted(found, key=lambda outlier: -abs(outlier.standardised)))


def _scores_without(joint: Joint, kept: BoolArray) -> FloatArray:
    reduced = subset(joint.stack, np.flatnonzero(kept))
    scales = estimate_scales(reduced, joint.scales.log_variance, tolerance=_ROUGHLY)
    projection = project(reduced, scales.log_variance).projection
    scores = np.zeros(len(kept))
    scores[kept] = (projection @ reduced.residual) / np.sqrt(_diagonal(projection))
    return scores


def _judge(joint: Joint, candidate: int, kept: BoolArray) -> Outlier:
    """Test one entry against scales that were estimated without its reading."""
    others = np.flatnonzero(kept)
    scales = estimate_scales(
        subset(joint.stack, others), joint.scales.log_variance, tolerance=_ROUGHLY
    )
    whole = subset(joint.stack, np.append(others, candidate))
    projection = project(whole, scales.log_variance).projection
    own = float(_diagonal(projection)[-1])
    score = float((projection @ whole.residual)[-1]) / own**0.5
    slopes = np.exp(scales.log_variance)[:, None, None] * whole.patterns
    change = np.einsum("i,cij,j->c", projection[-1], slopes, projection[-1]) / own
    spread = float(change @ scales.covariance @ change)
    freedom = 2.0 / spread if spread > 0 else 1e9
    chance = 2.0 * float(stdtr(freedom, -abs(score))) * len(joint.stack.residual)
    return Outlier(
        stacked=candidate, standardised=score, off=score / own**0.5, chance=min(1.0, chance)
    )


def fit_without(bench: Bench, joint: Joint, left_out: tuple[Outlier, ...]) -> Joint:
    """The fit as it would be if some readings had not been taken."""
    row, _ = places(joint)
    rows = joint.problem.assembled.rows
    odd = {(rows.file[index], int(rows.row[index])) for index in row[_stacked(left_out)]}
    runs = tuple(
        run.only(np.array([(run.source.name, int(number)) not in odd for number in run.rows]))
        for run in bench.runs
    )
    return fit_jointly(pose(replace(bench, runs=runs), terms=joint.problem.terms))


def _stacked(found: tuple[Outlier, ...]) -> list[int]:
    return [outlier.stacked for outlier in found]


def neighbour_correlation(joint: Joint) -> tuple[float, float]:
    """Lag-one correlation of the voltage residuals within each sheet.

    Returns
    -------
    correlation : float
        Pooled over the sheets.
    significance : float
        In standard deviations of independent residuals.
    """
    row, equation = places(joint)
    chosen = equation == 0
    scores = standardised(joint)[chosen]
    files = np.array(joint.problem.assembled.rows.file, dtype=object)[row[chosen]]
    pairs = files[1:] == files[:-1]
    count = int(np.sum(pairs))
    if count < 8:
        return 0.0, 0.0
    correlation = float(np.mean(scores[1:][pairs] * scores[:-1][pairs]) / np.mean(scores**2))
    return correlation, correlation * count**0.5


def widening(joint: Joint) -> float:
    r"""Factor on the scatter's variance for residuals that hang together.

    .. math:: (1 + \rho) / (1 - \rho)

    for neighbours correlated by :math:`\rho` (an autoregressive process of first order);
    one where the correlation is not significant.
    """
    correlation, significance = neighbour_correlation(joint)
    if significance < _CORRELATED:
        return 1.0
    correlation = min(correlation, 0.8)
    return (1.0 + correlation) / (1.0 - correlation)


def residual_rows(joint: Joint) -> tuple[ResidualRow, ...]:
    """One entry a present equation, in the order of the sheets."""
    rows, values = joint.problem.assembled.rows, joint.problem.conditions.nominal.values
    residual = joint.solution.linearised.residual
    scores, held = standardised(joint), joint.problem.held
    found = []
    for score, row, equation in zip(scores, *places(joint), strict=True):
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
