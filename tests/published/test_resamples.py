"""Resamples solved together against scipy, each by itself, on an objective written out by hand.

The model shares no code with the fit: a driven machine, f = v/(1 + g) - k w - R i + Vb, g the
voltmeter's gain with a prior, errors of known size in voltage, speed and current. A row that
counts w times has 1/w of the variance. `scipy.optimize.least_squares` minimises it with
difference quotients.

Tolerance: six digits of a parameter, found 1.4e-8 (difference quotients move where scipy
stops). What the resamples differ by among themselves is a thousand times the tolerance.
"""

import numpy as np
import pytest
from condition_models import as_problem, joint_of, voltage_conditions
from scipy import optimize

from motorfit.arrays import FloatArray
from motorfit.estimation.rows import VOLTAGE, Influence, Nuisance
from motorfit.estimation.together import Resamples, solve_together

DEVIATION = np.array([0.1, 3.0, 0.15, 0.01])  # of voltage, speed, current, torque
GAIN = 0.005  # prior standard deviation
AGREE = 1e-6
COUNT = 8


def driven() -> FloatArray:
    """Sixteen readings of an invented machine of 0.085 V s/rad, 0.62 ohm and 2 V."""
    speed, current = (a.ravel() for a in np.meshgrid([80.0, 150.0, 220, 300], [-1.0, -2, -4, -7]))
    true = np.stack([0.085 * speed + 0.62 * current - 2.0, speed, current, 0 * speed], axis=-1)
    rng = np.random.default_rng(20240501)
    return true + rng.normal(size=true.shape) * DEVIATION * [1.0, 1.0, 1.0, 0.0]


SHOWN = driven()


def by_scipy(shown: FloatArray, mean: float, weight: FloatArray) -> FloatArray:
    """k, R, Vb and g with the least sum of squares."""
    voltage, speed, current, _ = shown.T

    def whitened(parameters: FloatArray) -> FloatArray:
        k, resistance, drop, gain = parameters
        residual = voltage / (1 + gain) - k * speed - resistance * current + drop
        volt = DEVIATION[0] / (1 + gain)
        variance = volt**2 + (k * DEVIATION[1]) ** 2 + (resistance * DEVIATION[2]) ** 2
        return np.append(residual * np.sqrt(weight / variance), (gain - mean) / GAIN)

    start = np.array([0.1, 0.5, 1.0, 0.0])
    scale = np.array([0.1, 1.0, 1.0, 0.01])
    tight = {"xtol": 1e-14, "ftol": 1e-14, "gtol": 1e-14}
    return np.asarray(
        optimize.least_squares(whitened, start, x_scale=scale, jac="3-point", **tight).x
    )


@pytest.mark.parametrize("counted", [False, True], ids=["errors drawn", "rows counted"])
def test_resamples_solved_together(counted):
    rng = np.random.default_rng(20240502)
    shift = rng.normal(size=(COUNT, *SHOWN.shape)) * DEVIATION * [1.0, 1.0, 1.0, 0.0]
    mean = rng.uniform(-2 * GAIN, 2 * GAIN, (COUNT, 1))
    weight = np.ones((COUNT, len(SHOWN)))
    if counted:
        weight = rng.integers(1, 4, weight.shape).astype(float)
    influence = Influence.none(len(SHOWN), 1)
    influence.gain[:, VOLTAGE, 0] = 1.0
    conditions = voltage_conditions(SHOWN, DEVIATION, influence)
    patterns = np.broadcast_to(DEVIATION, (1, len(SHOWN), 4))
    gain = Nuisance(quantity="voltage", error="gain", deviation=GAIN)
    joint = joint_of(as_problem(conditions, patterns, nuisances=(gain,)), known=True)

    found = solve_together(
        joint.problem,
        joint.solution,
        np.zeros(1),
        Resamples(shift=shift, mean=mean, weight=weight if counted else None),
    )

    expected = np.array([by_scipy(SHOWN + shift[b], mean[b, 0], weight[b]) for b in range(COUNT)])
    assert found.settled.all()
    assert found.theta[:, :3] == pytest.approx(expected[:, :3], rel=AGREE)
    assert found.theta[:, 3] == pytest.approx(expected[:, 3], abs=AGREE * GAIN)
    assert np.all(expected.std(axis=0) > 1000 * AGREE * np.abs(expected.mean(axis=0)))
