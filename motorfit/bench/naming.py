"""From the name of a file in a bench folder to what it is."""

from __future__ import annotations

import re
from difflib import SequenceMatcher
from pathlib import Path

from motorfit.bench.kinds import KINDS, Kind
from motorfit.errors import LocatedError

TABLE_SUFFIXES = frozenset({".csv", ".tsv"})
SPREADSHEET_SUFFIXES = frozenset({".xlsx", ".xlsm", ".xlsb", ".xls", ".ods", ".fods"})

_ALIKE = 0.6  # a likeness of names below which nobody meant the one by the other
_BACKUP_ENDINGS = ("~", ".bak", ".old", ".orig", ".tmp", ".swp", ".part")
_BACKUP_STEMS = (".bak", ".old", ".orig", ".tmp")


def is_left_over(name: str) -> bool:
    """Tell whether a file is hidden, a backup or an office program's lock file.

    Examples
    --------
    >>> [is_left_over(name) for name in ("load.csv", ".~lock.load.csv#", "~$load.csv", "load.csv~")]
    [False, True, True, True]
    """
    lower = name.lower()
    return (
        lower.startswith((".", "~"))
        or lower.endswith(_BACKUP_ENDINGS)
        or Path(lower).stem.endswith(_BACKUP_STEMS)
    )


def kind_of(name: str) -> Kind | None:
    """Tell the kind of test from the name of its file, or None where it fits none.

    Case, spaces, ``_`` and ``-`` do not matter; the name begins with the kind.

    Examples
    --------
    >>> kind_of("Load test 2.CSV"), kind_of("no_load-motor 12V.csv"), kind_of("no-load.csv")
    ('load', 'no-load-motor', None)
    """
    plain = _plain(Path(name).stem)
    fitting = [kind for kind in KINDS if plain.startswith(_plain(kind))]
    return max(fitting, key=len, default=None)


def is_unclear_no_load(name: str) -> bool:
    """Tell whether a name says "no load" without saying who turned the machine."""
    return kind_of(name) is None and _plain(Path(name).stem).startswith("noload")


def unclear_no_load(path: Path) -> LocatedError:
    """Ask which of two tests a sheet called "no load" is."""
    return LocatedError(
        path=path,
        found=f'the name "{path.name}"',
        expected="a name that says which test it was",
        remedy="Was it turned from outside with nothing connected (rename it to "
        "open-circuit.csv), or running by itself from a supply (no-load-motor.csv)?",
    )


def unknown_kind(path: Path) -> LocatedError:
    """Say that a name fits no kind of test, and which comes nearest."""
    if is_unclear_no_load(path.name):
        return unclear_no_load(path)
    nearest = nearest_kind(path.name)
    remedy = f"The nearest is {nearest}: rename the file to begin so, or move it to another folder."
    if _likeness(nearest, path.name) < _ALIKE:
        remedy += " One table of driven readings can be read by itself: name it, not its folder."
    return LocatedError(
        path=path,
        found=f'the name "{path.name}"',
        expected=f"a name that begins with a kind of test: {', '.join(KINDS)}",
        remedy=remedy,
    )


def nearest_kind(name: str) -> Kind:
    """Name the kind of test that the beginning of a file name looks most like."""
    return max(KINDS, key=lambda kind: _likeness(kind, name))


def _likeness(kind: Kind, name: str) -> float:
    begin, plain = _plain(kind), _plain(Path(name).stem)
    return max(
        SequenceMatcher(None, begin, plain[: len(begin) + more]).ratio() for more in (-1, 0, 1)
    )


def _plain(text: str) -> str:
    return re.sub(r"[\W_]+", "", text.lower())
