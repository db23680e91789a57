"""What `motorfit.studies.choices` found, as tables: one a topic, quantities side by side."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from motorfit.studies.cases import SHOWN
from motorfit.studies.markdown import SYMBOLS, markdown, origin

#: What is told of each quantity, and its head at a terminal.
_TOLD = {"held": "held %", "width": "+- %"}


def choices_text(table: pd.DataFrame) -> str:
    """For people at a terminal: the quantities that each topic is about.

    Parameters
    ----------
    table : DataFrame
        From `motorfit.studies.choices.choices_table`.

    Returns
    -------
    str
        In brackets the percentage of benches that had a value, where not all had one.
    """
    parts = []
    for topic in dict.fromkeys(table["topic"]):
        heads = [f"{name} {told}" for name in SHOWN[topic] for told in _TOLD.values()]
        heads = ["", "", *heads, "term claimed %"]
        rows = [[cell.replace("`", "") for cell in row] for row in _rows(table, topic)]
        words = pd.DataFrame(rows, columns=heads).to_string(index=False)
        parts.append(f"{topic.capitalize()}:\n{words}")
    return "\n\n".join(parts)


def choices_tables(table: pd.DataFrame) -> str:
    """What `motorfit.studies.choices` wrote, as Markdown.

    Parameters
    ----------
    table : DataFrame
        Its CSV file.

    Returns
    -------
    str
        A table a topic, of the quantities that it is about.
    """
    parts = [origin(table, "case")]
    for topic in dict.fromkeys(table["topic"]):
        heads = [head for name in SHOWN[topic] for head in (f"{SYMBOLS[name]} held", "\u00b1 %")]
        heads = [topic.capitalize(), "Fit", *heads, "claimed"]
        parts.append(markdown(heads, _rows(table, topic), words=(1,)))
    return "\n\n".join(parts)


def _rows(table: pd.DataFrame, topic: str) -> list[list[str]]:
    """Case, choice, held and half-width of each quantity, share of terms claimed; in percent."""
    here = table[table["topic"] == topic]
    rows: list[list[str]] = []
    for (case, choice), part in here.groupby(["case", "choice"], sort=False):
        numbers = part.set_index("quantity")
        cells = [cell for name in SHOWN[topic] for cell in _cells(numbers, name)]
        claimed = part["claimed"].iloc[0]
        cells.append("" if pd.isna(claimed) else f"{100 * claimed:.0f}")
        rows.append([str(case), str(choice), *cells])
    return _told_once(rows)


def _cells(numbers: pd.DataFrame, quantity: str) -> tuple[str, str]:
    if quantity not in numbers.index:
        return "", ""
    told = numbers[["known", "coverage", "half_width"]].loc[[quantity]].to_numpy(float)
    known, held, width = (100 * told[0]).tolist()
    return f"{held:.0f}" + (f" ({known:.0f})" if known < 100 else ""), _two_digits(width)


def _two_digits(number: float) -> str:
    """Two that count, and never a power of ten."""
    return f"{number:.0f}" if number >= 99.5 else f"{number:#.2g}".rstrip(".")


def _told_once(rows: Sequence[list[str]]) -> list[list[str]]:
    """The name of a case in its first row only."""
    names = ["", *(row[0] for row in rows)]
    return [
        ["" if row[0] == before else row[0], *row[1:]]
        for before, row in zip(names, rows, strict=False)
    ]
