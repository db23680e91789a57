"""Residuals that hang together: how far, and by how much the intervals are wider for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from motorfit.estimation.effects import DRIFT, SETTING
from motorfit.estimation.judging import likelihood
from motorfit.estimation.residuals import CORRELATED, neighbour_correlation, scores_of
from motorfit.estimation.scatter import estimate_scales, project
from motorfit.estimation.search import Explained
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.finding import Finding

#: What is shared is told where the readings are likelier with it by this much in the log: for
#: one more variance, chance one in two thousand (half of chi-square's, at zero's edge).
_BEYOND_CHANCE = 5.4

#: Below this, in units of its usual size, nobody needs to hear of it.
_WORTH_TELLING = 1.5

#: An effect as small as this part of its size is none.
_NONE = 1e-4

_WHAT = {
    DRIFT: "Neighbouring readings are off in the same way",
    SETTING: "Readings of one setting are off in the same way",
}

_REMEDY = {
    DRIFT: (
        "Let the drive and the winding settle, take the readings in mixed order, and name "
        "readings of one setting in the column setting."
    ),
    SETTING: "Read speed and meters at the same moment; more settings help, more repeats do not.",
}


def hanging_together(uncertainty: Uncertainty, explained: Explained) -> list[Finding]:
    """Whether residuals hang together within settings, a sheet or in time.

    Parameters
    ----------
    uncertainty : Uncertainty
        Of the solved bench.
    explained : Explained
        What else was found, which may be all that makes neighbours alike.

    Returns
    -------
    list of Finding
    """
    found = [
        finding
        for name in (DRIFT, SETTING)
        if name in explained.joint.problem.assembled.components
        for finding in _shared(explained, name)
    ]
    return found or _neighbours(uncertainty, explained)


def _shared(explained: Explained, name: str) -> list[Finding]:
    """A variance that groups of readings share, beyond chance."""
    index = explained.joint.problem.assembled.components.index(name)
    size = float(np.exp(0.5 * explained.scales.log_variance[index]))
    if size < _WORTH_TELLING:
        return []
    patterns = explained.stack.patterns.copy()
    patterns[index] *= _NONE**2
    without = replace(explained.stack, patterns=patterns)
    scales = estimate_scales(without, explained.scales.log_variance, tolerance=0.05)
    gain = likelihood(explained.stack, explained.stack, explained.scales, prior=False)
    gain -= likelihood(without, without, scales, prior=False)
    if gain < _BEYOND_CHANCE:
        return []
    share = 100 * size * explained.joint.problem.assembled.usual_share(index)
    return [
        Finding(
            kind="residuals-hang-together",
            where="bench",
            says=(
                f"{_WHAT[name]}, by {share:.2g} % of the speed: something drifted. The intervals "
                f"are up to {_wider(explained, index):.1f} times wider for it."
            ),
            suggestion=_REMEDY[name],
            severity="caution",
            damage=float(np.sqrt(2.0 * gain)),
        )
    ]


def _wider(explained: Explained, index: int) -> float:
    """The largest factor on a standard uncertainty of the machine that is known."""
    joint = explained.joint
    known = np.flatnonzero(joint.standing.known)
    if not len(known):
        return 1.0
    t = explained.scales.log_variance.copy()
    with_it = np.diag(project(explained.stack, t).covariance)[known]
    t[index] += 2.0 * np.log(_NONE)
    without = np.diag(project(explained.stack, t).covariance)[known]
    return float(np.sqrt(np.max(with_it / without)))


def _neighbours(uncertainty: Uncertainty, explained: Explained) -> list[Finding]:
    """Correlation that no variance of its own accounts for."""
    if uncertainty.widening <= 1.0:
        return []
    correlation, significance = neighbour_correlation(uncertainty.joint)
    if explained.verdicts:
        scores = scores_of(explained.stack, explained.projected)
        if neighbour_correlation(explained.joint, scores)[1] < CORRELATED:
            return []
    return [
        Finding(
            kind="residuals-hang-together",
            where="bench",
            says=(
                f"{_WHAT[DRIFT]} (correlation {correlation:.2f}): something drifted. The "
                f"scatter's part of every interval is {uncertainty.widening**0.5:.1f} times wider "
                "for it."
            ),
            suggestion=_REMEDY[DRIFT],
            severity="caution",
            damage=significance,
        )
    ]
