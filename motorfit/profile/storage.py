"""Profiles as files: written whole, read with every fault named by its place."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from motorfit.errors import OutputError, ProfileError
from motorfit.files import write_whole
from motorfit.profile.layout import from_parts, to_parts
from motorfit.profile.model import PARAMETER_UNITS, MachineProfile
from motorfit.profile.schema import FORMAT, VERSION, EstimatePart, ProfilePart

#: What a profile is called in its bench folder.
PROFILE_NAME = "profile.json"

REMEDY = "Fit the bench again with motorfit fit, or get the file anew from where it came."

#: Most faults of one file that are told at once.
MOST_FAULTS = 8

#: Correlations may miss their bounds by this much through rounding.
ROUNDING = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fault:
    """One place in the file that cannot be."""

    place: str
    found: str
    expected: str

    def __str__(self) -> str:
        return f"{self.place}: found {self.found}, expected {self.expected}"


def profile_path(path: Path | str) -> Path:
    """The profile that a path stands for: of a folder, the profile in it."""
    path = Path(path)
    return path / PROFILE_NAME if path.is_dir() else path


def load_profile(path: Path | str) -> MachineProfile:
    """Read a machine profile.

    Parameters
    ----------
    path : Path or str
        The file.

    Returns
    -------
    MachineProfile

    Raises
    ------
    ProfileError
        If the file cannot be read, was made by a newer motorfit, or is no sound profile;
        the message names each place within it.
    """
    path = Path(path)
    text = _text(path)
    _check_origin(path, _parsed(path, text))
    try:
        parts = ProfilePart.model_validate_json(text)
    except ValidationError as error:
        raise _refusal(path.name, _faults(error)) from None
    _refuse(path.name, _misfits(parts))
    return from_parts(parts)


def profile_text(profile: MachineProfile) -> str:
    """The text of a profile's file, the same for the same profile.

    Raises
    ------
    ProfileError
        If a number is not finite, or the parts do not fit together.
    """
    text = json.dumps(to_parts(profile), indent=2, ensure_ascii=False) + "\n"
    try:
        parts = ProfilePart.model_validate_json(text)
    except ValidationError as error:
        raise _refusal("this profile", _faults(error)) from None
    _refuse("this profile", _misfits(parts))
    return text


def save_profile(profile: MachineProfile, path: Path, *, force: bool = False) -> None:
    """Write a profile, whole or not at all; see `MachineProfile.save`."""
    text = profile_text(profile)
    try:
        write_whole(path, text, force=force or _is_of_same_machine(path, profile))
    except OutputError as error:
        raise OutputError(f"{error}{_whose(path)}") from None


def _is_of_same_machine(path: Path, profile: MachineProfile) -> bool:
    there = _machine_there(path)
    ours = profile.machine
    if there is None or there.get("name") != ours.name:
        return False
    return bool(there.get("serial") == ours.serial)


def _machine_there(path: Path) -> dict[str, Any] | None:
    """Which machine the profile at ``path`` is of; none if it is no profile of ours to read."""
    try:
        content = _parsed(path, _text(path))
        _check_origin(path, content)
    except ProfileError:
        return None
    machine = content.get("machine")
    return machine if isinstance(machine, dict) else None


def _whose(path: Path) -> str:
    machine = _machine_there(path)
    return f" It is the profile of {machine.get('name')!r}." if machine else ""


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise ProfileError(
            f"{path}: found no such file, expected a machine profile. "
            f"Make it with motorfit fit {path.parent}, or check the name."
        ) from None
    except IsADirectoryError:
        raise ProfileError(
            f"{path}: found a folder, expected a machine profile. "
            f"Name the file in it, {PROFILE_NAME}."
        ) from None
    except UnicodeDecodeError as error:
        raise ProfileError(
            f"{path}: found byte {error.start + 1}, which is not UTF-8, expected a machine profile "
            f"in JSON. {REMEDY}"
        ) from None
    except OSError as error:
        if path.is_dir():  # Windows calls it a missing permission
            raise ProfileError(
                f"{path}: found a folder, expected a machine profile. "
                f"Name the file in it, {PROFILE_NAME}."
            ) from None
        reason = (error.strerror or str(error)).lower()
        raise ProfileError(
            f"{path}: could not be read ({reason}). Check that you may read it."
        ) from None


def _parsed(path: Path, text: str) -> Any:
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, character {error.colno}"
        found = "an empty file" if not text.strip() else f"something that is not JSON at {where}"
        raise ProfileError(
            f"{path.name}: found {found}, expected a machine profile. {REMEDY}"
        ) from None
    except (ValueError, RecursionError):
        raise ProfileError(
            f"{path.name}: found numbers or nesting beyond all measure, "
            f"expected a machine profile. {REMEDY}"
        ) from None


def _check_origin(path: Path, content: Any) -> None:
    """Refuse what is no profile, and what this release cannot know."""
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise ProfileError(
            f'{path.name}, "format": found {_brief(_format_of(content))}, expected "{FORMAT}". '
            "This is not a machine profile; motorfit fit makes one."
        )
    version = content.get("version")
    if isinstance(version, int) and version > VERSION:
        raise ProfileError(
            f'{path.name}, "version": found {version}, made by a newer motorfit; '
            f"this one reads version {VERSION}. Update motorfit, or fit the bench again with "
            "this one."
        )


def _format_of(content: Any) -> Any:
    return content.get("format", "no such key") if isinstance(content, dict) else content


def _refuse(name: str, faults: Iterable[_Fault]) -> None:
    found = list(faults)
    if found:
        raise _refusal(name, found)


def _refusal(name: str, faults: list[_Fault]) -> ProfileError:
    if len(faults) == 1:
        return ProfileError(f"{name}, {faults[0]}. {REMEDY}")
    shown = [f"- {fault}" for fault in faults[:MOST_FAULTS]]
    if len(faults) > MOST_FAULTS:
        shown.append(f"- and {len(faults) - MOST_FAULTS} more")
    return ProfileError("\n".join([f"{name} has {len(faults)} faults. {REMEDY}", *shown]))


def _faults(error: ValidationError) -> list[_Fault]:
    return [
        _Fault(
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
    return _brief(problem["input"])


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


def _expected(problem: Any) -> str:
    kind, context = problem["type"], problem.get("ctx", {})
    if kind == "literal_error":
        return str(context["expected"])
    if kind == "value_error":
        return str(context["error"])
    says = str(problem["msg"]).removeprefix("Input should be ")
    return EXPECTED.get(kind, says[:1].lower() + says[1:])


def _brief(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _misfits(parts: ProfilePart) -> Iterator[_Fault]:
    """What is sound by itself and does not fit the rest."""
    for name, part in parts.parameters.items():
        if part.unit != PARAMETER_UNITS[name]:
            yield _Fault(
                place=f'"parameters.{name}.unit"',
                found=_brief(part.unit),
                expected=f'"{PARAMETER_UNITS[name]}"',
            )
    known = [name for name, part in parts.parameters.items() if isinstance(part, EstimatePart)]
    order = list(parts.covariance.order)
    if sorted(order) != sorted(known):
        yield _Fault(
            place='"covariance.order"',
            found=", ".join(order) or "nothing",
            expected=f"each parameter that has a value once: {', '.join(known) or 'none'}",
        )
    yield from _matrix_faults(parts.covariance.scatter, len(order))
    for number, instrument in enumerate(parts.instruments):
        for name in sorted(set(instrument.sensitivity) - set(known)):
            yield _Fault(
                place=f'"instruments[{number}].sensitivity.{name}"',
                found="a sensitivity",
                expected="none, as that parameter has no value",
            )


def _matrix_faults(rows: list[list[float]], size: int) -> Iterator[_Fault]:
    place = '"covariance.scatter"'
    if [len(row) for row in rows] != [size] * size:
        shape = "rows of " + ", ".join(str(len(row)) for row in rows) if rows else "no rows"
        yield _Fault(place=place, found=shape, expected=f"{size} rows of {size} numbers")
        return
    if size == 0:
        return
    matrix = np.array(rows)
    with np.errstate(all="ignore"):
        scale = np.sqrt(np.abs(np.diag(matrix)))
        scale[scale == 0] = 1.0
        correlation = matrix / scale / scale[:, None]
    if np.any(np.diag(matrix) < 0):
        yield _Fault(place=place, found="a negative variance", expected="none on its diagonal")
    elif not np.all(np.isfinite(correlation)):
        yield _Fault(place=place, found="numbers beyond all measure", expected="a covariance")
    elif np.max(np.abs(correlation - correlation.T)) > ROUNDING:
        yield _Fault(place=place, found="a lopsided matrix", expected="a symmetric one")
    elif np.linalg.eigvalsh(correlation)[0] < -ROUNDING:
        yield _Fault(
            place=place, found="correlations that contradict each other", expected="a covariance"
        )
