"""What is wrong with a TOML file, in words for somebody who fills it in, and where."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from motorfit.bench.settings import (
    BenchTable,
    ConditionsTable,
    DriveTable,
    HeatRunTable,
    LeadsTable,
    MachineTable,
    ShelfTable,
    SpeedTable,
)
from motorfit.quantities import UnreadableError


def row_of(text: str, place: tuple[str, ...]) -> int | None:
    """The line of a key or of its table, where it is written the usual way."""
    here: tuple[str, ...] = ()
    table_row = None
    for row, line in enumerate(text.splitlines(), start=1):
        heading = re.match(r"\s*\[+\s*([^\]]+?)\s*\]", line)
        key = re.match(r"""\s*([\w."' -]+?)\s*=""", line)
        if heading and not key:
            here = _dotted(heading[1])
            table_row = row if here == place else table_row
        elif key:
            full = (*here, *_dotted(key[1]))
            if full == place or (place[-1].isdecimal() and full == place[:-1]):
                return row
    return table_row


def _dotted(text: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in text.split("."))


def explained(error: dict[str, Any], keys: tuple[str, ...]) -> UnreadableError:
    """What pydantic found, in words for somebody who fills in the file."""
    inner = error.get("ctx", {}).get("error")
    if isinstance(inner, UnreadableError):
        return inner
    if error["type"] == "extra_forbidden":
        return unknown_key(str(error["loc"][-1]), keys, "key", "")
    if error["type"] == "literal_error":
        return _no_choice(error["input"], error["ctx"]["expected"])
    if error["type"] == "missing":
        return UnreadableError(found="nothing", expected="a value", remedy="Add the line.")
    expected, example = _EXPECTED.get(error["type"], ("something else", ""))
    bound = error.get("ctx", {})
    expected = expected.format(bound=f"{bound.get('gt', bound.get('ge', 0)):g}")
    remedy = f"Write it like {example}." if example else "See the format of this file."
    return UnreadableError(found=_shown(error["input"]), expected=expected, remedy=remedy)


#: By pydantic's type of error: what was expected, and an example.
_EXPECTED: Mapping[str, tuple[str, str]] = {
    "string_type": ("text in quotes", '"text"'),
    "float_type": ("a number without quotes", "1.5"),
    "int_type": ("a whole number without quotes", "4000"),
    "finite_number": ("a finite number", "1.5"),
    "greater_than": ("a number above {bound}", "1.5"),
    "greater_than_equal": ("a number of at least {bound}", "4000"),
    "tuple_type": ("a list of texts in brackets", '["1 ohm 50 W", "4.7 ohm 25 W"]'),
}


def _shown(value: Any) -> str:
    """A value as the file has it."""
    if isinstance(value, (str, bool, int, float, list, dict)):
        text = json.dumps(value, ensure_ascii=False, default=str)
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _no_choice(value: Any, choices: str) -> UnreadableError:
    usual = re.findall(r"'([^']*)'", choices)
    near = difflib.get_close_matches(str(value).lower(), usual, n=1, cutoff=0.5)
    return UnreadableError(
        found=_shown(value),
        expected=" or ".join(f'"{choice}"' for choice in usual),
        remedy=f'Did you mean "{near[0]}"?' if near else "Write one of them, in quotes.",
    )


def unknown_key(
    name: str, known: Mapping[str, Any] | tuple[str, ...], what: str, elsewhere: str
) -> UnreadableError:
    """A key or table that there is not, with the nearest one, or where it belongs."""
    near = difflib.get_close_matches(name.lower(), list(known), n=1, cutoff=0.6)
    remedy = elsewhere or (f'Did you mean "{near[0]}"?' if near else "Correct or remove it.")
    return UnreadableError(
        found=f'the unknown {what} "{name}"', expected=f"one of {', '.join(known)}", remedy=remedy
    )


#: Tables by the keys they have, for a key that stands outside its table.
_MODELS: Mapping[str, type[BaseModel]] = {
    "machine": MachineTable,
    "bench": BenchTable,
    "conditions": ConditionsTable,
    "speed": SpeedTable,
    "heat_run": HeatRunTable,
    "drive": DriveTable,
    "leads": LeadsTable,
    "shelf": ShelfTable,
}


def home_of(name: str) -> str:
    """Where a key that stands outside its table belongs."""
    home = next((table for table, model in _MODELS.items() if name in model.model_fields), None)
    return f"Move it below a line [{home}]." if home else ""


def no_table(name: str, value: Any) -> UnreadableError:
    """A value where a table of keys should be."""
    return UnreadableError(
        found=_shown(value),
        expected=f"a table [{name}]",
        remedy=f"Write [{name}] on a line by itself and the keys below it.",
    )


def belongs_in_machine(name: str) -> UnreadableError:
    """A table of ``machine.toml`` in ``kit.toml``."""
    return UnreadableError(
        found=f"the table [{name}]",
        expected="only [instruments], [leads] and [shelf] in this file",
        remedy=f"Move [{name}] to machine.toml.",
    )
