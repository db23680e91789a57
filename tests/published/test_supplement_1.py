"""JCGM 101:2008, 9.2: Monte Carlo against the linear interval, through the fit's own ways.

The additive model of the guide, Y = X1 + X2 + X3 + X4, is one reading of a voltage at 1 rad/s
by a meter with four offsets: k = v - o1 - o2 - o3 - o4. Printed digits from memory (9.2.2:
u = 2.00, 3.92; 9.2.3: 3.88; 9.2.4: u = 10.1, 17.0), recomputed by exact convolution.
"""

import numpy as np
import pytest
from condition_models import THERMAL, as_problem, bench_rows, joint_of

from motorfit.estimation.conditions import BrushedConditions
from motorfit.estimation.physics import K
from motorfit.estimation.rows import VOLTAGE, Influence, Nuisance
from motorfit.estimation.uncertainty import Uncertainty, split_uncertainty
from motorfit.estimation.ways import Wanted, by_way

DRAWS = 100_000
SHOWN = 1000.0  # far from zero, so that the bound of k plays no part [V]

#: Shape, standard uncertainties of the four; u of Y, half-widths of the 95 % interval by
#: Monte Carlo and by the normal distribution.
CASES = {
    "9.2.2": ("normal", (1.0, 1.0, 1.0, 1.0), 2.00, 3.92, 3.92),
    "9.2.3": ("rectangular", (1.0, 1.0, 1.0, 1.0), 2.00, 3.88, 3.92),
    "9.2.4": ("rectangular", (1.0, 1.0, 1.0, 10.0), 10.1, 17.0, 19.9),
}


def additive(shape: str, deviations: tuple[float, ...]) -> Uncertainty:
    """The fit of k from one voltage with four unknown offsets and next to no scatter."""
    rows = bench_rows(np.array([[SHOWN, 1.0, 0.0, 0.0]]))
    nuisances = tuple(
        Nuisance(
            quantity="voltage",
            error="offset",
            deviation=deviation,
            shape=shape,
            half_width=deviation * 3**0.5,
            id=f"meter {number}",
        )
        for number, deviation in enumerate(deviations)
    )
    influence = Influence.none(1, 4)
    influence.offset[:, VOLTAGE] = 1.0
    patterns = np.zeros((1, 1, 4))
    patterns[..., VOLTAGE] = 1e-3
    conditions = BrushedConditions(
        rows,
        influence,
        free=(K,),
        thermal=THERMAL,
        brush_current_scale=1e-3,
        patterns=patterns,
        friction=np.zeros(1),
    )
    joint = joint_of(as_problem(conditions, patterns, nuisances=nuisances), known=True)
    return split_uncertainty(joint)


@pytest.mark.parametrize("case", CASES)
def test_monte_carlo_beside_the_linear_interval(case):
    shape, deviations, uncertainty, by_draws, by_normal = CASES[case]
    linear = additive(shape, deviations)
    drawn = by_way(linear, Wanted(level=0.95, method="monte-carlo", draws=DRAWS, seed=20240501))

    def estimate(way: Uncertainty):
        return way.estimate(np.ones(1), value=SHOWN, unit="V.s/rad", level=0.95)

    from_draws, from_normal = estimate(drawn), estimate(linear)
    assert (from_normal.method, from_draws.method) == ("linear", "monte-carlo")
    assert from_normal.standard_uncertainty == pytest.approx(uncertainty, abs=0.05)
    # exact but for the 1e-3 V of scatter; half a unit of the printed digit
    half = np.array(from_normal.interval) - SHOWN
    assert half == pytest.approx([-by_normal, by_normal], abs=0.05)
    # found 3.90, 3.88 and 17.01. The standard error of a 2.5 % quantile of so many draws is
    # 0.0085 of the standard uncertainty at most; four of them, and half of the printed digit
    allowed = 4 * 0.0085 * uncertainty + (0.05 if by_draws == 17.0 else 0.005)
    ends = np.array(from_draws.interval) - SHOWN
    assert ends == pytest.approx([-by_draws, by_draws], abs=allowed)
