"""Optional terms: asked for, demanded by the readings, or not carried by them."""

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import TRUE, virtual

import motorfit as mf
from motorfit.bench.default_instruments import with_defaults
from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.fit import fit
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.physics import A, C
from motorfit.estimation.problem import pose
from motorfit.estimation.selection import fit_with_terms
from motorfit.estimation.term_evidence import beside, score
from motorfit.estimation.terms import check_terms, magnet_coefficient_prior
from motorfit.machine.brushed import loss_torque, terminal_voltage
from motorfit.machine.temperature import MAGNET_COEFFICIENT
from motorfit.simulation.bench import simulate
from motorfit.simulation.mistakes import plant_mistake
from motorfit.simulation.plan import Conditions, usual_plan

#: Two hours at a bench, and more no-load runs than usual.
PLAN = replace(usual_plan(TRUE), supply_voltages=tuple(np.linspace(6.0, 28.0, 8)), runs=2)
REACTING = replace(TRUE, armature_reaction=0.01)  # a tenth of the EMF at 10 A
WINDY = replace(TRUE, windage_coefficient=6e-7)  # half of the loss at the highest speed


def bench_of(machine, seed=3, **conditions):
    return simulate(machine, plan=PLAN, seed=seed, conditions=Conditions(**conditions))


def included(found):
    return {one.term for one in found.terms if one.included}


def decided(found, term):
    return next(one for one in found.terms if one.term == term)


def test_a_clean_bench_takes_in_no_term():
    found = fit(bench_of(TRUE))
    assert included(found) == set()
    assert not any(one.asked for one in found.terms)
    for name in ("windage_coefficient", "armature_reaction"):
        one = found.parameters[name]
        assert isinstance(one, NotKnown)
        assert one.standing == "assumed"
    assert "windage and armature reaction taken as zero" in found.profile.provenance.assumed


@pytest.mark.parametrize(
    ("machine", "term", "name", "truth"),
    [
        (REACTING, "armature-reaction", "armature_reaction", 0.01),
        (WINDY, "windage", "windage_coefficient", 6e-7),
    ],
)
def test_a_term_that_the_readings_demand_is_fitted(machine, term, name, truth):
    """The truth is that of the simulation."""
    found = fit(bench_of(machine))
    assert included(found) == {term}
    assert decided(found, term).evidence > 4
    estimate = found.parameters[name]
    assert isinstance(estimate, Estimate)
    assert estimate.interval[0] < truth < estimate.interval[1]
    assert estimate.standing == "measured"
    note = next(one for one in found.findings if one.kind == f"{term}-fitted")
    assert note.severity == ("caution" if term == "armature-reaction" else "note")
    assert f"{decided(found, term).evidence:.1f} standard deviations" in note.says


def test_the_other_parameters_hold_the_truth_with_the_term_and_not_without():
    """A tenth of the EMF at the largest current passes for a fifth of R."""
    bench = bench_of(REACTING)
    low, high = fit(bench).parameters["armature_resistance"].interval
    assert low < 0.8 < high
    low, high = fit(bench, terms=()).parameters["armature_resistance"].interval
    assert low > 0.8


def test_both_terms_at_once():
    both = replace(REACTING, windage_coefficient=6e-7)
    assert included(fit(bench_of(both))) == {"armature-reaction", "windage"}


def test_a_winding_that_warms_up_is_no_armature_reaction():
    """One kelvin a square ampere: 60 K at the largest current, R a quarter larger."""
    found = fit(bench_of(TRUE, seed=1, heating=1.0))
    one = decided(found, "armature-reaction")
    assert not one.included
    assert one.evidence > 4
    assert "winding that warms up" in one.why


def test_a_single_row_is_no_armature_reaction():
    """One slip at a large current, one half as large elsewhere would not do it."""
    bench = bench_of(TRUE)
    runs = []
    for run in bench.runs:
        if run.kind == "load":
            worst = int(np.argmax(np.abs(run.readings["current"])))
            voltage = run.readings["voltage"].copy()
            voltage[worst] *= 0.9
            run = replace(run, readings={**run.readings, "voltage": voltage})
        runs.append(run)
    assert included(fit(replace(bench, runs=tuple(runs)))) == set()


def test_asked_for_a_term_is_in_whatever_the_readings_say():
    found = fit(bench_of(TRUE), terms=["windage", "armature-reaction"])
    assert included(found) == {"windage", "armature-reaction"}
    assert all(one.asked for one in found.terms)
    low, high = found.parameters["armature_reaction"].interval
    assert low < 0 < high  # either sign is possible
    low, high = found.parameters["windage_coefficient"].interval
    assert low == 0 < high
    assert not any(one.kind.endswith("-fitted") for one in found.findings)
    assert not any("taken as zero" in text for text in found.profile.provenance.assumed)


def test_asked_for_a_term_that_the_readings_cannot_carry():
    """One speed: what armature reaction takes and what the resistance takes is the same."""
    bench = virtual("lathe, no open circuit")
    found = fit(bench, terms=["armature-reaction"])
    one = decided(found, "armature-reaction")
    assert "cannot carry it; it takes load with several resistors at several speeds" in one.why
    assert isinstance(found.parameters["armature_reaction"], NotKnown)
    # and R is no more known than that
    assert isinstance(found.parameters["armature_resistance"], NotKnown)
    # left to itself, the fit does not try
    assert included(fit(bench)) == set()


def test_none_of_the_terms():
    found = fit(bench_of(REACTING), terms=())
    assert included(found) == set()
    assert decided(found, "armature-reaction").why == "left out as asked"


def test_an_unknown_term_names_the_nearest():
    with pytest.raises(ValueError, match=r"'windge'; the nearest is 'windage'. There are armature"):
        fit(virtual("whole"), terms=["windge"])
    with pytest.raises(ValueError, match="no optional term 'x'"):
        check_terms(["x"])
    assert check_terms("windage") == ("windage",)
    assert check_terms(None) is None


def test_terms_without_their_readings_are_not_free():
    """No torque equation, no windage; no current, no armature reaction."""
    terms = ("armature-reaction", "windage")
    assert not {A, C} & set(pose(virtual("open circuit only"), terms=terms).free)
    assert set(pose(virtual("whole"), terms=terms).free) >= {A, C}


def test_predictions_use_both_terms():
    """Against the simulated machine's own equations; without the terms they are off."""
    machine = replace(REACTING, windage_coefficient=6e-7)
    profile = fit(bench_of(machine)).profile

    volts = profile.voltage(speed=200.0, current=-6.0)
    loss = profile.loss(speed=300.0)

    truth = float(terminal_voltage(machine, 200.0, -6.0))
    assert abs(float(volts.value) - truth) < 3 * float(volts.standard_uncertainty)
    assert abs(float(volts.value) + 0.01 * 0.08 * 200 * 6 - truth) > 0.5
    truth = float(loss_torque(machine, 300.0))
    assert abs(float(loss.value) - truth) < 3 * float(loss.standard_uncertainty)
    draws = profile.sample(500, np.random.default_rng(1))
    assert np.std(draws["armature_reaction"]) == pytest.approx(
        profile.estimate("armature_reaction").standard_uncertainty, rel=0.2
    )


def test_the_loss_shown_has_the_windage_in_it():
    found = fit(bench_of(WINDY))
    low, high = found.loss.torque.interval
    assert low < float(loss_torque(WINDY, found.loss.speed)) < high


def test_score_is_what_the_fit_with_the_term_would_say():
    """To first order; the scales, held, allow for a tenth of it where the term is small."""
    bench = bench_of(replace(TRUE, armature_reaction=0.001))
    joint = fit_jointly(pose(bench))
    fitted = fit_jointly(pose(bench, terms=("armature-reaction",)))
    place = fitted.problem.free.index(A)
    ratio = fitted.machine[place] / fitted.covariance[place, place] ** 0.5
    assert score(joint, "armature-reaction") == pytest.approx(ratio, rel=0.1)
    assert score(fit_jointly(pose(virtual("open circuit only"))), "windage") is None


def test_beside_a_row_of_its_own_is_as_not_reading_it():
    """Against the fit of the bench without that row: to first order, its scales a little off."""
    bench = bench_of(REACTING)
    joint = fit_jointly(pose(bench, terms=("armature-reaction",)))
    place = joint.problem.free.index(A)
    rows = joint.problem.assembled.rows
    number = int(np.flatnonzero(np.array(rows.kind) == "load")[-1])
    row, _ = np.nonzero(joint.problem.conditions.present)
    alone = (row == number).astype(float)

    quick = beside(joint, place, alone[None])[0]

    runs = tuple(
        run.only((run.rows != rows.row[number]) | (run.source.name != rows.file[number]))
        for run in bench.runs
    )
    left = fit_jointly(pose(replace(bench, runs=runs), terms=("armature-reaction",)))
    ratio = left.machine[place] / left.covariance[place, place] ** 0.5
    assert quick == pytest.approx(ratio, rel=0.1)


def test_beside_what_no_residual_shows_is_as_without_it():
    """A direction within the design: the resistance itself."""
    joint = fit_jointly(pose(bench_of(REACTING), terms=("armature-reaction",)))
    place = joint.problem.free.index(A)
    ratio = joint.machine[place] / joint.covariance[place, place] ** 0.5
    assert beside(joint, place, joint.stack.design.T[1:2])[0] == pytest.approx(ratio)


def test_a_lead_that_came_loose_is_no_armature_reaction():
    """A tenth of an ohm more from the middle of the load sheet on, as in a slip to practise."""
    for seed in range(5):
        bench = simulate(TRUE, plan=usual_plan(TRUE), seed=seed)
        spoiled, _ = plant_mistake(bench, "loose-lead", seed=seed)
        assert fit_with_terms(spoiled, None).joint.problem.terms == ()


def warm_bench(coefficient, magnet="ferrite", seed=5):
    """Open circuit with cold magnets, then warm ones, read by a column `magnets`."""
    bench = simulate(TRUE, plan=PLAN, seed=seed, conditions=Conditions(magnet=magnet))
    runs = []
    for run in bench.runs:
        if run.kind == "open-circuit":
            magnets = np.where(np.arange(len(run)) % 2, 65.0, 25.0)
            voltage = run.readings["voltage"] * (1 + coefficient * (magnets - 25.0))
            # the simulation's own magnets were near 22 degC
            readings = {**run.readings, "voltage": voltage, "magnets": magnets}
            run = replace(run, readings=readings)
        runs.append(run)
    return replace(bench, runs=tuple(runs), instruments=with_defaults(bench.instruments))


def test_magnets_read_cold_and_warm_bring_their_coefficient_in():
    """-0.25 % a kelvin where ferrite usually has -0.20: within the 30 % that are taken."""
    found = fit(warm_bench(-0.0025))
    assert included(found) == {"magnet-temperature"}
    assert found.profile.constants.magnet_coefficient == pytest.approx(-0.0025, rel=0.08)
    note = next(one for one in found.findings if one.kind == "magnet-temperature-fitted")
    assert "-0.25 % of the EMF constant a kelvin" in note.says
    assert any(one.quantity == "magnet coefficient" for one in found.profile.instruments)
    assert fit(warm_bench(-0.0025), terms=()).profile.constants.magnet_coefficient == -0.002


def test_unknown_magnets_show_their_coefficient():
    """Nothing is corrected where the material is unknown, unless the readings tell."""
    found = fit(warm_bench(-0.0011, magnet="unknown"))
    assert found.profile.constants.magnet_coefficient == pytest.approx(-0.0011, rel=0.15)


def test_the_coefficients_doubt_widens_what_warm_readings_say_cold():
    """All readings at 65 degC, 40 K from the reference: 30 % of 8 % is 2.4 %, over root 3."""
    conditions = Conditions(magnet="ferrite")
    bench = simulate(TRUE, plan=PLAN, seed=5, conditions=conditions)
    runs = tuple(
        replace(run, readings={**run.readings, "magnets": np.full(len(run), 65.0)})
        if run.kind != "zero"
        else run
        for run in bench.runs
    )
    bench = replace(bench, runs=runs, instruments=with_defaults(bench.instruments))
    found = fit(bench, terms=["magnet-temperature"])
    estimate = found.parameters["emf_constant"]
    causes = {share.cause: share.share for share in found.widths["emf_constant"]}
    doubt = causes["temperature coefficient of the magnets"]
    relative = estimate.standard_uncertainty * doubt**0.5 / estimate.value
    # the factor on k is 0.92, so that a change of it counts 1 / 0.92
    assert relative == pytest.approx(0.3 * 0.002 * 40 / 3**0.5 / 0.92, rel=0.03)


def test_what_is_taken_of_magnets_beforehand():
    """Usual coefficients within 30 %; unknown ones from none to -0.25 % a kelvin."""
    assert magnet_coefficient_prior(MAGNET_COEFFICIENT["ferrite"]) == (-0.002, 0.3)
    usual, doubt = magnet_coefficient_prior(None)
    assert usual * (1 + doubt) == pytest.approx(-0.0025)
    assert usual * (1 - doubt) == 0.0


def test_terms_are_a_word_of_the_package():
    found = mf.fit(virtual("whole"), terms=("windage",))
    assert included(found) == {"windage"}


def test_the_choice_does_not_hang_on_how_it_is_solved():
    """The same joint fit, whichever function solved it."""
    chosen = fit_with_terms(bench_of(REACTING), None)
    asked = fit_with_terms(bench_of(REACTING), ("armature-reaction",))
    assert np.array_equal(chosen.joint.solution.theta, asked.joint.solution.theta)


def test_a_term_that_is_only_hinted_at_is_allowed_for_and_not_claimed():
    """Half of what it takes to come in: the fits with it and without are both within.

    In quadrature with what the fit with the term has, half of their difference; to the
    first order of its own effect on the weights.
    """
    for seed in range(10):
        bench = bench_of(replace(TRUE, armature_reaction=0.0015), seed=seed)
        found, without = fit(bench), fit(bench, terms=())
        one = decided(found, "armature-reaction")
        if one.why != "the readings hint at it: allowed for, and not claimed":
            continue
        assert 2 < one.evidence < 4
        assert not one.included
        reaction = found.parameters["armature_reaction"]
        assert reaction.standing == "assumed"
        assert reaction.interval[0] < 0 < 0.0015 < reaction.interval[1]
        assert not any(each.kind.endswith("-fitted") for each in found.findings)
        asked = fit(bench, terms=("armature-reaction",)).parameters["armature_resistance"]
        resistance = found.parameters["armature_resistance"]
        moved = asked.value - without.parameters["armature_resistance"].value
        expected = np.hypot(asked.standard_uncertainty, 0.5 * moved)
        assert resistance.value == pytest.approx(asked.value)
        assert resistance.standard_uncertainty == pytest.approx(expected, rel=1e-6)
        return
    pytest.fail("no bench of these hints at it")


def test_what_may_be_a_change_within_the_sheet_is_allowed_for_too():
    """Not fitted, but R is as uncertain as what armature reaction would do to it."""
    for seed in range(10):
        bench = bench_of(replace(TRUE, armature_reaction=0.0015), seed=seed)
        found, without = fit(bench), fit(bench, terms=())
        if "would explain it as well" not in decided(found, "armature-reaction").why:
            continue
        assert isinstance(found.parameters["armature_reaction"], NotKnown)
        asked = fit(bench, terms=("armature-reaction",)).parameters["armature_resistance"]
        least = without.parameters["armature_resistance"]
        widened = found.parameters["armature_resistance"].standard_uncertainty
        # what it would do, to first order
        expected = np.hypot(least.standard_uncertainty, least.value - asked.value)
        assert widened == pytest.approx(expected, rel=0.1)
        return
    pytest.fail("no bench of these has another explanation")
