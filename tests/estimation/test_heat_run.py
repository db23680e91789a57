"""Heat runs: thermal resistance and time constant of an invented machine, found again.

The readings come from an integrator (`warmed_machines`), not from the closed forms of the fit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import PLANS, TRUE
from warmed_machines import (
    THERMAL_RESISTANCE,
    TIME_CONSTANT,
    TWO,
    Warming,
    bench,
    temperatures,
    warmed,
)

import motorfit as mf
from motorfit.bench.default_instruments import with_defaults
from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.heat import HeatOutcome, fit_heating, with_cold_resistance
from motorfit.estimation.heating_result import Heating
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.uncertainty import Uncertainty, split_uncertainty
from motorfit.meter import Calibration


@pytest.fixture(scope="module")
def others() -> Uncertainty:
    """The joint fit of everything but the heat run."""
    return split_uncertainty(fit_jointly(pose(bench())))


@pytest.fixture(scope="module")
def whole() -> Uncertainty:
    """The same of a bench that tells EMF constant and turning loss as well."""
    return split_uncertainty(fit_jointly(pose(bench(plan=PLANS["whole"]))))


def heated(others: Uncertainty, plan: Warming | None = None, seed: int = 1) -> Heating:
    found = fit_heating(warmed(bench(), plan or Warming(), seed), others, 0.95).heating
    assert found is not None
    return found


def estimates(heating: Heating) -> tuple[Estimate, Estimate]:
    found = heating.thermal_resistance, heating.thermal_time_constant
    assert isinstance(found[0], Estimate)
    assert isinstance(found[1], Estimate)
    return found[0], found[1]


def covers(estimate: Estimate, truth: float) -> bool:
    return estimate.interval[0] <= truth <= estimate.interval[1]


def width(estimate: Estimate) -> float:
    """Half of the interval, relative."""
    return (estimate.interval[1] - estimate.interval[0]) / (2 * estimate.value)


@pytest.mark.parametrize("correlation_time", [0.0, 300.0], ids=["independent", "wandering"])
def test_intervals_cover_the_truth_as_often_as_they_say(others, correlation_time):
    """Air, start, drift, meters' gains and scatter drawn within what is stated of them.

    binomial(16, 0.95): fewer than 13 hits have a probability of 0.7 %.
    """
    rng, hits = np.random.default_rng(20), np.zeros(2)
    for seed in range(16):
        plan = Warming(
            end=3000.0,
            scatter=0.002,
            correlation_time=correlation_time,
            gains=(rng.uniform(-0.005, 0.005), rng.uniform(-0.01, 0.01)),
            air=22.0 + rng.uniform(-5.0, 5.0),
            start=rng.uniform(-2.0, 2.0),
            drift=rng.uniform(-2.0, 2.0),
        )
        resistance, lag = estimates(heated(others, plan, seed))
        hits += covers(resistance, THERMAL_RESISTANCE), covers(lag, TIME_CONSTANT)
    assert hits.min() >= 13


def test_a_whole_heat_run_is_known_within_a_few_per_cent(others):
    """The start within 2 K of a rise of 55 K is 2 %, the air's 5 K of 255 K another one."""
    heating = heated(others)
    resistance, lag = estimates(heating)
    assert covers(resistance, THERMAL_RESISTANCE)
    assert covers(lag, TIME_CONSTANT)
    assert 0.02 < width(resistance) < 0.08
    assert heating.bodies == 1
    assert heating.reached > 0.95


def test_temperature_at_the_end_is_that_of_the_integrator(others):
    """With the air as stated the temperature by resistance is off by the run's scatter alone."""
    plan, time = Warming(), np.arange(0.0, 4201.0, 60.0)
    rng = np.random.default_rng(1)
    resistance = float(TRUE.armature_resistance) * (1.0 + 0.01 * rng.normal())
    hot = temperatures(plan, time, resistance)[-1]
    heating = heated(others, plan)
    assert heating.hottest.value == pytest.approx(hot, abs=1.5)
    assert heating.hottest.interval[0] < hot < heating.hottest.interval[1]


def test_a_run_that_ends_early_is_wide_and_says_what_half_an_hour_would_bring(others):
    """0.7 time constants; then the same run half an hour longer is as narrow as it was told."""
    short = Warming(end=630.0, step=15.0)
    heating = heated(others, short)
    resistance, lag = estimates(heating)
    assert covers(resistance, THERMAL_RESISTANCE)
    assert covers(lag, TIME_CONSTANT)
    assert width(resistance) > 0.15
    upper, lower = (
        resistance.interval[1] - resistance.value,
        resistance.value - resistance.interval[0],
    )
    assert upper > 1.1 * lower  # a machine that is still warming has no upper end yet
    (told,) = [one for one in heating.findings if one.kind == "heat-run-unfinished"]
    assert "Another half hour" in told.says
    assert heating.longer is not None
    longer, _ = estimates(heated(others, replace(short, end=short.end + 1800.0)))
    assert width(longer) < 0.5 * width(resistance)
    # the scatter of either run is known to about 15 % only, and its time constant differs
    assert width(longer) == pytest.approx(heating.longer.then, rel=0.35)


def test_a_run_of_minutes_has_no_value_and_says_how_long_it_takes(others):
    heating = heated(others, Warming(end=120.0, step=10.0))
    assert isinstance(heating.thermal_resistance, NotKnown)
    assert "heat-run of 30 minutes" in heating.thermal_resistance.needs
    assert any(one.kind == "heat-run-unfinished" for one in heating.findings)


def test_a_denser_log_of_the_same_noise_is_not_narrower(others):
    """Scatter that lasts five minutes, read every minute and every six seconds."""
    slow = heated(others, Warming(correlation_time=300.0, end=3600.0))
    fast = heated(others, Warming(correlation_time=300.0, end=3600.0, step=6.0))
    assert fast.samples > 9 * slow.samples
    assert fast.effective < 0.2 * fast.samples
    # different draws of the noise; independent readings would make it 0.32
    ratio = width(estimates(fast)[1]) / width(estimates(slow)[1])
    assert 0.6 < ratio < 1.7


def test_independent_readings_do_narrow_it(others):
    sparse, dense = (heated(others, Warming(step=step)) for step in (120.0, 12.0))
    assert estimates(dense)[1].from_scatter < 0.6 * estimates(sparse)[1].from_scatter


def test_two_bodies_are_found_where_the_readings_show_them(others):
    heating = heated(others, Warming(two=TWO, step=20.0))
    assert heating.bodies == 2
    bodies = heating.thermal_bodies
    assert bodies is not None
    found = (
        bodies.winding_to_frame,
        bodies.winding_time_constant,
        bodies.frame_to_air,
        bodies.frame_time_constant,
    )
    assert all(covers(one, truth) for one, truth in zip(found, TWO, strict=True))
    resistance, lag = estimates(heating)
    assert covers(resistance, TWO[0] + TWO[2])
    assert lag == bodies.frame_time_constant
    assert any(one.kind == "two-bodies" for one in heating.findings)


def test_one_body_is_hardly_ever_taken_for_two(others):
    """The threshold is 1 in some thousands; none in six wandering runs."""
    plan = Warming(correlation_time=200.0, step=30.0, end=3000.0)
    assert all(heated(others, plan, seed).bodies == 1 for seed in range(6))


def test_what_gains_do_is_in_the_sensitivities(others):
    """A gain that is there moves the result as the sensitivity says, to second order.

    One per cent of the ammeter; the readings' digits move it by less than a tenth of that.
    """
    gain = 0.01
    plain, off = heated(others), heated(others, Warming(gains=(0.0, gain)))
    moved = estimates(off)[0].value - estimates(plain)[0].value
    names, instruments = plain.parts.names, plain.parts.instruments
    (slope,) = [
        slopes[names.index("thermal_resistance")]
        for nuisance, slopes in instruments
        if (nuisance.quantity, nuisance.error) == ("current", "gain") and nuisance.range == "40 A"
    ]
    # an ammeter that shows too much hides heat: the true gain is above zero, its estimate is not
    assert -slope * gain == pytest.approx(moved, rel=0.25)


def test_cooling_readings_lead_back_to_the_switching_off(others):
    heating = heated(others, Warming(cooling=300.0))
    assert heating.switched_off == 4200.0
    assert heating.from_cooling == pytest.approx(heating.hottest.value, abs=2.0)
    assert covers(estimates(heating)[0], THERMAL_RESISTANCE)


def test_a_turning_run_with_cooling_readings_is_known(whole):
    """Turning, the magnets' warmth hides the winding's; stopped, the resistance shows it."""
    plan = Warming(speed=150.0, cooling=300.0)
    found = fit_heating(warmed(bench(plan=PLANS["whole"]), plan), whole, 0.95).heating
    assert found is not None
    assert found.rotor == "turning"
    assert found.speed == pytest.approx(150.0)
    assert covers(estimates(found)[0], THERMAL_RESISTANCE)
    assert width(estimates(found)[0]) < 0.2


def test_a_turning_run_alone_says_that_magnets_hide_the_winding(whole):
    plan = Warming(speed=150.0)
    outcome = fit_heating(warmed(bench(plan=PLANS["whole"]), plan), whole, 0.95)
    assert outcome.heating is None
    assert "that hides how warm the winding became" in outcome.findings[0].says
    assert "every 20 s" in outcome.findings[0].suggestion


def test_a_turning_run_without_speed_is_left_alone(whole):
    heated_bench = warmed(bench(plan=PLANS["whole"]), Warming(speed=150.0))
    run = heated_bench.runs[-1]
    blind = replace(run, readings={k: v for k, v in run.readings.items() if k != "speed"})
    told = replace(heated_bench, runs=(*heated_bench.runs[:-1], blind))
    assert fit_heating(told, whole, 0.95) == HeatOutcome()


def test_a_heat_run_alone_gives_its_heat_path_and_a_cold_resistance():
    """Two currents, heating and cooling, tell the brush drop from the resistance a little."""
    told = warmed(bench(), Warming(cooling=300.0))
    alone = replace(told, runs=told.runs[-1:])
    found = mf.fit(alone)
    assert covers(found.parameters["thermal_resistance"], THERMAL_RESISTANCE)
    assert covers(found.parameters["thermal_time_constant"], TIME_CONSTANT)
    (cold,) = [one for one in found.profile.combinations if "armature_resistance" in one.of]
    truth = float(TRUE.armature_resistance) + float(TRUE.brush_drop) / cold.at["current"]
    assert cold.value == pytest.approx(truth, rel=0.04)  # 1 % of the run, 2 % of 5 K
    assert found.bench is alone


def test_scatter_of_the_ammeter_does_not_pass_for_a_brush_drop():
    """Regression dilution: with 0.4 % of scatter the drop once took the resistance's place."""
    told = warmed(bench(), Warming(cooling=300.0, scatter=0.004, step=20.0))
    found = fit_heating(
        told, split_uncertainty(fit_jointly(pose(with_cold_resistance(_alone(told))))), 0.95
    )
    assert found.heating is not None
    assert covers(estimates(found.heating)[0], THERMAL_RESISTANCE)
    assert width(estimates(found.heating)[0]) < 0.4


def _alone(told):
    return replace(told, runs=told.runs[-1:])


def test_cold_resistance_goes_back_to_the_start():
    """At 22 degC: R times 256.5/259.5, and the drop over the current; rounded to 1 mV of 4.6 V."""
    told = with_cold_resistance(_alone(warmed(bench(), Warming(scatter=0.0, step=10.0))))
    cold = told.runs[-1]
    rng = np.random.default_rng(1)
    resistance = float(TRUE.armature_resistance) * (1.0 + 0.01 * rng.normal()) * 256.5 / 259.5
    expected = resistance + float(TRUE.brush_drop) / 5.0
    assert cold.kind == "resistance"
    # a straight line through a curve: 3 minutes of a warming of 900 s
    assert cold.get("voltage") / cold.get("current") == pytest.approx(expected, rel=2e-3)


def test_no_cold_resistance_is_added_where_another_test_tells_it():
    told = warmed(bench(), Warming())
    assert with_cold_resistance(told) is told


def test_a_thermometer_on_the_winding_tells_it_too(others):
    plan, time = Warming(), np.arange(0.0, 4201.0, 60.0)
    told = warmed(bench(), plan)
    run = told.runs[-1]
    rng = np.random.default_rng(1)
    resistance = float(TRUE.armature_resistance) * (1.0 + 0.01 * rng.normal())
    winding = np.round(temperatures(plan, time, resistance), 1)
    readings = {k: v for k, v in run.readings.items() if k != "voltage"} | {"winding": winding}
    told = replace(
        told,
        runs=(*told.runs[:-1], replace(run, readings=readings)),
        instruments=with_defaults(told.instruments),
    )
    found = fit_heating(told, others, 0.95).heating
    assert found is not None
    assert covers(estimates(found)[0], THERMAL_RESISTANCE)
    assert covers(estimates(found)[1], TIME_CONSTANT)
    assert width(estimates(found)[1]) < 0.05


def test_profile_draws_have_the_estimates_and_their_correlations(tmp_path):
    found = mf.fit(warmed(bench(), Warming()))
    path = tmp_path / "profile.json"
    found.profile.save(path)
    profile = mf.load_profile(path)
    draws = profile.sample(20_000, np.random.default_rng(2))
    for name in ("thermal_resistance", "thermal_time_constant"):
        estimate = profile.estimate(name)
        assert covers(estimate, found.parameters[name].value)
        # 20,000 draws tell a standard deviation to 0.5 %, and a rectangular part is no normal one
        assert np.std(draws[name]) == pytest.approx(estimate.standard_uncertainty, rel=0.03)
    order = profile.covariance_order
    both = [order.index(name) for name in ("thermal_resistance", "thermal_time_constant")]
    covariance = profile.covariance[np.ix_(both, both)]
    expected = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    seen = np.corrcoef(draws["thermal_resistance"], draws["thermal_time_constant"])[0, 1]
    assert seen == pytest.approx(expected, abs=0.03)
    assert (
        np.linalg.eigvalsh(profile.scatter_covariance / np.max(profile.scatter_covariance))[0]
        > -1e-9
    )
    assert profile.constants.heat_run_rotor == "held"


def test_the_profile_says_which_constant_and_what_air_were_taken():
    found = mf.fit(warmed(bench(), Warming()))
    said = " ".join(found.profile.provenance.assumed)
    assert "K = 234.5 K for copper" in said
    assert "IEC 60034-1 has 235" in said
    assert "heat run: air at 22 degC" in said


def test_a_current_that_flowed_for_an_hour_is_within_the_tested_range():
    told = warmed(bench(), Warming(current=7.0))
    tested = mf.fit(told).profile.range
    assert tested.current[1] == pytest.approx(7.0, rel=0.01)
    assert tested.winding[1] > 80.0


def test_shares_of_the_width_add_to_one():
    widths = mf.fit(warmed(bench(), Warming())).widths["thermal_resistance"]
    assert sum(one.share for one in widths) == pytest.approx(1.0, abs=0.02)
    assert widths[0].share == max(one.share for one in widths)


def test_a_heat_run_of_three_readings_says_that_they_are_too_few(others):
    told = warmed(bench(), Warming(end=120.0))
    outcome = fit_heating(told, others, 0.95)
    assert outcome.heating is None
    assert outcome.findings[0].kind == "heat-run-too-little"
    assert "3 readings" in outcome.findings[0].says


def test_a_clip_that_slipped_is_left_out_and_named(others):
    """Two readings of half the voltage among 71; without them the result is what it was."""
    told = warmed(bench(), Warming())
    run = told.runs[-1]
    voltage = run.get("voltage").copy()
    voltage[[20, 40]] *= 0.5
    slipped = replace(run, readings={**run.readings, "voltage": voltage})
    found = fit_heating(replace(told, runs=(*told.runs[:-1], slipped)), others, 0.95).heating
    assert found is not None
    (spikes,) = [one for one in found.findings if one.kind == "heat-run-spikes"]
    assert "row 22, 42" in spikes.says
    plain = estimates(heated(others))[0]
    assert estimates(found)[0].value == pytest.approx(plain.value, rel=0.01)


def test_a_calibrated_ammeter_is_corrected(others):
    """It shows 2 % too much, and its calibration says so: the same result to the last digits."""
    plain = warmed(bench(), Warming())
    off = warmed(bench(), Warming(gains=(0.0, 0.02)))
    meter = off.instrument("current")
    checked = replace(meter, calibration=Calibration(gain=0.02, half_width=meter.accuracy.relative))
    off = replace(off, instruments={**off.instruments, ("current", ""): checked})
    first, second = (fit_heating(one, others, 0.95).heating for one in (plain, off))
    assert first is not None
    assert second is not None
    # 1 mA of 5 A in each reading
    assert estimates(second)[0].value == pytest.approx(estimates(first)[0].value, rel=2e-3)


def test_a_long_log_is_averaged_and_tells_the_same(others):
    """Every second for 70 minutes: 4,201 rows, of which the fit keeps no more than 240."""
    heating = heated(others, Warming(step=1.0))
    assert heating.samples == 4201
    assert len(heating.time) <= 241
    assert covers(estimates(heating)[0], THERMAL_RESISTANCE)
    assert covers(estimates(heating)[1], TIME_CONSTANT)


def test_a_current_too_large_for_the_winding_is_not_to_be_kept_up(others):
    """Each kelvin makes more heat than it sheds: R i^2 / 259.5 K times 2 K/W is above one."""
    plan = Warming(current=15.0, end=300.0, step=10.0)
    heating = heated(others, plan)
    assert 2.0 * float(TRUE.armature_resistance) * plan.current**2 / 259.5 > 1.0
    assert heating.reached == 0.0
    (told,) = [one for one in heating.findings if one.kind == "heat-run-unfinished"]
    assert "hotter without end" in told.says
    assert "Another half hour" not in told.says
    assert "smaller current: at 15 A" in told.suggestion
    assert any(one.kind == "winding-too-hot" for one in heating.findings)
