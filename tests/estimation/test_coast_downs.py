"""Coast-downs in the joint fit: what each set of tests makes known, and how well.

The bench is `virtual_benches.TRUE` with an invented rotor of 2e-3 kg m2.
"""

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import SPEEDS, TRUE

import motorfit as mf
from motorfit.bench.plausibility import check_plausibility
from motorfit.bench.records import Bench
from motorfit.errors import FitError
from motorfit.estimate import Estimate
from motorfit.estimation.coast_logs import ANOTHER_UNIT, NO_SPEEDS, reduce_logs
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.physics import J
from motorfit.estimation.problem import pose
from motorfit.finding import Finding
from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.coasting import coast_down
from motorfit.quantities import Stated
from motorfit.simulation.bench import simulate
from motorfit.simulation.instruments import VirtualKit, handheld_meters, virtual_meter
from motorfit.simulation.log_plans import CoastDownPlan, LogNoise
from motorfit.simulation.plan import BenchPlan, Conditions

INERTIA = 2e-3
NOISE = LogNoise(correlation=0.5)
OPEN = CoastDownPlan(start_speed=240.0, step=0.1, engaged=0.5, noise=NOISE)
LOADED = CoastDownPlan(
    start_speed=240.0, step=0.02, engaged=0.5, load=4.7, load_columns="current", noise=NOISE
)
BY_SPEED = replace(OPEN, records=("speed",))
LOADED_BY_SPEED = replace(LOADED, records=("speed",), load_columns="load")
BOTH = replace(OPEN, records=("speed", "voltage"))
DISC = replace(OPEN, added_inertia=Stated(4e-3, 4e-5))

DRIVEN = BenchPlan(open_circuit_speeds=SPEEDS, load_speeds=SPEEDS, load_resistors=(2.2, 10.0))
TRUTH = {
    "emf_constant": TRUE.emf_constant,
    "armature_resistance": TRUE.armature_resistance,
    "coulomb_torque": TRUE.coulomb_torque,
    "viscous_coefficient": TRUE.viscous_coefficient,
    "moment_of_inertia": INERTIA,
}


def coasted(
    *logs: CoastDownPlan,
    plan: BenchPlan = DRIVEN,
    stated: Stated | None = None,
    friction: float = 0.0,
    kit: VirtualKit | None = None,
    seed: int = 3,
    machine: BrushedMachine = TRUE,
) -> Bench:
    """A bench with these coast-downs."""
    bench = simulate(
        machine,
        plan=replace(plan, coast_downs=logs),
        kit=kit,
        moment_of_inertia=INERTIA,
        conditions=Conditions(friction_run=friction, friction_row=0.0),
        seed=seed,
    )
    told = bench.settings.machine.model_copy(update={"moment_of_inertia": stated})
    return replace(bench, settings=bench.settings.model_copy(update={"machine": told}))


def exact_kit() -> VirtualKit:
    """Meters without any error to speak of."""
    exact = {
        quantity: virtual_meter(quantity, quantity, percent=1e-4, resolution=1e-7)
        for quantity in ("voltage", "current", "speed", "time")
    }
    return VirtualKit(meters=handheld_meters() | exact)


def assert_within(found: mf.Fit, *names: str) -> None:
    """Intervals at 99.9 % hold the truth: one bench in a thousand would not."""
    for name in names:
        estimate = found.parameters[name]
        assert isinstance(estimate, Estimate), f"{name} has no value"
        low, high = estimate.interval
        assert low <= TRUTH[name] <= high, f"{name}: {low:.4g} to {high:.4g}"


def test_two_coast_downs_and_driven_readings_tell_the_whole_machine():
    found = mf.fit(coasted(OPEN, LOADED), level=0.999)

    assert_within(found, *TRUTH)
    assert {found.parameters[name].standing for name in TRUTH} == {"measured"}
    # the ammeter's 1.5 % and what friction may differ by: some 3 % of J
    inertia = found.parameters["moment_of_inertia"]
    assert inertia.standard_uncertainty < 0.02 * inertia.value
    assert [each.loaded for each in found.coast_downs] == [False, True]


def test_an_open_coast_down_alone_tells_loss_over_inertia():
    found = mf.fit(coasted(OPEN), level=0.999)

    for name in ("coulomb_torque", "viscous_coefficient", "moment_of_inertia"):
        assert found.parameters[name].standing == "combined"
        assert "coast-down on a known resistor" in found.parameters[name].needs
    known = {each.of: each for each in found.profile.combinations}
    for name in ("coulomb_torque", "viscous_coefficient"):
        combination = known[f"{name}/moment_of_inertia"]
        low, high = combination.interval
        assert low <= TRUTH[name] / INERTIA <= high


@pytest.mark.parametrize("logs", [(DISC,), (DISC, DISC)])
def test_with_the_disc_alone_the_loss_is_no_smaller_than_it_would_be_without_a_rotor(logs):
    """Nothing tells the rotor's own 2e-3 kg m2, half of the disc's.

    A rotor without any would have two thirds of the loss: that must not pass for measured.
    """
    windy = replace(TRUE, windage_coefficient=1e-6)

    found = mf.fit(coasted(*logs, machine=windy), level=0.999)

    told = found.parameters["coulomb_torque"]
    assert told.standing == "combined" or told.interval[1] >= TRUTH["coulomb_torque"]


def test_a_loaded_run_that_tells_little_tells_no_loss_either():
    """What the inertia is held at while only ratios are told must not pass for a loss.

    Seven readings of the brake on a large resistor, noise of 2 V: no inertia comes of them.
    """
    noisy = replace(LOADED, load=100.0, step=0.5, noise=LogNoise(scatter=0.1))

    found = mf.fit(coasted(OPEN, noisy))

    assert found.parameters["moment_of_inertia"].standing == "combined"
    assert found.loss is None


@pytest.mark.parametrize(
    ("plan", "says"),
    [
        (replace(LOADED, load=100.0), "use a smaller resistor"),
        (replace(OPEN, step=20.0), "ten readings or more"),
    ],
    ids=["little current", "few readings"],
)
def test_what_to_log_instead_depends_on_what_was_left_out(plan, says):
    found = mf.fit(coasted(OPEN, plan))

    (finding,) = [each for each in found.findings if each.kind == "coast-down-not-used"]
    assert says in finding.suggestion


def test_speeds_alone_tell_loss_over_inertia():
    """No voltage anywhere: nothing is known of the windings."""
    bench = coasted(BY_SPEED, plan=BenchPlan())

    found = mf.fit(bench, level=0.999)

    assert found.parameters["emf_constant"].standing == "unmeasured"
    of = [each.of for each in found.profile.combinations]
    assert of == ["coulomb_torque/moment_of_inertia", "viscous_coefficient/moment_of_inertia"]


def test_voltages_without_any_speed_are_refused():
    with pytest.raises(FitError, match=NO_SPEEDS):
        mf.fit(coasted(OPEN, plan=BenchPlan()))


@pytest.mark.parametrize(
    ("logs", "plan"),
    [
        ((BY_SPEED, LOADED_BY_SPEED), DRIVEN),
        ((OPEN, replace(LOADED, load_columns="load")), DRIVEN),
        ((OPEN, DISC), DRIVEN),
        ((OPEN,), replace(DRIVEN, supply_voltages=(8.0, 16.0, 24.0))),
        ((OPEN, LOADED, DISC, BY_SPEED), replace(DRIVEN, supply_voltages=(8.0, 16.0, 24.0))),
    ],
    ids=["speeds", "resistor", "disc", "no-load motor", "everything"],
)
def test_what_gives_a_torque_gives_the_inertia(logs, plan):
    assert_within(mf.fit(coasted(*logs, plan=plan), level=0.999), *TRUTH)


def test_a_stated_inertia_makes_torques_of_one_open_coast_down():
    stated = Stated(INERTIA * 1.01, INERTIA * 0.02)

    found = mf.fit(coasted(OPEN, stated=stated), level=0.999)

    assert_within(found, *TRUTH)
    inertia = found.parameters["moment_of_inertia"]
    assert inertia.value == pytest.approx(stated.value, rel=1e-6)  # nothing else tells it
    assert inertia.standard_uncertainty == pytest.approx(stated.half_width / 3**0.5, rel=0.01)
    assert inertia.standing == "assumed"


def test_a_log_of_both_quantities_tells_the_emf_constant():
    found = mf.fit(coasted(BOTH, plan=BenchPlan()), level=0.999)

    assert_within(found, "emf_constant")


@pytest.mark.parametrize("reaction", [0.0, 0.01])
@pytest.mark.parametrize("load", [np.inf, 4.7])
def test_rates_of_an_exact_log_fulfil_the_torque_equation(load, reaction):
    """Against the integrated torque balance: rates by differences of its voltage.

    The central difference over 2 ms is good to (2 ms / 0.5 s)^2 / 6, some 1e-6. The bench is
    at 22 degC.
    """
    machine = replace(TRUE, armature_reaction=reaction)
    middle, step = np.array([0.1, 0.3, 0.5]), 1e-3
    at, before, after = (
        coast_down(machine, INERTIA, 240.0, middle + shift, load=load, winding_factor=256.5 / 259.5)
        for shift in (0.0, -step, step)
    )
    bench = coasted(OPEN if np.isinf(load) else LOADED, plan=DRIVEN, kit=exact_kit())
    reduced = reduce_logs(bench).bench
    log = next(run for run in reduced.runs if run.rates is not None)
    readings = {"voltage": at.voltage}
    if np.isfinite(load):
        readings["current"] = at.current
    rates = replace(log.rates, value=(after.voltage - before.voltage) / (2 * step))
    exact = replace(log, readings=readings, rates=rates)
    conditions = pose(replace(reduced, runs=(exact,)), terms=("armature-reaction",)).conditions
    full = np.zeros(11)
    full[[0, 1, 2, 3, 4, 6, 10]] = [0.08, 0.8, 0.8, 0.03, 5e-5, reaction, INERTIA]
    # as the voltage equation would have it: the speed that nobody read
    shown = conditions.rows.shown.copy()
    shown[:, 1] = at.speed
    there = conditions.with_rows(replace(conditions.rows, shown=shown))
    there.brush_current_scale = float(np.asarray(machine.brush_current_scale))
    theta = np.concatenate([full[there.free], np.zeros(there.influence.leads.shape)])

    residual = there.with_rows(there.rows).linearise(theta).residual

    assert residual[:, 1] == pytest.approx(0.0, abs=3e-5 * 0.2)  # of a torque of 0.2 N m
    assert residual[:, 0] == pytest.approx(0.0, abs=1e-3)


def test_the_estimate_is_the_mean_of_runs_that_differ():
    """Loss 20 % more and 20 % less in two runs with exact meters: the mean is the truth."""
    reduced = reduce_logs(coasted(OPEN, OPEN, stated=Stated(INERTIA, 1e-9), kit=exact_kit())).bench
    sign = iter([1.2, 0.8])
    runs = tuple(
        replace(run, rates=replace(run.rates, value=run.rates.value * next(sign)))
        if run.rates is not None and run.rates.quantity != "inertia"
        else run
        for run in reduced.runs
    )

    even = fit_jointly(pose(reduced))
    joint = fit_jointly(pose(replace(reduced, runs=runs)))

    place = joint.problem.free.index(3)
    # one 20 % apart to the second order would be 4 % off
    assert joint.machine[place] == pytest.approx(even.machine[place], rel=0.01)


def test_friction_that_differs_is_told_with_its_size():
    found = mf.fit(coasted(OPEN, OPEN, LOADED, LOADED, friction=0.15, seed=5))

    finding = next(each for each in found.findings if each.kind == "friction-differs")
    assert finding.severity == "note"
    sizes = {each.name: each.standard_deviation for each in found.scatter}
    assert 0.05 < sizes["friction from coast-down to coast-down"] < 0.5
    told = [each.friction for each in found.coast_downs]
    assert max(told) - min(told) > 0.05


def test_an_open_log_of_steady_friction_has_none_of_its_own():
    found = mf.fit(coasted(OPEN, OPEN, LOADED, LOADED))

    assert [each for each in found.findings if each.kind == "friction-differs"] == []
    assert max(abs(each.friction) for each in found.coast_downs) < 0.02


def test_voltmeter_gain_leaves_the_time_constant_alone():
    """b/J is a rate: no gain of the voltmeter or the tachometer is in it, only the clock's."""
    joint = fit_jointly(pose(reduce_logs(coasted(OPEN, LOADED)).bench))
    free = list(joint.problem.free)
    ratio = np.zeros(len(free))
    ratio[free.index(4)] = 1.0 / joint.machine[free.index(4)]
    ratio[free.index(J)] = -1.0 / joint.machine[free.index(J)]

    moved = {
        (nuisance.quantity, nuisance.error): abs(float(ratio @ column))
        for nuisance, column in zip(
            joint.problem.assembled.nuisances, joint.sensitivity.T, strict=True
        )
    }

    assert moved["voltage", "gain"] < 0.05
    assert moved["speed", "gain"] < 0.05
    assert moved["time", "gain"] == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("interval", ["profile", "bootstrap", "monte-carlo"])
def test_other_ways_to_an_interval_agree(interval):
    """The problem is nearly linear: within a quarter of the linear width."""
    bench = coasted(OPEN, LOADED)
    linear = mf.fit(bench).parameters["moment_of_inertia"]

    other = mf.fit(bench, interval=interval, draws=400).parameters["moment_of_inertia"]

    widths = [float(np.diff(each.interval)[0]) for each in (linear, other)]
    assert widths[1] == pytest.approx(widths[0], rel=0.25)
    assert other.value == pytest.approx(linear.value, rel=1e-6)


def test_a_robust_fit_takes_logs_as_they_are():
    bench = coasted(OPEN, LOADED)

    assert_within(mf.fit(bench, robust=True, level=0.999), *TRUTH)


def test_milliseconds_taken_for_seconds_make_an_odd_inertia():
    """Both logs: nothing contradicts anything, but no rotor follows so slowly."""
    bench = coasted(OPEN, LOADED)
    runs = tuple(
        replace(run, readings=dict(run.readings) | {"time": 1000.0 * run.get("time")})
        if run.kind == "coast-down"
        else run
        for run in bench.runs
    )

    found = mf.fit(replace(bench, runs=runs))

    odd = next(each for each in found.findings if each.kind == "inertia-odd")
    assert "milliseconds" in odd.suggestion


def test_the_tested_range_is_that_of_the_logs_too():
    found = mf.fit(coasted(OPEN, LOADED))

    low, high = found.profile.range.speed
    assert low < 40.0  # the drill's slowest is 60 rad/s
    assert 215.0 < high < 245.0


def edited(bench: Bench, file: str, **columns: float) -> Bench:
    """The bench with columns of one sheet multiplied."""
    runs = tuple(
        replace(
            run,
            readings={
                name: values * columns.get(name, 1.0) for name, values in run.readings.items()
            },
        )
        if run.source.name == file
        else run
        for run in bench.runs
    )
    return replace(bench, runs=runs)


@pytest.mark.parametrize(
    ("file", "columns", "says"),
    [
        ("coast-down.csv", {"time": 0.7}, "slows down"),
        ("coast-down-2.csv", {"load": 10.0 / 4.7}, "the current brakes"),
    ],
    ids=["another clock", "another resistor"],
)
def test_a_log_that_contradicts_the_others_is_named(file, columns, says):
    """With no-load readings the loss is known twice: one log is wrong by a third or more."""
    logs = (OPEN, replace(LOADED, load_columns="load"))
    bench = coasted(*logs, plan=replace(DRIVEN, supply_voltages=(8.0, 16.0, 24.0)))

    found = mf.fit(edited(bench, file, **columns))

    told = [each for each in found.findings if each.kind == "tests-disagree"]
    assert [each.where for each in told] == [file]
    assert says in told[0].says
    clean = mf.fit(bench)
    assert [each.kind for each in clean.findings if each.grave] == []


def test_a_log_in_another_unit_of_time_is_told_and_left_out():
    """One of two logs in milliseconds labelled as seconds, 1000 times slower than it can be."""
    bench = coasted(OPEN, LOADED, plan=replace(DRIVEN, supply_voltages=(8.0, 16.0, 24.0)))
    wrong = edited(bench, "coast-down.csv", time=1000.0)
    odd = check_plausibility(wrong.runs, wrong.settings, wrong.instruments)

    found = mf.fit(replace(wrong, findings=odd))

    grave = [(each.kind, each.where) for each in found.findings if each.grave]
    assert grave == [("time-unit", "coast-down.csv")]
    assert found.unused == (f"coast-down.csv: {ANOTHER_UNIT}",)
    assert_within(found, *TRUTH)


def test_where_nothing_can_be_fitted_what_was_odd_before_is_told():
    odd = Finding(kind="odd", where="coast-down.csv", says="Upside down.", severity="error")
    bench = replace(coasted(OPEN, plan=BenchPlan()), findings=(odd,))

    with pytest.raises(FitError, match=r"(?s)Found before the fit:.*coast-down\.csv: Upside down"):
        mf.fit(bench)


@pytest.mark.parametrize("seed", [0, 1])
def test_a_loss_that_bends_the_other_way_is_a_finding(seed):
    """A third of the loss at the top missing: no friction above zero falls short so."""
    bent = replace(TRUE, windage_coefficient=-1.5e-7)
    plan = replace(DRIVEN, coast_downs=(OPEN, OPEN, LOADED, LOADED))
    bench = simulate(
        bent,
        plan=plan,
        moment_of_inertia=INERTIA,
        conditions=Conditions(friction_row=0.0),
        seed=seed,
    )

    found = mf.fit(bench)

    told = {each.where for each in found.findings if each.kind == "loss-bends-back"}
    assert told == {"coast-down.csv", "coast-down-2.csv"}
    # what it takes at the tested speeds is what was read, all the same
    loss = found.profile.loss(speed=120.0)
    true = 0.03 + 5e-5 * 120.0 - 1.5e-7 * 120.0**2
    assert loss.value == pytest.approx(true, rel=0.05)


def test_windage_that_coast_downs_show_is_fitted():
    """As much windage at the top as all else: found by itself, and the rest is right."""
    windy = replace(TRUE, windage_coefficient=3e-7)
    plan = replace(DRIVEN, coast_downs=(OPEN, OPEN, LOADED, LOADED))
    bench = simulate(
        windy, plan=plan, moment_of_inertia=INERTIA, conditions=Conditions(friction_row=0.0), seed=0
    )

    found = mf.fit(bench, level=0.999)

    assert_within(found, *TRUTH)
    low, high = found.parameters["windage_coefficient"].interval
    assert low < 3e-7 < high
