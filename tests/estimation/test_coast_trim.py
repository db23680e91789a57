"""Which part of a log is coasting, in logs of few readings, long rests and coarse displays."""

from __future__ import annotations

import numpy as np
import pytest

from motorfit.estimation.coast_trim import (
    ENGAGED,
    FROZEN,
    LAGGING,
    SPIKE,
    STANDING,
    coasting_part,
    spikes_of,
)

#: Exact: 40 V for 1 s, then exponential towards -10 V within a second or so, then at rest.
TIME = np.arange(0.0, 8.0, 0.1)
BRAKED = np.where(TIME < 1.05, 40.0, np.maximum(50.0 * np.exp(-(TIME - 1.0) / 0.8) - 10.0, 0.0))
MOVING = (TIME > 1.05) & (BRAKED > 0.0)


def reasons(shown, step, lag=0.2):
    """Why each reading does not count."""
    return coasting_part(TIME, shown, step=step, lag=lag).reasons


@pytest.mark.parametrize("step", [0.001, 0.01, 0.1])
def test_a_hard_braked_fall_between_long_rests_has_no_spikes(step):
    """Twelve readings move, sixty rest: what is usual in the log is no scatter at all."""
    told = reasons(np.round(BRAKED / step) * step, step)

    assert SPIKE not in told
    assert FROZEN not in told
    assert set(told[TIME < 0.65]) == {ENGAGED}
    assert set(told[MOVING]) <= {"", LAGGING, STANDING}
    assert np.sum(told[MOVING] == "") >= 7
    assert set(told[TIME > 3.0]) == {STANDING}


def test_a_drive_that_wanders_before_few_readings_is_no_row_of_spikes():
    """Five readings of the drive, off by up to 8 rpm of 2,870, and a rest without scatter."""
    time = np.arange(40) * 0.2
    driven = [2873.0, 2878.0, 2870.0, 2870.0, 2876.0]
    fall = [2706.0, 2431, 2141, 1892, 1655, 1428, 1213, 1009, 812, 627, 445, 274, 108]
    shown = np.array(driven + fall + [0.0] * 22)

    told = coasting_part(time, shown, step=1.0, lag=0.5).reasons

    assert list(told[:5]) == [ENGAGED] * 5
    assert set(told[5:18]) <= {"", LAGGING}
    assert np.sum(told == "") >= 5


def test_equal_readings_before_the_release_are_the_drive_and_not_a_stuck_display():
    """The display shows 34.7 V six times, and the machine then falls by 7.3 V at once."""
    fall = [27.4, 21.6, 16.9, 13.1, 10.1, 7.6, 5.5, 3.9, 2.6, 1.6, 0.7]
    shown = np.array([34.6, 34.7, 34.6, 34.8] + [34.7] * 6 + fall + [0.0] * 40)

    told = coasting_part(np.arange(len(shown)) * 0.1, shown, step=0.1, lag=0.5).reasons

    assert FROZEN not in told
    assert told[0] == ENGAGED


def test_a_single_reading_off_a_hard_braked_fall_is_a_spike_still():
    """It is 30 V above a fall of at most 6.3 V a reading."""
    shown = np.array(BRAKED)
    shown[18] += 30.0

    assert list(np.flatnonzero(spikes_of(TIME, shown, 0.01))) == [18]
