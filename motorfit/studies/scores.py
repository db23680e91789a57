"""From many trials to coverage, widths and bias."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from motorfit.arrays import FloatArray
from motorfit.studies.trials import LOSS, SYMBOLS, Trial

QUANTITIES = (*SYMBOLS, LOSS)


def score(trials: Sequence[Trial]) -> pd.DataFrame:
    """One row for each scenario and quantity that ever had a value.

    Parameters
    ----------
    trials : sequence of Trial
        Of any number of scenarios.

    Returns
    -------
    DataFrame
        ``coverage`` of the intervals with its binomial ``standard_error``; mean
        ``half_width`` relative to the truth; ``spread``, the standard deviation of the
        errors over the mean standard uncertainty (one where the uncertainty is right,
        less where it is too large); ``bias`` over its standard error; ``known``, the
        share of benches in which the quantity had a value; ``below`` and ``above``, the
        shares of intervals that lie wholly below or above the truth; ``false_findings``,
        the share of benches of the scenario with a false one.
    """
    rows = []
    for scenario in dict.fromkeys(trial.scenario for trial in trials):
        chosen = [trial for trial in trials if trial.scenario == scenario]
        false = float(np.mean([bool(trial.false_findings) for trial in chosen]))
        rows += [
            {"scenario": scenario} | scores | {"false_findings": false}
            for scores in _of_quantities(chosen)
        ]
    return pd.DataFrame(rows)


def _of_quantities(trials: Sequence[Trial]) -> Iterable[dict[str, str | float]]:
    for quantity in QUANTITIES:
        values = np.array(
            [
                (each.truth, each.value, each.standard_uncertainty, each.low, each.high)
                for trial in trials
                for each in trial.results
                if each.quantity == quantity
            ]
        )
        if len(values):
            yield {"quantity": quantity, **_of_one(values, len(trials))}


def _of_one(values: FloatArray, benches: int) -> dict[str, float]:
    truth, value, uncertainty, low, high = values.T
    count, error = len(values), value - truth
    below, above = np.mean(high < truth), np.mean(low > truth)
    coverage = 1.0 - below - above
    deviation = np.std(error, ddof=1) if count > 1 and np.ptp(error) > 0 else np.nan
    return {
        "benches": float(benches),
        "coverage": float(coverage),
        "standard_error": float(np.sqrt(coverage * (1.0 - coverage) / count)),
        "half_width": float(np.mean(0.5 * (high - low) / truth)),
        "spread": float(deviation / np.mean(uncertainty)),
        "bias": float(np.mean(error) / (deviation / np.sqrt(count))),
        "known": count / benches,
        "below": float(below),
        "above": float(above),
    }


def plain_table(scores: pd.DataFrame) -> str:
    """The scores for people: shares in percent, one line a quantity.

    Parameters
    ----------
    scores : DataFrame
        From `score`.

    Returns
    -------
    str
    """
    shown = pd.DataFrame(
        {
            "scenario": scores["scenario"].where(~scores["scenario"].duplicated(), ""),
            "quantity": scores["quantity"],
            "coverage %": (100 * scores["coverage"]).map("{:.1f}".format),
            "+-": (100 * scores["standard_error"]).map("{:.1f}".format),
            "half-width %": (100 * scores["half_width"]).map("{:.3g}".format),
            "spread/u": scores["spread"].map("{:.2f}".format),
            "bias/se": scores["bias"].map("{:+.1f}".format),
            "known %": (100 * scores["known"]).map("{:.0f}".format),
        }
    )
    return shown.to_string(index=False)


def findings_table(trials: Sequence[Trial]) -> str:
    """How many benches had a false finding, and of which kinds, one line a scenario."""
    lines = ["Benches with a false error or caution:"]
    for scenario in dict.fromkeys(trial.scenario for trial in trials):
        chosen = [trial for trial in trials if trial.scenario == scenario]
        kinds = Counter(kind for trial in chosen for kind in set(trial.false_findings))
        words = [f"{kind} {number}" for kind, number in kinds.most_common()]
        failed = sum(trial.failed for trial in chosen)
        words += [f"not fitted {failed}"] if failed else []
        count = sum(bool(trial.false_findings) for trial in chosen)
        lines.append(f"  {scenario}: {count} of {len(chosen)}  {', '.join(words)}".rstrip())
    return "\n".join(lines)
