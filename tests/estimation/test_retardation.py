"""Coast-down logs reduced to rates: truth by numerical integration, calibration by simulation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.signal import lfilter

from motorfit.bench.records import Blocks, Run
from motorfit.estimation.retardation import Retardation, reduce_log
from motorfit.meter import Accuracy, Instrument

#: Invented: volts, about 13 s from 40 V to 9 V.
LAW = (1.0, 0.05, 0.0005)


def log(time, shown, *, quantity="voltage", blocks=None, **others):
    """A log as a bench has it."""
    n = len(time)
    return Run(
        kind="coast-down",
        source=Path("coast-down.csv"),
        rows=np.arange(n) + 2,
        readings={"time": np.asarray(time, float), quantity: np.asarray(shown, float), **others},
        written_step={},
        setting=("",) * n,
        direction=("",) * n,
        note=("",) * n,
        blocks=blocks,
    )


def fall(time, *, law=LAW, start=40.0, more=0.0):
    """By numerical integration, to 1e-11; at rest from zero on."""

    def slope(_, x):
        return -(law[0] + law[1] * x + law[2] * x**2 + more * x**3) * (x > 0)

    found = solve_ivp(slope, (0.0, time[-1]), [start], t_eval=time, rtol=1e-11, atol=1e-11)
    return found.y[0]


TIME = np.linspace(0.0, 13.0, 300)
FALL = fall(TIME)


def rates(nodes, law=LAW):
    return -(law[0] + law[1] * nodes + law[2] * nodes**2)


def remembering(rng, n, correlation):
    """Autoregressive noise of unit variance."""
    new = rng.standard_normal(n)
    new[1:] *= np.sqrt(1.0 - correlation**2)
    return lfilter([1.0], [1.0, -correlation], new)


def deviations(found: Retardation, offset=0.0):
    """Errors of the rates by the stated covariance: independent, of unit variance."""
    off = found.rates - rates(found.nodes - offset)
    return np.linalg.solve(np.linalg.cholesky(found.covariance), off)


@pytest.mark.parametrize(
    "law",
    [(1.0, 0.05, 0.0005), (3.0, 0.0, 0.0), (0.3, 0.15, 0.0), (1.5, 0.09, -0.001)],
    ids=["all terms", "dry friction", "mostly viscous", "bends the other way"],
)
def test_a_log_without_noise_gives_the_rates_of_its_law(law):
    """`scipy.integrate.solve_ivp` to 1e-11 made the log; the fit's polynomials hold to 1e-8."""
    shown = fall(TIME, law=law)
    moving = shown > 1.0

    found = reduce_log(log(TIME[moving], shown[moving]), "voltage")

    assert found.problem == ""
    assert found.kept.all()
    assert found.rates == pytest.approx(rates(found.nodes, law), rel=1e-6)
    assert found.curvature == pytest.approx(law[2], abs=1e-7)
    assert np.all(np.diff(found.nodes) < 0)


@pytest.mark.parametrize("quantity", ["voltage", "speed"])
@pytest.mark.parametrize(("correlation", "step"), [(0.0, 0.0), (0.5, 0.0), (0.9, 0.0), (0.0, 0.02)])
def test_errors_are_as_large_as_the_covariance_says(quantity, correlation, step):
    """180 whitened errors: their root mean square scatters by 5 %, so 20 % is four deviations.

    With a correlation of 0.9 some 16 independent readings are left, and Student's law of
    their few degrees of freedom is wider than the normal one: that far up is allowed.
    """
    rng = np.random.default_rng(20240511)
    stated, seen = [], []
    for _ in range(60):
        shown = FALL + 0.02 * remembering(rng, len(TIME), correlation)
        shown = np.round(shown / step) * step if step else shown
        found = reduce_log(log(TIME, shown, quantity=quantity), quantity)
        seen.append(deviations(found))
        stated.append(found.degrees_of_freedom)

    freedom = np.median(stated)
    widest = np.sqrt(freedom / (freedom - 2.0))
    assert 0.8 < np.sqrt(np.mean(np.square(seen))) < 1.2 * widest


def test_errors_are_as_large_as_said_where_noise_grows_with_the_value_and_ripple_is_on_it():
    """As above; hum of five times the noise, at a frequency that the log shows as another."""
    rng = np.random.default_rng(5)
    seen = []
    for _ in range(60):
        noise = np.hypot(0.004, 0.0015 * FALL) * remembering(rng, len(TIME), 0.4)
        hum = 0.1 * np.sin(2 * np.pi * (49.98 * TIME + rng.uniform()))
        seen.append(deviations(reduce_log(log(TIME, FALL + noise + hum), "voltage")))

    assert np.sqrt(np.mean(np.square(seen))) == pytest.approx(1.0, abs=0.2)


def test_the_period_of_ripple_is_told():
    """A line of 0.31 s in white noise a fifth its size; half a step of a search is 0.2 %."""
    rng = np.random.default_rng(6)
    shown = FALL + 0.05 * np.cos(2 * np.pi * TIME / 0.31) + 0.01 * rng.standard_normal(len(TIME))

    found = reduce_log(log(TIME, shown), "voltage")

    assert found.ripple == pytest.approx((0.31,), rel=2e-3)


def test_the_uncertainty_does_not_shrink_with_the_sampling_rate():
    """The same noise, of a time constant of 0.2 s, sampled at 0.05 s and ten times as often."""
    rng = np.random.default_rng(8)
    fine = np.arange(0.0, 13.0, 0.005)
    truth = fall(fine)
    ratios, shares = [], []
    for _ in range(12):
        shown = truth + 0.02 * remembering(rng, len(fine), np.exp(-0.005 / 0.2))
        often = reduce_log(log(fine, shown), "voltage")
        seldom = reduce_log(log(fine[::10], shown[::10]), "voltage")
        at = [np.vander(one.nodes, 3, increasing=True) for one in (often, seldom)]
        back = at[1] @ np.linalg.inv(at[0])
        same = back @ often.covariance @ back.T  # the rates at the nodes of the other
        ratios.append(np.sqrt(np.trace(same) / np.trace(seldom.covariance)))
        shares.append(often.effective / seldom.effective)

    # ten times the readings would make 0.32 of independent ones; these are the same noise, and
    # an uncertainty from a dozen independent readings scatters by some 15 %
    assert np.median(ratios) == pytest.approx(1.0, abs=0.15)
    assert np.median(shares) == pytest.approx(1.0, abs=0.5)


def test_the_number_of_independent_readings():
    """Of an autoregressive series n (1 - r)/(1 + r), to first order; of a white one, n."""
    rng = np.random.default_rng(9)
    found = {}
    for correlation in (0.0, 0.6):
        logs = [FALL + 0.02 * remembering(rng, len(TIME), correlation) for _ in range(15)]
        found[correlation] = [reduce_log(log(TIME, shown), "voltage") for shown in logs]

    share = {r: np.median([one.effective / 300 for one in each]) for r, each in found.items()}
    correlation = np.mean([one.correlation for one in found[0.6]])
    assert share[0.0] == pytest.approx(1.0, abs=0.15)
    assert share[0.6] == pytest.approx(0.25, abs=0.08)
    assert correlation == pytest.approx(0.6, abs=4 * 0.8 / np.sqrt(300 * 15))


def whole_log(rng, *, engaged=4.0, standing=4.0, correlation=0.0, offset=0.0):
    """A drive that wanders, the fall, a stop; with the instants since the release."""
    step = 0.05
    end = 25.0
    since = np.arange(-engaged, end + standing, step)
    curve = fall(np.arange(0.0, end + standing, step))
    drive = 40.0 + 0.3 * np.sin(since[since < 0]) * (since[since < 0])
    true = np.concatenate([drive, curve[: np.sum(since >= 0)]])
    return since, true + offset + 0.02 * remembering(rng, len(since), correlation)


def test_the_drive_and_the_standstill_are_left_out_and_told():
    """The release is at zero; the law reaches rest at 20.34 s, by its integral."""
    from scipy.integrate import quad

    rest = quad(lambda x: 1.0 / (LAW[0] + LAW[1] * x + LAW[2] * x**2), 0.0, 40.0)[0]
    since, shown = whole_log(np.random.default_rng(10), offset=0.03)

    found = reduce_log(log(since + 7000.0, shown), "voltage", lag=0.5)

    told = {each.reason: each for each in found.left_out}
    assert set(told) == {"drive still engaged", "meter lag", "at a standstill"}
    kept = since[found.kept]
    # the lag of 0.5 s, and two readings for finding the change in noise of a tenth of the fall
    assert kept[0] == pytest.approx(0.5, abs=0.16)
    assert kept[-1] == pytest.approx(rest - 0.5, abs=0.16)
    assert told["drive still engaged"].rows[0] == 2
    assert sum(each.count for each in found.left_out) + found.kept.sum() == len(since)
    assert np.abs(deviations(found, offset=0.03)).max() < 4.0
    assert found.time[0] == 0.0


def test_a_log_that_is_all_fall_is_used_whole():
    """Also where neighbouring readings remember: no change of course is made out of noise."""
    rng = np.random.default_rng(11)
    for correlation in (0.0, 0.9):
        for _ in range(20):
            shown = FALL + 0.02 * remembering(rng, len(TIME), correlation)
            assert reduce_log(log(TIME, shown), "voltage").kept.mean() > 0.98


def test_a_sudden_stop_does_not_bend_the_curve():
    """Caught by hand at 8 s: three readings on the way down, then nothing."""
    rng = np.random.default_rng(12)
    shown = FALL + 0.02 * rng.standard_normal(len(TIME))
    stop = np.searchsorted(TIME, 8.0)
    shown[stop : stop + 3] *= (0.7, 0.4, 0.1)
    shown[stop + 3 :] = 0.0

    found = reduce_log(log(TIME, shown), "voltage")

    assert not found.kept[stop:].any()
    assert found.kept[: stop - 15].all()
    assert np.abs(deviations(found)).max() < 4.0


def test_spikes_are_left_out_and_nothing_else():
    """Ten single readings off by 3 V, noise of 0.02 V."""
    rng = np.random.default_rng(13)
    hit = rng.choice(np.arange(5, 295), 10, replace=False)
    shown = FALL + 0.02 * rng.standard_normal(len(TIME))
    shown[hit] += rng.choice([-3.0, 3.0], 10)

    found = reduce_log(log(TIME, shown), "voltage")

    assert [(each.reason, each.count) for each in found.left_out] == [("spike", 10)]
    assert sorted(found.left_out[0].rows) == sorted(hit + 2)


def test_a_frozen_display_is_left_out():
    """Fifteen readings that were not taken anew while it fell by 2 V, and the first of them."""
    rng = np.random.default_rng(14)
    shown = FALL + 0.01 * rng.standard_normal(len(TIME))
    shown[100:116] = shown[100]

    found = reduce_log(log(TIME, shown), "voltage")

    assert found.left_out[0].reason == "display stuck"
    assert not found.kept[101:116].any()
    assert found.kept.sum() >= 300 - 16


def test_below_the_smallest_value_nothing_counts():
    """The curve passes 12 V once; noise is far smaller than a step of it."""
    shown = FALL + 0.01 * np.random.default_rng(15).standard_normal(len(TIME))

    found = reduce_log(log(TIME, shown), "voltage", smallest=12.0)

    assert np.array_equal(found.kept, FALL >= 12.0) or np.sum(found.kept != (FALL >= 12.0)) == 1
    assert found.left_out[0].reason == "brush drop may fade"
    assert found.nodes.min() >= 11.9


def test_the_last_digits_are_left_out():
    """A display in steps of 0.5 V says nothing below 1.5 V; the log ends at 0.7 V."""
    time = np.linspace(0.0, 19.7, 400)
    truth = fall(time)
    meter = Instrument(quantity="voltage", id="", accuracy=Accuracy(), resolution=0.5)
    noise = 0.1 * np.random.default_rng(16).standard_normal(400)
    shown = np.round((truth + noise) / 0.5) * 0.5

    found = reduce_log(log(time, shown), "voltage", instrument=meter)

    assert [each.reason for each in found.left_out] == ["below the display"]
    # shown as 1.0 V from 1.25 V on, by noise of 0.1 V now and then from 1.5 V on
    assert truth[~found.kept].max() < 1.5
    assert truth[found.kept].min() > 1.1
    assert np.abs(deviations(found)).max() < 4.0


@settings(max_examples=10, deadline=None)
@given(st.floats(-1e6, 1e6))
def test_the_clock_may_start_anywhere(start):
    shown = FALL + 0.02 * np.random.default_rng(17).standard_normal(len(TIME))

    found = reduce_log(log(TIME + start, shown), "voltage")

    first = reduce_log(log(TIME, shown), "voltage")
    # stamps of 1e6 s are held to 1e-10 s, a millionth of a millionth of the fall
    assert found.rates == pytest.approx(first.rates, rel=1e-6)


def test_uneven_steps_gaps_and_repeated_stamps():
    """40 readings missing, steps uneven by 40 %, every thirtieth with the stamp before it."""
    rng = np.random.default_rng(18)
    seen = []
    for _ in range(30):
        time = np.sort(TIME + 0.4 * (TIME[1] - TIME[0]) * rng.uniform(-1, 1, len(TIME)))
        time = np.delete(time - time[0], np.s_[120:160])
        shown = fall(time) + 0.02 * remembering(rng, len(time), 0.5)
        stamped = np.array(time)
        stamped[20::30] = stamped[19::30][: len(stamped[20::30])]
        found = reduce_log(log(stamped, shown), "voltage")
        assert found.left_out[0].reason == "repeated stamp"
        seen.append(deviations(found))

    # 90 whitened errors: four standard deviations of their root mean square are 30 %
    assert np.sqrt(np.mean(np.square(seen))) == pytest.approx(1.0, abs=0.3)


def test_all_readings_count_where_the_clock_is_coarse():
    """Stamps in whole seconds of a logger that reads 23 times a second."""
    shown = FALL + 0.02 * np.random.default_rng(19).standard_normal(len(TIME))

    found = reduce_log(log(np.floor(TIME), shown), "voltage")

    assert found.kept.all()
    # a second has 22 or 24 readings, so that they are spread unevenly by up to 4 %
    assert found.rates == pytest.approx(rates(found.nodes), rel=0.02)


def test_a_bend_that_three_terms_lack_is_seen():
    """A cubic term that takes a fifth of the fall at the top, and none."""
    rng = np.random.default_rng(20)
    noise = 0.02 * rng.standard_normal(len(TIME))
    bent = fall(TIME, law=(1.0, 0.05, 0.0), more=2e-5)

    assert reduce_log(log(TIME, FALL + noise), "voltage").misfit < 3.0
    assert reduce_log(log(TIME, bent + noise), "voltage").misfit > 4.0


def test_misfit_of_three_terms_that_are_enough_is_seldom_seen():
    """Half-normal: of 100 logs none beyond 3.5 with a chance of 95 %; half beyond 0.67."""
    rng = np.random.default_rng(21)
    misfits = [
        reduce_log(log(TIME, FALL + 0.02 * remembering(rng, 300, 0.5)), "voltage").misfit
        for _ in range(60)
    ]

    assert max(misfits) < 3.5
    assert np.median(misfits) == pytest.approx(0.67, abs=0.4)


def test_loss_that_bends_the_other_way_is_told_with_its_uncertainty():
    law = (1.5, 0.09, -0.001)
    shown = fall(TIME, law=law)
    moving = shown > 1.0
    noise = 0.01 * np.random.default_rng(22).standard_normal(moving.sum())

    found = reduce_log(log(TIME[moving], shown[moving] + noise), "voltage")

    assert found.curvature < -5.0 * found.curvature_uncertainty
    assert abs(found.curvature - law[2]) < 4.0 * found.curvature_uncertainty


def test_rates_at_the_nodes_are_nearly_independent():
    shown = FALL + 0.02 * np.random.default_rng(23).standard_normal(len(TIME))

    found = reduce_log(log(TIME, shown), "voltage")

    deviation = np.sqrt(np.diag(found.covariance))
    correlation = found.covariance / np.outer(deviation, deviation) - np.eye(3)
    assert np.abs(correlation).max() < 0.4  # of d0, d1, d2 themselves: 0.99


def test_the_current_at_the_nodes():
    """On a resistor of 8 ohm, by Ohm's law; logged negative, as generators are."""
    rng = np.random.default_rng(24)
    shown = FALL + 0.02 * rng.standard_normal(len(TIME))
    current = -FALL / 8.0 + 0.01 * rng.standard_normal(len(TIME))

    found = reduce_log(log(TIME, shown, current=current), "voltage")

    assert found.current == pytest.approx(found.nodes / 8.0, abs=4 * 0.01 * np.sqrt(5 / 300))
    assert reduce_log(log(TIME, shown), "voltage").current is None


def test_blocks_of_a_long_log_count_with_their_samples():
    """100,000 samples and the means of 100 of them tell the same."""
    rng = np.random.default_rng(25)
    time = np.linspace(0.0, 13.0, 30_000)
    shown = np.interp(time, TIME, FALL) + 0.5 * rng.standard_normal(len(time))
    means = [part.reshape(-1, 100).mean(axis=1) for part in (time, shown)]
    blocks = Blocks(
        count=np.full(300, 100),
        scatter={"voltage": shown.reshape(-1, 100).std(axis=1)},
        correlation={"voltage": 0.0},
        samples=30_000,
    )

    found = reduce_log(log(*means, blocks=blocks), "voltage")

    assert found.samples == 30_000
    assert found.effective == pytest.approx(30_000, rel=0.3)
    assert np.abs(deviations(found)).max() < 4.0


def test_few_readings_give_two_rates():
    time = np.linspace(0.0, 10.0, 6)

    found = reduce_log(log(time, fall(time) + 0.01 * np.array([1, -1, 1, -1, 1, -1])), "voltage")

    assert len(found.rates) == 2
    # two terms for three: the curvature left out is 0.0005 of a range of 33 V
    assert found.rates == pytest.approx(rates(found.nodes), abs=0.0005 * 33**2 / 8)
    assert np.all(np.isfinite(found.covariance))


@pytest.mark.parametrize(
    ("shown", "problem"),
    [
        (FALL[::-1], "it speeds up"),
        (np.full(300, 12.0), "nothing but a constant"),
        (FALL[:4], "too few readings while it slows down"),
        (np.full(300, np.nan), "too few readings while it slows down"),
        (np.empty(0), "too few readings while it slows down"),
    ],
    ids=["speeds up", "constant", "four readings", "blank", "empty"],
)
def test_what_is_no_coast_down_says_so(shown, problem):
    noise = 0.02 * np.random.default_rng(26).standard_normal(len(shown))

    found = reduce_log(log(TIME[: len(shown)], shown + noise), "voltage")

    assert found.problem == problem
    assert len(found.nodes) == len(found.rates) == 0
    assert not found.kept.any()


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 40), st.integers(0, 2**32 - 1), st.sampled_from(["noise", "steps", "fall"]))
def test_whatever_a_log_holds_it_is_reduced_or_said_why_not(n, seed, kind):
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.choice([0.0, 0.1, 1.0], n))
    shown = {
        "noise": rng.standard_normal(n),
        "steps": rng.integers(0, 3, n).astype(float),
        "fall": 10.0 * np.exp(-time / 3.0) + rng.choice([0.0, np.nan, 5.0], n, p=[0.9, 0.05, 0.05]),
    }[kind]

    found = reduce_log(log(time, shown), "voltage")

    assert (found.problem == "") == (len(found.rates) > 0)
    if not found.problem:
        assert np.all(np.isfinite(found.rates))
        assert np.all(np.linalg.eigvalsh(found.covariance) > 0)


def test_the_normal_covariance_has_as_wide_intervals():
    """Student's quantile for 95 %, from `scipy.stats`."""
    from scipy.stats import norm, t

    time = TIME[::10]
    shown = FALL[::10] + 0.02 * np.random.default_rng(27).standard_normal(30)

    found = reduce_log(log(time, shown), "voltage")

    widened = t.ppf(0.975, found.degrees_of_freedom) / norm.ppf(0.975)
    assert np.sqrt(found.normal_covariance / found.covariance) == pytest.approx(
        np.full((3, 3), widened)
    )
