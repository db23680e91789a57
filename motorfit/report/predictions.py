"""Predictions over a grid as a table for people, CSV for spreadsheets, JSON for machines."""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import textwrap
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from motorfit.profile.grid import COLUMNS, Cell, GridRow
from motorfit.showing import from_si, show_number

if TYPE_CHECKING:
    from rich.table import Table

    from motorfit.profile.model import MachineProfile

WIDTH = 80

#: Units of a table for people and of a spreadsheet.
SHOWN_UNITS = {"voltage": "V", "current": "A", "torque": "N m", "power": "W", "efficiency": "%"}

#: Numbers below one of these are shown in thousandths.
THOUSANDTHS = ("current", "torque")

BEYOND = "beyond"


def write_predictions(
    profile: MachineProfile,
    rows: Sequence[GridRow],
    form: str,
    *,
    level: float,
    winding: float | None = None,
) -> str:
    """Write predictions in one of three forms.

    Parameters
    ----------
    profile : MachineProfile
        What they were made from.
    rows : sequence of GridRow
        What was predicted.
    form : str
        "table", "csv" or "json".
    level : float
        Coverage of the intervals.
    winding : float, optional
        Winding temperature, where it is not the reference temperature. [degC]

    Returns
    -------
    str
        Whole lines.
    """
    heat = profile.reference_temperature if winding is None else winding
    forms: Mapping[str, Callable[[], str]] = {
        "table": lambda: _table_text(profile, rows, level, heat),
        "csv": lambda: _csv_text(rows),
        "json": lambda: _json_text(profile, rows, level, heat),
    }
    return forms[form]()


def _table_text(profile: MachineProfile, rows: Sequence[GridRow], level: float, heat: float) -> str:
    head = f"{profile.machine.title}: winding at {heat:.4g} degC, {100 * level:.4g} % intervals"
    parts = [textwrap.fill(head, WIDTH)]
    for title, group in itertools.groupby(rows, key=_title):
        parts.append(f"{title}\n{_one_table(list(group))}")
    parts += _remarks(profile, rows)
    return "\n\n".join(parts) + "\n"


def _title(row: GridRow) -> str:
    if row.works_as == "motor":
        does = f"at {_plain(row.amount)} V"
        if row.given == "current":
            does = f"drawing {_plain(abs(row.amount))} A"
        return f"As a motor {does} (torque and power at the shaft)"
    does = "with nothing connected"
    if row.given == "voltage":
        does = f"at {_plain(row.amount)} V"
    elif row.given == "current":
        does = f"giving {_plain(abs(row.amount))} A"
    elif math.isfinite(row.amount):
        does = f"on {_plain(row.amount)} ohm"
    return f"As a generator {does} (torque to turn it, electrical power out)"


def _plain(number: float) -> str:
    return f"{number:.6g}"


def _one_table(rows: list[GridRow]) -> str:
    """The rows of one point, as wide as fits; at last each interval on a line of its own."""
    units = {name: _unit(name, rows) for name in COLUMNS}
    for joint, gap in ((" +- ", 2), (" +- ", 1), (" +-", 2), (" +-", 1), ("\n+- ", 2)):
        text = _drawn(_filled(rows, units, joint, gap))
        if max(map(len, text.splitlines())) <= WIDTH:
            break
    return text


def _filled(
    rows: list[GridRow], units: Mapping[str, tuple[str, float]], joint: str, gap: int
) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, gap, 0, 0), header_style="")
    table.add_column("speed\n(rpm)", justify="right", no_wrap=True)
    for name, (unit, _) in units.items():
        table.add_column(f"{name}\n({unit})", justify="right", no_wrap=True)
    far = any(row.extrapolated for row in rows)
    if far:
        table.add_column("", no_wrap=True)
    for row in rows:
        cells = [_shown(row.cells.get(name), factor, joint) for name, (_, factor) in units.items()]
        mark = [BEYOND if row.extrapolated else ""] if far else []
        table.add_row(_rpm(row), *cells, *mark)
    return table


def _drawn(table: Table) -> str:
    """Plain text, as wide as it needs: no colours, no unusual characters."""
    from rich.console import Console

    page = io.StringIO()
    Console(file=page, width=10 * WIDTH, no_color=True, legacy_windows=False).print(table)
    return "\n".join(line.rstrip() for line in page.getvalue().splitlines())


def _unit(name: str, rows: list[GridRow]) -> tuple[str, float]:
    """The unit of a column and its factor from SI: thousandths where all is small."""
    largest = max((abs(row.cells[name].value) for row in rows if name in row.cells), default=1.0)
    unit = SHOWN_UNITS[name]
    if name in THOUSANDTHS and 0 < largest < 1:
        return f"m{unit}", 1e3
    return unit, _factor(name)


def _factor(name: str) -> float:
    return 100.0 if name == "efficiency" else 1.0


def _shown(cell: Cell | None, factor: float, joint: str) -> str:
    if cell is None:
        return ""
    half = factor * (cell.high - cell.low) / 2
    value = factor * cell.value
    if not half > 0:
        return _plain(value)
    return f"{show_number(value, half)}{joint}{show_number(half, half)}"


def _rpm(row: GridRow) -> str:
    return f"{from_si(row.speed, 'rpm'):.5g}"


def _remarks(profile: MachineProfile, rows: Sequence[GridRow]) -> list[str]:
    """What is blank and why, and what beyond means; each once."""
    reasons: dict[str, str] = {}
    for row in rows:
        reasons = {**row.why, **reasons}
    remarks = [
        f"Blank for {_listed([name for name in COLUMNS if reasons.get(name) == why])}: {why}"
        for why in dict.fromkeys(reasons[name] for name in COLUMNS if name in reasons)
    ]
    if any(row.extrapolated for row in rows):
        remarks.append(f"{BEYOND}: outside what was tested ({_tested(profile)}), so extrapolated.")
    return [textwrap.fill(remark, WIDTH) for remark in remarks]


def _listed(names: list[str]) -> str:
    if len(names) == 1:
        return names[0]
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _tested(profile: MachineProfile) -> str:
    tested = profile.range
    slow, fast = (from_si(speed, "rpm") for speed in tested.speed)
    small, large = tested.current
    cold, hot = tested.winding
    return (
        f"{_from_to(f'{slow:.4g}', f'{fast:.4g}')} rpm, "
        f"{_from_to(f'{small:.3g}', f'{large:.3g}')} A, "
        f"winding at {_from_to(f'{cold:.3g}', f'{hot:.3g}')} degC"
    )


def _from_to(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"


def _csv_text(rows: Sequence[GridRow]) -> str:
    """One line a row, numbers in full; what is not known is an empty field with a remark."""
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\n")
    headers = ["speed (rpm)", "load (ohm)", "works as"]
    for name, unit in SHOWN_UNITS.items():
        headers += [f"{name} ({unit})", f"{name} low ({unit})", f"{name} high ({unit})"]
    writer.writerow([*headers, "extrapolated", "remark"])
    for row in rows:
        load = ""
        if row.given == "load":
            load = "open" if math.isinf(row.amount) else _plain(row.amount)
        fields = [_rpm(row), load, row.works_as]
        for name in SHOWN_UNITS:
            fields += _csv_cell(row.cells.get(name), _factor(name))
        why = " ".join(dict.fromkeys(row.why.values()))
        writer.writerow([*fields, "yes" if row.extrapolated else "no", why])
    return page.getvalue()


def _csv_cell(cell: Cell | None, factor: float) -> list[str]:
    if cell is None:
        return ["", "", ""]
    return [f"{factor * value:.7g}" for value in (cell.value, cell.low, cell.high)]


def _json_text(profile: MachineProfile, rows: Sequence[GridRow], level: float, heat: float) -> str:
    """SI throughout; infinity, which JSON lacks, is null."""
    content = {
        "machine": profile.machine.name,
        "level": level,
        "winding": {"value": heat, "unit": "Cel"},
        "units": {"speed": "rad/s", "load": "Ohm", **COLUMNS},
        "rows": [_json_row(row) for row in rows],
    }
    return json.dumps(content, indent=2, allow_nan=False, ensure_ascii=True) + "\n"


def _json_row(row: GridRow) -> dict[str, Any]:
    amount = None if math.isinf(row.amount) else row.amount
    given = {"load": amount} if row.given == "load" else {}
    return {
        "speed": row.speed,
        **given,
        "given": row.given,
        "works_as": row.works_as,
        **{name: _json_cell(row.cells.get(name)) for name in COLUMNS},
        "extrapolated": row.extrapolated,
        "not_known": dict(row.why),
    }


def _json_cell(cell: Cell | None) -> dict[str, float] | None:
    if cell is None:
        return None
    return {
        "value": cell.value,
        "low": cell.low,
        "high": cell.high,
        "standard_uncertainty": cell.standard_uncertainty,
    }
