"""Readings of all tests in one set of arrays, and how each unknown error enters them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.instruments import (
    current_from_load,
    machine_current,
    standard_uncertainty,
    terminal_voltage_behind_leads,
)

#: What one row of readings holds, in the order of the last axis of its arrays.
READ = ("voltage", "speed", "current", "torque")
VOLTAGE, SPEED, CURRENT, TORQUE = range(4)

#: The equations of one row, in the order of the last axis of `Rows.present`.
EQUATIONS = ("voltage", "torque")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """Readings of one bench, n rows, in SI and the consumer's convention.

    Calibrated; everything that is unknown (gain, offset, ...) is left to `Influence`.
    """

    shown: FloatArray  # (n, 4) voltage, speed, current, torque; 0 where not read
    present: BoolArray  # (n, 2) voltage equation, torque equation
    metered: BoolArray  # (n,) current comes from an ammeter
    load: FloatArray  # (n,) resistor that gives the current; infinite where none does
    load_extra: FloatArray  # (n,) ammeter's burden in series with it
    input_conductance: FloatArray  # (n,) of the voltmeter [S]
    lead_resistance: float  # between machine and voltmeter [ohm]
    winding: FloatArray  # (n,) [degC]
    magnets: FloatArray  # (n,) [degC]
    standing: BoolArray  # (n,) rotor held: the brushes have a drop of their own
    reverse: BoolArray  # (n,) turned in the second direction
    rounding: FloatArray  # (n, 4) variance of the display's rounding
    file: tuple[str, ...]  # (n,) names of the sheets
    row: IntArray  # (n,) as a spreadsheet shows it
    kind: tuple[str, ...]  # (n,)
    note: tuple[str, ...]  # (n,)

    def __len__(self) -> int:
        return len(self.row)


@dataclass(frozen=True, slots=True, kw_only=True)
class Nuisance:
    """One unknown error with a prior: of an instrument, a temperature, or a group of rows."""

    quantity: str
    error: Literal["gain", "offset", "temperature", "effect"]
    deviation: float  # prior standard deviation; at the usual size for an effect
    mean: float = 0.0
    id: str = ""
    range: str = ""
    shape: Literal["rectangular", "normal"] = "rectangular"
    half_width: float = 0.0
    unit: str = "1"
    component: int | None = None  # of the variance components, for an effect

    @classmethod
    def rectangular(
        cls,
        quantity: str,
        error: Literal["gain", "offset", "temperature"],
        half_width: float,
        *,
        id: str = "",  # noqa: A002 - the word of the kit and the profile
        range: str = "",  # noqa: A002 - likewise
        unit: str = "1",
    ) -> Nuisance:
        """An error that may be anywhere within its half-width."""
        return cls(
            quantity=quantity,
            error=error,
            deviation=standard_uncertainty(half_width).item(),
            id=id,
            range=range,
            half_width=half_width,
            unit=unit,
        )

    @property
    def words(self) -> str:
        """For people: 'gain of the voltage meter (meter A, 40 V)'."""
        if self.error == "temperature":
            return f"temperature of the {self.quantity}"
        where = ", ".join(part for part in (self.id, self.range) if part)
        instrument = {
            "load": "load resistor",
            "leads": "lead resistance",
            "arm": "length of the arm",
            "magnet coefficient": "temperature coefficient of the magnets",
        }.get(self.quantity, f"{self.error} of the {self.quantity} reading")
        return f"{instrument} ({where})" if where else instrument


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Influence:
    """How r nuisances enter n rows: each array is linear in the nuisances."""

    gain: FloatArray  # (n, 4, r) relative: true = (shown - offset) / (1 + gain)
    offset: FloatArray  # (n, 4, r) in SI
    load: FloatArray  # (n, r) relative, of the load resistor
    leads: FloatArray  # (r,) [ohm]
    winding: FloatArray  # (n, r) [K]
    magnets: FloatArray  # (n, r) [K]
    loss: FloatArray  # (n, r) relative, of the loss torque
    resistance: FloatArray  # (n, r) relative, of the armature resistance
    brush: FloatArray  # (n, r) added to the saturation of the brush drop

    @classmethod
    def none(cls, rows: int, nuisances: int) -> Influence:
        """All zero, to be filled in."""
        table = (rows, nuisances)
        return cls(
            gain=np.zeros((rows, 4, nuisances)),
            offset=np.zeros((rows, 4, nuisances)),
            load=np.zeros(table),
            leads=np.zeros(nuisances),
            winding=np.zeros(table),
            magnets=np.zeros(table),
            loss=np.zeros(table),
            resistance=np.zeros(table),
            brush=np.zeros(table),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AtMachine:
    """Terminal voltage, speed, current and torque at the machine itself."""

    values: FloatArray  # (n, 4)
    from_shown: FloatArray  # (n, 4, 4): d(values)/d(shown)
    from_shown_slope: FloatArray  # (n, 4, 4, r): its change with the nuisances
    from_nuisance: FloatArray  # (n, 4, r)


def at_machine(rows: Rows, influence: Influence, nuisance: FloatArray) -> AtMachine:
    r"""From what the instruments showed to what the machine had.

    With the corrected readings :math:`z = (\mathrm{shown} - o)/(1 + g)`, the voltmeter's
    conductance Y and a load R_L that gives the current where no ammeter does:

    .. math::

        i = z_i - z_v (Y + 1/R_L), \qquad v = z_v - i R_\mathrm{leads}

    (Kirchhoff's laws; the voltmeter sits at the far end of the leads and draws its
    current from the machine too.)

    Parameters
    ----------
    rows : Rows
        n readings.
    influence : Influence
        How r nuisances enter.
    nuisance : ndarray, shape (r,)
        Their values.

    Returns
    -------
    AtMachine
    """
    corrected = _correct(rows, influence, nuisance)
    circuit = _circuit(rows, influence, nuisance)
    voltage, metered = corrected.values[:, VOLTAGE], rows.metered.astype(float)
    branch = metered * corrected.values[:, CURRENT] + current_from_load(
        voltage, circuit.load, rows.load_extra
    )
    current = machine_current(branch, voltage, rows.input_conductance)
    values = corrected.values.copy()
    values[:, CURRENT] = current
    values[:, VOLTAGE] = terminal_voltage_behind_leads(voltage, current, circuit.leads)

    through, through_slope = _through(metered, circuit, influence)
    from_shown = through / corrected.stretch[:, None, :]
    relative = influence.gain / corrected.stretch[..., None]
    from_shown_slope = through_slope / corrected.stretch[:, None, :, None]
    from_shown_slope -= from_shown[..., None] * relative[:, None]

    from_nuisance = through @ corrected.slope
    through_load = -voltage[:, None] * circuit.conductance_slope
    from_nuisance[:, CURRENT] += through_load
    from_nuisance[:, VOLTAGE] -= circuit.leads * through_load + current[:, None] * influence.leads
    return AtMachine(
        values=values,
        from_shown=from_shown,
        from_shown_slope=from_shown_slope,
        from_nuisance=from_nuisance,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Corrected:
    """Readings without gains and offsets: (shown - o) / (1 + g)."""

    values: FloatArray  # (n, 4)
    stretch: FloatArray  # 1 + g, (n, 4)
    slope: FloatArray  # d(values)/d(nuisance), (n, 4, r)


def _correct(rows: Rows, influence: Influence, nuisance: FloatArray) -> _Corrected:
    stretch = 1.0 + influence.gain @ nuisance
    values = (rows.shown - influence.offset @ nuisance) / stretch
    slope = -(influence.offset + values[..., None] * influence.gain) / stretch[..., None]
    return _Corrected(values=values, stretch=stretch, slope=slope)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Circuit:
    """What hangs between the readings and the machine."""

    load: FloatArray  # (n,) [ohm]
    conductance: FloatArray  # voltmeter and load together, (n,) [S]
    conductance_slope: FloatArray  # its change with the nuisances, (n, r)
    leads: float  # [ohm]


def _circuit(rows: Rows, influence: Influence, nuisance: FloatArray) -> _Circuit:
    stretch = 1.0 + influence.load @ nuisance
    load = rows.load / stretch
    branch = 1.0 / (load + rows.load_extra)  # zero where nothing is connected
    connected = np.where(np.isinf(load), 0.0, load)
    return _Circuit(
        load=load,
        conductance=rows.input_conductance + branch,
        conductance_slope=(connected * branch**2 / stretch)[:, None] * influence.load,
        leads=float(rows.lead_resistance + influence.leads @ nuisance),
    )


def _through(
    metered: FloatArray, circuit: _Circuit, influence: Influence
) -> tuple[FloatArray, FloatArray]:
    """d(values)/d(corrected), (n, 4, 4), and its change with the nuisances, (n, 4, 4, r)."""
    conductance, leads = circuit.conductance, circuit.leads
    through = np.zeros((len(metered), 4, 4))
    through[:, SPEED, SPEED] = through[:, TORQUE, TORQUE] = 1.0
    through[:, CURRENT, CURRENT] = metered
    through[:, CURRENT, VOLTAGE] = -conductance
    through[:, VOLTAGE, VOLTAGE] = 1.0 + conductance * leads
    through[:, VOLTAGE, CURRENT] = -metered * leads
    slope = np.zeros((*through.shape, len(influence.leads)))
    slope[:, CURRENT, VOLTAGE] = -circuit.conductance_slope
    slope[:, VOLTAGE, VOLTAGE] = (
        leads * circuit.conductance_slope + conductance[:, None] * influence.leads
    )
    slope[:, VOLTAGE, CURRENT] = -metered[:, None] * influence.leads
    return through, slope
