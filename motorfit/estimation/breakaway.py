r"""Torque at which the machine starts to turn: mean over a turn, largest, and cogging.

A reading at position p is friction and cogging and scatter. With the machine turned both ways
cogging helps one way and hinders the other: half the difference of both is cogging, half the sum
friction. One way only, what positions differ by beyond the scatter of repeats is taken as
cogging. Analysis of variance, as in any textbook:

.. math:: \sigma_p^2 = \mathrm{Var}(\bar\tau_p) - \sigma_e^2 / n, \qquad
          \text{amplitude} = \sqrt{2}\, \sigma_p

for cogging that goes like a sine of the angle. The position that was worst was so by chance as
well: its mean is drawn towards the others by :math:`\sigma_p^2/(\sigma_p^2 + \sigma_e^2/n)`.
"""

from __future__ import annotations

import math

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.records import Bench
from motorfit.estimate import Estimate, coverage_factor
from motorfit.estimation.breakaway_readings import StartingTorques, numbered, starting_torques
from motorfit.estimation.physics import T0
from motorfit.estimation.result import Breakaway, WidthShare
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.estimation.widths import shares_of
from motorfit.finding import Finding

#: Usual relative standard deviation of a starting torque pulled by hand at one position, and
#: from position to position: common practice, no source.
USUAL_SCATTER, USUAL_SPREAD = 0.1, 0.2

#: How many readings each of these is worth beside those that were taken.
_PRIOR_READINGS = 2.0

#: Cogging is called so where chance alone would show as much once in twenty times.
_TOLD = 0.05

#: Starting takes about as much as dry friction when turning, seldom more than a few times that.
_LEAST_OF_LOSS, _MOST_OF_LOSS = 0.5, 8.0


def breakaway_of(bench: Bench, level: float) -> Breakaway | None:
    """What the starting torques of a bench tell; None where there are none.

    Parameters
    ----------
    bench : Bench
        With or without breakaway readings.
    level : float
        Coverage of the intervals.
    """
    readings = starting_torques(bench)
    if readings is None:
        return None
    cell, count = numbered(readings.position * 2 + readings.direction)
    average = np.zeros((count, len(cell)))  # from readings to the mean of each cell
    average[cell, np.arange(len(cell))] = 1.0
    repeats = average.sum(axis=1)
    average /= repeats[:, None]
    means = average @ readings.torque
    usual = float(np.mean(means))
    scatter, freedom = _scatter(readings, usual)
    weights, mean_variance, mean_freedom = _mean(readings, average, cell)
    own = scatter / repeats
    between = (USUAL_SPREAD * usual) ** 2
    if count > 1:
        between = max(0.0, float(np.var(means, ddof=1) - np.mean(own)))
    drawn = between / (between + own)
    worst = int(np.argmax(usual + drawn * (means - usual)))
    share = float(drawn[worst])
    positions = len(np.unique(readings.position))
    # how far the top of a sine is above the nearest of evenly spread positions
    unseen = math.sqrt(2 * between) * min(1.0, math.pi**2 / (2 * positions**2))
    variance = share * own[worst] + (1 - share) ** 2 * mean_variance + unseen**2 / 3
    return Breakaway(
        mean=_estimate(readings, weights, mean_variance, mean_freedom, level),
        largest=_estimate(
            readings,
            share * average[worst] + (1 - share) * weights,
            variance,
            min(freedom, mean_freedom),
            level,
        ),
        cogging=_cogging(readings, level, scatter, freedom),
        scatter=math.sqrt(scatter) / usual if usual > 0 else math.inf,
        positions=positions,
        directions=len(np.unique(readings.direction)),
        widths=_widths(readings, weights, mean_variance),
    )


def breakaway_findings(
    breakaway: Breakaway | None, uncertainty: Uncertainty, level: float
) -> list[Finding]:
    """A starting torque that does not go with the dry friction of the turning machine.

    Parameters
    ----------
    breakaway : Breakaway or None
        The starting torque.
    uncertainty : Uncertainty
        Of the solved bench, whose dry friction it is held against.
    level : float
        Coverage of the intervals.
    """
    joint = uncertainty.joint
    if breakaway is None or T0 not in joint.problem.free:
        return []
    place = joint.problem.free.index(T0)
    if not joint.standing.measured[place]:
        return []
    value = float(joint.machine[place])
    weights = np.eye(len(joint.problem.free))[place]
    coulomb = uncertainty.estimate(weights, value=value, unit="N.m", level=level, lower=0.0)
    (low, high), (least, most) = breakaway.mean.interval, coulomb.interval
    small, large = high < _LEAST_OF_LOSS * least, low > _MOST_OF_LOSS * most > 0
    if not small and not large:
        return []
    times = breakaway.mean.value / coulomb.value
    return [
        Finding(
            kind="breakaway-unlike-friction",
            where="breakaway.csv",
            says=f"It starts at {times:.2g} times the dry friction that it has when turning.",
            suggestion="See in which unit the scale shows and what the headers of force and arm "
            "say"
            + (
                ", and whether gravity helped the arm."
                if small
                else "; grease that was stiff, or brushes that stick, do so as well."
            ),
            damage=abs(math.log(times)),
        )
    ]


def _scatter(readings: StartingTorques, usual: float) -> tuple[float, float]:
    """Variance of a repeated reading and its degrees of freedom, with the usual one's weight.

    What is left of a friction for each direction and a cogging for each position that helps
    one way and hinders the other.
    """
    ways, places = np.unique(readings.direction), np.unique(readings.position)
    sign = np.where(readings.direction == ways[0], 1.0, -1.0)
    columns = [readings.direction == way for way in ways]
    columns += [sign * (readings.position == place) for place in places]
    design = np.column_stack(columns).astype(float)
    found, _, rank, _ = np.linalg.lstsq(design, readings.torque)
    left = readings.torque - design @ found
    freedom = float(len(left) - rank + _PRIOR_READINGS)
    square = float(left @ left) + _PRIOR_READINGS * (USUAL_SCATTER * usual) ** 2
    return square / freedom, freedom


def _mean(
    readings: StartingTorques, average: FloatArray, cell: IntArray
) -> tuple[FloatArray, float, float]:
    """Weights of the mean over positions, its variance, and the degrees of freedom of that."""
    _, first = np.unique(cell, return_index=True)
    place, count = numbered(readings.position[first])
    by_position = np.zeros((count, average.shape[1]))
    np.add.at(by_position, place, average)
    by_position /= np.bincount(place)[:, None]
    weights = by_position.mean(axis=0)
    means = by_position @ readings.torque
    spread = float(np.sum((means - means.mean()) ** 2))
    freedom = count - 1 + _PRIOR_READINGS
    spread = (spread + _PRIOR_READINGS * (USUAL_SPREAD * means.mean()) ** 2) / freedom
    return weights, spread / count, freedom


def _cogging(
    readings: StartingTorques, level: float, scatter: float, freedom: float
) -> Estimate | None:
    """Amplitude of what goes with the position; None where the scatter may be all of it."""
    shape = _by_position(readings)
    if len(shape) < 3:
        return None
    count = len(shape)
    weights = shape - shape.mean(axis=0)
    own = scatter * float(np.mean(np.sum(shape**2, axis=1)))
    differences = weights @ readings.torque
    varied = float(differences @ differences) / (count - 1)
    from scipy.special import fdtrc

    if own <= 0 or fdtrc(count - 1, freedom, varied / own) > _TOLD:
        return None
    size = varied - own
    doubt = math.sqrt(2 * varied**2 / (count - 1) + 2 * own**2 / freedom)
    amplitude = math.sqrt(2 * size)
    deviation = amplitude * doubt / (2 * size)
    shares = [
        nuisance.deviation * float((weights @ slope) @ differences / (differences @ differences))
        for nuisance, slope in readings.errors
    ]
    instruments = float(np.sum(np.square(shares))) * amplitude**2
    return _made(amplitude, deviation**2, instruments, float(count - 1), level)


def _by_position(readings: StartingTorques) -> FloatArray:
    """From readings to what each position adds, both ways where both were read, (P, n)."""
    rows = []
    both = len(np.unique(readings.direction)) == 2
    for place in np.unique(readings.position):
        parts = [
            (readings.position == place) & (readings.direction == way)
            for way in np.unique(readings.direction)
        ]
        if all(part.any() for part in parts):
            halves = [part / part.sum() for part in parts]
            rows.append((halves[0] - halves[1]) / 2 if both else halves[0])
    return np.array(rows).reshape(len(rows), len(readings.torque))


def _estimate(
    readings: StartingTorques, weights: FloatArray, variance: float, freedom: float, level: float
) -> Estimate:
    instruments = sum(
        (nuisance.deviation * float(weights @ slope)) ** 2 for nuisance, slope in readings.errors
    )
    return _made(float(weights @ readings.torque), variance, instruments, freedom, level)


def _widths(
    readings: StartingTorques, weights: FloatArray, variance: float
) -> tuple[WidthShare, ...]:
    parts = [
        (nuisance, (nuisance.deviation * float(weights @ slope)) ** 2)
        for nuisance, slope in readings.errors
    ]
    total = variance + sum(part for _, part in parts) or 1.0
    cause = "scatter and spread over the positions"
    return shares_of(variance, parts, total=total, scatter_cause=cause)


def _made(
    value: float, scatter: float, instruments: float, freedom: float, level: float
) -> Estimate:
    """An estimate of a torque; degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4.1)."""
    variance = scatter + instruments
    effective = freedom * (variance / scatter) ** 2 if scatter > 0 else math.inf
    half_width = float(coverage_factor(level, effective)) * math.sqrt(variance)
    return Estimate(
        value=value,
        unit="N.m",
        standard_uncertainty=math.sqrt(variance),
        from_scatter=math.sqrt(scatter),
        from_instruments=math.sqrt(instruments),
        interval=(max(0.0, value - half_width), value + half_width),
        level=level,
        degrees_of_freedom=effective,
        method="linear",
    )
