r"""Straight fits to readings whose errors remember the ones before.

The error of a reading is taken as a part that forgets with a time constant :math:`\tau` and
a part that is new at each reading,

.. math::

    \operatorname{cov}(e_i, e_j) = \sigma^2
        \left[(1 - w)\, e^{-|t_i - t_j| / \tau} + w\, \delta_{ij} / m_i\right]

with the counts m given. Neither :math:`\tau` nor w is known well from a short log,
so nothing is picked: every pair on a grid counts by its restricted likelihood, and estimates
and covariances are averaged over them. The uneven steps and gaps of a log need no special
care. With the inverse of an exponential correlation tridiagonal, a pair costs one
tridiagonal solution.

References
----------
.. [1] D. A. Harville, Maximum likelihood approaches to variance component estimation and to
   related problems, JASA 72 (1977) 320-338: the restricted likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dptsv

from motorfit.arrays import FloatArray

#: Correlation times, in middle steps; from errors that are all but new to ones that
#: hardly change within a log. Zero stands for new ones.
_TIMES = np.geomspace(0.35, 1000.0, 18)

#: No time constant beyond this share of a log is tried: it could not be told from a curve.
_LONGEST = 0.5

#: Shares of the errors that are new at each reading, with how likely each is beforehand.
_NEW = ((0.0, 0.8), (0.5, 0.2))

#: How likely it is beforehand that no error remembers.
_ALL_NEW = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CorrelatedFit:
    """A straight fit to n readings, with p coefficients."""

    coefficients: FloatArray  # (p,)
    covariance: FloatArray  # (p, p)
    degrees_of_freedom: float  # of that covariance
    scale: float  # standard deviation of a reading of average count
    correlation_time: float  # average, weighted [s]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pairs:
    """What each of g pairs of time constant and share gives."""

    log_likelihood: FloatArray  # (g,), with the prior
    coefficients: FloatArray  # (g, p)
    covariance: FloatArray  # (g, p, p)
    variance: FloatArray  # (g,)
    time: FloatArray  # (g,)


def correlated_fit(
    design: FloatArray,
    response: FloatArray,
    time: FloatArray,
    *,
    count: FloatArray,
    least: float = 0.0,
    ignore: int = 0,
    averaged: int = 1,
) -> CorrelatedFit:
    """Fit ``design @ coefficients`` to readings with errors that remember.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        With n above p.
    response : ndarray, shape (n,)
        What is to be met.
    time : ndarray, shape (n,)
        When, strictly growing. [s]
    count : ndarray, shape (n,)
        How many readings each is the mean of, relative to each other, positive.
    least : float
        The scale is at least this: the rounding of a reading.
    ignore : int
        So many first coefficients do not count for the degrees of freedom.
    averaged : int
        How many neighbours, in even steps, each reading is the mean of.

    Returns
    -------
    CorrelatedFit
    """
    basis, back = np.linalg.qr(design)
    first = basis.T @ response
    both = np.column_stack([basis, response - basis @ first])
    pairs = _all_pairs(both, time, count, least, averaged)
    return _averaged(pairs, back, first, len(time), ignore)


def _all_pairs(
    both: FloatArray, time: FloatArray, count: FloatArray, least: float, averaged: int
) -> _Pairs:
    steps = np.diff(time)
    middle = float(np.median(steps))
    new = 1.0 / count
    forms, determinants, times, priors = (
        [(both / new[:, None]).T @ both],
        [np.log(new).sum()],
        [0.0],
        [_ALL_NEW],
    )
    grid = _TIMES[_TIMES * middle <= max(_LONGEST * (time[-1] - time[0]), _TIMES[0] * middle)]
    chance = _chances(grid)
    for tau, weight in zip(grid * middle, chance, strict=True):
        inverse = _Inverse(steps, tau)
        level, own = _of_means(middle / tau, averaged)
        for share, likely in _NEW:
            rest = 1.0 - share
            form, determinant = inverse.form(both, rest * level, rest * own + share * new)
            if not np.isfinite(determinant):  # uneven means, too near for the level of even ones
                form, determinant = inverse.form(both, rest, share * new)
            forms.append(form)
            determinants.append(determinant)
            times.append(tau)
            priors.append((1.0 - _ALL_NEW) * weight * likely)
    return _judged(
        np.array(forms), np.array(determinants), np.array(times), np.array(priors), len(time), least
    )


def _chances(grid: FloatArray) -> FloatArray:
    """Of each time constant: the correlation of neighbours is as likely as any from 0 to 1."""
    edges = np.sqrt(grid[1:] * grid[:-1])
    bounds = np.exp(-1.0 / np.concatenate([[1e-3], edges, [np.inf]]))
    found = np.diff(bounds)
    return np.asarray(found / found.sum())


def _of_means(step: float, averaged: int) -> tuple[float, float]:
    r"""What becomes of the correlation where readings are means of neighbours.

    Between means it still falls exponentially, by as much a step, from a level at distance
    zero that is above their variance.

    Parameters
    ----------
    step : float
        From one mean to the next, in time constants.
    averaged : int
        Neighbours in each.

    Returns
    -------
    level : float
        Of the exponential, to the variance of the means.
    own : float
        What is added to each variance: negative, the two make one.
    """
    if averaged == 1:
        return 1.0, 0.0
    back = np.arange(averaged) * (step / averaged)
    level = float(np.exp(-back).mean() * np.exp(back).mean())
    variance = float(np.exp(-np.abs(back[:, None] - back)).mean())
    return level / variance, 1.0 - level / variance


class _Inverse:
    """The tridiagonal inverse of an exponential correlation."""

    def __init__(self, steps: FloatArray, tau: float) -> None:
        kept = np.exp(-steps / tau)
        lost = -np.expm1(-2.0 * steps / tau)
        self.diagonal = np.ones(len(steps) + 1)
        self.diagonal[1:] = 1.0 / lost
        self.diagonal[:-1] += kept**2 / lost
        self.beside = -kept / lost
        self.log_determinant = float(np.log(lost).sum())  # of the correlation itself

    def form(
        self, both: FloatArray, remembering: float, new: FloatArray
    ) -> tuple[FloatArray, float]:
        """``both' V^-1 both`` and log det V, of V = remembering C + diag(new).

        With Q the inverse of C and D = diag(new), V = C (remembering D^-1 + Q) D. This holds
        for negative ``new`` too. The determinant is infinite where V is no covariance.
        """
        times = self.diagonal[:, None] * both
        times[:-1] += self.beside[:, None] * both[1:]
        times[1:] += self.beside[:, None] * both[:-1]
        if not np.any(new):
            determinant = self.log_determinant + len(both) * np.log(remembering)
            return both.T @ times / remembering, determinant
        sign = np.sign(new[0])
        if np.any(sign * new <= 0.0):
            return times, np.inf
        factor, _, inner, info = dptsv(
            sign * (remembering / new + self.diagonal), sign * self.beside, sign * times
        )
        if info:
            return times, np.inf
        determinant = self.log_determinant + np.log(factor).sum() + np.log(np.abs(new)).sum()
        return both.T @ (inner / new[:, None]), float(determinant)


def _judged(
    forms: FloatArray,
    determinants: FloatArray,
    times: FloatArray,
    priors: FloatArray,
    n: int,
    least: float,
) -> _Pairs:
    p = forms.shape[1] - 1
    information = forms[:, :p, :p]
    covariance = np.linalg.inv(information)
    coefficients = np.einsum("gij,gj->gi", covariance, forms[:, :p, p])
    squares = forms[:, p, p] - np.einsum("gi,gi->g", coefficients, forms[:, :p, p])
    free = n - p
    variance = np.maximum(squares / free, max(least**2, 1e-300))
    log_likelihood = (
        np.log(priors)
        - 0.5 * determinants
        - 0.5 * np.linalg.slogdet(information)[1]
        - 0.5 * free * (np.log(variance) + np.maximum(squares, 0.0) / (free * variance))
    )
    return _Pairs(
        log_likelihood=log_likelihood,
        coefficients=coefficients,
        covariance=variance[:, None, None] * covariance,
        variance=variance,
        time=times,
    )


def _averaged(
    pairs: _Pairs, back: FloatArray, first: FloatArray, n: int, ignore: int
) -> CorrelatedFit:
    """Average over the pairs; what was fitted were coefficients of an orthonormal basis."""
    p = len(back)
    weight = np.exp(pairs.log_likelihood - pairs.log_likelihood.max())
    weight /= weight.sum()
    mean = weight @ pairs.coefficients
    off = pairs.coefficients - mean
    within = np.einsum("g,gij->ij", weight, pairs.covariance)
    covariance = within + np.einsum("g,gi,gj->ij", weight, off, off)
    # how far the pairs differ in the variance, on the average of the directions
    inverse = np.linalg.inv(back)
    rows = inverse[ignore:]
    directions = rows @ within @ rows.T
    each = rows @ pairs.covariance @ rows.T
    ratios = np.log(np.trace(np.linalg.solve(directions, each), axis1=1, axis2=2) / (p - ignore))
    unknown = 1.0 / (n - p) + 0.5 * float(weight @ (ratios - weight @ ratios) ** 2)
    return CorrelatedFit(
        coefficients=inverse @ (first + mean),
        covariance=inverse @ covariance @ inverse.T,
        degrees_of_freedom=1.0 / unknown,
        scale=float(np.sqrt(weight @ pairs.variance)),
        correlation_time=float(weight @ pairs.time),
    )
