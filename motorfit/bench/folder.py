"""From a bench folder, or one table of driven readings, to everything in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from motorfit.bench.default_instruments import assumptions, displayed_in
from motorfit.bench.drive import drive_assumption
from motorfit.bench.driven import DRIVEN
from motorfit.bench.encoding import decode, fingerprint, read_bytes
from motorfit.bench.kinds import KINDS, TestKind
from motorfit.bench.logs import read_log
from motorfit.bench.naming import (
    SPREADSHEET_SUFFIXES,
    TABLE_SUFFIXES,
    is_left_over,
    is_unclear_no_load,
    kind_of,
    unclear_no_load,
    unknown_kind,
)
from motorfit.bench.plausibility import check_plausibility
from motorfit.bench.records import Bench, Run
from motorfit.bench.runs import SheetReadings, read_runs
from motorfit.bench.settings import Settings
from motorfit.bench.tables import split_table
from motorfit.bench.toml_files import default_settings, read_kit, read_settings
from motorfit.errors import BenchError, BenchProblemsError, LocatedError
from motorfit.finding import Finding

SHOWN_PER_FILE = 20  # problems; the rest are counted

_DRIVEN_TABLE = "one table of driven readings: rows without a current or a load are open circuit"


@dataclass(slots=True, kw_only=True)
class _Reading:
    """What has been read of a bench so far."""

    settings: Settings
    files: dict[str, str]
    problems: list[BenchError]
    runs: list[Run] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    not_filled_in: list[str] = field(default_factory=list)
    displayed: dict[tuple[str, str], float] = field(default_factory=dict)


def read_bench(source: str | Path) -> Bench:
    """Read the readings and settings of one machine.

    Parameters
    ----------
    source : str or Path
        A bench folder; or one table of driven readings, whose rows without a current
        or a load are taken as open circuit. A table named after a kind of test is
        read as that.

    Returns
    -------
    Bench
        In SI, with findings about what is odd and a sentence for each default used.

    Raises
    ------
    BenchProblemsError
        With everything that is wrong with the files, each in its place.
    LocatedError
        If there is no such folder or file, or nothing at all can be had from it.
    """
    path = Path(source)
    path = path if path.name else path.absolute()
    try:
        is_folder, exists = path.is_dir(), path.exists()
    except (OSError, ValueError):
        is_folder = exists = False
    if not exists:
        raise LocatedError(
            path=path,
            found="no such folder or file",
            expected="a bench folder, or a table of readings",
            remedy=f"Check the name; `motorfit sheets {path}` writes a folder of blank sheets.",
        )
    return _read_folder(path) if is_folder else _read_single(path)


def _read_folder(folder: Path) -> Bench:
    names = _names(folder)
    problems: list[BenchError] = []
    toml = read_settings(folder, problems)
    reading = _Reading(settings=toml.settings, files=dict(toml.files), problems=problems)
    for name in names:
        _read_file(folder / name, reading)
    _drop_copies(reading)
    if not reading.problems and not reading.runs:
        raise _nothing_in(folder, names, reading)
    return _bench(folder, reading, toml.assumed)


def _read_single(path: Path) -> Bench:
    """Read one table, with the kit beside it if there is one."""
    if path.suffix.lower() in SPREADSHEET_SUFFIXES:
        raise _spreadsheet(path)
    if path.suffix.lower() in (".toml", ".json"):
        raise _no_readings_in(path)
    if is_unclear_no_load(path.name):
        raise unclear_no_load(path)
    kind = kind_of(path.name)
    problems: list[BenchError] = []
    kit = path.with_name("kit.toml")
    toml = read_kit(kit, path.stem, problems) if kit.exists() else default_settings(path.stem)
    reading = _Reading(settings=toml.settings, files=dict(toml.files), problems=problems)
    _read_table(path, KINDS[kind] if kind else DRIVEN, reading)
    if not reading.problems and not reading.runs:
        raise _nothing_in_table(path, reading)
    assumed = [*toml.assumed] if kind else [_DRIVEN_TABLE, *toml.assumed]
    if kit.exists():
        assumed.append("instruments as in the kit.toml beside it")
    if path.with_name("machine.toml").exists():
        assumed.append("the machine.toml beside it is not used: name the folder to use it")
    bench = _bench(path, reading, assumed)
    return replace(bench, findings=tuple(map(_without_machine_toml, bench.findings)))


def _without_machine_toml(finding: Finding) -> Finding:
    """A single table has no place where a check of the speed meter could be noted."""
    if finding.kind != "speed-not-checked":
        return finding
    return replace(finding, where="bench", suggestion="Count 30 turns against a watch once.")


def _names(folder: Path) -> list[str]:
    try:
        names = [entry.name for entry in folder.iterdir() if not is_left_over(entry.name)]
    except OSError as error:
        raise LocatedError(
            path=folder,
            found=f"a folder that cannot be read ({error.strerror})",
            expected="a bench folder",
            remedy="Change its permissions, or copy it to a folder of your own.",
        ) from None
    return sorted(names)


def _read_file(path: Path, reading: _Reading) -> None:
    """Read a file of a folder as what its name says, if it says something."""
    suffix = path.suffix.lower()
    kind = kind_of(path.name)
    named = kind is not None or is_unclear_no_load(path.name)
    if suffix in TABLE_SUFFIXES:
        if kind is None:
            reading.problems.append(unknown_kind(path))
        else:
            _read_table(path, KINDS[kind], reading)
    elif suffix in SPREADSHEET_SUFFIXES and named and not _has_table(path):
        reading.problems.append(_spreadsheet(path))
    elif path.name.lower().removesuffix(".txt").endswith(".toml"):
        reading.findings += _settings_not_read(path)
    elif suffix in (".txt", ".dat", ".log", "") and named and path.is_file():
        reading.findings.append(
            Finding(
                kind="not-read",
                where=path.name,
                says="This file was not read: a table has a name that ends in .csv.",
                suggestion="If it holds readings, rename it to end in .csv.",
                severity="note",
            )
        )


def _settings_not_read(path: Path) -> list[Finding]:
    """Say that a file of settings has a name under which nobody looks for it."""
    read = [path.with_name(name) for name in ("machine.toml", "kit.toml")]
    if any(other.exists() and other.samefile(path) for other in read):
        return []  # in other letters where the system takes them for the same
    return [
        Finding(
            kind="not-read",
            where=path.name,
            says="This file was not read: settings are in machine.toml and kit.toml.",
            suggestion="If it holds yours, rename it so, all small letters and no .txt behind.",
        )
    ]


def _read_table(path: Path, test: TestKind, reading: _Reading) -> None:
    """Read one table into what has been read so far; what is wrong is kept as problems."""
    settings = reading.settings
    try:
        log = read_log(path, test, speed=settings.speed, instruments=settings.instruments)
        if log is not None:
            reading.files[path.name] = log.fingerprint
            _keep(log.sheet, path, reading)
            return
        content = read_bytes(path)
        reading.files[path.name] = fingerprint(content)
        sheet = split_table(path, decode(path, content))
        if sheet is None:
            reading.not_filled_in.append(path.name)
            return
        read = read_runs(sheet, test, speed=settings.speed, instruments=settings.instruments)
    except BenchProblemsError as error:
        reading.problems += error.problems
        return
    except BenchError as error:
        reading.problems.append(error)
        return
    _keep(read, path, reading)


def _keep(read: SheetReadings, path: Path, reading: _Reading) -> None:
    if not read.filled_in:
        reading.not_filled_in.append(path.name)
    reading.runs += read.runs
    reading.findings += read.findings
    reading.displayed = {**read.displayed, **reading.displayed}  # the first sheet decides


def _has_table(path: Path) -> bool:
    """Tell whether a spreadsheet lies beside the table that was saved from it."""
    return any(path.with_suffix(suffix).exists() for suffix in (".csv", ".CSV", ".tsv"))


def _drop_copies(reading: _Reading) -> None:
    """Keep one of several runs whose files are the same byte for byte."""
    first: dict[str, str] = {}
    for run in list(reading.runs):
        name = run.source.name
        original = first.setdefault(reading.files[name], name)
        if original != name:
            reading.runs.remove(run)
            reading.findings.append(
                Finding(
                    kind="same-file-twice",
                    where=name,
                    says=f"This file is the same as {original}, byte for byte. "
                    "Its readings count once.",
                    suggestion="Remove the copy.",
                )
            )


def _bench(source: Path, reading: _Reading, assumed: Sequence[str]) -> Bench:
    if reading.problems:
        raise BenchProblemsError(_shortened(reading.problems))
    runs = tuple(reading.runs)
    instruments = dict(reading.settings.instruments)
    for key, factor in reading.displayed.items():
        if key in instruments:
            instruments[key] = displayed_in(instruments[key], factor)
    used = ((name, run.meters.get(name, "")) for run in runs for name in run.readings)
    odd = check_plausibility(runs, reading.settings, instruments)
    return Bench(
        source=source,
        settings=reading.settings,
        instruments=instruments,
        runs=runs,
        findings=(*reading.findings, *odd),
        assumed=(
            *assumed,
            *drive_assumption(runs, reading.settings),
            *assumptions(instruments, used),
        ),
        not_filled_in=tuple(reading.not_filled_in),
        files=reading.files,
    )


def _shortened(problems: Iterable[BenchError]) -> list[BenchError]:
    """Keep the first problems of every file and count the rest."""
    kept: list[BenchError] = []
    seen: Counter[str] = Counter()
    last: dict[str, int] = {}
    for problem in problems:
        name = problem.path.name if isinstance(problem, LocatedError) else ""
        seen[name] += 1
        if seen[name] <= SHOWN_PER_FILE:
            last[name] = len(kept)
            kept.append(problem)
    for name, place in sorted(last.items(), key=lambda item: -item[1]):
        more = seen[name] - SHOWN_PER_FILE
        if more > 0:
            kept.insert(place + 1, BenchError(f"{name}: ... and {more} more like these"))
    return kept


def _spreadsheet(path: Path) -> LocatedError:
    return LocatedError(
        path=path,
        found="a spreadsheet",
        expected="a table saved as CSV",
        remedy=f"Open it and save this sheet as CSV, such as {path.stem}.csv.",
    )


def _no_readings_in(path: Path) -> LocatedError:
    return LocatedError(
        path=path,
        found="settings" if path.suffix.lower() == ".toml" else "a profile or the like",
        expected="a bench folder, or a table of readings",
        remedy=f"Name the folder that it is in: motorfit fit {path.parent}",
    )


def _nothing_in_table(path: Path, reading: _Reading) -> LocatedError:
    said = [f"{finding.says} {finding.suggestion}" for finding in reading.findings]
    return LocatedError(
        path=path,
        found="headers and no readings, or nothing at all" if not said else "no row that counts",
        expected="a table of readings",
        remedy=" ".join(said)
        or 'Write readings below headers such as "speed (rpm)", "voltage (V)", "current (A)".',
    )


def _nothing_in(folder: Path, names: Sequence[str], reading: _Reading) -> LocatedError:
    """Say why nothing can be had from a folder, and what to do next."""
    remedy = f"`motorfit sheets {folder}` writes blank sheets to fill in."
    spreadsheets = [name for name in names if Path(name).suffix.lower() in SPREADSHEET_SUFFIXES]
    if reading.findings:
        found = " ".join(f"{finding.where}: {finding.says}" for finding in reading.findings)
        remedy = reading.findings[0].suggestion or remedy
    elif reading.not_filled_in:
        found = f"only sheets that are not filled in ({', '.join(reading.not_filled_in)})"
        remedy = "Write readings below the headers of one of them, and save it as CSV."
    elif spreadsheets:
        found = f"no table, but {spreadsheets[0]}"
        remedy = "Save its sheet as CSV, with a name such as load.csv or open-circuit.csv."
    else:
        found = "no readings" if names else "an empty folder"
    return LocatedError(
        path=folder, found=found, expected="at least one table of readings", remedy=remedy
    )
