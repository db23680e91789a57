"""A bench written as the folder it would have been read from."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from motorfit.bench.kinds import KINDS, QUANTITIES
from motorfit.bench.records import Bench, Run
from motorfit.bench.signs import FROM_OUTSIDE
from motorfit.files import write_folder
from motorfit.instruments import range_of
from motorfit.meter import Instrument
from motorfit.quantities import Stated, UnreadableError, read_quantity, unit_conversion

#: The unit in which each quantity is written.
_UNITS = {
    "time": "s",
    "speed": "rpm",
    "voltage": "V",
    "current": "A",
    "load": "ohm",
    "torque": "N m",
    "force": "N",
    "arm": "m",
    "drive_power": "W",
    "position": "deg",
    "winding": "degC",
    "magnets": "degC",
    "ambient": "degC",
}

#: Size of that unit in SI, degC for temperatures.
UNIT_SIZE = {name: unit_conversion(unit, name).factor for name, unit in _UNITS.items()}

Remarks = Mapping[str, Sequence[str]]


def write_bench(
    bench: Bench, folder: Path, *, remarks: Remarks | None = None, force: bool = False
) -> None:
    """Write a bench as a folder: a CSV for each run, ``machine.toml`` and ``kit.toml``.

    Parameters
    ----------
    bench : Bench
        The bench. Rows that it left out are not written.
    folder : Path
        Made where it is missing.
    remarks : mapping of str to sequence of str, optional
        Lines to stand at the head of a file, by its name.
    force : bool
        Replace files that are there.

    Raises
    ------
    OutputError
        If a file is there already and ``force`` is not set, or one cannot be written;
        then none of them is.
    """
    write_folder(folder, bench_texts(bench, remarks=remarks), force=force)


def bench_texts(bench: Bench, *, remarks: Remarks | None = None) -> dict[str, str]:
    """The text of every file that `write_bench` writes, by its name."""
    remarks = remarks or {}
    texts = {
        "machine.toml": _machine_text(bench, remarks.get("machine.toml", ())),
        "kit.toml": _kit_text(bench, remarks.get("kit.toml", ())),
    }
    for run in bench.runs:
        name = run.source.name
        texts[name] = _sheet_text(run, bench, remarks.get(name, ()))
    return texts


def with_room_for(bench: Bench, remarks: Remarks) -> Bench:
    """The bench with its rows numbered as they are below these remarks."""
    runs = (
        replace(run, rows=run.rows + len(remarks.get(run.source.name, ()))) for run in bench.runs
    )
    return replace(bench, runs=tuple(runs))


def _sheet_text(run: Run, bench: Bench, remarks: Sequence[str]) -> str:
    """A sheet with each reading in its own row, as far as the remarks leave room."""
    lines = [f"# {remark}".rstrip() for remark in remarks]
    lines += [f"# {line}" for line in said_of(run)]
    columns = [name for name in QUANTITIES if name in run.readings]
    texts = [name for name in ("setting", "direction", "note") if any(getattr(run, name))]
    header = [f"{name} ({_UNITS[name]})".replace("_", " ") for name in columns] + texts
    cells = [as_written(name, run, bench) for name in columns]
    cells += [[_quoted(text) for text in getattr(run, name)] for name in texts]
    first = int(run.rows.min()) if len(run) else 2
    lines += ["#"] * (first - 2 - len(lines))
    lines.append(",".join(header))
    behind = int(run.rows.max()) - first + 1 if len(run) else 0
    rows = ["#"] * behind
    for number, row in enumerate(zip(*cells, strict=True)):
        rows[int(run.rows[number]) - first] = ",".join(row)
    return "\n".join([*lines, *rows]) + "\n"


def said_of(run: Run) -> list[str]:
    """The remarks by which a sheet says what no column does."""
    lines = [f"{quantity} meter: {meter}" for quantity, meter in run.meters.items()]
    if run.added_inertia is not None:
        lines.append(_added(run.added_inertia))
    if run.uncoupled:
        lines.append("machine uncoupled")
    return lines


def _added(inertia: Stated) -> str:
    """An inertia, or a disc by its mass and diameter, as somebody stated it."""
    text = inertia.text or _stated_text(inertia, "kg m2")
    try:
        read_quantity(text, "inertia")
    except UnreadableError:
        return f"added disc: {text}"
    return f"added inertia: {text}"


def as_written(quantity: str, run: Run, bench: Bench) -> list[str]:
    """One column as it was read off, in the unit of the sheet, with the display's digits."""
    factor = UNIT_SIZE[quantity]
    values = run.readings[quantity]
    if KINDS[run.kind].generating and quantity in FROM_OUTSIDE:
        values = -values
    if quantity == "speed":
        values = values / bench.settings.speed.ratio
    # a resistor is written as it is called, "10" beside "4.7"
    step = 0.0 if quantity == "load" else run.written_step.get(quantity, 0.0)
    steps = np.full(values.shape, step)
    instrument = bench.instruments.get((quantity, run.meters.get(quantity, "")))
    if instrument is not None and instrument.counts is not None and len(values):
        steps = np.fmax(steps, range_of(values, instrument, step)[0])
    return [
        _number(value / factor, step / factor)
        for value, step in zip(values.tolist(), steps.tolist(), strict=True)
    ]


def _number(value: float, step: float) -> str:
    """A number with the digits of its step, or with more where it has more."""
    if math.isnan(value):
        return ""
    places = max(0, math.ceil(-math.log10(step) - 1e-9)) if step > 0 else 0
    text = f"{value:.{places}f}"
    if not math.isclose(float(text), value, rel_tol=1e-11, abs_tol=1e-12):
        text = np.format_float_positional(value, precision=12, fractional=False, trim="-")
    return text.removeprefix("-") if not float(text) else text


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(sign in text for sign in ',;"\t\n') else text


def _machine_text(bench: Bench, remarks: Sequence[str]) -> str:
    settings = bench.settings
    tables = {
        "machine": _stated_only(
            settings.machine, {"moment_of_inertia": "kg m2", "inductance": "H"}
        ),
        "bench": _stated_only(settings.bench, {}),
        "conditions": _stated_only(
            settings.conditions,
            dict.fromkeys(("winding", "ambient", "magnets", "reference"), "degC"),
        ),
        "speed": _stated_only(settings.speed, {}),
        "heat_run": _stated_only(settings.heat_run, {}),
        "claims": dict(settings.claims),
    }
    return _toml(tables, remarks)


def _kit_text(bench: Bench, remarks: Sequence[str]) -> str:
    settings = bench.settings
    tables: dict[str, dict[str, Any]] = {}
    for (quantity, meter), instrument in bench.instruments.items():
        if not instrument.assumed:
            name = f"instruments.{quantity}" + (f".{json.dumps(meter)}" if meter else "")
            tables[name] = _instrument_table(instrument)
    tables["leads"] = _stated_only(settings.leads, {"resistance": "ohm"})
    tables["shelf"] = _stated_only(settings.shelf, {})
    return _toml(tables, remarks)


def _instrument_table(instrument: Instrument) -> dict[str, Any]:
    unit = _UNITS[instrument.quantity]
    table: dict[str, Any] = {"id": instrument.id, "accuracy": instrument.accuracy.text}
    if instrument.counts is not None:
        table["counts"] = instrument.counts
    if instrument.resolution is not None:
        table["resolution"] = f"{instrument.resolution / instrument.display_factor:.10g} {unit}"
    if instrument.input_resistance is not None:
        table["input_resistance"] = _large_ohms(instrument.input_resistance)
    if instrument.burden:
        table["burden"] = f"{instrument.burden:.10g} ohm"
    if instrument.calibration is not None:
        table["calibration"] = instrument.calibration.text
    return table


def _large_ohms(value: float) -> str:
    return f"{value / 1e6:.10g} Mohm" if value >= 1e6 else f"{value:.10g} ohm"


def _stated_only(table: Any, units: Mapping[str, str]) -> dict[str, Any]:
    """What a table says beyond its defaults."""
    found: dict[str, Any] = {}
    for name, info in type(table).model_fields.items():
        value = getattr(table, name)
        if value is None or value == info.default:
            continue
        if isinstance(value, Stated):
            value = value.text or _stated_text(value, units[name])
        found[name] = value
    return found


def _stated_text(stated: Stated, unit: str) -> str:
    width = "K" if unit == "degC" else unit
    text = f"{stated.value:.12g} {unit}"
    return f"{text} +- {stated.half_width:.12g} {width}" if stated.half_width else text


def _toml(tables: Mapping[str, Mapping[str, Any]], remarks: Iterable[str]) -> str:
    lines = [f"# {remark}".rstrip() for remark in remarks]
    for name, table in tables.items():
        if table:
            lines += ["", f"[{name}]"] if lines else [f"[{name}]"]
            lines += [f"{key} = {_toml_value(value)}" for key, value in table.items()]
    return "\n".join(lines) + "\n"


def _toml_value(value: Any) -> str:
    """JSON's strings, numbers and lists are TOML's too."""
    return json.dumps(list(value) if isinstance(value, tuple) else value, ensure_ascii=False)
