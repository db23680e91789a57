"""Time in a log: from the first reading on, never backwards."""

import numpy as np
import pytest

from motorfit.bench.clock import steps_back
from motorfit.bench.folder import read_bench
from motorfit.errors import BenchProblemsError


def log(tmp_path, text, name="coast-down.csv"):
    path = tmp_path / name
    path.write_text(text)
    return path


def test_time_counts_from_the_first_reading(tmp_path):
    """Half a minute is 30 s, wherever the clock stood."""
    path = log(tmp_path, "time (min),V\n7.5,12\n8.0,11\n")

    (run,) = read_bench(path).runs

    assert run.get("time").tolist() == [0.0, 30.0]


def test_a_clock_that_counts_from_1970_in_milliseconds_loses_no_digits(tmp_path):
    """Stamps are integers below 2**53 here, so that their differences are exact."""
    path = log(tmp_path, "time (ms),V\n1700000000001,12\n1700000000002,11\n")

    (run,) = read_bench(path).runs

    assert run.get("time")[1] == pytest.approx(0.001, rel=1e-15)


@pytest.mark.parametrize("name", ["coast-down.csv", "heat-run.csv"])
def test_every_place_where_time_runs_backwards_is_told(tmp_path, name):
    path = log(tmp_path, "time (s),V,A\n12.40,5,1\n12.60,5,1\n12.4,5,1\n13,5,1\n2,5,1\n", name)

    with pytest.raises(BenchProblemsError) as caught:
        read_bench(path)

    first, second = map(str, caught.value.problems)
    assert f'{name}, row 4, column "time (s)": found time 12.40 s after 12.60 s' in first
    assert "expected times that do not run backwards. Keep one run in a file" in first
    assert f"{name}, row 6" in second
    assert "found time 2.00 s after 13.00 s" in second


def test_repeated_stamps_are_read(tmp_path):
    (run,) = read_bench(log(tmp_path, "time (s),V\n1.0,12\n1.0,12\n1.1,11\n")).runs

    assert run.get("time") == pytest.approx([0.0, 0.0, 0.1], abs=1e-12)  # a few ulp of 1.1


def test_a_step_back_by_rounding_is_none():
    """0.1 + 0.2 is 0.30000000000000004: a logger that adds up steps may write either."""
    time = np.array([0.1 + 0.2, 0.3, 0.4])

    assert steps_back(time, 15).tolist() == []
    assert steps_back(np.array([0.3, 0.2, 0.4]), 1).tolist() == [1]
