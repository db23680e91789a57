"""Which slip of the pen would make a reading fit: tried one by one, never corrected."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.conditions import BrushedConditions
from motorfit.estimation.corrections import Slip, corrections, usual_sign
from motorfit.estimation.ground import Sheet, sheets_of
from motorfit.estimation.judging import with_directions
from motorfit.estimation.resistors import resistor_ratio
from motorfit.estimation.rows import CURRENT, SPEED, TORQUE, VOLTAGE, Rows
from motorfit.estimation.scatter import project
from motorfit.estimation.search import Explained

#: A corrected reading fits within so many squared deviations, for a row of one equation and of
#: two: chance 0.003.
_FITS = {1: 9.0, 2: 11.8}

#: Two corrections are as good as each other within this difference of squared deviations.
_AS_GOOD = 4.0

#: What is likelier than the others, in squared deviations: a minus sign among readings that
#: have none speaks for itself; the reading of the next row often fits by chance.
_EXPECTED = {"sign": 12.0, "neighbour": -4.0}

#: Volts over amps of a resistor repeat to about this, relatively.
_RESISTOR = 0.015

#: More than this many squared deviations say no more than that it does not fit.
_ENOUGH = 16.0

_AXIS = {"voltage": VOLTAGE, "speed": SPEED, "current": CURRENT, "torque": TORQUE, "force": TORQUE}


def likely_slips(
    bench: Bench, explained: Explained, row: int, doubtful: tuple[int, ...] = ()
) -> tuple[Slip, ...]:
    """Corrections of one row that would make it fit, the best first.

    Parameters
    ----------
    bench : Bench
        The readings as written.
    explained : Explained
        What was found.
    row : int
        Of the bench: the one that does not fit.
    doubtful : tuple of int
        Other rows that do not fit: readings may have changed places with them.

    Returns
    -------
    tuple of Slip
        Empty where no slip fits; two where both do as well as each other.
    """
    sheet = next(each for each in sheets_of(bench) if row in each.rows)
    place = int(row - sheet.rows[0])
    nearby = {place - 1, place + 1} | {int(other - sheet.rows[0]) for other in doubtful}
    others = sorted(each for each in nearby if 0 <= each < len(sheet.rows) and each != place)
    tried = list(corrections(bench, sheet.run, place, others))
    if not tried:
        return ()
    misfit = _misfits(explained, sheet, place, tried)
    equations = int(explained.joint.problem.conditions.present[row].sum())
    expected = np.array([_EXPECTED.get(slip.sort, 0.0) for slip in tried])
    if doubtful:  # then readings of these rows may well have changed places
        expected = np.maximum(expected, 0.0)
    fits = misfit <= _FITS[equations] + np.maximum(expected, 0.0)
    rank = misfit + _resistor_misfits(sheet.run, place, tried) - expected
    best = float(np.min(np.where(fits, rank, np.inf)))
    good = np.flatnonzero(fits & (rank <= best + _AS_GOOD))
    chosen: list[Slip] = []
    for each in good[np.argsort(rank[good], kind="stable")]:
        if tried[each].values not in [other.values for other in chosen]:
            chosen.append(tried[each])
    return tuple(chosen[:2])


def _misfits(explained: Explained, sheet: Sheet, place: int, tried: list[Slip]) -> FloatArray:
    """Squared deviations of the row, in its own uncertainty, with each correction."""
    problem, row = explained.joint.problem, int(sheet.rows[place])
    residual, predicted = _by_the_others(explained, row)
    shown, load = _as_corrected(problem.conditions.rows, sheet.run, place, row, tried)
    scales = np.exp(explained.scales.log_variance)
    before = _row(explained, row, shown[:1], load[:1])
    present = problem.conditions.present[row]
    theta = explained.joint.solution.theta
    after = _row(explained, row, shown, load)
    there = np.ix_(range(len(shown)), present, present)

    def own(conditions: BrushedConditions) -> FloatArray:
        at = conditions.linearise(theta).sensitivity
        scatter = at @ conditions.reading_covariance(scales) @ at.swapaxes(-1, -2)
        return np.asarray(scatter + conditions.own_variance(theta, scales))

    change = after.linearise(theta).residual - before.linearise(theta).residual
    left = residual + change[:, present]
    shared = predicted - own(before)[0][np.ix_(present, present)]
    variance = own(after)[there] + shared
    return np.asarray(np.einsum("hi,hij,hj->h", left, np.linalg.inv(variance), left))[1:]


def _by_the_others(explained: Explained, row: int) -> tuple[FloatArray, FloatArray]:
    """What is left of a row when all others predict it, with its covariance.

    With P of all rows, :math:`P_{rr}^{-1} (P y)_r` and :math:`P_{rr}^{-1}`.
    """
    joint = explained.joint
    elsewhere = [
        verdict.suspicion.direction
        for verdict in explained.verdicts
        if row not in verdict.suspicion.rows
    ]
    stack = with_directions(joint.stack, elsewhere)
    projected = project(stack, explained.scales.log_variance)
    here = np.flatnonzero(np.nonzero(joint.problem.conditions.present)[0] == row)
    block = projected.projection[np.ix_(here, here)]
    block = block + 1e-9 * np.diag(np.diag(projected.weight)[here])
    covariance = np.linalg.inv(block)
    left = covariance @ (projected.projection @ stack.residual)[here]
    return np.asarray(left, float), np.asarray(covariance, float)


def _as_corrected(
    rows: Rows, run: Run, place: int, row: int, tried: list[Slip]
) -> tuple[FloatArray, FloatArray]:
    """What the row shows as it is, then with each correction: readings and load."""
    shown = np.repeat(rows.shown[[row]], len(tried) + 1, axis=0)
    load = np.repeat(rows.load[[row]], len(tried) + 1)
    for number, slip in enumerate(tried, start=1):
        for column, value in slip.values:
            factor = value * usual_sign(run, column) / float(run.get(column)[place])
            if column == "load":
                load[number] *= factor
            else:
                shown[number, _AXIS[column]] *= factor
    return shown, load


def _row(explained: Explained, row: int, shown: FloatArray, load: FloatArray) -> BrushedConditions:
    """Condition equations of one row, once for each of several readings of it."""
    problem = explained.joint.problem
    old = problem.conditions
    repeated = np.full(len(shown), row)
    patterns = problem.assembled.patterns[:, repeated] * _louder(shown)
    return BrushedConditions(
        replace(old.rows.part(repeated), shown=shown, load=load),
        old.influence.part(repeated),
        free=problem.free,
        thermal=old.thermal,
        brush_current_scale=old.brush_current_scale,
        patterns=patterns,
        friction=problem.assembled.friction,
    )


def _louder(shown: FloatArray) -> FloatArray:
    """By how much a larger reading scatters more than the first, (h, 4)."""
    first = np.abs(shown[:1])
    ratio = np.divide(np.abs(shown), first, out=np.ones_like(shown), where=first > 0)
    return np.asarray(np.maximum(ratio, 1e-3))


def _resistor_misfits(run: Run, place: int, tried: list[Slip]) -> FloatArray:
    """Whether volts over amps are those of the resistor, where other rows tell it."""
    usual = resistor_ratio(run, place)
    none = np.zeros(len(tried))
    if usual is None:
        return none
    for number, slip in enumerate(tried):
        values = dict(slip.values)
        voltage, current = (
            values.get(name, abs(float(run.get(name)[place]))) for name in ("voltage", "current")
        )
        off = np.log(voltage / current / usual) / _RESISTOR
        none[number] = min(off**2, _ENOUGH)
    return none
