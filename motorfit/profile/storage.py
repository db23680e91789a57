"""Profiles as files: written whole, read with every fault named by its place."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from motorfit.errors import OutputError, ProfileError
from motorfit.files import write_whole
from motorfit.profile.faults import REMEDY, brief, faults, misfits, refusal, refuse
from motorfit.profile.layout import from_parts, to_parts
from motorfit.profile.model import MachineProfile
from motorfit.profile.schema import FORMAT, VERSION, ProfilePart

#: What a profile is called in its bench folder.
PROFILE_NAME = "profile.json"


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
        raise refusal(path.name, faults(error)) from None
    refuse(path.name, misfits(parts))
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
        raise refusal("this profile", faults(error)) from None
    refuse("this profile", misfits(parts))
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
            f'{path.name}, "format": found {brief(_format_of(content))}, expected "{FORMAT}". '
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
