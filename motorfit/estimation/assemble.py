"""From a bench to arrays: rows, unknown errors with their priors, variance components."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.kinds import Kind
from motorfit.bench.records import Bench, Rates, Run
from motorfit.estimation.circuit import at_machine
from motorfit.estimation.drive_power import add_drive_torque, torque_from_drive_power
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
from motorfit.estimation.physics import brush_shape_doubts
from motorfit.estimation.register import Register, zero_offsets
from motorfit.estimation.rows import (
    CURRENT,
    RATE_OF_SPEED,
    RATE_OF_VOLTAGE,
    READ,
    READ_TORQUE,
    SPEED,
    STATED_INERTIA,
    TORQUE,
    VOLTAGE,
    Influence,
    Nuisance,
    Rows,
)
from motorfit.estimation.scale_priors import PRIOR_READINGS, ScalePrior
from motorfit.estimation.warmth import add_temperatures
from motorfit.instruments import (
    calibrated,
    gain_half_width,
    near_end_of_range,
    offset_half_width,
    range_of,
    rounding_variance,
    standard_uncertainty,
)
from motorfit.machine.temperature import MAGNET_COEFFICIENT
from motorfit.meter import Instrument
from motorfit.quantities import Stated

#: Usual relative standard deviation of a repeated reading: common practice, no source.
#: Only a starting point; the residuals decide.
USUAL_REPEATABILITY = {VOLTAGE: 0.002, SPEED: 0.003, CURRENT: 0.003, TORQUE: 0.01}

#: How many readings that is worth: few, for a good meter repeats ten times better than a
#: plain one.
REPEATABILITY_READINGS = 1.0

#: The brush drop has its full size well above this share of the largest current.
BRUSH_SCALE_SHARE = 0.01

#: The doubt of that current: no scatter, and no instrument's.
BRUSH_SCALE = "brush current scale"

USED_KINDS: tuple[Kind, ...] = (
    "open-circuit",
    "load",
    "no-load-motor",
    "brake",
    "resistance",
    "coast-down",
)

#: Errors of the rates of one log; no instrument's.
LOG_NOISE = "noise of a log"

_TORQUE_FROM = {
    "speed": RATE_OF_SPEED,
    "voltage": RATE_OF_VOLTAGE,
    "inertia": STATED_INERTIA,
}

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
        self.bench, self.register = bench, Register()
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
        self.torque_from = np.full(self.size, READ_TORQUE)
        self.added_inertia = np.zeros(self.size)
        start = 0
        for run in self.runs:
            self._add_run(run, np.arange(start, start + len(run)))
            start += len(run)

    def _add_run(self, run: Run, rows: IntArray) -> None:
        if run.rates is None:
            self._add_steady(run, rows)
        else:
            self._add_coasting(run, run.rates, rows)
        winding, magnets = add_temperatures(self.bench, run, rows, self.register)
        self.winding[rows], self.magnets[rows] = winding, magnets

    def _add_steady(self, run: Run, rows: IntArray) -> None:
        self.present[rows, 0] = True
        self._add_voltage(run, rows)
        if run.kind != "resistance":
            self._read(run, "speed", SPEED, rows)
        if run.kind != "open-circuit":
            self._add_current(run, rows)
        self._add_torque(run, rows)

    def _add_voltage(self, run: Run, rows: IntArray, rate: bool = False) -> None:
        self._read(run, "voltage", VOLTAGE, rows, rate=rate)
        voltmeter = self.bench.instrument("voltage", run.meters.get("voltage", ""))
        if voltmeter.input_resistance:
            self.conductance[rows] = 1.0 / voltmeter.input_resistance

    def _add_coasting(self, run: Run, rates: Rates, rows: IntArray) -> None:
        """Rates of a log: the torque that slows the rotor is an inertia times one of them."""
        self.present[rows, 1] = True
        self.torque_from[rows] = _TORQUE_FROM[rates.quantity]
        self.shown[rows, TORQUE], self.rounding[rows, TORQUE] = rates.value, rates.own
        for number, part in enumerate(rates.shared.T):
            noise = Nuisance(quantity=LOG_NOISE, error="effect", deviation=1.0, shape="normal")
            self.register.add(
                noise,
                (LOG_NOISE, run.source.name, number),
                "offset",
                rows,
                quantity=TORQUE,
                coefficient=part,
            )
        if rates.quantity == "inertia":
            return
        clock = self.bench.instrument("time", run.meters.get("time", ""))
        gain = self._error(clock, "gain", gain_half_width(clock))
        clock_key = ("time", run.meters.get("time", ""))
        self.register.add(gain, clock_key, "gain", rows, quantity=TORQUE, coefficient=-1.0)
        for quantity in ("voltage", "speed"):
            if quantity in run.readings:
                add = self._add_voltage if quantity == "voltage" else self._add_speed
                add(run, rows, rate=rates.quantity == quantity)
        if "current" in run.readings or "load" in run.readings:
            self._add_current(run, rows)
        connected = self.metered[rows] | np.isfinite(self.load[rows])
        self.present[rows, 0] = ("voltage" in run.readings) | connected
        if run.added_inertia is not None:
            self._add_inertia(run.added_inertia, run, rows)

    def _add_speed(self, run: Run, rows: IntArray, rate: bool = False) -> None:
        self._read(run, "speed", SPEED, rows, rate=rate)

    def _add_inertia(self, added: Stated, run: Run, rows: IntArray) -> None:
        self.added_inertia[rows] = added.value
        error = Nuisance.rectangular("added inertia", "gain", added.half_width / added.value)
        self.register.add(error, ("added inertia", run.source.name), "inertia", rows)

    def _read(
        self,
        run: Run,
        quantity: str,
        axis: int,
        rows: IntArray,
        arm: FloatArray | float = 1.0,
        rate: bool = False,
    ) -> BoolArray:
        """Fill in the readings of one column; returns which rows have one.

        The gain of a meter whose readings have a ``rate`` acts on that as well. Values where a
        log was reduced to rates are chosen, not read: they do not scatter.
        """
        meter = run.meters.get(quantity, "")
        instrument = self.bench.instrument(quantity, meter)
        # the sheet's speeds are the shaft's; display and accuracy are those of the meter
        ratio = self.bench.settings.speed.ratio if axis == SPEED else 1.0
        shown = run.get(quantity) / ratio
        there = ~np.isnan(shown)
        arm = np.broadcast_to(np.asarray(arm, float) * ratio, shown.shape)
        written = run.written_step.get(quantity, 0.0) / ratio
        seen = shown
        if run.rates is not None:  # a log is taken in one range, that of its largest reading
            seen = np.full_like(shown, run.rates.largest[quantity] / ratio)
        step, ranges = range_of(np.where(there, seen, 0.0), instrument, written)
        read = calibrated(shown, instrument)
        doubtful = near_end_of_range(seen, instrument, written)
        step = np.where(doubtful, 10.0 * step, step)  # a digit of the larger range
        names = [
            f"end of {name}" if odd else name for name, odd in zip(ranges, doubtful, strict=True)
        ]
        labels = np.array(names, dtype=object)
        values = read * arm
        at = rows[there]
        self.shown[at, axis] = values[there]
        rounding = rounding_variance(step) + self._least(read)
        rounding = (rounding + doubtful * self._either_range(instrument, read, step)) * arm**2
        if run.rates is not None:
            self.rounding[at, axis] = 0.0 if rate or axis == CURRENT else run.rates.beside
        else:
            self.rounding[at, axis] = rounding[there]
            flicker = (USUAL_REPEATABILITY[axis] * values) ** 2 + rounding
            self.usual[at, axis] = np.sqrt(flicker)[there]
        sign = -1.0 if run.test.generating and axis in (CURRENT, TORQUE) else 1.0
        for label in dict.fromkeys(labels[there]):
            chosen = there & (labels == label)
            self._add_meter(
                instrument, meter, label, step[chosen], rows[chosen], axis, sign * arm[chosen]
            )
            if rate:
                gain = self._error(instrument, "gain", gain_half_width(instrument), label)
                key = (instrument.quantity, meter, label, "gain")
                self.register.add(gain, key, "gain", rows[chosen], quantity=TORQUE)
        return there

    @staticmethod
    def _either_range(instrument: Instrument, read: FloatArray, step: FloatArray) -> FloatArray:
        """Variance within readings of which some are of one range and some of the next."""
        gain = standard_uncertainty(gain_half_width(instrument) * read)
        offset = standard_uncertainty(offset_half_width(instrument, step))
        return np.asarray(0.5 * (gain**2 + offset**2))

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
        offset = float(np.max(offset_half_width(instrument, step)))
        unit = "N" if instrument.quantity == "force" else _UNITS[axis]
        for nuisance, coefficient in (
            (self._error(instrument, "gain", gain_half_width(instrument), label), 1.0),
            (self._error(instrument, "offset", offset, label, unit), per_unit),
        ):
            self.register.add(
                nuisance,
                (instrument.quantity, meter, label, nuisance.error),
                nuisance.error,
                rows,
                quantity=axis,
                coefficient=coefficient,
            )

    @staticmethod
    def _error(
        instrument: Instrument,
        error: Literal["gain", "offset", "temperature"],
        half_width: float,
        label: str = "",
        unit: str = "1",
    ) -> Nuisance:
        return Nuisance.rectangular(
            instrument.quantity, error, half_width, id=instrument.id, range=label, unit=unit
        )

    def _add_current(self, run: Run, rows: IntArray) -> None:
        there = np.zeros(len(run), dtype=bool)
        if "current" in run.readings:
            there = self._read(run, "current", CURRENT, rows)
            self.metered[rows[there]] = True
        if "load" not in run.readings:
            return
        if "current" in run.readings:  # the ammeter stays in the circuit
            ammeter = self.bench.instrument("current", run.meters.get("current", ""))
            self.load_extra[rows[~there]] = ammeter.burden
        self._add_resistors(run, rows, ~there & ~np.isnan(run.get("load")))

    def _add_resistors(self, run: Run, rows: IntArray, chosen: BoolArray) -> None:
        """Resistors that give the current of the chosen rows, each with an error of its own."""
        ohmmeter = self.bench.instrument("load", run.meters.get("load", ""))
        written = run.get("load")
        self.load[rows[chosen]] = calibrated(written, ohmmeter)[chosen]
        step, _ = range_of(written, ohmmeter, run.written_step.get("load", 0.0))
        offset = offset_half_width(ohmmeter, step)
        for value in dict.fromkeys(written[chosen]):
            same = chosen & (written == value)
            half_width = gain_half_width(ohmmeter) + float(offset[same][0]) / value
            nuisance = Nuisance.rectangular("load", "gain", half_width, id=f"{value:.4g} ohm")
            self.register.add(nuisance, ("load", value), "load", rows[same])

    def _add_torque(self, run: Run, rows: IntArray) -> None:
        if run.kind == "no-load-motor":
            self.present[rows, 1] = True  # shaft free: no torque, and no meter for it
            return
        there = np.zeros(len(run), dtype=bool)
        if "torque" in run.readings:
            there = self._read(run, "torque", TORQUE, rows)
        elif "force" in run.readings and "arm" in run.readings:
            there = self._add_force(run, rows)
        there = there | self._add_drive_power(run, rows, ~there)
        self.present[rows[there], 1] = True

    def _add_drive_power(self, run: Run, rows: IntArray, lacking: BoolArray) -> BoolArray:
        """The torque that the drive's power tells, in rows that have no other."""
        found = torque_from_drive_power(self.bench, run)
        if found is None:
            return np.zeros_like(lacking)
        chosen = lacking & np.isfinite(found.torque)
        sign = -1.0 if run.test.generating else 1.0
        self.shown[rows[chosen], TORQUE] = sign * found.torque[chosen]
        self.rounding[rows[chosen], TORQUE] = found.rounding[chosen]
        usual = np.sqrt(found.rounding + found.repeatability**2)
        self.usual[rows[chosen], TORQUE] = usual[chosen]
        add_drive_torque(found, chosen, rows, self.register, sign=sign)
        return chosen

    def _add_force(self, run: Run, rows: IntArray) -> BoolArray:
        """A force at an arm; what the ruler may be off acts as a gain of the torque."""
        meter = run.meters.get("arm", "")
        ruler = self.bench.instrument("arm", meter)
        arm = calibrated(run.get("arm"), ruler)
        there = self._read(run, "force", TORQUE, rows, arm=arm)
        step, _ = range_of(run.get("arm"), ruler, run.written_step.get("arm", 0.0))
        offset = float(np.nanmax(offset_half_width(ruler, step), initial=0.0))
        reach = np.divide(1.0, arm, out=np.zeros_like(arm), where=arm != 0)
        for nuisance, per_unit in (
            (self._error(ruler, "gain", gain_half_width(ruler)), np.ones_like(arm)),
            (self._error(ruler, "offset", offset, unit="m"), reach),
        ):
            self.register.add(
                nuisance,
                ("arm", meter, nuisance.error),
                "gain",
                rows[there],
                quantity=TORQUE,
                coefficient=per_unit[there],
            )
        return there

    def labels(self, attribute: str) -> tuple[str, ...]:
        """One text a row: setting, direction or note."""
        return tuple(text for run in self.runs for text in getattr(run, attribute))


_UNITS = ("V", "rad/s", "A", "N.m")


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
    if np.any(assembly.present[:, 1] & (assembly.torque_from == READ_TORQUE)):
        components.append(FRICTION)
    add_effects(_layout(assembly), assembly.register, components)
    rows = _rows(assembly)
    scale = _brush_current_scale(rows)
    _add_brush_shape(rows, assembly.register, scale)
    _add_leads(bench, rows, assembly.register)
    influence = assembly.register.influence(assembly.size)
    patterns = np.zeros((len(components), assembly.size, 4))
    for component, axis in enumerate(reading_axes):
        patterns[component, :, axis] = assembly.usual[:, axis]
    friction = np.array([USUAL_FRICTION if name == FRICTION else 0.0 for name in components])
    return Assembled(
        rows=rows,
        influence=influence,
        nuisances=tuple(zero_offsets(bench, assembly.register)),
        components=tuple(components),
        patterns=patterns,
        friction=friction,
        scale_prior=_scale_prior(components, _coasts(assembly.runs)),
        brush_current_scale=scale,
        winding_used=(float(rows.winding.min()), float(rows.winding.max()))
        if len(rows)
        else (np.nan, np.nan),
    )


def _coasts(runs: list[Run]) -> int:
    rates = [run.rates for run in runs if run.rates is not None]
    return sum(each.quantity != "inertia" for each in rates)


def _scale_prior(components: list[str], coasts: int) -> ScalePrior:
    """Meters repeat far better or worse than usual; friction is never far from its size."""
    repeated = np.isin(components, READ)
    readings = np.where(repeated, REPEATABILITY_READINGS, PRIOR_READINGS)
    readings[np.isin(components, FRICTION)] = FRICTION_READINGS
    readings[np.isin(components, COAST_FRICTION)] = COAST_READINGS / max(1, coasts - 1) ** 3
    return ScalePrior(readings=readings, even=repeated)


def _layout(assembly: _Assembly) -> Layout:
    return Layout(runs=tuple(assembly.runs), torque=assembly.present[:, 1])


def _add_leads(bench: Bench, rows: Rows, register: Register) -> None:
    """The lead resistance is one number, and acts on all rows alike."""
    half_width = bench.settings.leads.resistance.half_width
    nuisance = Nuisance.rectangular("leads", "offset", half_width, unit="Ohm")
    register.add(nuisance, ("leads",), "leads", np.arange(len(rows)))


def _add_brush_shape(rows: Rows, register: Register, scale: float) -> None:
    """i0 is one number that nobody knows: its doubt is shared by all readings."""
    nothing = Influence.none(len(rows), 0)
    current = at_machine(rows, nothing, np.zeros(0)).values[:, CURRENT]
    carrying = np.flatnonzero(rows.metered | np.isfinite(rows.load))
    doubt = Nuisance(
        quantity=BRUSH_SCALE, error="effect", deviation=standard_uncertainty(1.0).item()
    )
    for number, shape in enumerate(brush_shape_doubts(current, scale)):
        register.add(doubt, (BRUSH_SCALE, number), "brush", carrying, coefficient=shape[carrying])


def _brush_current_scale(rows: Rows) -> float:
    size = np.abs(rows.shown[:, CURRENT])
    through_load = np.abs(rows.shown[:, VOLTAGE]) / (rows.load + rows.load_extra)
    largest = float(np.max(np.maximum(size, through_load), initial=0.0))
    return BRUSH_SCALE_SHARE * largest if largest > 0 else 1.0


def _rows(assembly: _Assembly) -> Rows:
    runs = assembly.runs
    direction = np.array(assembly.labels("direction"), dtype=object)
    both = bool(np.any(direction == "b") and np.any(direction != "b"))
    shown, unread = with_guesses(
        assembly.shown,
        assembly.present,
        assembly.torque_from,
        assembly.load,
        assembly.metered,
        driven_guess(assembly.bench),
    )
    return Rows(
        shown=shown,
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
        unread=unread,
        torque_from=assembly.torque_from,
        added_inertia=assembly.added_inertia,
        file=tuple(run.source.name for run in runs for _ in run.rows),
        row=np.concatenate([run.rows for run in runs]) if runs else np.zeros(0, dtype=np.int64),
        kind=tuple(run.kind for run in runs for _ in run.rows),
        note=assembly.labels("note"),
    )


def magnet_coefficient(bench: Bench) -> float | None:
    """Change of the EMF constant per kelvin, None where the magnets are unknown."""
    return MAGNET_COEFFICIENT.get(bench.settings.machine.magnet)
