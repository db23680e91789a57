"""What a logger adds to what happens: each thing alone, on a meter without errors."""

from dataclasses import replace

import numpy as np
import pytest

from motorfit.simulation.courses import Course
from motorfit.simulation.instruments import VirtualKit, virtual_meter
from motorfit.simulation.log_plans import LogNoise
from motorfit.simulation.logs import log_of
from motorfit.simulation.readings import DrawnKit

#: 10 V at 100 rad/s, steady.
STEADY = Course(
    at=lambda time: {"speed": np.full(time.shape, 100.0), "voltage": np.full(time.shape, 10.0)},
    end=1000.0,
)

#: 1 V more every second.
RAMP = Course(at=lambda time: {"speed": 10.0 * time, "voltage": 1.0 * time}, end=10.0)


def log(noise, course=STEADY, *, step=0.1, start=0.0, quantity="voltage", seed=1, **meters):
    kit = {
        name: virtual_meter(name, name, resolution=1e-9) for name in ("voltage", "speed", "time")
    }
    return log_of(
        course,
        (quantity,),
        start=start,
        step=step,
        noise=noise,
        kit=VirtualKit(meters=kit | meters),
        drawn=DrawnKit(rng=np.random.default_rng(seed), normal=False),
    )


def voltage(noise, course=STEADY, **options):
    return log(noise, course, **options).shown["voltage"]


def test_without_noise_the_log_is_what_happened():
    plain = log(LogNoise())
    assert plain.shown["voltage"].tolist() == [10.0] * 10001
    assert plain.shown["time"] == pytest.approx(np.arange(10001) * 0.1, abs=1e-8)
    assert plain.true["voltage"].tolist() == [10.0] * 10001


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9])
def test_scatter_has_its_size_and_its_memory(correlation):
    """Within four standard errors: 1/sqrt(2n) sqrt((1+r2)/(1-r2)), and sqrt((1-r2)/n)."""
    off = voltage(LogNoise(scatter=0.01, correlation=correlation)) - 10.0
    n, r2 = len(off), correlation**2
    assert off.std() == pytest.approx(0.1, rel=4 * np.sqrt((1 + r2) / (1 - r2) / (2 * n)))
    memory = np.corrcoef(off[1:], off[:-1])[0, 1]
    assert memory == pytest.approx(correlation, abs=4 * np.sqrt((1 - r2) / n))


def test_scatter_is_the_meters_own_where_none_is_given():
    meter = virtual_meter("voltage", "V", resolution=1e-9, repeatability=0.003, noise=0.04)
    off = voltage(LogNoise(), voltage=meter) - 10.0
    assert off.std() == pytest.approx(np.hypot(0.03, 0.04), rel=4 / np.sqrt(2 * len(off)))


def test_floor_is_of_the_largest_value():
    """Where the value is zero, 1 % of 10 V is left."""
    course = replace(
        RAMP, at=lambda time: {"speed": 0.0 * time, "voltage": np.where(time > 990, 10.0, 0.0)}
    )
    off = voltage(LogNoise(scatter=0.0, floor=0.01), replace(course, end=1000.0))[:9000]
    assert off.std() == pytest.approx(0.1, rel=4 / np.sqrt(2 * len(off)))


def test_hum_is_seen_as_the_sampling_shows_it():
    """100 Hz sampled every 9 ms beats: an amplitude of 2 % of 10 V, root mean square 0.1414."""
    off = voltage(LogNoise(mains=0.02), step=0.009) - 10.0
    assert off.std() == pytest.approx(0.2 / np.sqrt(2), rel=1e-3)
    frozen = voltage(LogNoise(mains=0.02), step=0.01)  # a whole period: one phase throughout
    assert np.ptp(frozen) < 1e-6


def test_ripple_of_the_commutator_follows_the_shaft():
    """24 ripples a turn at 100 rad/s are 382 Hz: the spectrum of a fast log has its line there."""
    off = voltage(LogNoise(commutator=0.02), replace(STEADY, end=10.0), step=1e-4) - 10.0
    line = np.argmax(np.abs(np.fft.rfft(off))[1:]) + 1
    frequency = line / (len(off) * 1e-4)
    assert frequency == pytest.approx(24 * 100 / (2 * np.pi), abs=0.1)  # 10 s resolve 0.1 Hz
    assert off.std() == pytest.approx(0.2 / np.sqrt(2), rel=1e-3)


def test_no_ripple_on_a_speed():
    speed = log(LogNoise(mains=0.1, commutator=0.1), quantity="speed").shown["speed"]
    assert speed == pytest.approx(np.full(len(speed), 100.0), abs=1e-9)


def test_a_lagging_meter_follows_a_ramp_its_lag_behind():
    """First order: 1 V/s less what it was behind, t - lag (1 - exp(-t / lag)), exactly."""
    lag = 0.7
    shown = log(LogNoise(lag=lag), RAMP)
    time = shown.shown["time"]
    assert shown.shown["voltage"] == pytest.approx(time - lag * (1 - np.exp(-time / lag)), abs=1e-7)
    assert shown.true["voltage"] == pytest.approx(time, abs=1e-9)


def test_display_has_its_step():
    meter = virtual_meter("voltage", "V", counts=2000)
    shown = voltage(LogNoise(), RAMP, voltage=meter)
    assert shown == pytest.approx(np.arange(101) * 0.1, abs=1e-9)
    rounded = log(LogNoise(scatter=0.01), RAMP, voltage=meter)
    assert rounded.steps["voltage"] == pytest.approx(0.01, rel=1e-12)
    whole = rounded.shown["voltage"] / 0.01
    assert whole == pytest.approx(np.round(whole), abs=1e-6)


def test_spikes_are_few_and_large():
    """2 % of 10001 samples, either way, 3 V high; binomial, four standard deviations."""
    off = voltage(LogNoise(spikes=0.02, spike_size=0.3)) - 10.0
    hit = np.abs(off) > 1.0
    assert hit.sum() == pytest.approx(200, abs=4 * np.sqrt(200))
    assert np.abs(off[hit]) == pytest.approx(np.full(hit.sum(), 3.0), abs=1e-8)
    assert 0.3 < (off[hit] > 0).mean() < 0.7


def test_uneven_steps_are_stamped_as_they_were():
    """On a ramp of 1 V/s volts are seconds, whatever the instants."""
    uneven = log(LogNoise(uneven=0.3), RAMP).shown
    assert uneven["voltage"] == pytest.approx(uneven["time"], abs=1e-8)
    steps = np.diff(uneven["time"])
    assert steps.min() > 0
    assert 0.02 < steps.std() < 0.03  # 0.1 x 0.3 x sqrt(2/3) = 0.0245


def test_gaps_are_missing_samples():
    time = log(LogNoise(gaps=2, gap=5.0)).shown["time"]
    steps = np.diff(time)
    assert (steps > 0.15).sum() == 2
    assert steps.max() == pytest.approx(5.1, abs=0.11)


def test_repeated_stamps_are_those_of_the_sample_before():
    repeated = log(LogNoise(repeated=0.1)).shown["time"]
    same = np.diff(repeated) == 0
    assert same.mean() == pytest.approx(0.1, abs=4 * np.sqrt(0.09 / 10000))
    assert (np.diff(repeated) >= 0).all()


def test_clock_starts_anywhere_and_runs_at_its_own_rate():
    fast = replace(virtual_meter("time", "clock", resolution=1e-6), gain=0.01)
    time = log(LogNoise(clock_offset=1234.5), start=-2.0, time=fast).shown["time"]
    assert time[0] == pytest.approx(1234.5, abs=1e-6)
    assert np.diff(time) == pytest.approx(np.full(len(time) - 1, 0.101), abs=1.1e-6)


def test_coarse_clock_repeats_its_stamps():
    coarse = virtual_meter("time", "clock", resolution=1.0)
    time = log(LogNoise(), RAMP, time=coarse).shown["time"]
    assert set(time.tolist()) == set(range(11))


def test_a_tachometer_never_shows_less_than_nothing():
    standing = Course(at=lambda time: {"speed": 0.0 * time, "voltage": 0.0 * time}, end=10.0)
    meter = virtual_meter("speed", "n", resolution=0.1, noise=1.0)
    shown = log(LogNoise(), standing, quantity="speed", speed=meter).shown["speed"]
    assert shown.min() == 0.0
    assert shown.max() > 0.5


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"correlation": 1.0}, "correlation must be from 0 to below 1, found 1.0"),
        ({"correlation": -0.1}, "correlation must be from 0 to below 1, found -0.1"),
        ({"uneven": 0.5}, "uneven must be from 0 to below 0.5, found 0.5"),
    ],
)
def test_noise_that_cannot_be(changes, says):
    with pytest.raises(ValueError, match=says):
        LogNoise(**changes)
