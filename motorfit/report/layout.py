"""Plain text that fits a small terminal: wrapped, cut, and shortened where there is no room."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from rich.cells import cell_len, chop_cells

#: Width of a plain terminal, and of the column of labels at its left.
WIDTH, LABEL = 80, 13

#: A number and its unit stay on one line.
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|V|A|W|K|ohm|rpm|degC|min)(?!\w))")
_TIE = "\N{NO-BREAK SPACE}"


@dataclass(slots=True)
class Block:
    """Some lines that belong together, in versions from roomy to tight.

    ``costs`` says what is lost from each version to the next; where a screen is too long,
    the cheapest step of all its blocks is taken first.
    """

    versions: Sequence[Sequence[str]]
    costs: Sequence[float] = ()
    chosen: int = field(default=0, init=False)

    @property
    def lines(self) -> Sequence[str]:
        """The lines of the version in use."""
        return self.versions[self.chosen]

    @property
    def next_cost(self) -> float:
        """What it costs to tighten once more; infinite where that cannot be."""
        return self.costs[self.chosen] if self.chosen < len(self.costs) else math.inf


#: A block without lines.
NOTHING = Block(([],))


def gap() -> Block:
    """An empty line, there while there is room."""
    return Block(([""], []), (0.0,))


def fit_to_screen(blocks: Iterable[Block], lines: int) -> str:
    """Join blocks into a screen of at most ``lines`` lines, by the cheapest steps.

    Parameters
    ----------
    blocks : iterable of Block
        In the order of the screen.
    lines : int
        The most lines there may be. If even the tightest versions have more, they stay:
        nothing is ever dropped that has no version without it.

    Returns
    -------
    str
        Without a line end after the last line.
    """
    blocks = list(blocks)
    while sum(len(block.lines) for block in blocks) > lines:
        cheapest = min(blocks, key=lambda block: block.next_cost)
        if math.isinf(cheapest.next_cost):
            break
        cheapest.chosen += 1
    return "\n".join(line.rstrip() for block in blocks for line in block.lines)


def labelled(label: str, text: str, most: int | None = None) -> list[str]:
    """Wrap ``text`` beside a label, cut after ``most`` lines.

    Examples
    --------
    >>> labelled("Next", "motorfit predict blue-tag")
    ['Next         motorfit predict blue-tag']
    """
    lines = wrapped(text, WIDTH - LABEL, most) or [""]
    heads = [label, *("" for _ in lines[1:])]
    return [f"{head:<{LABEL}}{line}".rstrip() for head, line in zip(heads, lines, strict=True)]


def bulleted(label: str, texts: Sequence[str], most: int) -> list[str]:
    """Several texts beside a label, each with a dash and cut after ``most`` lines.

    Examples
    --------
    >>> bulleted("Findings", ["one", "two"], 1)
    ['Findings     - one', '             - two']
    """
    return [
        line
        for number, text in enumerate(texts)
        for line in labelled("" if number else label, f"- {text}", most)
    ]


def wrapped(text: str, width: int = WIDTH, most: int | None = None) -> list[str]:
    """Wrap ``text`` to lines of ``width`` cells; what is cut after ``most`` lines ends in dots.

    Examples
    --------
    >>> wrapped("one two three four", 9, most=1)
    ['one...']
    """
    whole = _BEFORE_UNIT.sub(_TIE, one_line(text))
    lines = [
        piece.replace(_TIE, " ")
        for line in textwrap.wrap(whole, width, break_on_hyphens=False)
        for piece in chop_cells(line, width)
    ]
    if most is None or len(lines) <= most:
        return lines
    kept = lines[:most]
    kept[-1] = _with_dots(kept[-1], width)
    return kept


def cut(text: str, width: int) -> str:
    """``text`` on one line of at most ``width`` cells, with dots where it was cut.

    Examples
    --------
    >>> cut("conveyor motor, blue tag", 17)
    'conveyor motor...'
    """
    text = one_line(text)
    return text if cell_len(text) <= width else _with_dots(text, width)


def end_of(text: str, width: int) -> str:
    """The end of a long path, which tells more than its beginning.

    Examples
    --------
    >>> end_of("class/group-7/red.csv", 12)
    '...7/red.csv'
    """
    return text if cell_len(text) <= width else f"...{text[3 - width :]}"


def cut_row(text: str) -> str:
    """A row of columns, cut at the edge of the screen; the spaces between columns stay."""
    return text.rstrip() if len(text) <= WIDTH else text[: WIDTH - 3].rstrip() + "..."


def one_line(text: str) -> str:
    """``text`` without line ends and control characters, which a terminal would obey.

    Examples
    --------
    >>> one_line("blue\\x1b[31m tag\\n")
    'blue [31m tag'
    """
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _with_dots(text: str, width: int) -> str:
    if cell_len(text) > width - 3:
        kept = chop_cells(text, width - 3)[0]
        whole_word = not text[len(kept)].isalnum()
        text = kept if whole_word else kept.rpartition(" ")[0] or kept
    return text.rstrip(" ,;:.") + "..."
