"""The text of a TOML file and its tables, before anybody knows what they mean."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from motorfit.bench.encoding import fingerprint, read_bytes
from motorfit.errors import BenchError, LocatedError

_LARGEST = 1_000_000  # bytes


@dataclass(frozen=True, slots=True)
class TomlFile:
    """One TOML file: its tables, and its text for finding lines."""

    path: Path
    text: str = ""
    tables: Mapping[str, Any] = field(default_factory=dict)


def is_there(path: Path) -> bool:
    """Whether there is such a file; what may not be looked at is there, and told when read."""
    try:
        return path.exists()
    except OSError:
        return True


def read_file(path: Path, problems: list[BenchError], files: dict[str, str]) -> TomlFile:
    """The tables of a file; none, with the problem noted, where it cannot be read."""
    if not is_there(path):
        return TomlFile(path)
    try:
        content = read_bytes(path, largest=_LARGEST)
        files[path.name] = fingerprint(content)
        text = _decoded(path, content)
        return TomlFile(path, text, _parsed(path, text))
    except LocatedError as error:
        problems.append(error)
        return TomlFile(path)


def _decoded(path: Path, content: bytes) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise LocatedError(
            path=path,
            row=content.count(b"\n", 0, error.start) + 1,
            found="a character that is not UTF-8",
            expected="a text file in UTF-8",
            remedy='Save it as UTF-8 from the editor, or write "degC" and "ohm" in letters.',
        ) from None


def _parsed(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        place = re.search(r"\(at line (\d+), column \d+\)", str(error))
        row = int(place[1]) if place else None
        lines = text.splitlines()
        line = lines[row - 1].strip() if row and row <= len(lines) else ""
        reason = re.sub(r"\s*\(at .*\)", "", str(error)) or "it is nested too deeply"
        raise LocatedError(
            path=path,
            row=row,
            found=f'"{line[:60]}"' if line else "an unfinished line",
            expected=f"a line of TOML ({reason[:1].lower()}{reason[1:]})",
            remedy='Write it like key = "36 V": quotes around text and around numbers with a '
            "unit, a point in numbers, each key once.",
        ) from None


def over(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """One table over another, key by key; counts and resolution replace each other."""
    merged = dict(below)
    for one, other in (("counts", "resolution"), ("resolution", "counts")):
        if one in above and other not in above:
            merged.pop(other, None)
    for key, value in above.items():
        old = merged.get(key)
        both = isinstance(value, Mapping) and isinstance(old, Mapping)
        merged[key] = over(old, value) if both and isinstance(old, Mapping) else value
    return merged


def is_in(file: TomlFile, place: tuple[str, ...]) -> bool:
    """Whether a file has that key, given by the names of its tables and its own."""
    table: Any = file.tables
    for key in place:
        if isinstance(table, list) and key.isdecimal():
            return True
        if not isinstance(table, Mapping) or key not in table:
            return False
        table = table[key]
    return True
