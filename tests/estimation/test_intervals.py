"""Ways to an interval, each by itself."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from motorfit.estimation.intervals import Asked, Drawn, Linear, Profiled

ONE = np.ones(1)


def asked(**changed):
    given = {
        "weights": ONE,
        "value": 3.0,
        "deviation": 0.5,
        "degrees_of_freedom": 7.0,
        "lower": 0.0,
        "level": 0.95,
    }
    return Asked(**(given | changed))


def test_linear_is_students_quantile_times_the_uncertainty():
    """JCGM 100, table G.2: 2.36 for 7 degrees of freedom at 95 %, printed to 0.01."""
    made = Linear().interval(asked())

    assert made.method == "linear"
    assert made.interval == pytest.approx((3.0 - 1.18, 3.0 + 1.18), abs=0.005 * 0.5 + 1e-9)


def test_linear_is_cut_at_the_bound():
    assert Linear().interval(asked(value=0.2)).interval[0] == 0.0


def test_linear_is_one_sided_at_the_bound():
    """JCGM 100, table G.2: 2.36 at 95 % and 7 degrees of freedom, upwards only."""
    made = Linear().interval(asked(value=0.0))

    assert made.interval == pytest.approx((0.0, 2.36 * 0.5), abs=0.005 * 0.5)


@pytest.mark.parametrize("truth", [0.0, 0.5, 1.0, 1.5, 1.65, 1.9, 2.5])
def test_bounded_estimates_hold_the_truth_as_often_as_they_say(truth):
    """A normal estimate of standard deviation 1 that cannot be negative, wherever the truth is.

    20,001 equally probable errors: 95 % of the intervals hold the truth, or more.
    """
    errors = stats.norm.ppf((np.arange(20001) + 0.5) / 20001)
    held = 0
    for estimate in np.maximum(truth + errors[::20], 0.0):
        low, high = (
            Linear()
            .interval(asked(value=float(estimate), deviation=1.0, degrees_of_freedom=np.inf))
            .interval
        )
        held += low <= truth <= high

    assert held / len(errors[::20]) >= 0.949  # a thousandth is what 1001 of them resolve


@given(
    value=st.floats(-1e3, 1e3),
    deviation=st.floats(1e-6, 1e3),
    freedom=st.floats(1.0, 1e6),
    lower=st.floats(-1e3, 0.0),
)
def test_no_way_leaves_its_bound_or_its_order(value, deviation, freedom, lower):
    """Whatever is asked, the lower end is the bound or above, and below the upper end."""
    question = asked(
        value=max(value, lower), deviation=deviation, degrees_of_freedom=freedom, lower=lower
    )
    draws = deviation * np.linspace(-3.0, 2.0, 101)[:, None]
    for way in (
        Linear(),
        Drawn(method="monte-carlo", deviations=draws),
        Drawn(method="bootstrap", deviations=draws, few=True),
    ):
        low, high = way.interval(question).interval
        assert lower <= low <= high


def test_draws_give_their_quantiles():
    """1001 even draws from -1 to 1 have their 2.5 % quantile at -0.95, to half a step."""
    draws = np.linspace(-1.0, 1.0, 1001)[:, None]

    made = Drawn(method="monte-carlo", deviations=draws).interval(asked())

    assert made.method == "monte-carlo"
    assert made.interval == pytest.approx((3.0 - 0.95, 3.0 + 0.95), abs=0.001)


def test_draws_at_the_bound_give_a_one_sided_interval():
    """Of the same draws 97.5 % are below 0.95."""
    draws = np.linspace(-1.0, 1.0, 1001)[:, None]

    made = Drawn(method="monte-carlo", deviations=draws).interval(asked(value=0.0))

    assert made.interval == pytest.approx((0.0, 0.95), abs=0.001)


def test_draws_of_a_combination_are_combined_draw_by_draw():
    """What two parameters share cancels in their difference."""
    shared = np.linspace(-1.0, 1.0, 101)
    draws = np.stack([shared, shared], axis=1)

    made = Drawn(method="monte-carlo", deviations=draws).interval(
        asked(weights=np.array([1.0, -1.0]))
    )

    assert made.interval == (3.0, 3.0)


def test_few_readings_widen_resampled_intervals():
    """By t over z, 2.365 over 1.960, where resampling knows of no degrees of freedom."""
    draws = np.linspace(-1.0, 1.0, 1001)[:, None]
    wider = stats.t(7).ppf(0.975) / stats.norm.ppf(0.975)

    low, high = Drawn(method="bootstrap", deviations=draws, few=True).interval(asked()).interval

    assert (high - low) == pytest.approx(2 * 0.95 * wider, rel=0.001)


def test_profile_answers_for_single_parameters_only():
    way = Profiled(ends={1: (2.0, 5.0)})

    single = way.interval(asked(weights=np.array([0.0, 1.0])))
    other = way.interval(asked(weights=np.array([1.0, 0.0])))
    together = way.interval(asked(weights=np.array([1.0, 1.0])))

    assert (single.method, single.interval) == ("profile", (2.0, 5.0))
    assert [other.method, together.method] == ["linear", "linear"]


def test_profile_is_cut_at_the_bound():
    way = Profiled(ends={0: (-1.0, 5.0)})

    assert way.interval(asked()).interval == (0.0, 5.0)
