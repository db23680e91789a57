"""What the study is to reach, and where it does."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import pandas as pd

Verdict = Literal["met", "missed", "chance", ""]

_Row = dict[Hashable, Any]

#: Coverage where the scatter decides, for intervals of 95 %.
LEAST, MOST = 0.935, 0.975
NEVER_BELOW = 0.93
MOST_NEAR_BOUND = 0.99

#: Largest width over the ideal where the instruments decide, and the way it is asked of.
WIDEST, WIDEST_OF = 1.1, "monte-carlo"

#: Largest standard deviation over the bound; with ten readings or fewer.
LARGEST, LARGEST_OF_FEW, FEW = 1.05, 1.15, 10

#: Chance is allowed this many standard errors.
ERRORS = 3.0

#: Quantities that a scenario may have targets of its own for, and the one whose errors count.
ASKED_OF, ERROR_OF = ("T0", "b", "J"), "J"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the losses and the inertia of a scenario are to reach.

    Parameters
    ----------
    least, most : float
        Coverage.
    median_error, largest_error : float
        Of the inertia, relative: half of the errors, and 95 % of them, are to be within.
    """

    least: float
    most: float
    median_error: float = np.inf
    largest_error: float = np.inf


_NOTHING: Mapping[str, Asked | None] = MappingProxyType({})


def judged(scores: pd.DataFrame, asked: Mapping[str, Asked | None] = _NOTHING) -> pd.DataFrame:
    """Scores with a verdict on each target, for a level of 95 %.

    Parameters
    ----------
    scores : DataFrame
        From `motorfit.studies.scores.Tally.table`.
    asked : mapping
        Targets of their own, by scenario.

    Returns
    -------
    DataFrame
        With ``coverage_target``, ``width_target``, ``deviation_target``, ``median_target``
        and ``error_95_target``: "met"; "missed"; "chance" where the number is beyond the
        target by no more than three standard errors; empty where no target was set. The two
        of errors allow for no chance.

    Notes
    -----
    Where the scatter decides, coverage is to be within three standard errors of 93.5 to
    97.5 %, up to 99 % where the truth is near a bound; nowhere below 93 %. Where the
    rectangular errors of instruments decide, *monte-carlo* is to be no wider than 1.1
    times the ideal. The estimates' standard deviation is to be at most 1.05 times the
    least possible, 1.15 with ten readings or fewer.
    """
    told = []
    for row in scores.to_dict("records"):
        own = asked.get(str(row.get("scenario"))) if row.get("quantity") in ASKED_OF else None
        told.append(
            {
                "coverage_target": _coverage(row) if own is None else _asked_coverage(row, own),
                "width_target": _width(row),
                "deviation_target": _deviation(row),
                "median_target": _error(row, "median_error", own.median_error if own else np.inf),
                "error_95_target": _error(row, "error_95", own.largest_error if own else np.inf),
            }
        )
    return pd.concat([scores, pd.DataFrame(told, index=scores.index)], axis=1)


def _asked_coverage(row: _Row, own: Asked) -> Verdict:
    coverage, count = row["coverage"], row["known"] * row["benches"]
    if own.least <= coverage <= own.most:
        return "met"
    end = own.least if coverage < own.least else own.most
    slack = ERRORS * float(np.sqrt(end * (1.0 - end) / count))
    return "chance" if abs(coverage - end) <= slack else "missed"


def _error(row: _Row, name: str, most: float) -> Verdict:
    if not np.isfinite(most) or row["quantity"] != ERROR_OF:
        return ""
    return "met" if row[name] <= most else "missed"


def _coverage(row: _Row) -> Verdict:
    coverage, count = row["coverage"], row["known"] * row["benches"]
    # the target's own chance: a coverage of 100 % would have none
    slack = ERRORS * float(np.sqrt(LEAST * (1.0 - LEAST) / count))
    if coverage < NEVER_BELOW:
        return "missed" if coverage + slack < NEVER_BELOW else "chance"
    if not row["instruments"] < 0.5:
        return "met"
    most = MOST_NEAR_BOUND if row["near_bound"] else MOST
    upper = ERRORS * float(np.sqrt(most * (1.0 - most) / count))
    return "met" if LEAST - slack <= coverage <= most + upper else "missed"


def _width(row: _Row) -> Verdict:
    if row["interval"] != WIDEST_OF or not row["instruments"] >= 0.5:
        return ""
    return "met" if row["width_over_ideal"] <= WIDEST else "missed"


def _deviation(row: _Row) -> Verdict:
    ratio, count = row["deviation_over_bound"], row["known"] * row["benches"]
    if not np.isfinite(ratio) or count < 2:
        return ""
    most = LARGEST_OF_FEW if row["readings"] <= FEW else LARGEST
    if ratio <= most:
        return "met"
    slack = ERRORS / np.sqrt(2.0 * (count - 1.0))  # of a normal sample's standard deviation
    return "chance" if ratio / (1.0 + slack) <= most else "missed"
