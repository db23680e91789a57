"""What is told of benches with a known fault, and of benches without one.

python -m motorfit.studies.faults --benches 200 --clean 1000 -o faults.csv
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import cycle, islice
from pathlib import Path

import click
import pandas as pd

from motorfit.files import write_whole
from motorfit.studies.command import (
    SEED,
    only_option,
    plain_refusals,
    refuse_what_is_there,
    study_options,
)
from motorfit.studies.hidden import HIDDEN_IN, hidden_table
from motorfit.studies.planting import FAULTS, Planted, planted
from motorfit.studies.running import commit, run_all, shown
from motorfit.studies.scenarios import WITHOUT_LOGS
from motorfit.studies.trials import Ask, Trial, trial

#: Classes of noncentrality: from, up to, and their name.
CLASSES = (
    (0.0, 2.0, "below 2"),
    (2.0, 3.5, "2 to 3.5"),
    (3.5, 5.0, "3.5 to 5"),
    (5.0, float("inf"), "5 or more"),
)


@dataclass(slots=True)
class _Count:
    benches: int = 0
    found: int = 0
    named: int = 0
    placed: int = 0
    kinds: Counter[str] = field(default_factory=Counter)


def class_of(noncentrality: float) -> str:
    """The class of `CLASSES` that a noncentrality is in."""
    return next(name for low, high, name in CLASSES if low <= noncentrality < high)


def faults_table(done: Iterable[Planted | None]) -> pd.DataFrame:
    """How many of the planted faults were found, by fault and class of noncentrality.

    Parameters
    ----------
    done : iterable of Planted or None
        From `motorfit.studies.planting.planted`; None does not count.

    Returns
    -------
    DataFrame
        ``benches``, and of those the number ``found`` (any new error or caution),
        ``named`` (one of a right kind) and ``placed`` (one at the right place); ``kinds``,
        what they were told as, most frequent first. A row for every fault and class with
        a bench in it.
    """
    counts: dict[tuple[str, str], _Count] = {}
    for each in done:
        if each is None:
            continue
        count = counts.setdefault((each.fault, class_of(each.noncentrality)), _Count())
        count.benches += 1
        count.found += each.found
        count.named += each.named
        count.placed += each.placed
        count.kinds.update(set(each.kinds))
    order = [name for *_, name in CLASSES]
    rows = [
        {
            "name": fault,
            "noncentrality": name,
            "benches": count.benches,
            "found": count.found,
            "named": count.named,
            "placed": count.placed,
            "kinds": ", ".join(f"{kind} {number}" for kind, number in count.kinds.most_common()),
        }
        for (fault, name), count in sorted(
            counts.items(),
            key=lambda item: (list(FAULTS).index(item[0][0]), order.index(item[0][1])),
        )
    ]
    return pd.DataFrame(rows)


def clean_table(done: Iterable[Trial]) -> pd.DataFrame:
    """How many clean benches had a false finding, by scenario.

    Parameters
    ----------
    done : iterable of Trial
        From `motorfit.studies.trials.trial`.

    Returns
    -------
    DataFrame
        ``benches``, ``errors`` and ``cautions``, those with a false one; ``kinds``.
    """
    rows: dict[str, dict[str, int]] = {}
    kinds: dict[str, Counter[str]] = {}
    for each in done:
        row = rows.setdefault(each.scenario, {"benches": 0, "errors": 0, "cautions": 0})
        row["benches"] += 1
        row["errors"] += bool(each.false_errors)
        row["cautions"] += bool(each.false_cautions)
        kinds.setdefault(each.scenario, Counter()).update(
            {*each.false_errors, *each.false_cautions}
        )
    return pd.DataFrame(
        [
            {
                "name": name,
                **row,
                "kinds": ", ".join(f"{kind} {count}" for kind, count in kinds[name].most_common()),
            }
            for name, row in rows.items()
        ]
    )


def run_planted(
    faults: Sequence[str], benches: int, *, seed: int = SEED, processes: int = 1
) -> Iterator[Planted | None]:
    """Plant faults and look for them, in order; the same whatever the number of processes."""
    tasks = ((fault, number) for fault in faults for number in range(benches))
    return run_all(partial(_planted, seed=seed), tasks, processes=processes)


def _planted(task: tuple[str, int], seed: int) -> Planted | None:
    return planted(*task, seed=seed)


def run_clean(benches: int, *, seed: int = SEED, processes: int = 1) -> Iterator[Trial]:
    """Fit so many benches without a slip, of all scenarios without logs in turn."""
    names = islice(cycle(WITHOUT_LOGS), benches)
    tasks = ((name, number // len(WITHOUT_LOGS)) for number, name in enumerate(names))
    return run_all(partial(_clean, ask=Ask(seed=seed)), tasks, processes=processes)


def _clean(task: tuple[str, int], ask: Ask) -> Trial:
    return trial(*task, ask)


@click.command()
@click.option(
    "--benches",
    type=click.IntRange(min=0),
    default=200,
    show_default=True,
    help="How many with each fault.",
)
@click.option(
    "--clean",
    type=click.IntRange(min=0),
    default=1000,
    show_default=True,
    help="How many without, of all scenarios without logs together.",
)
@only_option("fault", FAULTS)
@study_options
def main(
    benches: int,
    clean: int,
    faults: tuple[str, ...],
    seed: int,
    processes: int,
    out: Path | None,
    force: bool,
) -> None:
    """Plant known faults into simulated benches and count those that are found.

    A fault is judged by its noncentrality: the part of it that neither the machine's
    parameters nor the meters' errors can take up, in standard deviations.

    \b
    Example:
      python -m motorfit.studies.faults --benches 200 --clean 1000 -o faults.csv
      python -m motorfit.studies.faults --fault heating --clean 0
    """
    with plain_refusals():
        refuse_what_is_there(out, force=force)
        without = run_clean(clean, seed=seed, processes=processes)
        cleaned = clean_table(shown(without, clean, "Clean"))
        those = run_planted(faults, benches, seed=seed, processes=processes)
        found = faults_table(shown(those, benches * len(faults), "Planted"))
        hidden = hidden_table(seed)
        texts = (clean_text(cleaned), faults_text(found), hidden_text(hidden))
        click.echo("\n\n".join(texts))
        if out is not None:
            write_whole(out, _csv(cleaned, found, hidden, seed), force=force)


def clean_text(table: pd.DataFrame) -> str:
    """The clean benches for people, with their sum."""
    if table.empty:
        return "No clean benches."
    total = table[["benches", "errors", "cautions"]].sum()
    return (
        f"Clean benches with a false finding:\n{_shown(table)}\n"
        f"Together: {total['errors']} with an error, {total['cautions']} with a caution, "
        f"of {total['benches']}"
    )


def faults_text(table: pd.DataFrame) -> str:
    """The planted faults for people, with the share found of those that can be seen."""
    if table.empty:
        return "No planted faults."
    seen = table[table["noncentrality"] == CLASSES[-1][-1]]
    benches, found = seen["benches"].sum(), seen["found"].sum()
    share = f"{100 * found / benches:.1f} % of {benches}" if benches else "there was none"
    return (
        f"Planted faults by noncentrality:\n{_shown(table)}\n"
        f"Found of those with noncentrality 5 or more: {share}"
    )


def _shown(table: pd.DataFrame) -> str:
    """A table with its last column, the kinds, to the left and no longer than three of them."""
    kinds = table["kinds"].map(lambda text: ", ".join(text.split(", ")[:_KINDS_SHOWN]))
    width = int(kinds.str.len().max())
    return table.assign(kinds=kinds.str.ljust(width)).to_string(index=False)


_KINDS_SHOWN = 3


def hidden_text(table: pd.DataFrame) -> str:
    """What no residual shows, for people."""
    shown = table[["name", *HIDDEN_IN]].to_string(index=False, float_format="{:.2f}".format)
    return f"Noncentrality of what a bench takes for its machine:\n{shown}"


def _csv(cleaned: pd.DataFrame, found: pd.DataFrame, hidden: pd.DataFrame, seed: int) -> str:
    """The tables below each other, told apart by their first column."""
    parts = {"clean": cleaned, "planted": found, "hidden": hidden}
    whole = pd.concat([part.assign(table=name) for name, part in parts.items() if len(part)])
    whole = whole[["table", *(name for name in whole.columns if name != "table")]]
    counts = [name for name in _COUNTS if name in whole.columns]
    whole[counts] = whole[counts].astype("Int64")
    return whole.assign(seed=seed, commit=commit()).to_csv(index=False, float_format="%.4g")


_COUNTS = ("benches", "errors", "cautions", "found", "named", "placed")


if __name__ == "__main__":
    main(prog_name="python -m motorfit.studies.faults")
