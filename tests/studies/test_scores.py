"""Scores by hand, the targets they are held against, and the tables made of them."""

import pandas as pd
import pytest

from motorfit.studies.bound import Limit, Point, Reference
from motorfit.studies.figure import coverage_figure
from motorfit.studies.scores import Tally
from motorfit.studies.tables import coverage_tables
from motorfit.studies.targets import judged
from motorfit.studies.terminal import findings_text, scores_text, targets_text
from motorfit.studies.trials import Ask, Result, Trial

HELD = Reference(
    truths={"k": 1.0},
    limits={"k": Limit(deviation=0.1, half_width=0.16, instruments=0.3)},
    point=Point(speed=300.0, full_current=-8.0),
    readings=30,
)


@pytest.fixture(autouse=True)
def _held(monkeypatch):
    monkeypatch.setattr("motorfit.studies.scores.reference", lambda *_: HELD)


def one_result(value, *, half_width=0.2, interval="linear", **findings):
    result = Result(
        quantity="k",
        interval=interval,
        value=value,
        standard_uncertainty=0.1,
        low=value - half_width,
        high=value + half_width,
    )
    return Trial(scenario="made up", results=(result,), **findings)


def tally(*trials, intervals=("linear",)):
    return Tally(Ask(seed=1, intervals=intervals)).add_all(trials)


def test_scores_are_what_one_counts_by_hand():
    """Errors 0, 0.1, -0.1, 0.3: mean 0.075, sample deviation 0.1708; one of four misses."""
    done = [one_result(value) for value in (1.0, 1.1, 0.9, 1.3)]
    failed = Trial(scenario="made up", results=(), failed=True)
    (row,) = tally(*done, failed).table().to_dict("records")

    assert row["coverage"] == pytest.approx(0.75)
    assert row["standard_error"] == pytest.approx((0.75 * 0.25 / 4) ** 0.5)
    assert row["half_width"] == pytest.approx(0.2)
    assert row["width_over_ideal"] == pytest.approx(0.2 / 0.16)
    assert row["deviation_over_uncertainty"] == pytest.approx(0.1708 / 0.1, rel=1e-3)
    assert row["deviation_over_bound"] == pytest.approx(0.1708 / 0.1, rel=1e-3)
    assert row["bias"] == pytest.approx(0.075 / (0.1708 / 2), rel=1e-3)
    assert row["known"] == pytest.approx(4 / 5)
    assert row["bias_relative"] == pytest.approx(0.075)
    # without their signs 0, 0.1, 0.1, 0.3; 95 % of the way, between the last two
    assert (row["median_error"], row["error_95"]) == pytest.approx((0.1, 0.27))
    assert (row["below"], row["above"]) == (0.0, 0.25)
    assert (row["instruments"], row["readings"], row["near_bound"]) == (0.3, 30, 0.0)


def test_a_truth_near_zero_is_near_its_bound(monkeypatch):
    """0.15 is within two standard deviations of 0.1."""
    near = Reference(truths={"k": 0.15}, limits=HELD.limits, point=HELD.point, readings=30)
    monkeypatch.setattr("motorfit.studies.scores.reference", lambda *_: near)
    scores = tally(one_result(0.1), one_result(0.2)).table()

    assert scores["near_bound"].tolist() == [1.0]


def test_ways_to_an_interval_have_a_row_each():
    done = tally(
        one_result(1.0), one_result(1.0, interval="profile"), intervals=("linear", "profile")
    )

    assert done.table()["interval"].tolist() == ["linear", "profile"]


def test_false_findings_count_once_a_bench():
    done = tally(one_result(1.0), one_result(1.0, false_errors=("outlier", "outlier")))

    assert done.table()["false_errors"].tolist() == [0.5]
    expected = "  made up: error 1, caution 0 of 2  outlier 1"
    assert findings_text(done).splitlines()[1:] == [expected]


def test_a_term_that_no_machine_has_is_counted_where_it_is_claimed():
    done = tally(one_result(1.0), one_result(1.0, claimed=("windage", "armature-reaction")))

    assert done.table()["terms_claimed"].tolist() == [0.5]
    assert findings_text(done).endswith("error 0, caution 0 of 2  term claimed 1")


def verdicts(**changed):
    row = {
        "interval": "linear",
        "coverage": 0.95,
        "benches": 4000,
        "known": 1.0,
        "instruments": 0.1,
        "near_bound": 0.0,
        "width_over_ideal": 1.3,
        "deviation_over_bound": 1.0,
        "readings": 36,
    }
    (told,) = judged(pd.DataFrame([row | changed])).to_dict("records")
    return told["coverage_target"], told["width_target"], told["deviation_target"]


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({}, "met"),
        ({"coverage": 0.9801}, "met"),  # three binomial standard errors of 0.975 are 0.0074
        ({"coverage": 0.983}, "missed"),
        ({"coverage": 0.983, "instruments": 0.6}, "met"),  # wide, where rectangular errors decide
        ({"coverage": 0.99, "near_bound": 1.0}, "met"),
        ({"coverage": 0.929}, "chance"),  # three of 0.935 are 0.0117
        ({"coverage": 0.917}, "missed"),
        ({"coverage": 0.917, "instruments": 0.9}, "missed"),
        ({"coverage": 0.917, "benches": 100}, "chance"),
    ],
)
def test_target_for_coverage(changed, expected):
    assert verdicts(**changed)[0] == expected


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"interval": "monte-carlo"}, ""),
        ({"interval": "monte-carlo", "instruments": 0.5}, "missed"),
        ({"interval": "monte-carlo", "instruments": 0.5, "width_over_ideal": 1.1}, "met"),
        ({"instruments": 0.5}, ""),
    ],
)
def test_target_for_width(changed, expected):
    assert verdicts(**changed)[1] == expected


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({}, "met"),
        ({"deviation_over_bound": 1.07}, "chance"),  # three standard errors are 3.4 %
        ({"deviation_over_bound": 1.12}, "missed"),
        ({"deviation_over_bound": 1.12, "readings": 10}, "met"),
        ({"deviation_over_bound": float("nan")}, ""),
    ],
)
def test_target_for_the_deviation(changed, expected):
    assert verdicts(**changed)[2] == expected


def many(right):
    """A thousand benches, so many of them right."""
    good, bad = one_result(1.05), one_result(1.3)
    return tally(*[good] * right, *[bad] * (1000 - right)).table()


def test_the_tables_fit_a_terminal():
    lines = scores_text(many(950)).splitlines()

    assert len(lines) == 2
    assert max(map(len, lines)) <= 130
    assert lines[1].split()[:4] == ["made", "up", "k", "linear"]


def test_a_missed_target_is_told_with_its_place():
    lines = targets_text(many(800)).splitlines()

    assert lines[0].startswith("Target for coverage: met 0, missed 1")
    assert lines[1] == "  made up: k, linear: 80.0 +- 1.3 %"


def test_tables_of_the_documentation():
    scores = many(800).assign(commit="abc1234", level=0.95, seed=7)
    lines = coverage_tables(scores).splitlines()

    assert lines[0] == "Made at commit abc1234: 1000 benches a scenario, seed 7."
    place = lines.index("### Held the truth, linear [%]")
    assert lines[place + 2 : place + 5] == [
        "| Bench | $k$ |",
        "|---|--:|",
        "| made up | **80.0** |",
    ]


def test_what_lies_beyond_the_axis_stands_at_its_edge():
    figure = coverage_figure(many(500), 0.95)
    upper, lower = figure.axes

    assert upper.get_title() == "EMF constant"
    (line, *_) = upper.containers[0]
    assert line.get_xdata().tolist() == [80.0]
    assert lower.get_xlim() == (0.5, 4.0)


def test_bars_end_where_their_axis_does():
    """Four in a thousand held, far beyond the 80 % where the axis begins."""
    figure = coverage_figure(many(4), 0.95)
    upper = figure.axes[0]

    _, _, (bars,) = upper.containers[0]
    ((left, _), (right, _)) = bars.get_segments()[0]

    assert left == pytest.approx(80.0)
    assert right <= 100.0
