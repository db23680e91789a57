"""The study's tables for people at a terminal."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import pandas as pd

from motorfit.studies.scores import Tally

#: Verdicts that are worth a line.
_TARGETS = {
    "coverage_target": "coverage",
    "width_target": "width",
    "deviation_target": "deviation",
    "median_target": "half of the errors of J",
    "error_95_target": "95 % of the errors of J",
}


def scores_text(scores: pd.DataFrame) -> str:
    """The scores, shares in percent, one line a quantity and way to an interval.

    Parameters
    ----------
    scores : DataFrame
        From `motorfit.studies.scores.Tally.table`.

    Returns
    -------
    str
    """
    table = pd.DataFrame(
        {
            "scenario": scores["scenario"].where(~scores["scenario"].duplicated(), ""),
            "quantity": scores["quantity"],
            "interval": scores["interval"],
            "held %": (100 * scores["coverage"]).map("{:.1f}".format),
            "+-": (100 * scores["standard_error"]).map("{:.1f}".format),
            "half-width %": (100 * scores["half_width"]).map("{:.3g}".format),
            "/ideal": _ratio(scores["width_over_ideal"]),
            "bias/se": scores["bias"].map("{:+.1f}".format),
            "sd/least": _ratio(scores["deviation_over_bound"]),
            "meters %": _percent(scores["instruments"]),
            "known %": _percent(scores["known"]),
        }
    )
    return table.to_string(index=False)


def _ratio(values: pd.Series) -> pd.Series:
    return values.map("{:.2f}".format, na_action="ignore").fillna("")


def _percent(values: pd.Series) -> pd.Series:
    return (100 * values).map("{:.0f}".format, na_action="ignore").fillna("")


def targets_text(scores: pd.DataFrame) -> str:
    """Where the targets are met, in numbers, and every place where one is missed."""
    lines = []
    for column, words in _TARGETS.items():
        counts = scores[column].value_counts()
        lines.append(
            f"Target for {words}: met {counts.get('met', 0)}, "
            f"missed {counts.get('missed', 0)}, "
            f"missed by no more than chance {counts.get('chance', 0)}"
        )
        missed = scores[scores[column] == "missed"].to_dict("records")
        lines += [f"  {_missed(column, row)}" for row in missed]
    return "\n".join(lines)


def _missed(column: str, row: dict[Hashable, Any]) -> str:
    place = f"{row['scenario']}: {row['quantity']}, {row['interval']}"
    if column == "coverage_target":
        error = 100 * row["standard_error"]
        return f"{place}: {100 * row['coverage']:.1f} +- {error:.1f} %"
    if column == "width_target":
        return f"{place}: {row['width_over_ideal']:.2f} of the ideal"
    if column in ("median_target", "error_95_target"):
        name = "median_error" if column == "median_target" else "error_95"
        return f"{place}: within {100 * row[name]:.2f} %"
    return f"{place}: {row['deviation_over_bound']:.2f} of the least"


def findings_text(tally: Tally) -> str:
    """How many clean benches had a false finding, and of which kinds, one line a scenario."""
    lines = ["Clean benches with a false finding:"]
    for name, kept in tally.scenarios.items():
        kinds = (kept.errors + kept.cautions).most_common()
        words = [f"{kind} {number}" for kind, number in kinds]
        words += [f"term claimed {kept.with_term}"] if kept.with_term else []
        words += [f"not fitted {kept.failed}"] if kept.failed else []
        counts = f"error {kept.with_error}, caution {kept.with_caution} of {kept.benches}"
        lines.append(f"  {name}: {counts}  {', '.join(words)}".rstrip())
    return "\n".join(lines)
