r"""Scatter of readings in a row, whose neighbours are not independent.

Part of the scatter is new at each reading, part wanders and is forgotten within some time:

.. math::

    C_{jk} = \sigma^2 p_j p_k \Bigl[(1 - s)\,\delta_{jk}\frac{\bar n}{n_j}
             + s\, e^{-|t_j - t_k| / \ell}\Bigr]

The residuals seldom tell the share :math:`s` and the length :math:`\ell` sharply. So a
number of each is tried, and each counts by its restricted likelihood.

References
----------
.. [1] H. D. Patterson and R. Thompson, Biometrika 58 (1971) 545: restricted likelihood.

Its limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from motorfit.arrays import FloatArray

#: Shares of the wandering part that are tried.
_SHARES = (0.0, 0.3, 0.6, 0.85, 0.97, 1.0)

#: How many lengths are tried, from a fraction of a step to this share of the whole.
_LENGTHS = 8
_LONGEST = 0.25

#: The usual size of the scatter counts as much as one reading.
_USUAL_READINGS = 1.0

#: No scatter is less than this part of the usual one.
_LEAST = 1e-3

_ROUNDS = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lined:
    """n readings in a row, linear about an estimate of p parameters."""

    time: FloatArray  # (n,) [s]
    usual: FloatArray  # (n,) usual standard deviation of each
    count: FloatArray  # (n,) samples that each is the mean of
    residual: FloatArray  # (n,)
    design: FloatArray  # (n, p)
    precision: FloatArray  # (p,) of the priors, zero where there is none
    away: FloatArray  # (p,) of the estimate from the middle of the priors


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kernel:
    """One way in which the scatter may hang together, and how much it counts."""

    variance: float
    share: float
    length: float  # [s]
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Noise:
    """The scatter of readings in a row, as their residuals tell it."""

    kernels: tuple[Kernel, ...]
    mean_count: float
    likelihood: float  # logarithm, all kernels together

    def covariance(self, time: FloatArray, usual: FloatArray, count: FloatArray) -> FloatArray:
        """Of readings at these times, (n, n)."""
        ago = np.abs(time[:, None] - time[None, :])
        alone, wandering = np.zeros(len(time)), np.zeros(ago.shape)
        for kernel in self.kernels:
            size = kernel.weight * kernel.variance
            alone += size * (1.0 - kernel.share) * self.mean_count / count
            wandering += size * kernel.share * np.exp(-ago / kernel.length)
        return np.asarray((wandering + np.diag(alone)) * np.outer(usual, usual))

    def deviation(self) -> float:
        """Standard deviation of a usual reading, relative to its usual one."""
        return float(sum(one.weight * one.variance for one in self.kernels) ** 0.5)

    def correlation(self, step: float) -> float:
        """Of readings that are one step apart."""
        total = sum(one.weight * one.variance for one in self.kernels)
        shared = sum(
            one.weight * one.variance * one.share * np.exp(-step / one.length)
            for one in self.kernels
        )
        return float(shared / total)


def effective_number(covariance: FloatArray) -> float:
    """How many independent readings tell a mean as well, from 1 to n."""
    deviation = np.sqrt(np.diag(covariance))
    alike = np.linalg.solve(covariance / np.outer(deviation, deviation), np.ones(len(deviation)))
    return float(np.clip(np.sum(alike), 1.0, len(deviation)))


def noise_of(lined: Lined) -> Noise:
    """Scatter of readings in a row, each kernel by its restricted likelihood.

    Parameters
    ----------
    lined : Lined
        Residuals and how the parameters move them.

    Returns
    -------
    Noise
        Its likelihood is that of the readings with the priors, not restricted, so that
        models of different parameters can be compared.
    """
    span = float(lined.time[-1] - lined.time[0])
    shortest = min(0.5 * float(np.median(np.diff(lined.time))), 0.5 * _LONGEST * span)
    lengths = np.geomspace(shortest, _LONGEST * span, _LENGTHS)
    tried = [(0.0, 1.0)] + [(share, length) for share in _SHARES if share for length in lengths]
    found = [_judged(lined, share, float(length)) for share, length in tried]
    restricted = np.array([one[1] for one in found])
    weight = np.exp(restricted - restricted.max())
    weight[1:] /= _LENGTHS
    weight /= weight.sum()
    whole = np.array([one[2] for one in found])
    top = whole.max()
    return Noise(
        kernels=tuple(
            Kernel(variance=one[0], share=share, length=float(length), weight=float(part))
            for one, (share, length), part in zip(found, tried, weight, strict=True)
            if part > 1e-6
        ),
        mean_count=float(np.mean(lined.count)),
        likelihood=float(top + np.log(np.sum(weight * np.exp(whole - top)))),
    )


def _judged(lined: Lined, share: float, length: float) -> tuple[float, float, float]:
    """Variance, restricted and whole log likelihood of one kernel."""
    ago = np.abs(lined.time[:, None] - lined.time[None, :])
    alone = (1.0 - share) * np.mean(lined.count) / lined.count
    kernel = share * np.exp(-ago / length) + np.diag(alone + 1e-9)
    root = np.linalg.cholesky(kernel)
    scaled = np.column_stack([lined.residual, lined.design]) / lined.usual[:, None]
    white = solve_triangular(root, scaled, lower=True)
    residual, design = white[:, 0], white[:, 1:]
    squares, slope = design.T @ design, design.T @ residual
    bound = lined.precision > 0
    variance = max(float(np.mean(residual**2)), _LEAST**2)
    for _ in range(_ROUNDS):
        information = squares / variance + np.diag(lined.precision)
        step = np.linalg.solve(information, slope / variance - lined.precision * lined.away)
        left = residual - design @ step
        sum_left = float(left @ left)
        spent = float(np.trace(np.linalg.solve(information, squares / variance)))
        freedom = max(len(residual) - spent, 0.5)
        variance = max((sum_left + _USUAL_READINGS) / (freedom + _USUAL_READINGS), _LEAST**2)
    information = squares / variance + np.diag(lined.precision)
    pulled = lined.away + step
    fit = sum_left / variance + float(pulled @ (lined.precision * pulled))
    size = len(residual) * np.log(variance) + 2.0 * float(np.sum(np.log(np.diag(root))))
    usual_size = _USUAL_READINGS * (np.log(variance) + 1.0 / variance)
    whole = -0.5 * (fit + size + usual_size + _log_size(information[np.ix_(bound, bound)]))
    restricted = -0.5 * (fit + size + usual_size + _log_size(information))
    return variance, restricted, whole


def _log_size(matrix: FloatArray) -> float:
    return float(np.linalg.slogdet(matrix)[1]) if len(matrix) else 0.0
