"""Errors that groups of rows share: settings of the drive, runs, rotor positions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.records import Run
from motorfit.estimation.register import Register
from motorfit.estimation.rows import SPEED, Nuisance

#: Usual relative size of what rows share or what the machine itself does: common
#: practice, no source. Only a starting point, worth two groups where nothing else is said;
#: the residuals decide.
USUAL_FRICTION = 0.04  # loss torque, from row to row
USUAL_RUN_FRICTION = 0.03  # loss torque, from run to run
USUAL_COAST_FRICTION = 0.01  # loss torque, from one coast-down to the next
USUAL_SETTING = 0.002  # speed, from one setting of the drive to the next
USUAL_POSITION = 0.03  # resistance, from one rotor position to the next
USUAL_DRIFT = 0.001  # speed, what neighbouring rows of a sheet share

#: How many coast-downs their usual friction is worth beside two of them, which do not tell how
#: it differs. It fades with the fourth power of how many others there are, which do tell: as the
#: coverage of benches whose friction differs by 10 % has it.
COAST_READINGS = 4.0

#: How many rows the usual friction is worth: three no-load rows cannot tell it.
FRICTION_READINGS = 4.0

#: Neighbours of a drift correlate by this much: it lasts about three readings.
DRIFT_CORRELATION = 0.7

#: A drift has at most so many waves in a sheet. Faster ones look like scatter.
_MOST_WAVES = 6

#: More settings than this in a sheet that names none are scatter.
_MOST_SETTINGS = 20

#: Sheets shorter than this do not tell a drift from scatter.
_SHORTEST_DRIFT = 4

#: Neighbouring rows whose speeds are this near were read at one setting of the drive.
ONE_SETTING = 0.05

FRICTION = "friction from row to row"
RUN_FRICTION = "friction from run to run"
COAST_FRICTION = "friction from coast-down to coast-down"
SETTING = "shared within a setting"
POSITION = "resistance from position to position"
DRIFT = "drift from row to row"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Where the rows of each run are: run after run, in order."""

    runs: tuple[Run, ...]
    torque: BoolArray  # (n,) rows with a torque equation

    def __iter__(self) -> Iterator[tuple[Run, IntArray]]:
        start = 0
        for run in self.runs:
            yield run, np.arange(start, start + len(run))
            start += len(run)


def add_effects(layout: Layout, register: Register, components: list[str]) -> None:
    """Register what groups of rows share, each kind with one unknown variance.

    Parameters
    ----------
    layout : Layout
        Runs and their rows.
    register : Register
        Receives the errors.
    components : list of str
        Names of the variance components; new ones are appended.
    """
    settings = _settings(layout)
    shared = any(len(group) > 1 for group in settings)
    for name, usual, groups, where, axis in (
        (SETTING, USUAL_SETTING, settings if shared else [], "gain", SPEED),
        (RUN_FRICTION, USUAL_RUN_FRICTION, _braked_runs(layout), "loss", None),
        (COAST_FRICTION, USUAL_COAST_FRICTION, _coasted_runs(layout), "loss", None),
        (POSITION, USUAL_POSITION, _positions(layout), "resistance", None),
    ):
        # a single group tells nothing of the spread between groups: its usual size stands
        estimated = len(groups) > 1
        if estimated:
            components.append(name)
        for number, group in enumerate(groups):
            effect = Nuisance(
                quantity=name,
                error="effect",
                deviation=usual,
                shape="normal",
                component=len(components) - 1 if estimated else None,
            )
            register.add(effect, (name, number), where, group, quantity=axis)
    _add_drift(layout, register, components)


def _add_drift(layout: Layout, register: Register, components: list[str]) -> None:
    r"""What neighbouring rows of a driven sheet share though nobody named their settings.

    An autoregressive process of first order in the relative error of the speed, written as
    cosine waves over the rows of a sheet with its spectrum

    .. math:: S(\omega) = (1 - \rho^2) / (1 - 2 \rho \cos\omega + \rho^2)

    (G. E. P. Box, G. M. Jenkins, Time Series Analysis, 1970, 3.2).
    """
    sheets = [
        (rows, run.get("speed"))
        for run, rows in layout
        if run.test.generating
        and run.rates is None
        and len(rows) >= _SHORTEST_DRIFT
        and not any(run.setting)
    ]
    if not sheets:
        return
    components.append(DRIFT)
    for number, (rows, speed) in enumerate(sheets):
        for wave, height in enumerate(_shapes(speed)):
            effect = Nuisance(
                quantity=DRIFT,
                error="effect",
                deviation=USUAL_DRIFT,
                shape="normal",
                component=len(components) - 1,
            )
            register.add(
                effect, (DRIFT, number, wave), "gain", rows, quantity=SPEED, coefficient=height
            )


def _shapes(speed: FloatArray) -> FloatArray:
    """What a drift may look like over the rows of a sheet, (shapes, rows).

    Waves, and where neighbouring rows have about the same speed, one step for each such
    setting of the drive.
    """
    waves = _waves(len(speed))
    setting = _by_speed(np.abs(speed))
    count = int(setting[-1]) + 1
    if count > min(_MOST_SETTINGS, len(speed) // 2):
        return waves
    return np.vstack([(setting == np.arange(count)[:, None]).astype(float), waves])


def _by_speed(speed: FloatArray) -> IntArray:
    """Number of the setting of each row: a new one where the speed has changed."""
    number = np.zeros(len(speed), dtype=np.int64)
    start = 0
    for place in range(1, len(speed)):
        changed = abs(speed[place] - speed[start]) > ONE_SETTING * speed[start]
        start = place if changed else start
        number[place] = number[place - 1] + changed
    return number


def _waves(count: int) -> FloatArray:
    """Heights of the slowest waves of a drift over ``count`` rows, (waves, count)."""
    wave = np.arange(min(_MOST_WAVES, count // 2))
    turn = np.pi * wave / count
    rho = DRIFT_CORRELATION
    spectrum = (1.0 - rho**2) / (1.0 - 2.0 * rho * np.cos(turn) + rho**2)
    shape = np.cos(turn[:, None] * (np.arange(count) + 0.5))
    size = np.where(wave == 0, 1.0, 2.0) * spectrum / count
    return np.asarray(np.sqrt(size)[:, None] * shape)


def _settings(layout: Layout) -> list[IntArray]:
    """Turning rows that share a setting; "1" in another sheet is another setting."""
    groups: dict[tuple[str, str], list[int]] = {}
    for run, rows in layout:
        if run.kind != "resistance":
            for label, row in zip(run.setting, rows, strict=True):
                if label:
                    groups.setdefault((run.source.name, label), []).append(row)
    return [np.array(group) for group in groups.values()]


def _braked_runs(layout: Layout) -> list[IntArray]:
    """Rows with a torque equation, run by run.

    All coast-downs beside other runs are one more of them: they were made at another time.
    """
    groups = [rows[layout.torque[rows]] for run, rows in layout if run.rates is None]
    groups = [group for group in groups if len(group)]
    coasted = _coasted_runs(layout)
    return [*groups, np.concatenate(coasted)] if groups and coasted else groups


def _coasted_runs(layout: Layout) -> list[IntArray]:
    """Rows of each log of a coasting machine."""
    return [
        rows
        for run, rows in layout
        if run.rates is not None and run.rates.quantity != "inertia" and len(rows)
    ]


def _positions(layout: Layout) -> list[IntArray]:
    """Rows with the rotor held at one position; a sheet that names none has one."""
    groups: list[IntArray] = []
    for run, rows in layout:
        if run.kind == "resistance":
            position = run.get("position")
            there = ~np.isnan(position)
            groups += [rows[position == place] for place in dict.fromkeys(position[there])]
            groups += [rows[~there]] if not there.all() else []
    return groups
