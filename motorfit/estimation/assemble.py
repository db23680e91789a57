"""From a bench to arrays: rows, unknown errors with their priors, variance components."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.kinds import Kind
from motorfit.bench.records import Bench, Run
from motorfit.estimation.rows import (
    CURRENT,
    READ,
    SPEED,
    TORQUE,
    VOLTAGE,
    Influence,
    Nuisance,
    Rows,
)
from motorfit.instruments import (
    calibrated,
    gain_half_width,
    offset_half_width,
    range_of,
    rounding_variance,
)
from motorfit.machine.temperature import MAGNET_COEFFICIENT
from motorfit.meter import Instrument

#: Usual relative standard deviation of a repeated reading: common practice, no source.
#: Only a starting point, worth two readings; the residuals decide.
USUAL_REPEATABILITY = {VOLTAGE: 0.002, SPEED: 0.003, CURRENT: 0.003, TORQUE: 0.01}

#: Usual relative size of what rows share or what the machine itself does; likewise.
USUAL_FRICTION = 0.03  # loss torque, from row to row
USUAL_RUN_FRICTION = 0.03  # loss torque, from run to run
USUAL_SETTING = 0.002  # speed, from one setting of the drive to the next
USUAL_POSITION = 0.03  # resistance, from one rotor position to the next

FRICTION = "friction from row to row"
RUN_FRICTION = "friction from run to run"
SETTING = "shared within a setting"
POSITION = "resistance from position to position"

#: The brush drop has its full size well above this share of the largest current.
BRUSH_SCALE_SHARE = 0.01

USED_KINDS: tuple[Kind, ...] = ("open-circuit", "load", "no-load-motor", "brake", "resistance")

_SQRT3 = 3.0**0.5

#: No instrument of this kind of bench resolves more than a millionth of its reading.
_EXACT = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Assembled:
    """Everything about a bench that the condition equations need."""

    rows: Rows
    influence: Influence
    nuisances: tuple[Nuisance, ...]
    components: tuple[str, ...]  # names of the variance components
    patterns: FloatArray  # (c, n, 4) usual standard deviation of each in what was shown
    friction: FloatArray  # (c,) usual relative standard deviation of the loss torque
    brush_current_scale: float
    winding_used: tuple[float, float]  # lowest and highest [degC]


@dataclass(slots=True)
class _Entry:
    nuisance: int
    where: str  # an array of `Influence`
    rows: IntArray
    quantity: int | None
    coefficient: FloatArray | float


@dataclass(slots=True)
class _Register:
    """Collects unknown errors, each once however many rows it touches."""

    keys: dict[tuple[object, ...], int] = field(default_factory=dict)
    nuisances: list[Nuisance] = field(default_factory=list)
    entries: list[_Entry] = field(default_factory=list)

    def add(
        self,
        nuisance: Nuisance,
        key: tuple[object, ...],
        where: str,
        rows: IntArray,
        *,
        quantity: int | None = None,
        coefficient: FloatArray | float = 1.0,
    ) -> None:
        """Let ``nuisance`` act on ``rows``; one of the same ``key`` is the same error."""
        if nuisance.deviation <= 0 or not len(rows):
            return
        if key not in self.keys:
            self.keys[key] = len(self.nuisances)
            self.nuisances.append(nuisance)
        self.entries.append(_Entry(self.keys[key], where, rows, quantity, coefficient))

    def influence(self, rows: int) -> Influence:
        """The arrays of all entries."""
        influence = Influence.none(rows, len(self.nuisances))
        for entry in self.entries:
            array = getattr(influence, entry.where)
            if entry.quantity is None:
                array[entry.rows, entry.nuisance] += entry.coefficient
            else:
                array[entry.rows, entry.quantity, entry.nuisance] += entry.coefficient
        return influence


class _Assembly:
    """Rows of all used runs of one bench, filled in run by run."""

    def __init__(self, bench: Bench) -> None:
        self.bench, self.register = bench, _Register()
        self.runs = [run for run in bench.of_kind(*USED_KINDS) if len(run)]
        self.size = sum(len(run) for run in self.runs)
        self.shown = np.zeros((self.size, 4))
        self.rounding = np.zeros((self.size, 4))
        self.usual = np.zeros((self.size, 4))
        self.present = np.zeros((self.size, 2), dtype=bool)
        self.metered = np.zeros(self.size, dtype=bool)
        self.load = np.full(self.size, np.inf)
        self.load_extra = np.zeros(self.size)
        self.conductance = np.zeros(self.size)
        self.winding = np.zeros(self.size)
        self.magnets = np.zeros(self.size)
        start = 0
        for run in self.runs:
            self._add_run(run, np.arange(start, start + len(run)))
            start += len(run)

    def _add_run(self, run: Run, rows: IntArray) -> None:
        self.present[rows, 0] = True
        self._read(run, "voltage", VOLTAGE, rows)
        voltmeter = self.bench.instrument("voltage", run.meters.get("voltage", ""))
        if voltmeter.input_resistance:
            self.conductance[rows] = 1.0 / voltmeter.input_resistance
        if run.kind != "resistance":
            self._read(run, "speed", SPEED, rows)
        if run.kind != "open-circuit":
            self._add_current(run, rows)
        self._add_torque(run, rows)
        self._add_temperatures(run, rows)

    def _read(
        self, run: Run, quantity: str, axis: int, rows: IntArray, arm: FloatArray | float = 1.0
    ) -> BoolArray:
        """Fill in the readings of one column; returns which rows have one."""
        meter = run.meters.get(quantity, "")
        instrument = self.bench.instrument(quantity, meter)
        shown = run.get(quantity)
        there = ~np.isnan(shown)
        arm = np.broadcast_to(np.asarray(arm, float), shown.shape)
        step, labels = range_of(
            np.where(there, shown, 0.0), instrument, run.written_step.get(quantity, 0.0)
        )
        values = calibrated(shown, instrument) * arm
        at = rows[there]
        self.shown[at, axis] = values[there]
        rounding = (rounding_variance(step) + self._least(values)) * arm**2
        self.rounding[at, axis] = rounding[there]
        flicker = (USUAL_REPEATABILITY[axis] * values) ** 2 + rounding
        self.usual[at, axis] = np.sqrt(flicker)[there]
        sign = -1.0 if run.test.generating and axis in (CURRENT, TORQUE) else 1.0
        for label in dict.fromkeys(np.asarray(labels, dtype=object)[there]):
            chosen = there & (np.asarray(labels, dtype=object) == label)
            self._add_meter(
                instrument, meter, label, step[chosen], rows[chosen], axis, sign * arm[chosen]
            )
        return there

    @staticmethod
    def _least(values: FloatArray) -> float:
        """Variance below which no reading is exact, whatever its display."""
        return (_EXACT * float(np.nanmax(np.abs(values), initial=0.0)) + _EXACT**2) ** 2

    def _add_meter(
        self,
        instrument: Instrument,
        meter: str,
        label: str,
        step: FloatArray,
        rows: IntArray,
        axis: int,
        per_unit: FloatArray,
    ) -> None:
        key = (instrument.quantity, meter, label)
        half_widths = (
            ("gain", gain_half_width(instrument), 1.0, "1"),
            ("offset", float(np.max(offset_half_width(instrument, step))), per_unit, _UNITS[axis]),
        )
        for error, half_width, coefficient, unit in half_widths:
            nuisance = Nuisance(
                quantity=instrument.quantity,
                error="gain" if error == "gain" else "offset",
                deviation=half_width / _SQRT3,
                id=instrument.id,
                range=label,
                half_width=half_width,
                unit=unit,
            )
            self.register.add(
                nuisance, (*key, error), error, rows, quantity=axis, coefficient=coefficient
            )

    def _add_current(self, run: Run, rows: IntArray) -> None:
        there = np.zeros(len(run), dtype=bool)
        if "current" in run.readings:
            there = self._read(run, "current", CURRENT, rows)
            self.metered[rows[there]] = True
        if "load" not in run.readings:
            return
        load, from_load = run.get("load"), ~there & ~np.isnan(run.get("load"))
        self.load[rows[from_load]] = load[from_load]
        if "current" in run.readings:  # the ammeter stays in the circuit
            ammeter = self.bench.instrument("current", run.meters.get("current", ""))
            self.load_extra[rows[from_load]] = ammeter.burden
        instrument = self.bench.instrument("load", run.meters.get("load", ""))
        half_width = instrument.accuracy.relative
        for value in dict.fromkeys(load[from_load]):
            nuisance = Nuisance(
                quantity="load",
                error="gain",
                deviation=(half_width + instrument.accuracy.absolute / value) / _SQRT3,
                id=f"{value:.4g} ohm",
                half_width=half_width + instrument.accuracy.absolute / value,
            )
            self.register.add(nuisance, ("load", value), "load", rows[from_load & (load == value)])

    def _add_torque(self, run: Run, rows: IntArray) -> None:
        if run.kind == "no-load-motor":
            self.present[rows, 1] = True  # shaft free: no torque, and no meter for it
            return
        if "torque" in run.readings:
            there = self._read(run, "torque", TORQUE, rows)
        elif "force" in run.readings and "arm" in run.readings:
            there = self._read(run, "force", TORQUE, rows, arm=run.get("arm"))
            arm = self.bench.instrument("arm", run.meters.get("arm", ""))
            half_width = gain_half_width(arm)
            nuisance = Nuisance(
                quantity="arm", error="gain", deviation=half_width / _SQRT3, half_width=half_width
            )
            self.register.add(nuisance, ("arm",), "gain", rows[there], quantity=TORQUE)
        else:
            return
        self.present[rows[there], 1] = True

    def _add_temperatures(self, run: Run, rows: IntArray) -> None:
        conditions = self.bench.settings.conditions
        given = run.get("winding")
        self._temperature(given, conditions.winding.value, self.winding, rows)
        self._doubt(
            "winding", "winding", "winding", rows[np.isnan(given)], conditions.winding.half_width
        )
        self._thermometer("winding", "winding", rows[~np.isnan(given)])

        magnets, ambient = run.get("magnets"), run.get("ambient")
        given = np.where(np.isnan(magnets), ambient, magnets)
        stated, key = conditions.magnets or conditions.ambient, "magnets"
        if stated is None:  # cold machine: as warm as its winding, and as uncertain
            stated, key = conditions.winding, "winding"
        self._temperature(given, stated.value, self.magnets, rows)
        self._doubt(key, key, "magnets", rows[np.isnan(given)], stated.half_width)
        self._thermometer(
            "magnets" if "magnets" in run.readings else "ambient", "magnets", rows[~np.isnan(given)]
        )

    @staticmethod
    def _temperature(given: FloatArray, default: float, into: FloatArray, rows: IntArray) -> None:
        into[rows] = np.where(np.isnan(given), default, given)

    def _doubt(
        self, key: str, quantity: str, where: str, rows: IntArray, half_width: float
    ) -> None:
        nuisance = Nuisance(
            quantity=quantity,
            error="temperature",
            deviation=half_width / _SQRT3,
            half_width=half_width,
            unit="K",
        )
        self.register.add(nuisance, ("condition", key), where, rows)

    def _thermometer(self, quantity: str, where: str, rows: IntArray) -> None:
        if not len(rows) or (quantity, "") not in self.bench.instruments:
            return
        instrument = self.bench.instrument(quantity)
        half_width = instrument.accuracy.absolute + 25.0 * instrument.accuracy.relative
        nuisance = Nuisance(
            quantity=quantity,
            error="temperature",
            deviation=half_width / _SQRT3,
            id=instrument.id,
            half_width=half_width,
            unit="K",
        )
        self.register.add(nuisance, ("thermometer", quantity), where, rows)

    def add_leads(self) -> FloatArray:
        """The lead resistance's own half-width acts on all rows alike."""
        half_width = self.bench.settings.leads.resistance.half_width
        if half_width > 0:
            self.register.keys["leads",] = len(self.register.nuisances)
            self.register.nuisances.append(
                Nuisance(
                    quantity="leads",
                    error="offset",
                    deviation=half_width / _SQRT3,
                    half_width=half_width,
                    unit="Ohm",
                )
            )
        return np.array([float(n.quantity == "leads") for n in self.register.nuisances])

    def labels(self, attribute: str) -> tuple[str, ...]:
        """One text a row: setting, direction or note."""
        return tuple(text for run in self.runs for text in getattr(run, attribute))


_UNITS = ("V", "rad/s", "A", "N.m")


def _add_effects(assembly: _Assembly, components: list[str]) -> None:
    """Errors that groups of rows share, each group's with the same unknown variance."""
    position, friction, start = [], [], 0
    for run in assembly.runs:
        rows = np.arange(start, start + len(run))
        start += len(run)
        if run.kind == "resistance":
            position += [
                rows[run.get("position") == place]
                for place in dict.fromkeys(run.get("position"))
                if not np.isnan(place)
            ]
            unplaced = rows[np.isnan(run.get("position"))]
            position += [unplaced] if len(unplaced) else []
        if assembly.present[rows, 1].any():
            friction.append(rows[assembly.present[rows, 1]])
    settings = _settings(assembly)
    shared = [group for group in settings if len(group) > 1]
    for name, usual, groups, where, axis in (
        (SETTING, USUAL_SETTING, settings if shared else [], "gain", SPEED),
        (RUN_FRICTION, USUAL_RUN_FRICTION, friction, "loss", None),
        (POSITION, USUAL_POSITION, position, "resistance", None),
    ):
        if not groups:
            continue
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
            assembly.register.add(effect, (name, number), where, group, quantity=axis)


def _settings(assembly: _Assembly) -> list[IntArray]:
    """Turning rows that share a setting; "1" in another sheet is another setting."""
    groups: dict[tuple[int, str], list[int]] = {}
    row = 0
    for number, run in enumerate(assembly.runs):
        for label in run.setting:
            if label and run.kind != "resistance":
                groups.setdefault((number, label), []).append(row)
            row += 1
    return [np.array(group) for group in groups.values()]


def _zero_offsets(bench: Bench, nuisances: Sequence[Nuisance]) -> list[Nuisance]:
    """Offsets with what the `zero` readings say of them.

    A reading of nothing shows the offset itself, of the range whose step it was written
    with: how large it is says nothing of the range. Another range has another offset.
    """
    updated = list(nuisances)
    for run in bench.of_kind("zero"):
        for quantity, shown in run.readings.items():
            if quantity not in ("voltage", "current", "force", "torque"):
                continue
            meter = bench.instrument(quantity, run.meters.get(quantity, ""))
            readings = shown[~np.isnan(shown)]
            if not len(readings):
                continue
            written = run.written_step.get(quantity, 0.0)
            steps, labels = range_of(np.zeros_like(readings), meter, written)
            step = float(np.max(steps))
            deviation = np.sqrt(step**2 / 12 + np.var(readings, ddof=0) / len(readings))
            for index, nuisance in enumerate(updated):
                same = (nuisance.quantity, nuisance.error, nuisance.id, nuisance.range)
                if same == (quantity, "offset", meter.id, labels[0]):
                    updated[index] = _with_reading(nuisance, float(np.mean(readings)), deviation)
    return updated


def _with_reading(prior: Nuisance, reading: float, deviation: float) -> Nuisance:
    """A prior and one reading of the same error, weighted together."""
    deviation = max(deviation, 1e-3 * prior.deviation)  # no display shows more than that
    weights = np.array([prior.deviation**-2, deviation**-2])
    combined = float(weights.sum() ** -0.5)
    return Nuisance(
        quantity=prior.quantity,
        error=prior.error,
        deviation=combined,
        mean=float(weights @ [prior.mean, reading] / weights.sum()),
        id=prior.id,
        range=prior.range,
        shape="normal",
        half_width=combined,
        unit=prior.unit,
    )


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
    reading_axes = [axis for axis in range(4) if np.any(assembly.usual[:, axis] > 0)]
    components = [READ[axis] for axis in reading_axes]
    if assembly.present[:, 1].any():
        components.append(FRICTION)
    _add_effects(assembly, components)
    leads = assembly.add_leads()
    influence = assembly.register.influence(assembly.size)
    influence.leads[:] = leads
    patterns = np.zeros((len(components), assembly.size, 4))
    for component, axis in enumerate(reading_axes):
        patterns[component, :, axis] = assembly.usual[:, axis]
    friction = np.array([USUAL_FRICTION if name == FRICTION else 0.0 for name in components])
    rows = _rows(assembly)
    return Assembled(
        rows=rows,
        influence=influence,
        nuisances=tuple(_zero_offsets(bench, assembly.register.nuisances)),
        components=tuple(components),
        patterns=patterns,
        friction=friction,
        brush_current_scale=_brush_current_scale(rows),
        winding_used=(float(rows.winding.min()), float(rows.winding.max()))
        if len(rows)
        else (np.nan, np.nan),
    )


def _brush_current_scale(rows: Rows) -> float:
    size = np.abs(rows.shown[:, CURRENT])
    through_load = np.abs(rows.shown[:, VOLTAGE]) / (rows.load + rows.load_extra)
    largest = float(np.max(np.maximum(size, through_load), initial=0.0))
    return BRUSH_SCALE_SHARE * largest if largest > 0 else 1.0


def _rows(assembly: _Assembly) -> Rows:
    runs = assembly.runs
    direction = np.array(assembly.labels("direction"), dtype=object)
    both = bool(np.any(direction == "b") and np.any(direction != "b"))
    return Rows(
        shown=assembly.shown,
        present=assembly.present,
        metered=assembly.metered,
        load=assembly.load,
        load_extra=assembly.load_extra,
        input_conductance=assembly.conductance,
        lead_resistance=assembly.bench.settings.leads.resistance.value,
        winding=assembly.winding,
        magnets=assembly.magnets,
        standing=np.array([run.kind == "resistance" for run in runs for _ in run.rows], dtype=bool),
        reverse=np.asarray(direction == "b") & both,
        rounding=assembly.rounding,
        usual_scatter=assembly.usual,
        file=tuple(run.source.name for run in runs for _ in run.rows),
        row=np.concatenate([run.rows for run in runs]) if runs else np.zeros(0, dtype=np.int64),
        kind=tuple(run.kind for run in runs for _ in run.rows),
        note=assembly.labels("note"),
    )


def magnet_coefficient(bench: Bench) -> float | None:
    """Change of the EMF constant per kelvin, None where the magnets are unknown."""
    return MAGNET_COEFFICIENT.get(bench.settings.machine.magnet)
