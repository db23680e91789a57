"""What can be wrong in the file of a profile, each fault with its place."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import ValidationError

from motorfit.errors import ProfileError
from motorfit.profile.parts import PARAMETER_UNITS
from motorfit.profile.schema import EstimatePart, ProfilePart

REMEDY = "Fit the bench again with motorfit fit, or get the file anew from where it came."

#: Most faults of one file that are told at once.
MOST_FAULTS = 8

#: Correlations may miss their bounds by this much through rounding.
ROUNDING = 1e-6

EXPECTED = {
    "missing": "a value",
    "extra_forbidden": "none of that name",
    "float_type": "a number",
    "int_type": "a whole number",
    "string_type": "text",
    "dict_type": "an object",
    "model_type": "an object",
    "model_attributes_type": "an object",
    "list_type": "a list",
    "tuple_type": "a list",
    "finite_number": "a finite number",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One place in the file that cannot be."""

    place: str
    found: str
    expected: str

    def __str__(self) -> str:
        return f"{self.place}: found {self.found}, expected {self.expected}"


def refuse(name: str, faults: Iterable[Fault]) -> None:
    """Go on only where there are no faults.

    Raises
    ------
    ProfileError
        With all of them, and the file's name.
    """
    found = list(faults)
    if found:
        raise refusal(name, found)


def refusal(name: str, faults: list[Fault]) -> ProfileError:
    """The error that tells of one fault in a sentence, or of several in a list."""
    if len(faults) == 1:
        return ProfileError(f"{name}, {faults[0]}. {REMEDY}")
    shown = [f"- {fault}" for fault in faults[:MOST_FAULTS]]
    if len(faults) > MOST_FAULTS:
        shown.append(f"- and {len(faults) - MOST_FAULTS} more")
    return ProfileError("\n".join([f"{name} has {len(faults)} faults. {REMEDY}", *shown]))


def faults(error: ValidationError) -> list[Fault]:
    """What does not meet the schema, in words."""
    return [
        Fault(
            place=_place(problem["loc"]),
            found=_found(problem),
            expected=_expected(problem),
        )
        for problem in error.errors(include_url=False)
    ]


def _place(steps: Iterable[str | int]) -> str:
    """The path within the file: ``covariance.scatter[0][1]``."""
    text = ""
    for step in steps:
        if isinstance(step, int):
            text += f"[{step}]"
        elif step not in ("known", "not known", "[key]"):
            text += f".{step}" if text else step
    return f'"{text}"' if text else "the whole"


def _found(problem: Any) -> str:
    if problem["type"] == "missing":
        return "nothing"
    if problem["type"] == "extra_forbidden":
        return "an unknown key"
    return brief(problem["input"])


def _expected(problem: Any) -> str:
    kind, context = problem["type"], problem.get("ctx", {})
    if kind == "literal_error":
        return str(context["expected"])
    if kind == "value_error":
        return str(context["error"])
    says = str(problem["msg"]).removeprefix("Input should be ")
    return EXPECTED.get(kind, says[:1].lower() + says[1:])


def brief(value: Any) -> str:
    """A value as the file has it, cut to what fits a message."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:57]}..."


def misfits(parts: ProfilePart) -> Iterator[Fault]:
    """What is sound by itself and does not fit the rest."""
    for name, part in parts.parameters.items():
        if part.unit != PARAMETER_UNITS[name]:
            yield Fault(
                place=f'"parameters.{name}.unit"',
                found=brief(part.unit),
                expected=f'"{PARAMETER_UNITS[name]}"',
            )
    known = [name for name, part in parts.parameters.items() if isinstance(part, EstimatePart)]
    order = list(parts.covariance.order)
    if sorted(order) != sorted(known):
        yield Fault(
            place='"covariance.order"',
            found=", ".join(order) or "nothing",
            expected=f"each parameter that has a value once: {', '.join(known) or 'none'}",
        )
    yield from _matrix_faults(parts.covariance.scatter, len(order))
    for number, instrument in enumerate(parts.instruments):
        for name in sorted(set(instrument.sensitivity) - set(known)):
            yield Fault(
                place=f'"instruments[{number}].sensitivity.{name}"',
                found="a sensitivity",
                expected="none, as that parameter has no value",
            )


def _matrix_faults(rows: list[list[float]], size: int) -> Iterator[Fault]:
    place = '"covariance.scatter"'
    if [len(row) for row in rows] != [size] * size:
        shape = "rows of " + ", ".join(str(len(row)) for row in rows) if rows else "no rows"
        yield Fault(place=place, found=shape, expected=f"{size} rows of {size} numbers")
        return
    if size == 0:
        return
    matrix = np.array(rows)
    with np.errstate(all="ignore"):
        scale = np.sqrt(np.abs(np.diag(matrix)))
        scale[scale == 0] = 1.0
        correlation = matrix / scale / scale[:, None]
    if np.any(np.diag(matrix) < 0):
        yield Fault(place=place, found="a negative variance", expected="none on its diagonal")
    elif not np.all(np.isfinite(correlation)):
        yield Fault(place=place, found="numbers beyond all measure", expected="a covariance")
    elif np.max(np.abs(correlation - correlation.T)) > ROUNDING:
        yield Fault(place=place, found="a lopsided matrix", expected="a symmetric one")
    elif np.linalg.eigvalsh(correlation)[0] < -ROUNDING:
        yield Fault(
            place=place, found="correlations that contradict each other", expected="a covariance"
        )
