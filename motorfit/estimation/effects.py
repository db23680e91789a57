"""Errors that groups of rows share: settings of the drive, runs, rotor positions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, IntArray
from motorfit.bench.records import Run
from motorfit.estimation.register import Register
from motorfit.estimation.rows import SPEED, Nuisance

#: Usual relative size of what rows share or what the machine itself does: common
#: practice, no source. Only a starting point, worth two groups; the residuals decide.
USUAL_FRICTION = 0.03  # loss torque, from row to row
USUAL_RUN_FRICTION = 0.03  # loss torque, from run to run
USUAL_SETTING = 0.002  # speed, from one setting of the drive to the next
USUAL_POSITION = 0.03  # resistance, from one rotor position to the next

FRICTION = "friction from row to row"
RUN_FRICTION = "friction from run to run"
SETTING = "shared within a setting"
POSITION = "resistance from position to position"


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
    """Rows with a torque equation, run by run."""
    groups = [rows[layout.torque[rows]] for _, rows in layout]
    return [group for group in groups if len(group)]


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
