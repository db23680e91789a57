"""What may be wrong with a bench, each as a direction in its condition equations.

A fault of size s moves the stack of condition equations by s d. The fit cannot tell
beforehand which fault there is, if any; so every reading, group, sheet and effect that a
bench is known to suffer from has its direction d here, with the unit in which s is told.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.records import Bench
from motorfit.estimation.effects import ONE_SETTING
from motorfit.estimation.ground import Ground, Sheet, Suspicion
from motorfit.estimation.joint import Joint
from motorfit.estimation.physics import J, K
from motorfit.estimation.resistors import resistors_jump
from motorfit.estimation.rows import CURRENT, READ_TORQUE, TORQUE, VOLTAGE
from motorfit.estimation.suspicion_curves import curves, heating, torque_constant

#: Chance that a clean bench is called wrong, by family, at the very most: suspicions are alike,
#: and simulated benches without a fault hear of one in two hundred.
LEVELS = {
    "reading": 0.008,
    "group": 0.001,
    "step": 0.004,
    "sheet": 0.003,
    "heating": 0.0015,
    "curve": 0.0015,
    "torque": 0.001,
}

#: A single reading that explains as much, to this difference of log likelihood, comes before
#: what touches many.
_SIMPLER = 3.0

#: How much likelier a step of the amps is where known resistors tell of it.
_TOLD_BY_RESISTORS = 8.0

#: The noise of a log is known from few independent samples: its tails are long.
_ROUGH_LOG = -4.0

#: A change from some row on has at least so many rows before it and after.
_ROWS_BEFORE, _ROWS_AFTER = 2, 3

#: What an ammeter shows at zero is less than this share of the largest current.
_LARGEST_ZERO = 0.25


def single_readings(ground: Ground) -> Iterator[Suspicion]:
    """Each reading by itself; in a row with one equation the columns cannot be told apart."""
    both = ground.present[:, 0] & ground.present[:, 1]
    torque = set(ground.measured_torque().tolist())
    for row in np.flatnonzero(ground.rows.torque_from == READ_TORQUE):
        rows = np.array([row])
        quantities = [("voltage", VOLTAGE)] if ground.present[row, 0] else []
        if both[row]:
            quantities.append(("current", CURRENT))
            if row in torque:
                quantities.append(("torque", TORQUE))
        for shape, quantity in quantities:
            yield Suspicion(
                family="reading",
                shape=shape,
                file=ground.rows.file[row],
                rows=rows,
                direction=ground.misread(rows, quantity, 1.0),
                prior=_SIMPLER,
            )


def groups_of(sheet: Sheet) -> list[IntArray]:
    """Rows of a driven sheet that were read at one setting of the drive.

    Without a ``setting`` column those are neighbours of nearly one speed. Where a setting
    was written with the speed of its neighbour the two look like one, twice as long as
    the others: its parts are among the groups as well.
    """
    run = sheet.run
    if not run.test.generating or not sheet.read:
        return []
    if any(run.setting):
        return [
            sheet.rows[np.array([each == label for each in run.setting])]
            for label in dict.fromkeys(run.setting)
            if label
        ]
    speed = np.abs(run.get("speed"))
    with np.errstate(divide="ignore", invalid="ignore"):
        same = np.abs(speed[1:] / speed[:-1] - 1.0) < ONE_SETTING
    groups = np.split(sheet.rows, np.flatnonzero(~same) + 1)
    lengths = [len(group) for group in groups]
    usual = max(dict.fromkeys(lengths), key=lengths.count)
    parts = [
        part
        for group in groups
        if usual > 1 and len(group) > usual and len(group) % usual == 0
        for part in np.split(group, len(group) // usual)
    ]
    return [*groups, *parts]


def whole_groups(ground: Ground) -> Iterator[Suspicion]:
    """The speed of a whole setting, as of another setting."""
    for sheet in ground.sheets:
        groups = groups_of(sheet)
        for group in groups:
            if len(group) > 1 and len(groups) > 1:
                yield Suspicion(
                    family="group",
                    shape="speed",
                    file=sheet.name,
                    rows=group,
                    direction=ground.too_fast(group),
                )


def changes_from_a_row_on(ground: Ground) -> Iterator[Suspicion]:
    """A lead that came loose, a meter or a drive that changed while a sheet was filled."""
    for sheet in filter(lambda each: each.read, ground.sheets):
        jumps = resistors_jump(sheet.run)
        for start in range(_ROWS_BEFORE, len(sheet.rows) - _ROWS_AFTER + 1):
            rows = sheet.rows[start:]
            for shape, direction, positive in _lasting(ground, sheet, rows):
                yield Suspicion(
                    family="step",
                    shape=shape,
                    file=sheet.name,
                    rows=rows,
                    direction=direction,
                    positive=positive,
                )
            if jumps[start]:
                yield Suspicion(
                    family="step",
                    shape="current",
                    file=sheet.name,
                    rows=rows,
                    direction=ground.misread(rows, CURRENT, ground.shown[rows, CURRENT]),
                    prior=_TOLD_BY_RESISTORS,
                )


def _lasting(
    ground: Ground, sheet: Sheet, rows: IntArray
) -> Iterator[tuple[str, FloatArray, bool]]:
    """What may have changed for some rows: shape, direction, whether only for the worse."""
    kind = sheet.run.kind
    if kind != "resistance":
        yield "speed", ground.too_fast(rows), False
    if kind != "open-circuit":
        yield "series", ground.direction(rows, voltage=ground.per_ohm[rows]), True
    if kind in ("no-load-motor", "brake"):
        yield "current", ground.misread(rows, CURRENT, ground.shown[rows, CURRENT]), False


def whole_sheets(ground: Ground) -> Iterator[Suspicion]:
    """What one sheet says differently from the others."""
    if len(ground.sheets) < 2:
        return
    largest_zero = _LARGEST_ZERO * float(np.max(np.abs(ground.current), initial=0.0))
    for sheet in filter(lambda each: each.read, ground.sheets):
        rows, kind = sheet.rows, sheet.run.kind
        made: list[tuple[str, FloatArray, float]] = []
        if kind != "resistance":
            made.append(("speed", ground.too_fast(rows), np.inf))
        if kind != "open-circuit":
            made.append(("series", ground.direction(rows, voltage=ground.per_ohm[rows]), np.inf))
            sign = -1.0 if sheet.run.test.generating else 1.0
            zero = ground.misread(rows, CURRENT, sign)
            made.append(("current-zero", zero, largest_zero))
        for shape, direction, most in made:
            yield Suspicion(
                family="sheet",
                shape=shape,
                file=sheet.name,
                rows=rows,
                direction=direction,
                most=most,
            )


def whole_logs(ground: Ground) -> Iterator[Suspicion]:
    """A coast-down that slows at another rate than the others say, or is braked otherwise.

    And an inertia that is stated otherwise than they make it.
    """
    for sheet in ground.sheets:
        rates, rows = sheet.run.rates, sheet.rows
        if rates is None:
            continue
        if rates.quantity == "inertia":
            yield _stated_inertia(ground, sheet)
            continue
        made = [("rate", ground.direction(rows, torque=ground.slowing[rows]))]
        if np.any(ground.carrying[rows]):
            braking = -ground.full[K] * ground.current[rows]
            made.append(("brake", ground.direction(rows, torque=braking)))
        for shape, direction in made:
            yield Suspicion(
                family="sheet",
                shape=shape,
                file=sheet.name,
                rows=rows,
                direction=direction,
                prior=_ROUGH_LOG,
            )


def _stated_inertia(ground: Ground, sheet: Sheet) -> Suspicion:
    """The size is relative to the inertia that the others make."""
    return Suspicion(
        family="sheet",
        shape="inertia",
        file=sheet.name,
        rows=sheet.rows,
        direction=ground.direction(sheet.rows, torque=ground.full[J]),
    )


_FAMILIES = (
    single_readings,
    whole_groups,
    changes_from_a_row_on,
    whole_sheets,
    whole_logs,
    heating,
    curves,
    torque_constant,
)


def suspects(bench: Bench, joint: Joint) -> tuple[Suspicion, ...]:
    """Everything that may be wrong with a bench.

    Parameters
    ----------
    bench : Bench
        The readings.
    joint : Joint
        Their fit, from `motorfit.estimation.joint.fit_jointly`.

    Returns
    -------
    tuple of Suspicion
        Some of them may be what the fit's own parameters do already: those have no size.
    """
    ground = Ground(bench, joint)
    return tuple(suspicion for family in _FAMILIES for suspicion in family(ground))
