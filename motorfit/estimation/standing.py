r"""What the readings determine, by the rank of the information without priors.

Whitened columns of the design, scaled by the parameters' plausible sizes, give the
information M. The readings' own scatter moves those columns too, and would pass for
information where the true readings do not vary: its expected contribution N is taken
off. A direction of M - N is *open* where what is left would not pin the parameters to
half of their own size, or could as well be chance in N.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.solver import Equations, Solution

#: Information that pins a direction to half of the parameters' plausible sizes.
PINNED = 4.0

#: How many times the scatter's expected contribution does not count as information: with
#: ten rows its own chance variation is about 45 %, so two leave chance no room.
NOISE_ALLOWANCE = 2.0

#: A parameter takes part in an open direction when that moves it by more than this many
#: of the standard deviations that the other directions give it ...
NOTICEABLE = 0.3

#: ... and by more than this share of its own size. Less is covered by its uncertainty.
SMALLEST_PART = 0.003

#: Up to this share the plausible size of the others still gives it a useful interval:
#: it has a value that leans on an assumption.
LEANING = 0.05

#: A number is worth telling where it is known to better than this, relatively.
KNOWN_TO = 0.5

#: EMF constant and resistance are told where zero is this far off, in units of the value.
CLEAR_OF_ZERO = 1 / 3

#: Squared share from which a parameter is open by itself, combined with no other.
ALONE = 0.9999


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Determined:
    """Which directions of the parameters the readings leave open."""

    open: FloatArray  # (d, p): orthonormal in units of the plausible sizes
    share: FloatArray  # (p,): squared length of each parameter within the open ones
    measured: tuple[bool, ...]  # parameters that no open direction touches

    @property
    def leaning(self) -> tuple[bool, ...]:
        """Parameters that are known up to what is plausible for others."""
        return tuple(
            not measured and bool(share < LEANING**2)
            for measured, share in zip(self.measured, self.share, strict=True)
        )

    @property
    def known(self) -> tuple[bool, ...]:
        """Parameters that have a value: measured, or leaning on what is plausible."""
        return tuple(a or b for a, b in zip(self.measured, self.leaning, strict=True))

    @property
    def alone(self) -> tuple[bool, ...]:
        """Parameters that the readings do not touch at all."""
        return tuple(bool(share > ALONE) for share in self.share)

    def partners(self, index: int) -> tuple[int, ...]:
        """Parameters tangled with this one, itself included."""
        projector = self.open.T @ self.open
        tangled = np.abs(projector[index]) > SMALLEST_PART * self.share[index] ** 0.5
        return tuple(
            int(other)
            for other in np.flatnonzero(tangled)
            if not (self.known[other] or self.alone[other])
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

    values, vectors = np.linalg.eigh(information - noise)
    chance = NOISE_ALLOWANCE * np.einsum("pk,ps,sk->k", vectors, noise, vectors)
    is_open = values < PINNED + chance
    share = np.sum(vectors[:, is_open] ** 2, axis=1)
    pinned = vectors[:, ~is_open] ** 2 @ (1.0 / values[~is_open])
    takes_part = (share > NOTICEABLE**2 * pinned) & (share > SMALLEST_PART**2)
    return Determined(
        open=vectors[:, is_open].T,
        share=share,
        measured=tuple(bool(part) for part in ~takes_part),
    )
