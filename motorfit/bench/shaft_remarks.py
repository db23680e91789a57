"""Remarks of a sheet that tell what was on the shaft."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from motorfit.bench.kinds import TestKind
from motorfit.bench.tables import shown
from motorfit.errors import BenchError, BenchProblemsError, LocatedError
from motorfit.quantities import Stated, UnreadableError, read_quantity

_ADDED = re.compile(
    r"added\s+(?P<what>(?:moment\s+of\s+)?inertia|dis[ck]|flywheel)\b\s*[:=]?\s*(?P<rest>.*)",
    re.IGNORECASE,
)
_UNCOUPLED = re.compile(
    r"(?:the\s+)?machine\s*[:=]?\s+(?:is\s+|was\s+)?(?:un|de|dis|not\s+)coupled\b.*", re.IGNORECASE
)
#: A remark that begins like one on what was added, and tells a number.
_LIKE_ADDED = re.compile(
    r"a\w{2,4}d\s+(?:\w+\s+){0,3}(?:in\w*a|dis\w{0,2}|\w*wheel|pulley|mass|weight)\s*[:=].*\d",
    re.IGNORECASE,
)
#: Between mass and diameter; a comma between digits is a decimal one.
_BETWEEN = re.compile(r"\s*(?:;|(?<!\d),|,(?=\s)|\band\b)\s*")
_CALLED = re.compile(r"(?:mass|diameter)\s*[:=]?\s*", re.IGNORECASE)

_REMEDY = (
    'Write "added inertia: 0.0012 kg m2 +- 2 %" or "added disc: 0.50 kg +- 1 %, 120 mm +- 1 %".'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShaftRemarks:
    """What the remarks of one sheet say."""

    added_inertia: Stated | None = None  # [kg m2]
    uncoupled: bool = False


def shaft_remarks(path: Path, remarks: Iterable[tuple[int, str]], test: TestKind) -> ShaftRemarks:
    """Read remarks on an inertia put on the shaft, and on a drive that ran alone.

    Parameters
    ----------
    path : Path
        The sheet, for messages.
    remarks : iterable of (int, str)
        Rows, and the texts behind "#": "added inertia: 0.0012 kg m2 +- 2 %", "added disc:
        0.50 kg +- 1 %, 120 mm +- 1 %" (mass and diameter), "machine uncoupled".
    test : TestKind
        What the sheet is of. The drive can run alone only where its power may be read.

    Raises
    ------
    BenchProblemsError
        If what was added cannot be read, or is said twice.
    """
    problems: list[BenchError] = []
    added: list[Stated] = []
    uncoupled = False
    for row, remark in remarks:
        match = _ADDED.fullmatch(remark.strip())
        if match is None:
            said = bool(_UNCOUPLED.fullmatch(remark.strip()))
            uncoupled |= said and "drive_power" in test.columns
            if _LIKE_ADDED.match(remark.strip()):
                problems.append(_not_understood(path, row, remark))
            continue
        disc = not match["what"].lower().endswith("inertia")
        try:
            added.append(_disc(match["rest"]) if disc else _inertia(match["rest"]))
            if len(added) > 1:
                raise _twice(remark)
        except UnreadableError as error:
            problems.append(
                LocatedError(
                    path=path,
                    row=row,
                    found=error.found,
                    expected=error.expected,
                    remedy=error.remedy,
                )
            )
    if problems:
        raise BenchProblemsError(problems)
    return ShaftRemarks(added_inertia=added[0] if added else None, uncoupled=uncoupled)


def _inertia(text: str) -> Stated:
    return _positive(text, "inertia")


def _disc(text: str) -> Stated:
    r"""Inertia of an even disc about its axis, from mass and diameter.

    .. math:: J = m d^2 / 8

    The half-width has the standard uncertainty that both make together, first order.
    """
    parts = [_CALLED.sub("", part, count=1) for part in _BETWEEN.split(text.strip()) if part]
    if len(parts) != 2:
        raise UnreadableError(
            found=shown(text.strip(), longest=60),
            expected="mass and diameter of the disc, with a comma between",
            remedy=_REMEDY,
        )
    mass, diameter = _positive(parts[0], "mass"), _positive(parts[1], "length")
    value = mass.value * diameter.value**2 / 8
    share = math.hypot(mass.half_width / mass.value, 2 * diameter.half_width / diameter.value)
    return Stated(value, share * value, text.strip())


def _positive(text: str, dimension: str) -> Stated:
    stated = read_quantity(text, dimension)
    named = f"{'an' if dimension[0] in 'aeiou' else 'a'} {dimension}"
    if not stated.value > 0:
        raise UnreadableError(
            found=shown(text.strip()), expected=f"{named} above zero", remedy=_REMEDY
        )
    if not stated.half_width < stated.value:
        raise UnreadableError(
            found=shown(text.strip()),
            expected=f"{named} known to better than 100 %",
            remedy="Weigh or measure it, and write by how much it may be off.",
        )
    return stated


def _not_understood(path: Path, row: int, remark: str) -> LocatedError:
    return LocatedError(
        path=path,
        row=row,
        found=f"the remark {shown(remark.strip(), longest=60)}",
        expected="added inertia, or added disc with mass and diameter",
        remedy=f"{_REMEDY} Begin it with another word where it tells neither.",
    )


def _twice(remark: str) -> UnreadableError:
    return UnreadableError(
        found=f"a second remark on what was added, {shown(remark, longest=60)}",
        expected="one a sheet",
        remedy="Write one remark with the whole added inertia.",
    )
