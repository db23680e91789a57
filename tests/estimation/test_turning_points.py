"""Peaks that stand out, against scipy's."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import find_peaks

from motorfit.estimation.turning_points import prominent_peaks

#: Small whole numbers: many are equal, as readings of a display are.
COURSES = st.lists(st.integers(0, 6), min_size=1, max_size=40)


@given(course=COURSES, prominence=st.sampled_from([0.5, 1.0, 2.0, 3.5]))
def test_peaks_are_those_of_scipy(course, prominence):
    """scipy.signal.find_peaks of the course with something lower beyond its ends."""
    course = np.array(course, float)
    edge = [course.min() - prominence]
    expected, _ = find_peaks(np.concatenate([edge, course, edge]), prominence=prominence)

    assert prominent_peaks(course, prominence) == (expected - 1).tolist()
