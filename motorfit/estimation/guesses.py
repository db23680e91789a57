"""What nobody read of a coasting machine, guessed from the other readings.

The speed of a log of voltages, and the voltage of a log of speeds on a resistor, stand in the
condition equations like readings that may be off by many times their size: the voltage
equation tells them, and both equations are linear in them, so that the guess does not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.rows import (
    CURRENT,
    RATE_OF_SPEED,
    RATE_OF_VOLTAGE,
    SPEED,
    VOLTAGE,
)

#: Standard deviation of a guess, in units of itself: a dozen of them tell nothing.
UNKNOWN = 10.0

#: Volts per rad/s of a bench where no speed was read; any would do.
_ANY_CONSTANT = 0.05


def with_guesses(
    shown: FloatArray,
    present: BoolArray,
    torque_from: IntArray,
    load: FloatArray,
    metered: BoolArray,
    guess: DrivenGuess,
) -> tuple[FloatArray, FloatArray]:
    """Readings with what was not read filled in, and the variance of that.

    Parameters
    ----------
    shown : ndarray, shape (n, 4)
        Voltage, speed, current, torque or rate; zero where not read.
    present : ndarray of bool, shape (n, 2)
        Which equations there are.
    torque_from : ndarray of int, shape (n,)
        What the torque is made from, see `Rows`.
    load : ndarray, shape (n,)
        What is connected; infinite for nothing.
    metered : ndarray of bool, shape (n,)
        Whether the current was read.
    guess : DrivenGuess
        Of the bench.

    Returns
    -------
    shown, variance : ndarray, shape (n, 4)
    """
    shown, unread = shown.copy(), np.zeros_like(shown)
    by_voltage = (torque_from == RATE_OF_VOLTAGE) & (shown[:, SPEED] == 0)
    by_speed = (torque_from == RATE_OF_SPEED) & present[:, 0] & (shown[:, VOLTAGE] == 0)
    if not (by_voltage.any() or by_speed.any()):
        return shown, unread
    constant, resistance = guess.constant, guess.resistance
    through_load = shown[:, VOLTAGE] / load
    current = np.where(metered, np.abs(shown[:, CURRENT]), through_load)
    speed = (shown[:, VOLTAGE] + resistance * current) / constant
    share = 1.0 / (1.0 + resistance / load)
    for rows, axis, size in (
        (by_voltage, SPEED, speed),
        (by_speed, VOLTAGE, constant * shown[:, SPEED] * share),
    ):
        shown[rows, axis] = size[rows]
        unread[rows, axis] = (UNKNOWN * size[rows]) ** 2
    return shown, unread


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivenGuess:
    """EMF constant, resistance and largest current as single readings have them."""

    constant: float  # [V s/rad]
    resistance: float  # [ohm]
    current: float  # [A]


def driven_guess(bench: Bench) -> DrivenGuess:
    """What the driven readings of a bench say at a glance.

    Parameters
    ----------
    bench : Bench
        The readings.

    Returns
    -------
    DrivenGuess
        Some constant where no voltage was read beside a speed; no resistance where no
        current was.
    """
    tables = [_table(run) for run in bench.runs if run.kind != "zero" and len(run)]
    if not tables:
        return DrivenGuess(constant=_ANY_CONSTANT, resistance=0.0, current=1.0)
    voltage, speed, current = np.concatenate(tables, axis=1)
    largest = float(np.nanmax(np.abs(current), initial=0.0)) or 1.0
    read = (voltage > 0) & (speed > 0)
    if not read.any():
        return DrivenGuess(constant=_ANY_CONSTANT, resistance=0.0, current=largest)
    voltage, speed, current = voltage[read], speed[read], current[read]
    open_circuit = ~(np.abs(current) > 0)
    ratio = voltage / speed
    constant = float(np.median(ratio[open_circuit]) if open_circuit.any() else ratio.max())
    drop = constant * speed - voltage
    driven = (current < 0) & (drop > 0)
    resistance = float(np.median(drop[driven] / -current[driven])) if driven.any() else 0.0
    return DrivenGuess(constant=constant, resistance=resistance, current=largest)


def _table(run: Run) -> FloatArray:
    """Voltage, speed and current, zero where not read, (3, n)."""
    voltage, load = np.abs(run.get("voltage")), run.get("load")
    through = -voltage / np.where(load > 0, load, np.inf)
    current = np.where(np.isnan(run.get("current")), through, run.get("current"))
    return np.asarray(np.nan_to_num(np.stack([voltage, np.abs(run.get("speed")), current])))
