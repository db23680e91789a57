"""Shaft torque from the drive's power: closed forms, and what the errors do."""

import math
from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import SPEEDS, TRUE

import motorfit as mf
from motorfit.bench.settings import DriveTable
from motorfit.estimation.drive_power import torque_from_drive_power
from motorfit.quantities import Stated
from motorfit.simulation.heat_plans import DrivePlan
from motorfit.simulation.plan import BenchPlan, Conditions

ALONE = (50.0, 100.0, 150.0, 230.0)  # [rad/s]


def bench(efficiency=0.8, alone=ALONE, seed=1, stated=None, **plan):
    """An invented machine on an invented drive."""
    plan = BenchPlan(
        open_circuit_speeds=SPEEDS,
        drive=DrivePlan(efficiency=efficiency, alone_speeds=alone),
        **plan,
    )
    conditions = Conditions(friction_row=0.0, friction_run=0.0)
    made = mf.simulate(TRUE, plan=plan, conditions=conditions, seed=seed)
    if stated is None:
        return made
    settings = made.settings.model_copy(update={"drive": DriveTable(efficiency=stated)})
    return replace(made, settings=settings)


def exact(made, efficiency, terms=(20.0, 0.1, 1e-4)):
    """The same bench with powers as they truly are, to the last digit."""
    runs = []
    for run in made.runs:
        speed = run.get("speed")
        power = sum(term * speed**power for power, term in enumerate(terms))
        if not run.uncoupled:
            power = power + speed * (0.03 + 5e-5 * speed) / efficiency
        runs.append(replace(run, readings={**run.readings, "drive_power": power}))
    return replace(made, runs=tuple(runs))


@pytest.mark.parametrize("efficiency", [0.5, 0.8, 1.0])
def test_torque_is_the_power_difference_over_the_speed(efficiency):
    """With the efficiency known, tau = eta (P - P0) / w: the machine's loss torque.

    The drive's own power is a polynomial of the second degree: met but for rounding.
    """
    made = exact(bench(stated=Stated(efficiency)), efficiency)
    (coupled,) = made.of_kind("open-circuit")
    found = torque_from_drive_power(made, coupled)

    loss = 0.03 + 5e-5 * coupled.get("speed")
    np.testing.assert_allclose(found.torque, loss, rtol=1e-9)
    assert found.efficiency.deviation == 0.0


def test_an_unknown_efficiency_has_the_moments_of_its_inverse():
    """Between 60 % and 100 %: mean of 1/eta ln(1/0.6)/0.4, of its square 1/0.6."""
    made = exact(bench(), 0.8)
    (coupled,) = made.of_kind("open-circuit")
    found = torque_from_drive_power(made, coupled)

    mean = math.log(1 / 0.6) / 0.4
    loss = 0.03 + 5e-5 * coupled.get("speed")
    np.testing.assert_allclose(found.torque, loss / 0.8 / mean, rtol=1e-9)
    assert found.efficiency.deviation == pytest.approx(math.sqrt(1 / 0.6 - mean**2) / mean)


def test_a_meter_that_reads_too_much_does_so_of_both_powers():
    """One meter in one range: its gain acts on the difference, its offset not at all."""
    made = exact(bench(), 0.8)
    (coupled,) = made.of_kind("open-circuit")
    found = torque_from_drive_power(made, coupled)
    errors = {key[-1]: too_much for _, key, too_much in found.errors if key[0] == "drive_power"}

    np.testing.assert_allclose(errors["gain"], found.torque, rtol=1e-9)
    np.testing.assert_allclose(errors["offset"], 0.0, atol=1e-12)


def test_one_speed_of_the_drive_alone_serves_near_it_only():
    """Alone at 160 rad/s: of 60, 110, 160 and 210 only the third is within a tenth."""
    made = exact(bench(alone=(160.0,)), 0.8)
    (coupled,) = made.of_kind("open-circuit")
    found = torque_from_drive_power(made, coupled)

    assert np.isfinite(found.torque).tolist() == [False, False, True, False]


def test_scatter_of_the_drive_alone_is_shared_by_all_rows():
    """Known from one reading: its 1 % of some 40 W over 160 rad/s is 2.5 mN m, less eta."""
    made = exact(bench(alone=(160.0,)), 0.8)
    (coupled,) = made.of_kind("open-circuit")
    found = torque_from_drive_power(made, coupled)
    (shared,) = [too_much for nuisance, _, too_much in found.errors if nuisance.error == "effect"]

    (alone,) = made.of_drive_alone
    eta = 0.4 / math.log(1 / 0.6)
    expected = eta * 0.01 * alone.get("drive_power")[0] / alone.get("speed")[0]
    # rounding to 0.1 W adds 0.3 % of it
    assert abs(shared[2]) == pytest.approx(expected, rel=0.01)


def test_without_the_drive_alone_there_is_no_torque():
    made = bench()
    coupled = replace(made, runs=made.of_kind("open-circuit"))

    assert torque_from_drive_power(coupled, coupled.runs[0]) is None


def test_open_circuit_and_the_drives_power_give_the_turning_loss():
    """Forty invented drives of 60 to 100 %: the interval covers the loss in most.

    binomial(40, 0.95) is below 33 once in a thousand times.
    """
    hits = 0
    for seed in range(40):
        efficiency = np.random.default_rng(seed).uniform(0.6, 1.0)
        loss = mf.fit(bench(efficiency, seed=seed, repeats=2)).loss
        low, high = loss.torque.interval
        hits += low <= 0.03 + 5e-5 * loss.speed <= high
    assert hits >= 33


def test_a_load_test_tells_the_drives_efficiency():
    """With i and k known a load's torque is known: the drive's doubt nearly vanishes."""
    found = mf.fit(bench(0.65, load_speeds=SPEEDS, load_resistors=(2.2, 10.0)))

    low, high = found.loss.torque.interval
    assert low <= 0.03 + 5e-5 * found.loss.speed <= high
    share = {one.quantity: one.share for one in found.widths["coulomb_torque"]}
    assert share["drive efficiency"] < 0.02  # half of the variance with open circuit alone
