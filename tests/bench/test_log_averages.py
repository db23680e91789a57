"""What averages of a log keep: its line, its scatter, and all but 1 % of its information."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import eigh
from scipy.signal import lfilter

from motorfit.bench.log_averages import averages
from motorfit.bench.log_blocks import is_gap, joined, stretches, usual_step

SAMPLES = 400_000


def log(time, voltage, *, size=8, step=0.0, starts=None):
    rows = np.arange(len(time)) + 2
    return stretches(
        rows, time, {"voltage": voltage}, size=size, steps={"voltage": step}, starts=starts
    )


def information(gradients, begins):
    """Fisher's of the means of consecutive samples, each sample with unit variance."""
    count = np.diff([*begins, len(gradients)])
    means = np.add.reduceat(gradients, begins, axis=0) / count[:, None]
    return (means * count[:, None]).T @ means


def exponential(time, lasting):
    """A exp(-t/T) + c with T a fifth of what the decay lasts; derivatives by A, T and c."""
    constant = lasting / 5
    fall = np.exp(-time / constant)
    return 40 * fall, np.stack([fall, 40 * time / constant**2 * fall, np.ones_like(time)], axis=1)


def straight(time, lasting):
    """A - r t down to rest; derivatives by A and r."""
    turning = time < lasting
    return (
        np.where(turning, 40 * (1 - time / lasting), 0.0),
        np.stack([turning.astype(float), -time * turning], axis=1),
    )


@pytest.mark.parametrize("decay", [exponential, straight])
@pytest.mark.parametrize("share", [1.0, 0.1, 0.01, 0.003])
@pytest.mark.parametrize("noise", [0.0, 0.2])
def test_averages_lose_less_than_one_per_cent_of_the_information(decay, share, noise):
    """Of the worst determined combination of parameters, also where the machine soon stands still.

    The smallest ratio of the two quadratic forms is that of any combination.
    """
    time = np.arange(SAMPLES) * 1e-3
    voltage, gradients = decay(time, share * time[-1])
    rng = np.random.default_rng(20240501)

    mean = averages(log(time, voltage + noise * rng.standard_normal(SAMPLES)))

    every = information(gradients, np.arange(SAMPLES))
    kept = eigh(information(gradients, mean.rows - 2), every, eigvals_only=True).min()
    assert 0.99 < kept <= 1.0 + 1e-9
    assert len(mean.rows) < 5000


@pytest.mark.parametrize("share", [1.0, 0.01])
def test_an_average_lies_on_the_curve(share):
    """The mean of a bent stretch is off by x'' h^2/24; that is far below the noise of a meter."""
    time = np.arange(SAMPLES) * 1e-3
    voltage, _ = exponential(time, share * time[-1])

    mean = averages(log(time, voltage))

    expected, _ = exponential(mean.time, share * time[-1])
    assert np.abs(mean.readings["voltage"] - expected).max() < 40 * 1e-4


@pytest.mark.parametrize("correlation", [0.0, 0.6])
def test_scatter_and_correlation_are_those_of_the_noise(correlation):
    """Noise of 0.05 V made by a first-order recursion; blocks of 2000 samples.

    200 blocks: the standard deviation of the median correlation is below 0.002, and the
    scatter is good to 0.2 %, or twice that where neighbours hang together.
    """
    rng = np.random.default_rng(7)
    white = rng.standard_normal(SAMPLES) * np.sqrt(1 - correlation**2)
    noise = 0.05 * lfilter([1.0], [1.0, -correlation], white)
    time = np.arange(SAMPLES) * 1e-3

    mean = averages(log(time, 40 - 0.05 * time + noise, size=100), evenly=200)

    assert mean.blocks.samples == SAMPLES
    assert mean.blocks.correlation["voltage"] == pytest.approx(correlation, abs=0.01)
    assert np.median(mean.blocks.scatter["voltage"]) == pytest.approx(0.05, rel=0.01)


def test_stretches_put_together_are_as_one():
    """Least squares through all samples of an average, by polyfit."""
    rng = np.random.default_rng(3)
    time = np.sort(rng.uniform(0, 10, 640))
    voltage = 5 - 0.2 * time + 0.1 * rng.standard_normal(640)

    mean = averages(log(time, voltage), evenly=4)

    assert len(mean.rows) <= 10
    for row, count, value, scatter in zip(
        mean.rows - 2,
        mean.blocks.count,
        mean.readings["voltage"],
        mean.blocks.scatter["voltage"],
        strict=True,
    ):
        here = slice(row, row + count)
        line = np.polyfit(time[here] - time[here].mean(), voltage[here], 1)
        off = voltage[here] - np.polyval(line, time[here] - time[here].mean())
        assert value == pytest.approx(voltage[here].mean(), abs=1e-12)
        assert scatter == pytest.approx(np.std(off, ddof=2), rel=1e-9)


def test_spikes_are_left_out_and_counted():
    rng = np.random.default_rng(5)
    time = np.arange(SAMPLES) * 1e-3
    clean = 40 * np.exp(-time / 100) + 0.05 * rng.standard_normal(SAMPLES)
    places = rng.choice(SAMPLES, 300, replace=False)
    spoilt = clean.copy()
    spoilt[places] += rng.choice([-30.0, 5.0, 300.0], 300)

    stretched, undisturbed = log(time, spoilt), log(time, clean)

    assert stretched.spikes["voltage"] == 300
    assert undisturbed.spikes["voltage"] == 0
    off = averages(stretched).readings["voltage"] - averages(undisturbed).readings["voltage"]
    assert np.abs(off).max() < 0.1  # a sample less in eight, 0.05 V each; 30 V spoil it by 4 V


def test_a_quantised_log_has_no_spikes():
    """A display that stands still and flickers by one step has no scatter at most places."""
    rng = np.random.default_rng(11)
    voltage = 12.3 + 0.1 * (rng.uniform(size=4000) < 0.05)

    assert log(np.arange(4000.0), voltage, step=0.1).spikes["voltage"] == 0


def test_no_average_reaches_across_a_gap():
    time = np.arange(10_000) * 0.1
    time[3000:] += 5.0
    time[7001:] += 1.0
    gaps = np.flatnonzero(is_gap(np.diff(time), usual_step(np.diff(time)))) + 1
    assert gaps.tolist() == [3000, 7001]

    mean = averages(log(time, np.ones(10_000), starts=gaps), evenly=10)

    assert {3000, 7001} <= set((mean.rows - 2).tolist())
    assert mean.blocks.count.sum() == 10_000


def test_a_clock_coarser_than_the_samples_has_no_gaps():
    time = np.floor(np.arange(10_000) / 10)

    assert not is_gap(np.diff(time), usual_step(np.diff(time))).any()


def test_a_quantity_written_more_seldom_is_taken_to_the_time_of_its_average():
    """Every fifth row has a voltage, of an even fall: on the line at the average's own time."""
    time = np.arange(4000.0)
    voltage = np.where(np.arange(4000) % 5 == 0, 100 - 0.01 * time, np.nan)

    mean = averages(log(time, voltage), evenly=20)

    np.testing.assert_allclose(mean.readings["voltage"], 100 - 0.01 * mean.time, atol=1e-9)


def test_an_average_without_a_reading_of_a_quantity_is_blank():
    voltage = np.full(1000, 5.0)
    voltage[:500] = np.nan

    mean = averages(log(np.arange(1000.0), voltage), evenly=4)

    assert np.isnan(mean.readings["voltage"][mean.time < 490]).all()
    assert (mean.readings["voltage"][mean.time > 510] == 5.0).all()


@given(st.lists(st.integers(1, 40), min_size=1, max_size=6), st.integers(1, 9))
def test_every_sample_is_in_one_stretch_and_pieces_join_seamlessly(lengths, size):
    pieces, row = [], 0
    for length in lengths:
        rows = np.arange(row, row + length)
        pieces.append(stretches(rows, rows * 1.0, {"voltage": rows * 2.0}, size=size, steps={}))
        row += length

    whole = joined(pieces, [False] * len(pieces))

    assert whole.size.sum() == row
    assert whole.rows.tolist() == [0, *np.cumsum(whole.size)[:-1]]
    assert (whole.part == 0).all()
    np.testing.assert_allclose(whole.lines["voltage"].value, 2 * whole.time, rtol=1e-12)
