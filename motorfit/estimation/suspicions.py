"""What may be wrong with a bench, each as a direction in its condition equations.

A fault of size s moves the stack of condition equations by s d. The fit cannot tell
beforehand which fault there is, if any; so every reading, group, sheet and effect that a
bench is known to suffer from has its direction d here, with the unit in which s is told.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.assemble import USED_KINDS
from motorfit.estimation.joint import Joint
from motorfit.estimation.physics import K
from motorfit.estimation.rows import CURRENT, SPEED, TORQUE, VOLTAGE

#: Chance that a clean bench is called wrong, by family. They add to about one in a hundred.
LEVELS = {
    "reading": 0.005,
    "group": 0.001,
    "step": 0.002,
    "sheet": 0.002,
    "heating": 0.001,
    "curve": 0.001,
    "torque": 0.0005,
}

#: A single reading that explains as much, to this difference of log likelihood, comes before
#: what touches many; an EMF that rises with the current comes after all else.
_SIMPLER = 3.0
_ODD = -3.0

#: Volts over amps of one resistor that jump by so many standard deviations, and by so much
#: relatively, tell that it was the ammeter; how much likelier a step of the amps is then.
_JUMP, _LARGE_JUMP = 5.0, 0.02
_TOLD_BY_RESISTORS = 8.0

#: Neighbouring rows whose speeds are this near were read at one setting of the drive.
_ONE_SETTING = 0.05

#: A winding does not get warmer than this without smoke [K], nor an EMF bend more.
_MOST_WARMTH = 150.0
_MOST_BENT = 0.5

#: Speeds that vary by less than this factor tell no curve.
_SPAN = 1.3

#: A change from some row on has at least so many rows before it and after.
_ROWS_BEFORE, _ROWS_AFTER = 2, 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Suspicion:
    """One thing that may be wrong, and what it would do to the N condition equations."""

    family: str  # of `LEVELS`
    shape: str  # what changes: "voltage", "speed", "series", "heating", ...
    file: str  # the sheet it is in, "" for the whole bench
    rows: IntArray  # the readings it touches
    direction: FloatArray  # (N,) at size one
    positive: bool = False  # a size below zero makes no sense
    most: float = np.inf  # neither does a larger one
    prior: float = 0.0  # how much likelier than the others of its family, as a log of odds

    @property
    def sort(self) -> tuple[str, str, str]:
        """What is suspected, wherever in its sheet it begins."""
        return self.family, self.shape, self.file


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """One run of a test and its places among the rows of the bench."""

    run: Run
    rows: IntArray

    @property
    def name(self) -> str:
        """Of the file."""
        return self.run.source.name


def sheets_of(bench: Bench) -> list[Sheet]:
    """The runs that the fit uses, with their places among its rows."""
    sheets: list[Sheet] = []
    start = 0
    for run in bench.of_kind(*USED_KINDS):
        if len(run):
            sheets.append(Sheet(run=run, rows=np.arange(start, start + len(run))))
            start += len(run)
    return sheets


class Ground:
    """What the directions are made of: readings, sensitivities and where they stand.

    Parameters
    ----------
    bench : Bench
        The readings.
    joint : Joint
        Their fit.
    """

    def __init__(self, bench: Bench, joint: Joint) -> None:
        conditions = joint.problem.conditions
        self.joint, self.rows = joint, conditions.rows
        self.present = conditions.present
        self.sensitivity = joint.solution.linearised.sensitivity
        self.full = conditions.full(joint.solution.theta)
        values = conditions.nominal.values
        self.speed, self.current = values[:, SPEED], values[:, CURRENT]
        self.shown = conditions.rows.shown
        self.carrying = conditions.rows.metered | np.isfinite(conditions.rows.load)
        self.thermal = conditions.thermal
        self.sheets = sheets_of(bench)

    def direction(
        self,
        rows: IntArray,
        *,
        voltage: FloatArray | float = 0.0,
        torque: FloatArray | float = 0.0,
    ) -> FloatArray:
        """Of what the two equations of some rows lack, (N,)."""
        whole = np.zeros(self.present.shape)
        whole[rows, 0], whole[rows, 1] = voltage, torque
        return np.asarray(whole[self.present])

    def misread(self, rows: IntArray, quantity: int, by: FloatArray | float) -> FloatArray:
        """Of one column of some rows that shows so much too much, (N,)."""
        whole = np.zeros(self.present.shape)
        whole[rows] = self.sensitivity[rows, :, quantity] * np.reshape(by, (-1, 1))
        return np.asarray(whole[self.present])

    def too_fast(self, rows: IntArray) -> FloatArray:
        """Of a speed that is shown too high, relative."""
        return self.misread(rows, SPEED, self.shown[rows, SPEED])

    def measured_torque(self) -> IntArray:
        """Rows whose torque was read, not known to be zero."""
        return np.flatnonzero(self.present[:, 1] & (self.rows.rounding[:, TORQUE] > 0))


def single_readings(ground: Ground) -> Iterator[Suspicion]:
    """Each reading by itself; in a row with one equation the columns cannot be told apart."""
    both = ground.present[:, 0] & ground.present[:, 1]
    torque = set(ground.measured_torque().tolist())
    for row in range(len(ground.rows)):
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
    if not run.test.generating:
        return []
    if any(run.setting):
        return [
            sheet.rows[np.array([each == label for each in run.setting])]
            for label in dict.fromkeys(run.setting)
            if label
        ]
    speed = np.abs(run.get("speed"))
    with np.errstate(divide="ignore", invalid="ignore"):
        same = np.abs(speed[1:] / speed[:-1] - 1.0) < _ONE_SETTING
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
    for sheet in ground.sheets:
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
            if _resistors_jump(sheet.run, start):
                yield Suspicion(
                    family="step",
                    shape="current",
                    file=sheet.name,
                    rows=rows,
                    direction=ground.misread(rows, CURRENT, ground.shown[rows, CURRENT]),
                    prior=_TOLD_BY_RESISTORS,
                )


def _resistors_jump(run: Run, start: int) -> bool:
    """Whether volts over amps of the same resistors are others from some row on."""
    if not {"voltage", "current", "load"} <= run.readings.keys():
        return False
    voltage, current, load = (np.abs(run.get(name)) for name in ("voltage", "current", "load"))
    good = (voltage > 0) & (current > 0) & np.isfinite(load)
    after = np.arange(len(run)) >= start
    levels = np.unique(load[good])
    if np.sum(good) < len(levels) + 3:
        return False
    ratio = np.log(voltage[good] / current[good])
    same = (load[good][:, None] == levels).astype(float)
    design = np.column_stack([same, after[good]])
    inverse = np.linalg.pinv(design.T @ design)
    found = inverse @ design.T @ ratio
    freedom = len(ratio) - np.linalg.matrix_rank(design)
    if freedom < 2 or inverse[-1, -1] <= 0:
        return False
    variance = float(np.sum((ratio - design @ found) ** 2)) / freedom * float(inverse[-1, -1])
    return bool(abs(found[-1]) > max(_LARGE_JUMP, _JUMP * variance**0.5))


def _lasting(
    ground: Ground, sheet: Sheet, rows: IntArray
) -> Iterator[tuple[str, FloatArray, bool]]:
    """What may have changed for some rows: shape, direction, whether only for the worse."""
    kind = sheet.run.kind
    if kind != "resistance":
        yield "speed", ground.too_fast(rows), False
    if kind != "open-circuit":
        yield "series", ground.direction(rows, voltage=ground.current[rows]), True
    if kind in ("no-load-motor", "brake"):
        yield "current", ground.misread(rows, CURRENT, ground.shown[rows, CURRENT]), False


def whole_sheets(ground: Ground) -> Iterator[Suspicion]:
    """What one sheet says differently from the others."""
    if len(ground.sheets) < 2:
        return
    for sheet in ground.sheets:
        rows, kind = sheet.rows, sheet.run.kind
        made: list[tuple[str, FloatArray]] = []
        if kind != "resistance":
            made.append(("speed", ground.too_fast(rows)))
        if kind != "open-circuit":
            made.append(("series", ground.direction(rows, voltage=ground.current[rows])))
            sign = -1.0 if sheet.run.test.generating else 1.0
            made.append(("current-zero", ground.misread(rows, CURRENT, sign)))
        for shape, direction in made:
            yield Suspicion(
                family="sheet", shape=shape, file=sheet.name, rows=rows, direction=direction
            )


def heating(ground: Ground) -> Iterator[Suspicion]:
    """A winding that warms while it carries current, in kelvin where it is warmest."""
    per_kelvin = ground.full[1] / (ground.thermal.winding_constant + ground.thermal.reference)
    for sheet in ground.sheets:
        run, rows = sheet.run, sheet.rows
        if run.kind in ("open-circuit", "no-load-motor") or "winding" in run.readings:
            continue
        square = ground.current[rows] ** 2
        for shape, warmth in (("heating", square), ("heating-in-order", np.cumsum(square))):
            if not (square > 0).any():
                continue
            risen = warmth / np.max(warmth)
            yield Suspicion(
                family="heating",
                shape=shape,
                file=sheet.name,
                rows=rows,
                direction=ground.direction(rows, voltage=per_kelvin * ground.current[rows] * risen),
                positive=True,
                most=_MOST_WARMTH,
            )


def curves(ground: Ground) -> Iterator[Suspicion]:
    """Curvature with current, as a share of the EMF a ampere, and with speed."""
    emf, current = ground.full[K] * ground.speed, ground.current
    size, speed = np.abs(current), np.abs(ground.speed)
    carrying = np.flatnonzero(~ground.rows.standing & ground.carrying)
    braked = np.flatnonzero(ground.present[:, 1])
    turning = np.flatnonzero(~ground.rows.standing)
    if len(carrying):
        weaker = ground.direction(
            carrying,
            voltage=-(emf * size)[carrying],
            torque=-ground.full[K] * (size * current)[carrying],
        )
        for shape, direction, prior in (
            ("reaction", weaker, 0.0),
            ("reverse-reaction", -weaker, _ODD),
        ):
            yield Suspicion(
                family="curve",
                shape=shape,
                file="",
                rows=carrying,
                direction=direction,
                positive=True,
                most=_MOST_BENT / float(np.max(size[carrying], initial=1e-9)),
                prior=prior,
            )
    if _varied(speed[turning]):
        top = float(np.max(speed))
        yield Suspicion(
            family="curve",
            shape="speed-curve",
            file="",
            rows=turning,
            direction=ground.direction(turning, voltage=(emf * speed / top)[turning]),
            most=_MOST_BENT,
        )
    if _varied(speed[braked]):
        yield Suspicion(
            family="curve",
            shape="windage",
            file="",
            rows=braked,
            direction=ground.direction(braked, torque=-(speed[braked] ** 2)),
        )


def _varied(speed: FloatArray) -> bool:
    """Whether speeds differ enough for a curve; a held rotor counts as none."""
    turning = speed[speed > 0]
    return len(turning) > 0 and bool(np.max(turning) > _SPAN * np.min(turning))


def torque_constant(ground: Ground) -> Iterator[Suspicion]:
    """Newton metres per ampere that are not the volts per rad/s, relative."""
    rows = ground.measured_torque()
    if len(rows):
        yield Suspicion(
            family="torque",
            shape="torque-constant",
            file="",
            rows=rows,
            direction=ground.direction(rows, torque=ground.full[K] * ground.current[rows]),
        )


_FAMILIES = (
    single_readings,
    whole_groups,
    changes_from_a_row_on,
    whole_sheets,
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
