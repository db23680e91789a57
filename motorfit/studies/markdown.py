"""Tables in Markdown, and where they come from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd

#: Heads of columns.
SYMBOLS = {
    "k": "$k$",
    "R": "$R$",
    "Vb": "$V_b$",
    "T0": "$T_0$",
    "b": "$b$",
    "J": "$J$",
    "V half": "V, half",
    "V full": "V, full",
    "loss W": "loss",
}


def markdown(
    heads: Sequence[str], rows: Iterable[Sequence[str]], *, words: Sequence[int] = ()
) -> str:
    """A table in Markdown: words to the left, numbers to the right.

    The first column has words, and those whose places ``words`` names.
    """
    sides = ["---" if place in (0, *words) else "--:" for place in range(len(heads))]
    lines = ["| " + " | ".join(heads) + " |", "|" + "|".join(sides) + "|"]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines)


def origin(table: pd.DataFrame, of: str = "") -> str:
    """What it takes to make the same table again.

    Parameters
    ----------
    table : DataFrame
        With columns ``commit`` and ``seed``.
    of : str
        What its number of benches is of, such as "scenario"; left out where that is not
        one number.
    """
    first = table.iloc[0]
    told = "" if pd.isna(first["commit"]) else f" at commit {first['commit']}"
    benches = f"{int(first['benches'])} benches a {of}, " if of else ""
    return f"Made{told}: {benches}seed {int(first['seed'])}."
