"""From what the instruments showed to what the machine had, with its slopes."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.rows import (
    CURRENT,
    GAIN,
    LEADS,
    LOAD,
    OFFSET,
    READ,
    SPEED,
    TORQUE,
    VOLTAGE,
    Influence,
    Rows,
    Shares,
)
from motorfit.instruments import (
    current_from_load,
    machine_current,
    terminal_voltage_behind_leads,
)

#: An array (..., n), or one number for all rows.
Amount: TypeAlias = FloatArray | float

#: Those that are not zero throughout, by what is differentiated and by what.
Slopes: TypeAlias = dict[tuple[int, ...], Amount]


class Circuit:
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
        What hangs on each of the n readings.
    shown : ndarray, shape (4, ..., n)
        Voltage, speed, current, torque; zero where not read.
    errors : list of ndarray
        All errors of the rows, each (..., n) or a number.
    """

    def __init__(self, rows: Rows, shown: FloatArray, errors: list[Amount]) -> None:
        self.errors = errors
        #: What a step of a reading is worth: one over 1 + g.
        self.worth: list[Amount] = [1.0 / (1.0 + errors[gain]) for gain in GAIN]
        self.corrected: list[FloatArray] = [
            (each - errors[offset]) * worth
            for each, offset, worth in zip(shown, OFFSET, self.worth, strict=True)
        ]
        voltage, speed, current, torque = self.corrected
        self.metered = rows.metered.astype(float)
        self.load = rows.load / (1.0 + errors[LOAD])
        self.branch = 1.0 / (self.load + rows.load_extra)  # zero where nothing is connected
        self.conductance = rows.input_conductance + self.branch
        self.leads = rows.lead_resistance + errors[LEADS]
        branch = self.metered * current + current_from_load(voltage, self.load, rows.load_extra)
        current = machine_current(branch, voltage, rows.input_conductance)
        voltage = terminal_voltage_behind_leads(voltage, current, self.leads)
        self.values = (voltage, speed, current, torque)

    @cached_property
    def through(self) -> Slopes:
        """d(values)/d(corrected), by (quantity, quantity read)."""
        return {
            (SPEED, SPEED): 1.0,
            (TORQUE, TORQUE): 1.0,
            (CURRENT, CURRENT): self.metered,
            (CURRENT, VOLTAGE): -self.conductance,
            (VOLTAGE, CURRENT): -self.metered * self.leads,
            (VOLTAGE, VOLTAGE): 1.0 + self.conductance * self.leads,
        }

    def corrected_slopes(self, error: int) -> Amount:
        """d(corrected)/d(gain or offset) of the quantity that it is an error of."""
        quantity = error % len(READ)
        if error in GAIN:
            return -self.corrected[quantity] * self.worth[quantity]
        return -self.worth[quantity]

    def value_slopes(self, errors: Collection[int]) -> Slopes:
        """d(values)/d(what is not an error of a reading), by (quantity, error)."""
        slopes: Slopes = {}
        if LOAD in errors:
            through_load = -self.corrected[VOLTAGE] * self._conductance_slope()
            slopes |= {(CURRENT, LOAD): through_load, (VOLTAGE, LOAD): -self.leads * through_load}
        if LEADS in errors:
            slopes[VOLTAGE, LEADS] = -self.values[CURRENT]
        return slopes

    def through_slopes(self, errors: Collection[int]) -> Slopes:
        """Change of `through`, by (quantity, quantity read, error)."""
        slopes: Slopes = {}
        if LOAD in errors:
            conductance = self._conductance_slope()
            slopes[CURRENT, VOLTAGE, LOAD] = -conductance
            slopes[VOLTAGE, VOLTAGE, LOAD] = self.leads * conductance
        if LEADS in errors:
            slopes[VOLTAGE, VOLTAGE, LEADS] = self.conductance
            slopes[VOLTAGE, CURRENT, LEADS] = -self.metered
        return slopes

    def _conductance_slope(self) -> FloatArray:
        """By the relative error of the load resistor."""
        connected = np.where(np.isinf(self.load), 0.0, self.load)
        return np.asarray(connected * self.branch**2 / (1.0 + self.errors[LOAD]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AtMachine:
    """Terminal voltage, speed, current and torque at the machine itself."""

    values: FloatArray  # (n, 4)
    from_shown: FloatArray  # (n, 4, 4): d(values)/d(shown)


def at_machine(rows: Rows, influence: Influence, nuisance: FloatArray) -> AtMachine:
    """From what the instruments showed to what the machine had; see `Circuit`.

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
    circuit = Circuit(rows, rows.shown.T, Shares(influence).total(nuisance))
    from_shown = np.zeros((len(rows), len(READ), len(READ)))
    for (quantity, read), slope in circuit.through.items():
        from_shown[:, quantity, read] = slope * circuit.worth[read]
    return AtMachine(values=np.stack(circuit.values, axis=-1), from_shown=from_shown)
