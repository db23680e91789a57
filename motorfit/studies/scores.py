"""How often the intervals held the truth, how wide they were, how far the estimates were off."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from motorfit.studies.bound import QUANTITIES, Reference, reference
from motorfit.studies.scenarios import SCENARIOS
from motorfit.studies.targets import judged
from motorfit.studies.trials import Ask, Trial


@dataclass(slots=True)
class _Sums:
    """Of one quantity and one way to an interval; errors in units of ``unit``."""

    errors: array[float] = field(default_factory=lambda: array("d"))
    below: int = 0  # intervals wholly below the truth
    above: int = 0
    width: float = 0.0
    uncertainty: float = 0.0


@dataclass(slots=True)
class _Scenario:
    benches: int = 0
    failed: int = 0
    errors: Counter[str] = field(default_factory=Counter)  # benches with a false one of a kind
    cautions: Counter[str] = field(default_factory=Counter)
    with_error: int = 0  # benches
    with_caution: int = 0
    with_term: int = 0  # benches that a term was claimed of
    sums: dict[tuple[str, str], _Sums] = field(default_factory=dict)


@dataclass(slots=True)
class Tally:
    """Sums over the trials of a study: of each estimate its error alone is kept."""

    ask: Ask
    scenarios: dict[str, _Scenario] = field(default_factory=dict)

    def add(self, trial: Trial) -> None:
        """Count one bench."""
        kept = self.scenarios.setdefault(trial.scenario, _Scenario())
        kept.benches += 1
        kept.failed += trial.failed
        kept.errors.update(set(trial.false_errors))
        kept.cautions.update(set(trial.false_cautions))
        kept.with_error += bool(trial.false_errors)
        kept.with_caution += bool(trial.false_cautions)
        kept.with_term += bool(trial.claimed)
        held = self.reference(trial.scenario)
        for result in trial.results:
            truth, unit = held.truths[result.quantity], _unit(held, result.quantity)
            sums = kept.sums.setdefault((result.quantity, result.interval), _Sums())
            sums.errors.append((result.value - truth) / unit)
            sums.below += result.high < truth
            sums.above += result.low > truth
            sums.width += (result.high - result.low) / unit
            sums.uncertainty += result.standard_uncertainty / unit

    def add_all(self, trials: Iterable[Trial]) -> Tally:
        """Count many benches; returns itself."""
        for trial in trials:
            self.add(trial)
        return self

    def reference(self, scenario: str) -> Reference:
        """What a scenario is held against."""
        return reference(scenario, self.ask.level, self.ask.draw)

    def table(self) -> pd.DataFrame:
        """One row for each scenario, quantity and way to an interval.

        Returns
        -------
        DataFrame
            ``known``, the share of benches in which the quantity had a value; of those,
            ``coverage`` with its binomial ``standard_error``, and the shares ``below`` and
            ``above`` of intervals that lie wholly on one side of the truth; relative to the
            truth ``half_width``, mean, ``bias_relative``, mean error, and ``median_error``
            and ``error_95``, which half and 95 % of the errors are within;
            ``width_over_ideal``, mean, to that of an estimator that knows every scatter;
            ``bias`` over its standard error; ``deviation_over_bound``, standard deviation of
            the estimates over the least possible; ``deviation_over_uncertainty``, the same
            over the mean standard uncertainty; ``instruments``, their share in the least
            variance; ``near_bound``, whether the truth is within two such deviations of zero;
            ``readings`` of the scenario; whether the targets are met, from
            `motorfit.studies.targets.judged`; ``not_fitted``, ``false_errors``,
            ``false_cautions`` and ``terms_claimed``, the shares of the benches of the
            scenario without a fit, with a false finding, or with an optional term that came
            in by itself, though no scenario's machine has one.
        """
        rows = [
            {"scenario": name, "quantity": quantity, "interval": interval}
            | self._numbers(name, kept, quantity, kept.sums[quantity, interval])
            for name, kept in self.scenarios.items()
            for quantity in QUANTITIES
            for interval in self.ask.intervals
            if (quantity, interval) in kept.sums
        ]
        return judged(pd.DataFrame(rows), {name: each.asked for name, each in SCENARIOS.items()})

    def _numbers(self, name: str, kept: _Scenario, quantity: str, sums: _Sums) -> dict[str, float]:
        held = self.reference(name)
        unit, truth, errors = _unit(held, quantity), held.truths[quantity], np.array(sums.errors)
        count, mean = len(errors), float(np.mean(errors))
        limit = held.limits.get(quantity)
        off = (sums.below + sums.above) / count
        deviation = float(np.std(errors, ddof=1)) or np.nan if count > 1 else np.nan
        median, largest = np.quantile(np.abs(errors), [0.5, 0.95]) * unit / abs(truth)
        half_width = 0.5 * unit * sums.width / count
        return {
            "benches": kept.benches,
            "known": count / kept.benches,
            "coverage": 1.0 - off,
            "standard_error": float(np.sqrt(off * (1.0 - off) / count)),
            "below": sums.below / count,
            "above": sums.above / count,
            "half_width": half_width / abs(truth),
            "bias_relative": mean * unit / abs(truth),
            "median_error": float(median),
            "error_95": float(largest),
            "width_over_ideal": half_width / limit.half_width if limit else np.nan,
            "bias": mean / (deviation / np.sqrt(count)),
            "deviation_over_bound": deviation * unit / limit.deviation if limit else np.nan,
            "deviation_over_uncertainty": deviation / (sums.uncertainty / count),
            "instruments": limit.instruments if limit else np.nan,
            "near_bound": float(
                limit is not None and quantity in _BOUNDED and truth < 2.0 * limit.deviation
            ),
            "readings": held.readings,
            "not_fitted": kept.failed / kept.benches,
            "false_errors": kept.with_error / kept.benches,
            "false_cautions": kept.with_caution / kept.benches,
            "terms_claimed": kept.with_term / kept.benches,
        }


#: Quantities that cannot be negative.
_BOUNDED = ("k", "R", "Vb", "T0", "b", "J", "loss W")


def _unit(held: Reference, quantity: str) -> float:
    """Size that errors are summed in: the least standard deviation, or the truth."""
    limit = held.limits.get(quantity)
    return limit.deviation if limit else abs(held.truths[quantity]) or 1.0
