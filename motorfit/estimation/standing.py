r"""What the readings determine, by the rank of the information without priors.

Whitened columns of the design, scaled by the parameters' plausible sizes, give the
information M. The readings' own scatter moves those columns too, and would pass for
information where the true readings do not vary: its expected contribution N is taken
off generously. A direction is *open* where what is left would not even pin the
parameters to their own size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.solver import Equations, Solution

#: How much of the scatter's expected contribution is taken off: with ten rows its own
#: chance variation is about 45 %, so three leaves chance no room.
NOISE_ALLOWANCE = 3.0

#: A parameter takes part in an open direction from this share of its squared length on.
TAKES_PART = 1e-4

#: From this share on it is open by itself: nothing combines it with another.
ALONE = 0.98


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Determined:
    """Which directions of the parameters the readings leave open."""

    open: FloatArray  # (d, p): orthonormal in units of the plausible sizes
    share: FloatArray  # (p,): squared length of each parameter within the open ones

    @property
    def measured(self) -> tuple[bool, ...]:
        """Parameters that no open direction touches."""
        return tuple(bool(share < TAKES_PART) for share in self.share)

    @property
    def alone(self) -> tuple[bool, ...]:
        """Parameters that the readings do not touch at all."""
        return tuple(bool(share > ALONE) for share in self.share)

    def partners(self, index: int) -> tuple[int, ...]:
        """Parameters tangled with this one, itself included."""
        projector = self.open.T @ self.open
        return tuple(
            int(other)
            for other in np.flatnonzero(projector[index] ** 2 > TAKES_PART * self.share[index])
            if TAKES_PART <= self.share[other] <= ALONE or other == index
        )


def determined(
    equations: Equations, solution: Solution, scales: FloatArray, size: FloatArray
) -> Determined:
    """Open directions of the first ``len(size)`` parameters.

    Parameters
    ----------
    equations : Equations
        The model with its readings.
    solution : Solution
        Where the design is evaluated: adjusted readings.
    scales : ndarray
        Scales of scatter.
    size : ndarray, shape (p,)
        Plausible sizes of the machine parameters.

    Returns
    -------
    Determined
    """
    count = len(size)
    inverse = np.linalg.inv(np.linalg.cholesky(solution.covariance))
    design = inverse @ (solution.linearised.design[..., :count] * size)
    information = np.einsum("nap,nas->ps", design, design)

    at = solution.linearised
    scatter = equations.reading_covariance(scales)
    seen = scatter @ at.sensitivity.swapaxes(-1, -2)
    left = scatter - seen @ np.linalg.solve(solution.covariance, seen.swapaxes(-1, -2))
    slopes = np.einsum("nab,nbqp->naqp", inverse, at.sensitivity_slope[..., :count] * size)
    noise = np.einsum("naqp,nqr,nars->ps", slopes, left, slopes)

    values, vectors = np.linalg.eigh(information - NOISE_ALLOWANCE * noise)
    open_directions = vectors[:, values < 1.0].T
    return Determined(open=open_directions, share=np.sum(open_directions**2, axis=0))
