"""From a bench to arrays: rows, unknown errors with their priors, variance components."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.kinds import Kind
from motorfit.bench.records import Bench, Run
from motorfit.estimation.brush_scale import add_brush_shape, brush_current_scale
from motorfit.estimation.circuit_rows import add_current, add_speed, add_voltage
from motorfit.estimation.coasting_rows import add_coasting
from motorfit.estimation.effects import (
    COAST_FRICTION,
    COAST_READINGS,
    FRICTION,
    FRICTION_READINGS,
    USUAL_FRICTION,
    Layout,
    add_effects,
)
from motorfit.estimation.guesses import driven_guess, with_guesses
from motorfit.estimation.register import Register, zero_offsets
from motorfit.estimation.row_columns import RowColumns
from motorfit.estimation.rows import (
    READ,
    READ_TORQUE,
    SPEED,
    Influence,
    Nuisance,
    Rows,
)
from motorfit.estimation.scale_priors import PRIOR_READINGS, ScalePrior
from motorfit.estimation.shaft_rows import add_shaft_torque
from motorfit.estimation.warmth import add_temperatures
from motorfit.machine.temperature import MAGNET_COEFFICIENT

#: How many readings the usual repeatability is worth: few, for a good meter repeats ten times
#: better than a plain one.
REPEATABILITY_READINGS = 1.0

USED_KINDS: tuple[Kind, ...] = (
    "open-circuit",
    "load",
    "no-load-motor",
    "brake",
    "resistance",
    "coast-down",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Assembled:
    """Everything about a bench that the condition equations need."""

    rows: Rows
    influence: Influence
    nuisances: tuple[Nuisance, ...]
    components: tuple[str, ...]  # names of the variance components
    patterns: FloatArray  # (c, n, 4) usual standard deviation of each in what was shown
    friction: FloatArray  # (c,) usual relative standard deviation of the loss torque
    scale_prior: ScalePrior  # of the variance components
    brush_current_scale: float
    winding_used: tuple[float, float]  # lowest and highest [degC]

    def usual_share(self, component: int) -> float:
        """Relative standard deviation of what groups of rows share, at its usual size.

        Parameters
        ----------
        component : int
            A variance component of the effects: of the speed, the loss or the resistance.

        Returns
        -------
        float
            Of the rows that share something, the root of the mean square. A drift is made
            of several shapes, any other effect of one a row.
        """
        influence = self.influence
        places = [i for i, one in enumerate(self.nuisances) if one.component == component]
        deviation = np.array([self.nuisances[place].deviation for place in places])
        variance = sum(
            np.sum((array[:, places] * deviation) ** 2, axis=1)
            for array in (influence.gain[:, SPEED], influence.loss, influence.resistance)
        )
        return float(np.sqrt(np.mean(variance[variance > 0])))


class _Assembly:
    """Rows of all used runs of one bench, filled in run by run."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.runs = [run for run in bench.of_kind(*USED_KINDS) if len(run)]
        self.columns = RowColumns(bench, sum(len(run) for run in self.runs))
        start = 0
        for run in self.runs:
            self._add_run(run, np.arange(start, start + len(run)))
            start += len(run)

    def _add_run(self, run: Run, rows: IntArray) -> None:
        columns = self.columns
        if run.rates is None:
            self._add_steady(run, rows)
        else:
            add_coasting(columns, run, run.rates, rows)
        winding, magnets = add_temperatures(self.bench, run, rows, columns.register)
        columns.winding[rows], columns.magnets[rows] = winding, magnets

    def _add_steady(self, run: Run, rows: IntArray) -> None:
        columns = self.columns
        columns.present[rows, 0] = True
        add_voltage(columns, run, rows)
        if run.kind != "resistance":
            add_speed(columns, run, rows)
        if run.kind != "open-circuit":
            add_current(columns, run, rows)
        add_shaft_torque(columns, run, rows)

    def labels(self, attribute: str) -> tuple[str, ...]:
        """One text a row: setting, direction or note."""
        return tuple(text for run in self.runs for text in getattr(run, attribute))


def assemble(bench: Bench) -> Assembled:
    """Arrays of a bench's used tests, ready for the condition equations.

    Parameters
    ----------
    bench : Bench
        Readings, settings, instruments.

    Returns
    -------
    Assembled
    """
    assembly = _Assembly(bench)
    columns, register = assembly.columns, assembly.columns.register
    components = _components(columns)
    layout = Layout(runs=tuple(assembly.runs), torque=columns.present[:, 1])
    add_effects(layout, register, components)
    rows = _rows(assembly)
    scale = brush_current_scale(rows)
    add_brush_shape(rows, register, scale)
    _add_leads(bench, rows, register)
    return Assembled(
        rows=rows,
        influence=register.influence(len(rows)),
        nuisances=tuple(zero_offsets(bench, register)),
        components=tuple(components),
        patterns=_patterns(columns, components),
        friction=np.array([USUAL_FRICTION if name == FRICTION else 0.0 for name in components]),
        scale_prior=_scale_prior(components, _coasts(assembly.runs)),
        brush_current_scale=scale,
        winding_used=(float(rows.winding.min()), float(rows.winding.max()))
        if len(rows)
        else (np.nan, np.nan),
    )


def _components(columns: RowColumns) -> list[str]:
    """Variance components: of each quantity that scatters, and of the friction."""
    components = [READ[axis] for axis in range(4) if np.any(columns.usual[:, axis] > 0)]
    if np.any(columns.present[:, 1] & (columns.torque_from == READ_TORQUE)):
        components.append(FRICTION)
    return components


def _patterns(columns: RowColumns, components: list[str]) -> FloatArray:
    """Usual standard deviation of each component in what was shown, (c, n, 4)."""
    patterns = np.zeros((len(components), *columns.usual.shape))
    for component, name in enumerate(components):
        if name in READ:
            axis = READ.index(name)
            patterns[component, :, axis] = columns.usual[:, axis]
    return patterns


def _coasts(runs: list[Run]) -> int:
    rates = [run.rates for run in runs if run.rates is not None]
    return sum(each.quantity != "inertia" for each in rates)


def _scale_prior(components: list[str], coasts: int) -> ScalePrior:
    """Meters repeat far better or worse than usual; friction is never far from its size."""
    repeated = np.isin(components, READ)
    readings = np.where(repeated, REPEATABILITY_READINGS, PRIOR_READINGS)
    readings[np.isin(components, FRICTION)] = FRICTION_READINGS
    readings[np.isin(components, COAST_FRICTION)] = COAST_READINGS / max(1, coasts - 1) ** 4
    return ScalePrior(readings=readings, even=repeated)


def _add_leads(bench: Bench, rows: Rows, register: Register) -> None:
    """The lead resistance is one number, and acts on all rows alike."""
    half_width = bench.settings.leads.resistance.half_width
    nuisance = Nuisance.rectangular("leads", "offset", half_width, unit="Ohm")
    register.add(nuisance, ("leads",), "leads", np.arange(len(rows)))


def _rows(assembly: _Assembly) -> Rows:
    runs, columns = assembly.runs, assembly.columns
    direction = np.array(assembly.labels("direction"), dtype=object)
    both = bool(np.any(direction == "b") and np.any(direction != "b"))
    shown, unread = with_guesses(
        columns.shown,
        columns.present,
        columns.torque_from,
        columns.load,
        columns.metered,
        driven_guess(assembly.bench),
    )
    return Rows(
        shown=shown,
        present=columns.present,
        metered=columns.metered,
        load=columns.load,
        load_extra=columns.load_extra,
        input_conductance=columns.conductance,
        lead_resistance=assembly.bench.settings.leads.resistance.value,
        winding=columns.winding,
        magnets=columns.magnets,
        standing=np.array([run.kind == "resistance" for run in runs for _ in run.rows], dtype=bool),
        reverse=np.asarray(direction == "b") & both,
        rounding=columns.rounding,
        unread=unread,
        torque_from=columns.torque_from,
        added_inertia=columns.added_inertia,
        file=tuple(run.source.name for run in runs for _ in run.rows),
        row=np.concatenate([run.rows for run in runs]) if runs else np.zeros(0, dtype=np.int64),
        kind=tuple(run.kind for run in runs for _ in run.rows),
        note=assembly.labels("note"),
    )


def magnet_coefficient(bench: Bench) -> float | None:
    """Change of the EMF constant per kelvin, None where the magnets are unknown."""
    return MAGNET_COEFFICIENT.get(bench.settings.machine.magnet)
