"""The four ways to an interval of a whole fit."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from virtual_benches import PLANS, SPEEDS, TRUE

import motorfit as mf
from motorfit.estimate import Estimate
from motorfit.estimation import resampling
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.resampling import draw_means, draw_reading_errors
from motorfit.estimation.scale_draws import held_scales
from motorfit.estimation.together import Solved
from motorfit.estimation.uncertainty import split_uncertainty
from motorfit.simulation.bench import simulate
from motorfit.simulation.instruments import RPM, VirtualKit, handheld_meters, virtual_meter
from motorfit.simulation.plan import BenchPlan

ALL = ("linear", "profile", "bootstrap", "monte-carlo")


def with_meters(*changed):
    return VirtualKit(meters=handheld_meters() | {each.stated.quantity: each for each in changed})


@pytest.fixture(scope="module")
def bench():
    return simulate(TRUE, plan=PLANS["one resistor"], seed=2)


@pytest.fixture(scope="module")
def fits(bench):
    return {way: mf.fit(bench, interval=way, draws=2000) for way in ALL}


def known(fit):
    return {name: one for name, one in fit.parameters.items() if isinstance(one, Estimate)}


def test_every_interval_says_how_it_was_made(fits):
    for way, fit in fits.items():
        assert {one.method for one in known(fit).values()} == {way}


def test_all_ways_share_estimate_and_uncertainty(fits):
    """A way makes intervals and nothing else."""
    first = known(fits["linear"])
    for fit in fits.values():
        for name, one in known(fit).items():
            assert replace(one, interval=(0, 1), method="") == replace(
                first[name], interval=(0, 1), method=""
            )


@pytest.fixture(scope="module")
def rich_bench():
    """24 speeds with three loads each, meters without an error of their own, and 0.4 %."""
    kit = with_meters(
        virtual_meter("voltage", "meter A", resolution=1e-3, repeatability=0.003),
        virtual_meter("current", "meter B", resolution=1e-4, repeatability=0.004),
        virtual_meter(
            "speed",
            "tachometer",
            resolution=0.01 * RPM,
            display_factor=RPM,
            repeatability=0.004,
        ),
    )
    speeds = tuple(np.linspace(60.0, 210.0, 24))
    plan = BenchPlan(open_circuit_speeds=speeds, load_speeds=speeds, load_resistors=(2.2, 10.0))
    return simulate(TRUE, plan=plan, kit=kit, seed=1)


@pytest.mark.parametrize(
    ("way", "tolerance"),
    [
        # nearly linear: curvature is second order in uncertainties of 0.1 to 2 %
        ("profile", 0.01),
        # 4000 draws put an end within 2.5 %; drawn scales allow for some more
        ("monte-carlo", 0.08),
        # 72 readings tell their scatter to 9 %, those far from the middle to less
        ("bootstrap", 0.15),
    ],
)
def test_ways_agree_where_the_readings_scatter_and_are_many(rich_bench, way, tolerance):
    """k and Vb have 60 to 80 degrees of freedom: Student's t of the linear interval."""
    linear = mf.fit(rich_bench)
    other = mf.fit(rich_bench, interval=way, draws=4000)
    for name in ("emf_constant", "brush_drop"):
        low, high = linear.parameters[name].interval
        half_width = (high - low) / 2
        assert other.parameters[name].interval == pytest.approx(
            (low, high), abs=tolerance * half_width
        )


@pytest.mark.parametrize(
    ("way", "tolerance"),
    [
        ("profile", 0.03),
        # eight readings: the tails of their scales go on for longer than Student's
        ("monte-carlo", 0.35),
        ("bootstrap", 0.35),
    ],
)
def test_ways_agree_roughly_on_eight_readings(fits, way, tolerance):
    for name, linear in known(fits["linear"]).items():
        half_width = linear.interval[1] - linear.value
        assert fits[way].parameters[name].interval == pytest.approx(
            linear.interval, abs=tolerance * half_width
        )


def test_one_rectangular_error_gives_its_own_quantiles():
    """A voltmeter of 5 % and hardly any scatter: k is anywhere within 5 %, 95 % of that.

    k is proportional to 1/(1 + g), |g| <= a = 0.05: the interval's ends are at 0.95 a to
    first order (0.0475), a^2 aside. The draws of one error are evenly spread, so that its
    quantiles have no chance; scatter and tachometer add less than 0.01 a.
    The linear interval, of a normal error, is 1.96/sqrt(3) a = 1.13 a.
    """
    kit = with_meters(
        virtual_meter("voltage", "meter A", percent=5.0, resolution=1e-5),
        virtual_meter("speed", "tachometer", resolution=1e-4 * RPM, display_factor=RPM),
    )
    plan = BenchPlan(open_circuit_speeds=tuple(np.linspace(60.0, 210.0, 12)))
    bench = simulate(TRUE, plan=plan, kit=kit, seed=4)

    drawn = mf.fit(bench, interval="monte-carlo").parameters["emf_constant"]
    linear = mf.fit(bench).parameters["emf_constant"]

    half_width = (drawn.interval[1] - drawn.interval[0]) / 2 / drawn.value
    assert half_width == pytest.approx(0.95 * 0.05, abs=0.01 * 0.05)
    assert (linear.interval[1] / linear.value - 1) == pytest.approx(1.13 * 0.05, rel=0.02)


def test_drawn_errors_have_the_covariance_of_the_fit():
    """Carried through the gain of the linear fit, 20000 draws give G V G', within 3 %.

    A variance of n draws scatters by sqrt(2/n), 1 %; three of those.
    """
    joint = fit_jointly(pose(simulate(TRUE, plan=PLANS["whole"], seed=2)))
    uncertainty, rng = split_uncertainty(joint), np.random.default_rng(1)
    scales = held_scales(joint, 20000)

    shift = draw_reading_errors(joint, scales, rng)
    mean = draw_means(uncertainty, scales, rng)
    off = mean[1:] - mean[0]
    carried = np.einsum("nmq,bnq->bnm", joint.solution.linearised.sensitivity, shift)
    stacked = carried[:, joint.problem.conditions.present]
    deviations = stacked @ joint.projected.gain.T + off @ joint.sensitivity.T

    spread = np.std(deviations, axis=0) / np.sqrt(np.diag(joint.covariance))
    assert spread**2 == pytest.approx(np.ones(len(spread)), abs=0.03)


@pytest.fixture(scope="module")
def at_bound():
    """A machine without a brush drop, on a bench whose best fit has none."""
    machine = replace(TRUE, brush_drop=0.0)
    for seed in range(20):
        bench = simulate(machine, plan=PLANS["one resistor"], seed=seed)
        if mf.fit(bench).parameters["brush_drop"].value == 0.0:
            return bench
    raise AssertionError("no bench with its best fit on the bound")


@pytest.mark.parametrize("way", ALL)
def test_a_parameter_at_its_bound_has_a_one_sided_interval(at_bound, way):
    """Linear: Student's quantile, upwards only. Others: near it.

    2000 draws put an end within 7 % (three standard deviations), drawn scales 40 % beyond.
    """
    drop = mf.fit(at_bound, interval=way, draws=2000).parameters["brush_drop"]

    one_sided = stats.t(drop.degrees_of_freedom).ppf(0.975) * drop.standard_uncertainty
    tolerance = 1e-6 if drop.method == "linear" else 0.45
    assert drop.interval[0] == 0.0
    assert drop.interval[1] == pytest.approx(one_sided, rel=tolerance)


def test_a_parameter_at_its_bound_leaves_the_others_as_uncertain(at_bound):
    """The resistance must be as uncertain as if the brush drop were free to move."""
    joint = fit_jointly(pose(at_bound))
    with_drop = joint.covariance[1, 1] ** 0.5
    fit = mf.fit(at_bound)

    assert fit.parameters["armature_resistance"].standard_uncertainty >= with_drop * (1 - 1e-9)
    drawn = mf.fit(at_bound, interval="monte-carlo", draws=2000)
    assert np.std(drawn.draws["armature_resistance"]) > 0.8 * with_drop


def test_profile_says_where_the_linear_way_stood_in(at_bound):
    fit = mf.fit(at_bound, interval="profile")

    assert fit.parameters["brush_drop"].method == "linear"
    assert fit.parameters["emf_constant"].method == "profile"
    said = [one for one in fit.profile.provenance.assumed if "brush drop" in one]
    assert said == ["interval of the brush drop made linearly, for its profile begins at its bound"]


@pytest.mark.parametrize("way", ["bootstrap", "monte-carlo"])
def test_resamples_without_a_solution_are_told(bench, monkeypatch, way):
    def unsettled(*given, **_):
        _, solution, _, resamples = given
        nowhere = np.full((len(resamples.mean), len(solution.theta)), np.nan)
        return Solved(theta=nowhere, settled=np.zeros(len(nowhere), dtype=bool))

    monkeypatch.setattr(resampling, "solve_together", unsettled)
    fit = mf.fit(bench, interval=way)

    assert fit.draws is None
    assert {one.method for one in known(fit).values()} == {"linear"}
    assert any(f"of the {way} way had no solution" in one for one in fit.profile.provenance.assumed)


def test_draws_are_there_to_compute_with(fits):
    """The quantiles of k, drawn, are its interval; other ways have no draws."""
    for way in ("bootstrap", "monte-carlo"):
        draws = fits[way].draws
        assert set(draws) >= set(known(fits[way]))
        assert {each.shape for each in draws.values()} == {(2000,)}
    low, high = fits["monte-carlo"].parameters["emf_constant"].interval
    drawn = np.quantile(fits["monte-carlo"].draws["emf_constant"], [0.025, 0.975])
    assert drawn == pytest.approx([low, high], rel=1e-9)
    assert fits["linear"].draws is None
    assert fits["profile"].draws is None


@pytest.mark.parametrize("way", ["bootstrap", "monte-carlo"])
def test_same_seed_same_intervals_to_the_last_byte(bench, fits, way):
    again = mf.fit(bench, interval=way)
    other = mf.fit(bench, interval=way, seed=2)

    assert again.parameters == fits[way].parameters
    assert other.parameters != fits[way].parameters


@pytest.mark.parametrize("way", ALL)
def test_a_profile_keeps_how_its_intervals_were_made(fits, way, tmp_path):
    fits[way].profile.save(tmp_path / "profile.json")
    loaded = mf.load_profile(tmp_path / "profile.json")

    assert loaded.parameters == fits[way].parameters
    assert loaded.parameters["emf_constant"].method == way


def test_an_unknown_way_is_refused(bench):
    expected = r"interval must be one of 'linear', .* found 'jackknife'"
    with pytest.raises(ValueError, match=expected):
        mf.fit(bench, interval="jackknife")


def test_too_few_draws_are_refused(bench):
    with pytest.raises(ValueError, match="draws must be at least 100, found 5"):
        mf.fit(bench, interval="bootstrap", draws=5)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"draws": 100.5}, "draws must be a whole number, found 100.5"),
        ({"seed": -1}, "seed must be at least 0, found -1"),
        ({"seed": "x"}, "seed must be a whole number, found 'x'"),
        ({"level": "0.9"}, "level must be from 0.5 to 0.999, found '0.9'"),
        ({"terms": 5}, "terms must be names of optional terms, found 5"),
    ],
)
def test_what_is_no_number_or_no_name_is_refused(bench, wrong, says):
    with pytest.raises(ValueError, match=says):
        mf.fit(bench, interval="bootstrap", **wrong)


def test_a_path_is_no_bench():
    with pytest.raises(TypeError, match="fit takes a bench, as read_bench gives it"):
        mf.fit("my-motor")


def test_a_fit_is_one_line_whatever_it_holds(bench):
    shown = repr(mf.fit(bench, interval="monte-carlo", draws=100))

    assert shown.startswith("Fit(")
    assert len(shown) < 400
    assert "\n" not in shown


def test_level_moves_every_way(bench):
    for way in ALL:
        wide = mf.fit(bench, interval=way, draws=100, level=0.99).parameters["emf_constant"]
        narrow = mf.fit(bench, interval=way, draws=100, level=0.8).parameters["emf_constant"]
        assert wide.interval[0] < narrow.interval[0] < narrow.interval[1] < wide.interval[1]


def test_two_directions_have_intervals_of_the_same_way():
    plan = BenchPlan(
        open_circuit_speeds=SPEEDS,
        load_speeds=SPEEDS,
        load_resistors=(4.7,),
        directions=("a", "b"),
    )
    fit = mf.fit(simulate(TRUE, plan=plan, seed=1), interval="monte-carlo", draws=100)

    made = {one.method for each in fit.profile.directions.values() for one in each.values()}
    assert made == {"monte-carlo"}


@pytest.mark.parametrize("way", ALL)
def test_a_robust_fit_has_intervals_of_every_way(bench, way):
    """Its scales are held, for it has no likelihood; within 35 % of the linear interval."""
    linear = known(mf.fit(bench, robust=True))
    fit = mf.fit(bench, robust=True, interval=way)

    assert {one.method for one in known(fit).values()} == {way}
    for name, one in known(fit).items():
        half_width = linear[name].interval[1] - linear[name].value
        assert one.interval == pytest.approx(linear[name].interval, abs=0.35 * half_width)
