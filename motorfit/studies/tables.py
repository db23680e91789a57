"""The tables of the documentation, from the CSV files of the studies.

python -m motorfit.studies.tables coverage.csv faults.csv choices.csv
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping
from pathlib import Path
from typing import Any

import click
import pandas as pd

from motorfit.errors import OutputError
from motorfit.studies.bound import QUANTITIES
from motorfit.studies.choice_tables import choices_tables
from motorfit.studies.command import plain_refusals
from motorfit.studies.faults import CLASSES
from motorfit.studies.hidden import HIDDEN_IN
from motorfit.studies.markdown import SYMBOLS, markdown, origin
from motorfit.studies.targets import ERROR_OF

_TARGETS = {
    "coverage_target": "coverage",
    "width_target": "width",
    "deviation_target": "deviation",
    "median_target": "half of the errors of J",
    "error_95_target": "95 % of the errors of J",
}

_MARKS = {"missed": "**", "chance": "*", "met": "", "": ""}


def coverage_tables(scores: pd.DataFrame) -> str:
    """What `motorfit.studies.coverage` wrote, as Markdown.

    Parameters
    ----------
    scores : DataFrame
        Its CSV file.

    Returns
    -------
    str
        For each way to an interval coverage and width over the ideal; then, once, the
        estimates' standard deviation over the least possible and their bias. Benches with
        coast-downs have tables of their own, and two more: how far their inertia is off, and
        how many had a false finding. A number that misses its target is bold, one that misses
        it by no more than chance in italics.
    """
    coasting = scores["scenario"].isin(scores.loc[scores["quantity"] == ERROR_OF, "scenario"])
    parts = [origin(scores, "scenario")]
    if not coasting.all():
        parts += _group(scores[~coasting], "")
    if coasting.any():
        parts += _group(scores[coasting], "Coasting: ")
    return "\n\n".join(parts)


def _group(scores: pd.DataFrame, prefix: str) -> Iterator[str]:
    """The tables of some scenarios, what they are of before each heading."""

    def head(words: str) -> str:
        return f"### {prefix}{words[0].lower() if prefix else words[0]}{words[1:]}"

    for way in dict.fromkeys(scores["interval"]):
        chosen = scores[scores["interval"] == way]
        yield head(f"Held the truth, {way} [%]")
        yield _by_scenario(chosen, _percent("coverage"), "coverage_target")
        yield head(f"Width over the ideal, {way}")
        yield _by_scenario(chosen, _ratio("width_over_ideal"), "width_target")
    first = scores[scores["interval"] == scores["interval"].iloc[0]]
    yield head("Standard deviation over the least possible")
    yield _by_scenario(first, _ratio("deviation_over_bound"), "deviation_target")
    yield head("Bias over its standard error")
    yield _by_scenario(first, lambda row: f"{row['bias']:+.1f}", None)
    yield head("Share of the instruments in the least variance [%]")
    yield _by_scenario(first, _percent("instruments", places=0), None)
    inertias = first[first["quantity"] == ERROR_OF]
    if len(inertias):
        yield head("Errors of the moment of inertia [%]")
        yield _errors(inertias)
        yield head("Benches with a false finding [%]")
        yield _false(inertias)
    yield head("Targets")
    yield _targets(scores)


def _percent(column: str, places: int = 1) -> Callable[[pd.Series], str]:
    return lambda row: "" if pd.isna(row[column]) else f"{100 * row[column]:.{places}f}"


def _ratio(column: str) -> Callable[[pd.Series], str]:
    return lambda row: "" if pd.isna(row[column]) else f"{row[column]:.2f}"


def _by_scenario(scores: pd.DataFrame, cell: Callable[[pd.Series], str], target: str | None) -> str:
    quantities = [name for name in QUANTITIES if (scores["quantity"] == name).any()]
    rows = []
    for scenario in dict.fromkeys(scores["scenario"]):
        here = scores[scores["scenario"] == scenario].set_index("quantity")
        row = [scenario]
        for quantity in quantities:
            if quantity not in here.index:
                row.append("")
                continue
            numbers = here.loc[quantity]
            mark = "" if target is None else _MARKS[str(numbers[target] or "")]
            row.append(f"{mark}{cell(numbers)}{mark}")
        rows.append(row)
    return markdown(["Bench", *(SYMBOLS[name] for name in quantities)], rows)


def _errors(inertias: pd.DataFrame) -> str:
    rows = []
    for row in inertias.to_dict("records"):
        numbers = [f"{100 * row['known']:.1f}", f"{100 * row['bias_relative']:+.2f}"]
        for name, target in (("median_error", "median_target"), ("error_95", "error_95_target")):
            mark = _MARKS[str(row[target])]
            numbers.append(f"{mark}{100 * row[name]:.2f}{mark}")
        widths = (row["half_width"] / row["width_over_ideal"], row["half_width"])
        numbers += ["" if pd.isna(each) else f"{100 * each:.2f}" for each in widths]
        rows.append([str(row["scenario"]), *numbers])
    heads = ["has a value", "mean", "half within", "95 % within", "at best", "interval, \u00b1"]
    return markdown(["Bench", *heads], rows)


def _false(inertias: pd.DataFrame) -> str:
    columns = ("false_errors", "false_cautions", "not_fitted")
    rows = [
        [str(row["scenario"]), *(f"{100 * row[name]:.1f}" for name in columns)]
        for row in inertias.to_dict("records")
    ]
    return markdown(["Bench", "with an error", "with a caution", "without a fit"], rows)


def _targets(scores: pd.DataFrame) -> str:
    rows = []
    for way in dict.fromkeys(scores["interval"]):
        for target, words in _TARGETS.items():
            if target not in scores.columns:
                continue
            told = scores.loc[scores["interval"] == way, target].value_counts()
            numbers = [int(told.get(verdict, 0)) for verdict in ("met", "chance", "missed")]
            if sum(numbers):
                rows.append([f"{way}: {words}", *map(str, numbers)])
    return markdown(["Target", "met", "missed within chance", "missed"], rows)


def faults_tables(table: pd.DataFrame) -> str:
    """What `motorfit.studies.faults` wrote, as Markdown.

    Parameters
    ----------
    table : DataFrame
        Its CSV file.

    Returns
    -------
    str
        False findings by scenario; for each fault the share found in every class of
        noncentrality, and of those that can be seen the shares named and placed; what no
        residual shows.
    """
    names = ("clean", "planted", "hidden")
    clean, found, hidden = (table[table["table"] == name] for name in names)
    parts = [origin(table)]
    if len(clean):
        parts += ["### Clean benches with a false finding", _clean(clean)]
    if len(found):
        parts += ["### Planted faults that were found [%]", _found(found)]
    if len(hidden):
        parts += ["### What no residual shows: noncentrality", _hidden(hidden)]
    return "\n\n".join(parts)


def _clean(clean: pd.DataFrame) -> str:
    columns = ["benches", "errors", "cautions"]
    rows = [
        [str(row["name"]), *(str(int(row[name])) for name in columns)]
        for row in clean.to_dict("records")
    ]
    rows.append(["together", *(str(int(clean[name].sum())) for name in columns)])
    return markdown(["Bench", "benches", "with an error", "with a caution"], rows)


def _hidden(hidden: pd.DataFrame) -> str:
    rows = [
        [str(row["name"]), *(f"{row[name]:.1f}" for name in HIDDEN_IN), str(row["reveals"])]
        for row in hidden.to_dict("records")
    ]
    return markdown(["Fault", *HIDDEN_IN, "What would tell"], rows, words=(3,))


def _found(found: pd.DataFrame) -> str:
    names = [name for *_, name in CLASSES]
    rows = []
    for fault in dict.fromkeys(found["name"]):
        records = found[found["name"] == fault].to_dict("records")
        here = {str(record["noncentrality"]): record for record in records}
        shares = [_share(here, name, "found") for name in names]
        rows.append([fault, *shares, *(_share(here, names[-1], of) for of in ("named", "placed"))])
    heads = ["Fault", *names, "right kind, of 5 or more", "right place"]
    return markdown(heads, rows)


def _share(here: Mapping[str, dict[Hashable, Any]], name: str, of: str) -> str:
    """Percent, and of how many; empty where there was none."""
    if name not in here:
        return ""
    row = here[name]
    return f"{100 * row[of] / row['benches']:.0f} ({int(row['benches'])})"


@click.command()
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
def main(files: tuple[Path, ...]) -> None:
    """Print the tables of the CSV files of the studies in Markdown, with their commit.

    \b
    Example:
      python -m motorfit.studies.tables coverage.csv faults.csv
    """
    with plain_refusals():
        click.echo("\n\n".join(_tables(file) for file in files))


def _tables(file: Path) -> str:
    table = pd.read_csv(file, dtype=dict.fromkeys(_TARGETS, str))
    if "deviation_over_bound" in table.columns:
        return coverage_tables(table.fillna(dict.fromkeys(_TARGETS, "")))
    if "table" in table.columns:
        return faults_tables(table)
    if "choice" in table.columns:
        return choices_tables(table)
    raise OutputError(f"{file}: not a table of the coverage, the faults or the choices study.")


if __name__ == "__main__":
    main(prog_name="python -m motorfit.studies.tables")
