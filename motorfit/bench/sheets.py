"""Blank logging sheets, and the commented `machine.toml` and `kit.toml` beside them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from motorfit.bench.default_instruments import HANDHELD
from motorfit.bench.kinds import KINDS, QUANTITIES, Kind
from motorfit.cautions import cautions_of
from motorfit.errors import OutputError
from motorfit.files import write_folder

#: The tests that a first bench needs.
FIRST_TESTS: tuple[Kind, ...] = ("open-circuit", "load", "no-load-motor")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """What a blank sheet needs to know besides its wiring and steps."""

    columns: tuple[str, ...]  # quantities with their units, as in the header
    minutes: str
    needs: tuple[str, ...]  # parts


_DRIVE = "a drill or lathe or crank to turn the machine"
_SPEED = "a speed meter (or a watch and a mark to count)"
_VOLTS = "a voltmeter"
_AMPS = "an ammeter"
_SUPPLY = "a battery or bench supply and a fuse for it"
_ARM = "an arm on the shaft and a scale"

SHEETS: dict[Kind, Sheet] = {
    "open-circuit": Sheet(
        columns=("speed (rpm)", "voltage (V)", "setting", "direction"),
        minutes="10",
        needs=(_DRIVE, _SPEED, _VOLTS),
    ),
    "load": Sheet(
        columns=(
            "speed (rpm)",
            "voltage (V)",
            "current (A)",
            "load (ohm)",
            "winding (degC)",
            "setting",
            "direction",
        ),
        minutes="20",
        needs=(
            _DRIVE,
            _SPEED,
            _VOLTS,
            "an ammeter if you have one",
            "three or more power resistors",
        ),
    ),
    "no-load-motor": Sheet(
        columns=("speed (rpm)", "voltage (V)", "current (A)", "setting", "direction"),
        minutes="10",
        needs=(_SUPPLY, _SPEED, _VOLTS, _AMPS),
    ),
    "brake": Sheet(
        columns=(
            "speed (rpm)",
            "voltage (V)",
            "current (A)",
            "force (N)",
            "arm (m)",
            "winding (degC)",
            "setting",
            "direction",
        ),
        minutes="30",
        needs=(_SUPPLY, _SPEED, _VOLTS, _AMPS, "a brake with an arm that presses on a scale"),
    ),
    "resistance": Sheet(
        columns=("voltage (V)", "current (A)", "position (deg)", "winding (degC)", "setting"),
        minutes="15",
        needs=(_SUPPLY, _VOLTS, _AMPS, "a power resistor to limit the current"),
    ),
    "coast-down": Sheet(
        columns=("time (s)", "speed (rpm)", "voltage (V)", "current (A)", "load (ohm)"),
        minutes="15",
        needs=(
            "a drill that can be taken off quickly",
            "a meter that logs or a film of the meter",
            "a power resistor or a disc of known mass and size",
        ),
    ),
    "heat-run": Sheet(
        columns=(
            "time (min)",
            "current (A)",
            "voltage (V)",
            "speed (rpm)",
            "winding (degC)",
            "ambient (degC)",
        ),
        minutes="60 to 180",
        needs=(
            "a supply with a current limit and a fuse",
            _VOLTS,
            _AMPS,
            "a thermometer for the air",
        ),
    ),
    "breakaway": Sheet(
        columns=("force (N)", "arm (m)", "position (deg)", "direction"),
        minutes="10",
        needs=(_ARM,),
    ),
    "zero": Sheet(
        columns=("voltage (V)", "current (A)", "force (N)"),
        minutes="2",
        needs=("the meters that you use in the tests",),
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterAnswer:
    """What somebody says about one meter: the manual's accuracy line, and its counts."""

    accuracy: str | None = None
    counts: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedAnswer:
    """How speed is read: in words, and how well where that follows from the way."""

    words: str
    accuracy: str | None = None


SPEED_METERS = {
    "tachometer": SpeedAnswer(words="a tachometer"),
    "pulses": SpeedAnswer(words="pulses counted by a meter or a scope", accuracy="0.1 %"),
    "watch": SpeedAnswer(words="turns counted against a watch", accuracy="2 %"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Kit:
    """What `kit.toml` starts with."""

    voltage: MeterAnswer = MeterAnswer()
    current: MeterAnswer = MeterAnswer()
    speed: SpeedAnswer = SPEED_METERS["tachometer"]


def sheet_text(kind: Kind) -> str:
    """The blank sheet of one kind of test.

    Parameters
    ----------
    kind : str
        A kind of test.

    Returns
    -------
    str
        Remarks that tell how to do it, then the header of the table; no readings.
    """
    test, sheet = KINDS[kind], SHEETS[kind]
    header = (*sheet.columns, "note", "exclude")
    spare = test.columns - {name.split(" (")[0] for name in header}
    head = _render(
        f"{kind}.jinja",
        title=test.title,
        sheet=sheet,
        used=test.used,
        has={name.split(" (")[0] for name in header},
        optional=[name for name in QUANTITIES if name in spare],
        cautions=cautions_of(kind),
    )
    remarks = [f"# {line}".rstrip() for line in head.rstrip().splitlines()]
    return "\n".join((*remarks, ",".join(header), ""))


def machine_text(name: str) -> str:
    """A commented `machine.toml` for a machine of that name."""
    return _render("machine.toml.jinja", name=name)


def kit_text(kit: Kit | None = None) -> str:
    """A commented `kit.toml`; what nobody answered stands behind ``#`` as what is taken."""
    kit = kit or Kit()
    return _render(
        "kit.toml.jinja",
        voltage=kit.voltage,
        current=kit.current,
        speed=kit.speed,
        plain={quantity: accuracy.text for quantity, (_, accuracy) in HANDHELD.items()},
    )


def has_kit(folder: Path) -> bool:
    """Whether there is a `kit.toml` in the folder or in the one above it."""
    return any((place / "kit.toml").exists() for place in (folder, folder.absolute().parent))


def write_sheets(
    folder: Path,
    tests: Iterable[Kind] = FIRST_TESTS,
    *,
    name: str | None = None,
    kit: Kit | None = None,
    force: bool = False,
) -> tuple[str, ...]:
    """Write blank sheets with `machine.toml`, and `kit.toml` where there is none yet.

    Parameters
    ----------
    folder : Path
        The bench folder; made where it is missing.
    tests : iterable of str
        Kinds of test.
    name : str, optional
        Name of the machine; the folder's name where none is given.
    kit : Kit, optional
        What `kit.toml` starts with. It is written the first time only: where neither the
        folder nor the one above has one.
    force : bool
        Replace sheets and a `machine.toml` that are there. A `kit.toml` is never replaced.

    Returns
    -------
    tuple of str
        Names of the files written: all of them, or `OutputError` and none.

    Raises
    ------
    OutputError
        If a sheet is there already, or ``name`` is given and `machine.toml` is there, and
        ``force`` is not set; or if the folder cannot be written.
    """
    texts = {f"{kind}.csv": sheet_text(kind) for kind in tests}
    if force or name is not None or not (folder / "machine.toml").exists():
        texts["machine.toml"] = machine_text(name or folder.absolute().name)
    if not has_kit(folder):
        texts["kit.toml"] = kit_text(kit)
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder} is a file. Name a folder for the sheets.")
    write_folder(folder, texts, force=force)
    return tuple(texts)


def _render(template: str, **values: Any) -> str:
    environment = Environment(
        loader=PackageLoader("motorfit.bench"),
        autoescape=False,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        undefined=StrictUndefined,
    )
    environment.filters["toml"] = _toml
    environment.filters["setting"] = _setting
    return environment.get_template(template).render(values)


def _toml(value: str | int) -> str:
    """A TOML string or number: JSON's escapes are TOML's; DEL is the one that JSON leaves."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _setting(answer: str | int | None, key: str, plain: str | int) -> str:
    """A line of TOML, behind ``#`` where there is no answer."""
    return f"# {key} = {_toml(plain)}" if answer is None else f"{key} = {_toml(answer)}"
