"""What decides the width of an interval: shares of its variance by cause."""

from __future__ import annotations

from collections.abc import Iterable

from motorfit.arrays import FloatArray
from motorfit.estimation.result import WidthShare
from motorfit.estimation.rows import Nuisance
from motorfit.estimation.uncertainty import Uncertainty

#: The cause that further readings make smaller.
SCATTER = "scatter of the readings"


def width_shares(uncertainty: Uncertainty, weights: FloatArray) -> tuple[WidthShare, ...]:
    """Causes of the variance of one linear combination, largest first.

    Parameters
    ----------
    uncertainty : Uncertainty
        Of a solved bench.
    weights : ndarray, shape (p,)
        Of the machine parameters.

    Returns
    -------
    tuple of WidthShare
        Shares add to one.
    """
    scatter, instruments = uncertainty.shares(weights)
    total = scatter + float(instruments.sum()) or 1.0
    parts = zip(uncertainty.instruments, (float(part) for part in instruments), strict=True)
    return shares_of(scatter, parts, total=total)


def shares_of(
    scatter: float,
    instruments: Iterable[tuple[Nuisance, float]],
    *,
    total: float,
    scatter_cause: str = SCATTER,
) -> tuple[WidthShare, ...]:
    """Shares of a variance that is made of scatter and of instruments' errors, largest first.

    Parameters
    ----------
    scatter : float
        Variance that further readings make smaller.
    instruments : iterable of (Nuisance, float)
        Variance by each unknown error.
    total : float, positive
        Their sum.
    scatter_cause : str
        What the scatter is called.
    """
    shares = [
        WidthShare(
            cause=scatter_cause,
            quantity="scatter",
            share=scatter / total,
            more_readings_help=True,
        ),
        *(
            WidthShare(
                cause=nuisance.words,
                quantity=nuisance.quantity,
                share=part / total,
                more_readings_help=False,
            )
            for nuisance, part in instruments
        ),
    ]
    return tuple(sorted(shares, key=lambda share: -share.share))
