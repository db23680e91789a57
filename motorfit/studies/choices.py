"""What optional terms and the robust fit do to the intervals, with and without need.

python -m motorfit.studies.choices --benches 80 -o choices.csv
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import click
import pandas as pd

from motorfit.errors import FitError
from motorfit.estimation.fit import Fit, fit
from motorfit.files import write_whole
from motorfit.studies.bound import QUANTITIES
from motorfit.studies.cases import CASES, POINT, SHOWN, Case, Choice
from motorfit.studies.choice_tables import choices_text
from motorfit.studies.command import (
    SEED,
    only_option,
    plain_refusals,
    refuse_what_is_there,
    study_options,
)
from motorfit.studies.running import commit, run_all, shown
from motorfit.studies.trials import Result, claimed_terms, results_of, seed_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One bench of a case, fitted as one choice says."""

    case: str
    choice: str
    results: tuple[Result, ...]  # of what had a value
    claimed: bool | None = None  # whether a term came in by itself, where one could
    failed: bool = False


def outcomes(name: str, number: int, *, seed: int) -> tuple[Outcome, ...]:
    """Simulate one bench and fit it in every way of its case.

    Parameters
    ----------
    name : str
        One of `motorfit.studies.cases.CASES`.
    number : int
        Which bench.
    seed : int
        Of the whole study.

    Returns
    -------
    tuple of Outcome
        One a choice, in the order of the case.
    """
    case = CASES[name]
    bench = case.bench(seed_of(case.seeds, number, seed))
    told = []
    for words, choice in case.choices.items():
        try:
            fitted = fit(bench, terms=choice.terms, robust=choice.robust)
        except FitError:
            told.append(Outcome(case=name, choice=words, results=(), failed=True))
            continue
        results = tuple(results_of(fitted, POINT, words))
        claimed = _claimed(fitted, choice)
        told.append(Outcome(case=name, choice=words, results=results, claimed=claimed))
    return tuple(told)


def _claimed(fitted: Fit, choice: Choice) -> bool | None:
    return bool(claimed_terms(fitted)) if choice.terms is None else None


def run_choices(
    topics: Sequence[str], benches: int, *, seed: int = SEED, processes: int = 1
) -> Iterator[tuple[Outcome, ...]]:
    """Simulate and fit so many benches of each case, in order, on any number of processes."""
    chosen = [case.name for case in cases_of(topics)]
    tasks = ((name, number) for name in chosen for number in range(benches))
    return run_all(partial(_outcomes, seed=seed), tasks, processes=processes)


def cases_of(topics: Sequence[str]) -> list[Case]:
    """The cases of some topics."""
    return [case for case in CASES.values() if case.topic in topics]


def _outcomes(task: tuple[str, int], seed: int) -> tuple[Outcome, ...]:
    return outcomes(*task, seed=seed)


def choices_table(done: Iterable[tuple[Outcome, ...]]) -> pd.DataFrame:
    """How often each quantity was held, case by case and choice by choice.

    Parameters
    ----------
    done : iterable of tuple of Outcome
        From `outcomes`.

    Returns
    -------
    DataFrame
        ``topic``, ``case``, ``choice``, ``quantity``; ``benches``; ``known``, the share of
        them in which the quantity had a value; of those, ``coverage`` with its binomial
        ``standard_error``, the shares ``below`` and ``above`` of intervals wholly on one
        side of the truth, the mean ``half_width`` and the root mean square ``error``, both
        relative to the truth; ``claimed`` and ``not_fitted``, the shares of benches in
        which a term came in by itself (missing where the user chose the terms), and of
        those without a fit.
    """
    records = pd.DataFrame([record for each in done for one in each for record in _records(one)])
    by = ["topic", "case", "choice", "quantity"]
    table = records.groupby(by, sort=False, as_index=False).agg(
        benches=("known", "size"),
        known=("known", "mean"),
        below=("below", "mean"),  # of those that are known: others are missing
        above=("above", "mean"),
        half_width=("half_width", "mean"),
        error=("square", "mean"),
        claimed=("claimed", "mean"),
        not_fitted=("not_fitted", "mean"),
    )
    off = table["below"] + table["above"]
    count = table["known"] * table["benches"]
    table["error"] **= 0.5
    table.insert(6, "coverage", 1.0 - off)
    table.insert(7, "standard_error", (off * (1.0 - off) / count) ** 0.5)
    return table[table["known"] > 0].reset_index(drop=True)


def _records(one: Outcome) -> Iterator[dict[str, object]]:
    """One of each quantity, with or without a value."""
    case = CASES[one.case]
    found = {result.quantity: result for result in one.results}
    for quantity in QUANTITIES:
        record: dict[str, object] = {
            "topic": case.topic,
            "case": case.words,
            "choice": one.choice,
            "quantity": quantity,
            "known": quantity in found,
            "claimed": None if one.claimed is None else float(one.claimed),
            "not_fitted": one.failed,
        }
        yield record | (_against(found[quantity], case) if quantity in found else {})


def _against(result: Result, case: Case) -> dict[str, float]:
    truth = case.truths()[result.quantity]
    return {
        "below": float(result.high < truth),
        "above": float(result.low > truth),
        "half_width": 0.5 * (result.high - result.low) / abs(truth),
        "square": (result.value / truth - 1.0) ** 2,
    }


@click.command()
@click.option(
    "--benches",
    type=click.IntRange(min=1),
    default=80,
    show_default=True,
    help="How many of each case.",
)
@only_option("topic", SHOWN)
@study_options
def main(
    benches: int,
    topics: tuple[str, ...],
    seed: int,
    processes: int,
    out: Path | None,
    force: bool,
) -> None:
    """Fit simulated benches with and without optional terms, plainly and robustly.

    Machines with armature reaction or windage from none to plain, fitted without the term,
    with it, and as the readings ask for it; benches with a slip and without one, every
    reading counted fully and with those that stand out held back.

    \b
    Example:
      python -m motorfit.studies.choices --benches 80 -o choices.csv
      python -m motorfit.studies.choices --topic "robust fit"
    """
    with plain_refusals():
        refuse_what_is_there(out, force=force)
        done = run_choices(topics, benches, seed=seed, processes=processes)
        table = choices_table(shown(done, benches * len(cases_of(topics)), "Fitting"))
        click.echo(choices_text(table))
        if out is not None:
            whole = table.assign(seed=seed, commit=commit())
            write_whole(out, whole.to_csv(index=False, float_format="%.6g"), force=force)


if __name__ == "__main__":
    main(prog_name="python -m motorfit.studies.choices")
