"""Profile intervals against a scan of the likelihood that shares no code with the fit.

The model is written out by hand: a driven machine, v = k w + R i - Vb, errors of known size in
all three readings. One parameter is held, the other two follow by `scipy.optimize.least_squares`
with difference quotients, and `brentq` finds where the sum of squares has grown by the square
of the normal quantile.
"""

import numpy as np
import pytest
from condition_models import as_problem, joint_of, voltage_conditions
from scipy import optimize, stats

from motorfit.arrays import FloatArray
from motorfit.estimation.uncertainty import Uncertainty, split_uncertainty
from motorfit.estimation.ways import Wanted, by_way

#: Standard deviations of voltage, speed, current and torque: so large that the sum of squares
#: is no parabola, and small enough that all three parameters are measured.
DEVIATION = np.array([0.1, 3.0, 0.15, 0.01])
NAMES = ("EMF constant", "resistance", "brush drop")


def driven() -> FloatArray:
    """Twelve readings of an invented machine of 0.085 V s/rad, 0.62 ohm and 2 V."""
    speed, current = (a.ravel() for a in np.meshgrid([80.0, 150.0, 220.0], [-1.0, -2, -4, -7]))
    true = np.stack([0.085 * speed + 0.62 * current - 2.0, speed, current, 0 * speed], axis=-1)
    rng = np.random.default_rng(20240501)
    return true + rng.normal(size=true.shape) * DEVIATION * [1.0, 1.0, 1.0, 0.0]


SHOWN = driven()
VOLTAGE, SPEED, CURRENT, _ = SHOWN.T


def whitened(parameters: FloatArray) -> FloatArray:
    """Residuals of the voltage equation over their standard deviation at these parameters."""
    k, resistance, drop = parameters
    residual = VOLTAGE - k * SPEED - resistance * CURRENT + drop
    variance = DEVIATION[0] ** 2 + (k * DEVIATION[1]) ** 2 + (resistance * DEVIATION[2]) ** 2
    return np.asarray(residual / variance**0.5)


TRULY = np.array([0.085, 0.62, 2.0])
BEST = optimize.least_squares(whitened, TRULY, x_scale=TRULY, xtol=1e-14, ftol=1e-14)


def growth(place: int, value: float) -> float:
    """By how much the least sum of squares grows where one parameter is held."""
    free = np.delete(np.arange(3), place)

    def held(others: FloatArray) -> FloatArray:
        parameters = np.full(3, value)
        parameters[free] = others
        return whitened(parameters)

    found = optimize.least_squares(held, BEST.x[free], x_scale=TRULY[free], xtol=1e-14, ftol=1e-14)
    return 2.0 * float(found.cost - BEST.cost)


def scanned(place: int, step: float, grown: float) -> tuple[float, float]:
    """Where it has grown by that much on either side, ``step`` a width to search in."""
    best = float(BEST.x[place])
    low, high = (
        optimize.brentq(lambda value: growth(place, value) - grown, best, end, xtol=1e-10)
        for end in (best - 4 * step, best + 4 * step)
    )
    return low, high


@pytest.fixture(scope="module")
def linear() -> Uncertainty:
    patterns = np.broadcast_to(DEVIATION, (1, len(SHOWN), 4))
    return split_uncertainty(
        joint_of(as_problem(voltage_conditions(SHOWN, DEVIATION), patterns), known=True)
    )


@pytest.mark.parametrize("place", range(3), ids=NAMES)
@pytest.mark.parametrize("level", [0.68, 0.95])
def test_ends_of_a_profile(linear, place, level):
    """Found to agree to 3e-7 of a standard uncertainty; `lmfit.conf_interval` bisects to 1e-5.

    The linear interval is 0.005 to 0.05 of it beside the ends, far more than is allowed.
    """
    weights = np.eye(3)[place]
    best = float(linear.joint.machine[place])
    way = by_way(linear, Wanted(level=level, method="profile"))

    found = way.estimate(weights, value=best, unit="1", level=level)

    straight = linear.estimate(weights, value=best, unit="1", level=level)
    unit = straight.standard_uncertainty
    ends = np.array(scanned(place, unit, stats.norm.ppf(0.5 + level / 2) ** 2))
    assert found.method == "profile"
    assert (np.array(found.interval) - ends) / unit == pytest.approx([0.0, 0.0], abs=1e-4)
    assert np.max(np.abs(np.array(straight.interval) - ends)) > 0.005 * unit
