"""Tables as plain text that any console and any file takes."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence

from rich.box import Box
from rich.console import Console
from rich.table import Table

from motorfit.report.layout import one_line, wrapped

#: Columns of text under a line of dashes, nothing else.
_PLAIN = Box(
    "    \n    \n -- \n    \n    \n    \n    \n    \n",
    ascii=True,
)

#: Details may be wider than the first screen.
DETAILS_WIDTH = 96


def table(
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: Sequence[str] = (),
    width: int = DETAILS_WIDTH,
) -> str:
    """A table in plain text.

    Parameters
    ----------
    columns : sequence of str
        Their heads.
    rows : iterable of sequence of str
        One text a column.
    right : sequence of str
        Heads of the columns of numbers, which stand at the right.
    width : int
        The most columns of text; longer cells are wrapped.

    Returns
    -------
    str
        Lines without spaces at their ends.
    """
    drawn = Table(
        box=_PLAIN, pad_edge=False, show_edge=False, header_style="", padding=(0, 1, 0, 0)
    )
    for column in columns:
        numbers = column in right
        drawn.add_column(
            column,
            justify="right" if numbers else "left",
            no_wrap=numbers,
            overflow="fold",
        )
    for row in rows:
        drawn.add_row(*(one_line(cell) for cell in row))
    text = io.StringIO()
    console = Console(
        file=text,
        width=width,
        color_system=None,
        force_terminal=False,
        markup=False,
        emoji=False,
        highlight=False,
    )
    console.print(drawn)
    return "\n".join(line.rstrip() for line in text.getvalue().splitlines())


def section(title: str, body: str) -> str:
    """A titled part of the details; empty where there is nothing in it."""
    return f"{title}\n{'-' * len(title)}\n{body}" if body else ""


def paragraphs(texts: Iterable[str], width: int = DETAILS_WIDTH) -> str:
    """Texts with a dash each, wrapped."""
    lines: list[str] = []
    for text in texts:
        first, *others = wrapped(text, width - 2) or [""]
        lines += [f"- {first}", *(f"  {line}" for line in others)]
    return "\n".join(lines)
