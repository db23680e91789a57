"""Scores of suspicions, and the search for the best explanation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from faulty_benches import PLAN, changed, usual
from statsmodels.stats.outliers_influence import OLSInfluence
from virtual_benches import PLANS, SPEEDS, TRUE, virtual

from motorfit.estimation.explanation import explain, machine_allowing
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.judging import judge, with_directions
from motorfit.estimation.problem import pose
from motorfit.estimation.scatter import Scales, Stacked
from motorfit.estimation.search import search
from motorfit.estimation.suspicions import LEVELS, suspects
from motorfit.simulation.bench import simulate
from motorfit.simulation.plan import BenchPlan, Conditions

#: A rotor that is held: a second sheet, which says nothing of the speeds of the first.
HELD = {"resistance_currents": (1.0, 2.0, 3.0), "positions": 3}


@pytest.fixture
def line() -> tuple[Stacked, np.ndarray, np.ndarray]:
    """A straight line through twelve points with one unknown scatter."""
    rng = np.random.default_rng(8)
    x = np.linspace(0.0, 1.0, 12)
    y = 1.0 + 2.0 * x + 0.1 * rng.standard_normal(12)
    design = np.column_stack([np.ones(12), x])
    stack = Stacked(
        residual=y,
        design=design,
        fixed=np.zeros((12, 12)),
        patterns=np.eye(12)[None],
        ridge=np.zeros((2, 2)),
    )
    return stack, design, y


def test_a_reading_alone_has_the_studentised_residual_of_least_squares(line):
    """statsmodels' internally studentised residuals, at the scatter that it estimates."""
    stack, design, y = line
    influence = OLSInfluence(sm.OLS(y, design).fit())
    variance = influence.results.mse_resid
    scales = Scales(log_variance=np.log([variance]), covariance=np.array([[2.0 / 10]]))

    judged = judge(stack, scales, np.eye(12))

    assert judged.score == pytest.approx(influence.resid_studentized_internal, rel=1e-9)
    assert judged.freedom == pytest.approx(10.0)  # one scale known by twelve less two readings


def test_sizes_are_those_of_a_fit_with_the_direction_in_it(line):
    """Least squares with a further column gives the size and its standard error."""
    stack, design, y = line
    direction = np.linspace(-1.0, 1.0, 12) ** 2
    fitted = sm.OLS(y, np.column_stack([design, direction])).fit()
    scales = Scales(log_variance=np.log([fitted.mse_resid]), covariance=np.array([[0.2]]))

    judged = judge(stack, scales, direction[:, None])

    assert judged.size[0] == pytest.approx(fitted.params[2], rel=1e-9)
    assert judged.deviation[0] == pytest.approx(fitted.bse[2], rel=1e-9)


def test_what_the_parameters_take_up_has_no_score(line):
    stack, design, _ = line
    scales = Scales(log_variance=np.zeros(1), covariance=np.array([[0.2]]))

    judged = judge(stack, scales, design @ np.array([[1.0, 0.3], [2.0, 0.0]]))

    assert judged.score.tolist() == [0.0, 0.0]


def test_a_joined_direction_is_taken_up(line):
    stack, _, _ = line
    direction = np.linspace(-1.0, 1.0, 12) ** 3
    scales = Scales(log_variance=np.zeros(1), covariance=np.array([[0.2]]))

    judged = judge(with_directions(stack, [direction]), scales, direction[:, None])

    assert judged.score.tolist() == [0.0]


def test_scores_of_clean_benches_look_like_chance():
    """Over 30 benches standard normal, or a little less for scales that are slow to shrink."""
    scores = []
    for seed in range(30):
        bench = usual(seed)
        joint = fit_jointly(pose(bench))
        directions = np.column_stack([each.direction for each in suspects(bench, joint)])
        found = judge(joint.stack, joint.scales, directions).score
        scores.append(found[found != 0.0])
    pooled = np.concatenate(scores)

    # scores of one bench are dependent: some 25 are not, which makes 4 % of a deviation of 30
    assert 0.7 < pooled.std() < 1.1
    assert abs(pooled.mean()) < 0.15


def test_levels_add_to_two_in_a_hundred_at_most():
    """What may be claimed of clean benches; suspicions are alike, so that fewer hear of one."""
    assert sum(LEVELS.values()) <= 0.0201


def test_clean_benches_have_nothing_wrong():
    """At 2 % a bench at the very most, five of 60 would be 1 in 150."""
    found = [explain(bench, fit_jointly(pose(bench))).verdicts for bench in map(usual, range(60))]

    assert sum(bool(verdicts) for verdicts in found) <= 4


def test_a_gross_slip_does_not_draw_the_rest_along():
    """Set aside, the others are judged about the fit that they give by themselves."""
    ten_times = np.where(np.arange(12) == 3, 10.0, 1.0)
    bench = changed(usual(), "load.csv", voltage=lambda v, _: v * ten_times)

    found = explain(bench, fit_jointly(pose(bench)))

    assert [each.suspicion.family for each in found.verdicts] == ["reading"]
    machine, covariance = machine_allowing(found)
    true = [TRUE.emf_constant, TRUE.armature_resistance, TRUE.brush_drop]
    assert np.all(np.abs(machine[:3] - true) < 4 * np.sqrt(np.diag(covariance))[:3])


def test_a_wrong_ampere_does_not_widen_the_brush_drop_of_the_others():
    """The drop fades below a share of the largest current, which must not be the wrong one."""
    ten_times = np.where(np.arange(12) == 5, 10.0, 1.0)
    bench = changed(usual(), "load.csv", current=lambda i, _: i * ten_times)
    joint = fit_jointly(pose(bench))

    found = explain(bench, joint)

    clean = fit_jointly(pose(usual())).problem.assembled.brush_current_scale
    assert joint.problem.assembled.brush_current_scale > 1.4 * clean  # 8.7 A after 5.8 A
    assert found.joint.problem.assembled.brush_current_scale == pytest.approx(clean, rel=0.01)


def test_a_single_reading_comes_before_a_curve_that_explains_no_more():
    """Volts and amps exchanged at the largest current: warmth there would fit as well."""
    clean = usual()
    (load,) = clean.of_kind("load")
    place = int(np.argmax(np.abs(load.get("current"))))
    volts, amps = load.get("voltage").copy(), load.get("current").copy()
    volts[place], amps[place] = -amps[place], -volts[place]
    bench = changed(clean, "load.csv", voltage=lambda *_: volts, current=lambda *_: amps)

    found = explain(bench, fit_jointly(pose(bench)))

    assert {each.suspicion.family for each in found.verdicts} == {"reading"}


def test_what_drifts_all_the_time_is_no_step():
    """A slow wave of 1 % over 40 rows leaves neighbours alike beside any step."""
    plan = replace(PLANS["open circuit only"], open_circuit_speeds=tuple(np.full(40, 150.0)))
    wave = 1 + 0.01 * np.sin(np.linspace(0, 2 * np.pi, 40))
    bench = changed(
        simulate(TRUE, plan=plan, seed=2), "open-circuit.csv", voltage=lambda v, _: v * wave
    )

    found = explain(bench, fit_jointly(pose(bench)))

    assert not [each for each in found.verdicts if each.suspicion.family != "reading"]


def test_settings_that_each_share_something_are_not_wrong_settings():
    """0.6 % of speed shared by three rows each, beside 0.4 % of each row's own."""
    plan = replace(
        PLAN,
        load_speeds=tuple(np.linspace(80.0, 230.0, 8)),
        load_resistors=(2.2, 4.7, 10.0),
    )
    found = []
    for seed in range(20):
        bench = simulate(TRUE, plan=plan, conditions=Conditions(setting_drift=0.006), seed=seed)
        found += explain(bench, fit_jointly(pose(bench))).verdicts

    # without an allowance there are some twenty
    assert sum(each.suspicion.family == "group" for each in found) <= 2


def test_no_suspicion_no_verdict():
    joint = fit_jointly(pose(virtual("one reading")))

    assert search(joint, (), 4).verdicts == ()


def test_a_winding_column_leaves_no_room_for_warmth():
    bench = simulate(TRUE, plan=replace(PLAN, winding=True), seed=1)

    families = {each.family for each in suspects(bench, fit_jointly(pose(bench)))}

    assert "heating" not in families


def test_the_only_sheet_with_current_cannot_disagree_about_the_winding():
    """Its ohms are the winding's own: nothing is left for a suspicion to be made of."""
    plan = replace(PLANS["both directions"], supply_voltages=())
    bench = simulate(TRUE, plan=plan, seed=4)
    joint = fit_jointly(pose(bench))
    (series,) = (
        each for each in suspects(bench, joint) if each.sort == ("sheet", "series", "load.csv")
    )

    judged = judge(joint.stack, joint.scales, series.direction[:, None])

    assert judged.score.tolist() == [0.0]


def test_doubled_speeds_are_one_disagreement_with_the_torque():
    """The loss of the runs by itself is told by the same newton metres per ampere."""
    plan = replace(PLANS["brake"], brake_torques=(0.05, 0.1, 0.2, 0.3, 0.4))
    bench = simulate(TRUE, plan=plan, seed=3)
    for file in ("open-circuit.csv", "no-load-motor.csv", "brake.csv"):
        bench = changed(bench, file, speed=lambda speed, _: 2.0 * speed)

    found = explain(bench, fit_jointly(pose(bench)))

    assert [each.suspicion.shape for each in found.verdicts] == ["torque-constant"]


def test_an_ammeter_shows_little_at_zero():
    """What would turn the smaller currents round is no offset."""
    bench = usual()
    joint = fit_jointly(pose(bench))
    largest = max(float(np.max(np.abs(run.get("current")))) for run in bench.of_kind("load"))

    (zero,) = (
        each
        for each in suspects(bench, joint)
        if each.sort == ("sheet", "current-zero", "load.csv")
    )

    assert 0.2 * largest < zero.most < 0.3 * largest


@pytest.mark.parametrize(
    ("plan", "seeds"),
    [
        (BenchPlan(open_circuit_speeds=SPEEDS * 2, **HELD), (51, 53)),
        (BenchPlan(load_speeds=SPEEDS, load_resistors=(2.2, 4.7, 10.0), **HELD), (56, 59, 60)),
        (
            BenchPlan(
                open_circuit_speeds=SPEEDS * 2, load_speeds=SPEEDS * 2, load_resistors=(4.7,)
            ),
            (51, 57, 63),
        ),
    ],
    ids=["open circuit", "load", "one resistor"],
)
def test_the_residuals_do_not_explain_themselves(plan, seeds):
    """What the parameters take up leaves nothing that a sheet could be called wrong for.

    With directions at the readings as they are, every one of these clean benches was.
    """
    for seed in seeds:
        bench = simulate(TRUE, plan=plan, seed=seed)
        assert explain(bench, fit_jointly(pose(bench))).verdicts == ()
