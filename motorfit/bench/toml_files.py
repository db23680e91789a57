"""Reading `machine.toml` and `kit.toml`, with every problem in its place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from motorfit.bench.default_instruments import HANDHELD, default_instrument, with_defaults
from motorfit.bench.settings import (
    BenchTable,
    ClaimsTable,
    ConditionsTable,
    DriveTable,
    HeatRunTable,
    InstrumentTable,
    LeadsTable,
    MachineTable,
    Settings,
    ShelfTable,
    SpeedTable,
)
from motorfit.bench.toml_messages import (
    belongs_in_machine,
    explained,
    home_of,
    no_table,
    row_of,
    unknown_key,
)
from motorfit.bench.toml_text import TomlFile, is_in, is_there, over, read_file
from motorfit.errors import BenchError, LocatedError
from motorfit.meter import Instrument
from motorfit.quantities import UnreadableError

_KIT_TABLES = ("instruments", "leads", "shelf")
_TABLES = ("machine", "bench", "conditions", "speed", "heat_run", "drive", "claims", *_KIT_TABLES)
Table = TypeVar("Table", bound=BaseModel)


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsFiles:
    """What the TOML files of a bench say.

    ``settings.instruments`` has an instrument for every quantity; those that no file
    describes are marked as assumed.
    """

    settings: Settings
    assumed: tuple[str, ...]  # a sentence for each default that matters; without instruments
    files: Mapping[str, str] = field(default_factory=dict)  # name -> "sha256:..."


def read_settings(folder: Path, problems: list[BenchError]) -> SettingsFiles:
    """Read `machine.toml` of a folder, over `kit.toml` there or in the folder above.

    Parameters
    ----------
    folder : Path
        A bench folder; neither file need be there.
    problems : list of BenchError
        Everything that is wrong with the files is appended, each in its place. What is
        wrong has its default in what is returned.

    Returns
    -------
    SettingsFiles
    """
    files: dict[str, str] = {}
    whole = folder.resolve()  # "." and ".." have a name and a folder above them, too
    near, above = folder / "kit.toml", whole.parent / "kit.toml"
    kit = read_file(near if is_there(near) else above, problems, files)
    machine = read_file(folder / "machine.toml", problems, files)
    return _put_together(machine, kit, whole.name or "machine", problems, files)


def read_kit(path: Path, machine_name: str, problems: list[BenchError]) -> SettingsFiles:
    """Read a `kit.toml` alone, for one table of readings of a machine of that name.

    Parameters
    ----------
    path : Path
        Of the file; a file that is not there is an empty one.
    machine_name : str
        What the machine is called in messages and results.
    problems : list of BenchError
        Appended to as by `read_settings`.
    """
    files: dict[str, str] = {}
    kit = read_file(path, problems, files)
    return _put_together(
        TomlFile(path.with_name("machine.toml")), kit, machine_name, problems, files
    )


def _put_together(
    machine: TomlFile,
    kit: TomlFile,
    name: str,
    problems: list[BenchError],
    files: Mapping[str, str],
) -> SettingsFiles:
    """Make settings of both files; what is wrong is appended in the order of the lines."""
    wrong: list[LocatedError] = []
    reader = _Reader(machine, kit, wrong)
    reader.check_tables()
    given = machine.tables.get("machine")
    settings = Settings(
        machine=reader.machine(name),
        bench=reader.table("bench", BenchTable()),
        conditions=reader.table("conditions", ConditionsTable()),
        speed=reader.table("speed", SpeedTable()),
        heat_run=reader.table("heat_run", HeatRunTable()),
        drive=reader.table("drive", DriveTable()),
        leads=reader.table("leads", LeadsTable()),
        shelf=reader.table("shelf", ShelfTable()),
        claims=dict(reader.table("claims", ClaimsTable()).model_extra or {}),
        instruments=with_defaults(reader.instruments()),
    )
    wrong.sort(key=lambda error: (str(error.path), error.row or 0))
    problems += wrong
    named = isinstance(given, Mapping) and "name" in given
    return SettingsFiles(settings=settings, assumed=_assumed(settings, named), files=files)


def default_settings(name: str) -> SettingsFiles:
    """What is taken where there are no TOML files at all."""
    settings = Settings(machine=MachineTable(name=name), instruments=with_defaults({}))
    return SettingsFiles(settings=settings, assumed=_assumed(settings, named=False))


def _assumed(settings: Settings, named: bool) -> tuple[str, ...]:
    """A sentence for each default that a number or a claim may hang on."""
    machine, conditions = settings.machine, settings.conditions
    stated = conditions.model_fields_set
    sentences = []
    if not named:
        sentences.append(f'the machine is called "{machine.name}"')
    if "winding" not in stated:
        sentences.append("winding at 20 degC +- 5 K")
    if "magnets" not in stated:
        of = "the surroundings" if "ambient" in stated else "the winding"
        sentences.append(f"magnets as warm as {of}")
    if "reference" not in stated:
        sentences.append("reported at 25 degC")
    if "winding_material" not in machine.model_fields_set:
        sentences.append("winding of copper")
    if machine.brush_material == "unknown":
        sentences.append("brush material unknown")
    if machine.magnet == "unknown":
        sentences.append("magnets unknown: EMF constant as it was at the bench")
    return tuple(sentences)


class _Reader:
    """Turns the tables of both files into settings, and notes what is wrong."""

    def __init__(self, machine: TomlFile, kit: TomlFile, problems: list[LocatedError]) -> None:
        self._machine, self._kit, self._problems = machine, kit, problems

    def check_tables(self) -> None:
        """Note tables that neither file may have, and what is no table."""
        for file, allowed in ((self._machine, _TABLES), (self._kit, _KIT_TABLES)):
            for name, value in file.tables.items():
                if name in allowed and isinstance(value, Mapping):
                    continue
                if name in allowed:
                    self._note(file, (name,), no_table(name, value))
                elif name in _TABLES:
                    self._note(file, (name,), belongs_in_machine(name))
                else:
                    self._note(file, (name,), unknown_key(name, allowed, "table", home_of(name)))

    def machine(self, folder_name: str) -> MachineTable:
        """`[machine]`, named after the folder where it has no name."""
        given = self._machine.tables.get("machine")
        given = dict(given) if isinstance(given, Mapping) else {}
        given["name"] = given.get("name") or folder_name
        name = given["name"]
        fallback = MachineTable(name=name if isinstance(name, str) else folder_name)
        return self._validated(fallback, given, ("machine",), {})

    def table(self, name: str, fallback: Table) -> Table:
        """A table of either file; ``fallback`` where it is missing or wrong."""
        return self._validated(fallback, self._merged(name), (name,), {})

    def instruments(self) -> dict[tuple[str, str], Instrument]:
        """Every instrument that a file describes."""
        found: dict[tuple[str, str], Instrument] = {}
        for quantity, given in self._merged("instruments").items():
            if quantity not in HANDHELD:
                self._note_any(
                    ("instruments", quantity), unknown_key(quantity, HANDHELD, "instrument", "")
                )
            elif not isinstance(given, Mapping):
                self._note_any(("instruments", quantity), no_table(quantity, given))
            else:
                found |= self._meters(quantity, given)
        return found

    def _meters(self, quantity: str, given: Mapping[str, Any]) -> dict[tuple[str, str], Instrument]:
        """The usual meter of a quantity, and those in tables of their own."""
        keys = InstrumentTable.model_fields
        usual = {k: v for k, v in given.items() if k in keys or not isinstance(v, Mapping)}
        others = {k: v for k, v in given.items() if k not in usual}
        found: dict[tuple[str, str], Instrument] = {}
        if usual or not others:
            found[quantity, ""] = self._meter(quantity, ("instruments", quantity), usual)
        for name, table in others.items():
            place = ("instruments", quantity, name)
            found[quantity, name] = self._meter(quantity, place, table)
        return found

    def _meter(self, quantity: str, place: tuple[str, ...], given: Mapping[str, Any]) -> Instrument:
        plain = default_instrument(quantity)
        table = self._validated(InstrumentTable(), given, place, {"quantity": quantity})
        return replace(
            plain,
            id=table.id,
            accuracy=table.accuracy or plain.accuracy,
            counts=table.counts,
            resolution=table.resolution,
            input_resistance=table.input_resistance.value if table.input_resistance else None,
            burden=table.burden.value if table.burden else 0.0,
            calibration=table.calibration,
            assumed=table.accuracy is None,
        )

    def _merged(self, name: str) -> dict[str, Any]:
        """A table of `kit.toml` with what `machine.toml` says of it on top."""
        tables = (self._kit.tables.get(name), self._machine.tables.get(name))
        if name not in _KIT_TABLES:
            tables = (None, tables[1])
        kit, machine = (table if isinstance(table, Mapping) else {} for table in tables)
        return over(kit, machine)

    def _validated(
        self,
        fallback: Table,
        given: Mapping[str, Any],
        place: tuple[str, ...],
        context: dict[str, Any],
    ) -> Table:
        kind = type(fallback)
        try:
            return kind.model_validate(dict(given), context=context)
        except ValidationError as errors:
            for error in errors.errors(include_url=False):
                within = [str(part) for part in error["loc"]]
                keys = tuple(kind.model_fields)
                self._note_any((*place, *within), explained(dict(error), keys))
            return fallback

    def _note_any(self, place: tuple[str, ...], wrong: UnreadableError) -> None:
        """Note a problem in the file that has the key: `machine.toml` goes first."""
        has = next((file for file in (self._machine, self._kit) if is_in(file, place)), None)
        self._note(has or self._machine, place, wrong)

    def _note(self, file: TomlFile, place: tuple[str, ...], wrong: UnreadableError) -> None:
        self._problems.append(
            LocatedError(
                path=file.path,
                row=row_of(file.text, place),
                column=".".join(place),
                found=wrong.found,
                expected=wrong.expected,
                remedy=wrong.remedy,
            )
        )
