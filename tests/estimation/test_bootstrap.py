"""Readings resampled among their like."""

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import SPEEDS, TRUE

from motorfit.estimation.bootstrap import FEWEST, bootstrap, draw_weights, strata
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.scale_draws import held_scales
from motorfit.estimation.uncertainty import split_uncertainty
from motorfit.simulation.bench import simulate
from motorfit.simulation.plan import BenchPlan

REPEATED = BenchPlan(
    open_circuit_speeds=SPEEDS,
    load_speeds=SPEEDS,
    load_resistors=(2.2, 10.0),
    repeats=3,
    label_settings=True,
)
SINGLE = BenchPlan(
    open_circuit_speeds=tuple(np.linspace(60.0, 210.0, 10)),
    load_speeds=tuple(np.linspace(60.0, 210.0, 10)),
    load_resistors=(2.2, 10.0),
    supply_voltages=(12.0, 24.0),
)


def joint_of(plan):
    return fit_jointly(pose(simulate(TRUE, plan=plan, seed=1)))


@pytest.fixture(scope="module")
def single():
    return joint_of(SINGLE)


@pytest.fixture(scope="module")
def repeated():
    return joint_of(REPEATED)


def test_repeats_of_a_setting_are_resampled_among_each_other(repeated):
    """Three at each of 4 settings of the open circuit; of the load test, with two resistors."""
    groups = strata(repeated)

    assert sorted(len(group) for group in groups) == [3] * 4 + [6] * 4
    speed = repeated.problem.conditions.nominal.values[:, 1]
    assert all(np.ptp(speed[group]) < 0.05 * speed[group].mean() for group in groups)


def test_single_readings_of_a_sheet_are_resampled_together_if_there_are_enough(single):
    """10 open-circuit and 19 load readings; two no-load readings are too few.

    The slowest load reading on the large resistor is left out: its current is least, so it
    alone tells the brush drop from the resistance.
    """
    groups = strata(single)

    assert sorted(len(group) for group in groups) == [1, 1, 1, 10, 19]


def test_three_pairs_do_not_know_their_scatter():
    """Two no-load readings at each of three settings differ by three numbers, not by six."""
    plan = replace(REPEATED, repeats=2, supply_voltages=(8.0, 16.0, 24.0))
    joint = joint_of(plan)
    kinds = np.array(joint.problem.assembled.rows.kind)

    _, drawn = draw_weights(joint, 20, np.random.default_rng(1))

    assert FEWEST > 3
    assert np.all(drawn[:, kinds == "no-load-motor"])
    assert not np.any(drawn[:, kinds == "load"])


def test_every_row_is_in_one_group(single, repeated):
    for joint in (single, repeated):
        rows = np.concatenate(strata(joint))
        assert sorted(rows) == list(range(len(joint.problem.assembled.rows)))


def test_weights_have_the_variance_of_independent_readings(single):
    """Rao and Wu: the mean weight is 1, and the variance of a group's mean is s^2/m.

    A linear statistic of m values x with mean m_x has, over the resamples, the variance
    sum (x - m_x)^2 / (m (m - 1)). 4000 draws: 2.2 % of one standard deviation, times four.
    """
    weight, _ = draw_weights(single, 4000, np.random.default_rng(1))
    group = max(strata(single), key=len)
    values = np.random.default_rng(2).normal(size=len(group))

    means = weight[:, group] @ values / len(group)

    assert weight[:, group].sum(axis=1) == pytest.approx(np.full(4000, len(group)))
    assert np.var(means) == pytest.approx(np.var(values, ddof=1) / len(group), rel=0.09)


def test_rows_that_are_not_resampled_are_drawn(single):
    """Each row is resampled or has errors drawn, and never both."""
    weight, drawn = draw_weights(single, 50, np.random.default_rng(1))
    kinds = np.array(single.problem.assembled.rows.kind)

    assert np.all(drawn[:, kinds == "no-load-motor"])
    assert not np.any(drawn[:, kinds == "open-circuit"])
    assert np.all(weight[drawn] == 1.0)


def no_load_rows(*voltages):
    """Of a bench with these no-load readings: the fit, the rows, and the slowest one."""
    joint = joint_of(replace(SINGLE, supply_voltages=voltages))
    rows = np.flatnonzero(np.array(joint.problem.assembled.rows.kind) == "no-load-motor")
    speed = joint.problem.conditions.nominal.values[rows, 1]
    return joint, rows, speed


def test_a_reading_that_settles_much_is_drawn():
    """One slow reading of five says all of how the loss rises with speed.

    Then four are left at the other speed, which are too few.
    """
    joint, rows, _ = no_load_rows(8.0, 24.0, 24.0, 24.0, 24.0)

    _, drawn = draw_weights(joint, 20, np.random.default_rng(1))

    assert np.all(drawn[:, rows])


def test_a_resample_keeps_what_settles_the_parameters():
    """Four rows at each of two speeds: of 2000 draws of 7, 2 / 2^7 would lack one speed."""
    joint, rows, speed = no_load_rows(*(8.0, 24.0) * 4)
    slow = speed < speed.mean()

    weight, drawn = draw_weights(joint, 2000, np.random.default_rng(1))

    assert not drawn[:, rows].any()
    assert np.all(weight[:, rows[slow]].sum(axis=1) > 0)
    assert np.all(weight[:, rows[~slow]].sum(axis=1) > 0)


def test_the_bench_itself_comes_first(single):
    """Nothing shifted, every row once, priors where they are: what the others are off from."""
    resamples = bootstrap(
        split_uncertainty(single), held_scales(single, 3), np.random.default_rng(1)
    )

    assert np.all(resamples.shift[0] == 0.0)
    assert np.all(resamples.weight[0] == 1.0)
    assert np.all(resamples.mean[0] == [each.mean for each in single.problem.assembled.nuisances])
    assert len(resamples.mean) == len(resamples.weight) == len(resamples.shift) == 4
