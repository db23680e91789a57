"""What the study holds a fit against: closed forms of single causes.

One open-circuit speed, read n times: v = k w, so that relative errors of the speed and the
voltage are relative errors of k, and whole sums can be done by hand.
"""

from dataclasses import replace

import numpy as np
import pytest

from motorfit.machine.brushed import BrushedMachine
from motorfit.quantities import Stated
from motorfit.simulation.instruments import VirtualKit, VirtualMeter, virtual_meter
from motorfit.simulation.plan import BenchPlan, Conditions
from motorfit.studies.bound import reference_of
from motorfit.studies.scenarios import SCENARIOS, Scenario
from motorfit.studies.truth import noise_free, true_parameters

MACHINE = BrushedMachine(
    emf_constant=0.08,
    armature_resistance=0.8,
    brush_drop=0.8,
    coulomb_torque=0.03,
    viscous_coefficient=0.0,
)
FINE = 1e-9  # step of displays that hide nothing, in SI
STILL = Conditions(winding=Stated(25.0), friction_row=0.0, friction_run=0.0, position_effect=0.0)


def perfect(**changed: VirtualMeter) -> VirtualKit:
    meters = {
        "voltage": virtual_meter("voltage", "V", resolution=FINE),
        "current": virtual_meter("current", "A", resolution=FINE),
        "speed": virtual_meter("speed", "n", resolution=FINE),
        "load": virtual_meter("load", "resistors"),
    }
    return VirtualKit(meters=meters | changed)


def driven(*, repeats: int = 1, kit: VirtualKit | None = None, **conditions: float) -> Scenario:
    """An open-circuit speed, and a load point that the predictions need."""
    return Scenario(
        plan=BenchPlan(
            open_circuit_speeds=(200.0,),
            load_speeds=(200.0,),
            load_resistors=(4.7, 10.0),
            repeats=repeats,
        ),
        machine=MACHINE,
        kit=kit or perfect(),
        conditions=replace(STILL, **conditions),
    )


def relative(scenario: Scenario, quantity: str = "k") -> float:
    held = reference_of(scenario, 0.95)
    return held.limits[quantity].deviation / held.truths[quantity]


def test_a_gain_error_alone():
    """Half-width 0.5 %, rectangular: u = a / sqrt(3), and 95 % of it lies within 0.95 a."""
    voltmeter = virtual_meter("voltage", "V", percent=0.5, resolution=FINE)
    held = reference_of(driven(kit=perfect(voltage=voltmeter)), 0.95)
    limit = held.limits["k"]

    assert limit.deviation == pytest.approx(0.005 / 3**0.5 * 0.08, rel=1e-4)
    assert limit.half_width == pytest.approx(0.95 * 0.005 * 0.08, rel=0.01)  # 100,000 draws
    assert limit.instruments == pytest.approx(1.0, abs=1e-3)


def test_the_same_gain_drawn_from_a_normal_distribution():
    """The same variance, but 95 % take 1.96 standard deviations."""
    voltmeter = virtual_meter("voltage", "V", percent=0.5, resolution=FINE)
    scenario = driven(kit=perfect(voltage=voltmeter)).drawn("normal")
    limit = reference_of(scenario, 0.95).limits["k"]

    assert limit.half_width / limit.deviation == pytest.approx(1.96, rel=0.01)


def test_scatter_goes_with_the_number_of_readings():
    """Speed read with 0.3 %: four times as many readings, half of the uncertainty."""
    meter = replace(virtual_meter("speed", "n", resolution=FINE), repeatability=0.003)
    one, four = (relative(driven(repeats=repeats, kit=perfect(speed=meter))) for repeats in (1, 4))

    assert one / four == pytest.approx(2.0, rel=1e-6)
    # the load readings have R and Vb to tell, and nothing to spare
    assert one == pytest.approx(0.003, rel=1e-4)


def test_what_a_setting_shares_does_not_average():
    """One sheet is one setting here: repeats bring nothing at all."""
    alone = replace(driven(setting_drift=0.002).plan, load_speeds=(), load_resistors=())
    once, often = (relative_of_k(setting_drift=0.002, repeats=n, plan=alone) for n in (1, 9))

    assert once == pytest.approx(0.002, rel=1e-4)
    assert often == pytest.approx(0.002, rel=1e-4)


def relative_of_k(*, repeats: int, plan: BenchPlan, **conditions: float) -> float:
    """Open circuit alone has no predictions: the load sheet is far too coarse to tell of k."""
    coarse = replace(virtual_meter("current", "A", resolution=FINE), noise=1e6)
    loaded = replace(plan, load_speeds=(200.0,), load_resistors=(4.7, 10.0), repeats=repeats)
    return relative(
        Scenario(
            plan=loaded,
            machine=MACHINE,
            kit=perfect(current=coarse),
            conditions=replace(STILL, **conditions),
        )
    )


@pytest.mark.parametrize("memory", [0.0, 0.7])
def test_errors_that_hang_together_in_time(memory):
    """A first-order process: 1' R^-1 1 = (n - (n - 2) rho) / (1 + rho) for n readings."""
    count, size = 8, 0.002
    plan = BenchPlan(open_circuit_speeds=(200.0,))
    found = relative_of_k(repeats=count, plan=plan, serial_drift=size, serial_correlation=memory)

    worth = (count - (count - 2) * memory) / (1.0 + memory)
    assert found == pytest.approx(size / worth**0.5, rel=1e-3)  # the load sheet's millionth


def test_friction_of_a_run_does_not_average():
    """One run at two voltages: its friction multiplies all of the loss, and all of that is T0."""
    scenario = Scenario(
        plan=BenchPlan(
            load_speeds=(200.0,), load_resistors=(4.7, 10.0), supply_voltages=(10.0, 20.0)
        ),
        machine=MACHINE,
        kit=perfect(),
        conditions=replace(STILL, friction_run=0.04),
    )

    assert relative(scenario, "T0") == pytest.approx(0.04, rel=1e-3)


@pytest.mark.parametrize("rows", [0, 1])
def test_a_zero_reading_tells_an_offset_to_its_rounding(rows):
    """The offset of 3 digits of 0.01 A shifts T0 by k times itself, whatever the speed.

    Without a zero reading u = 0.03 / sqrt(3) A; with one the two weighted together, its
    rounding being 0.01 / sqrt(12) A. The rounding of n readings at each of two speeds adds
    (w1^2 + w2^2) / (w2 - w1)^2 / n, as for any line's value at zero.
    """
    count, supplies = 100, np.array([10.0, 20.0])
    ammeter = virtual_meter("current", "A", digits=3, resolution=0.01)
    plan = BenchPlan(
        open_circuit_speeds=(200.0,),
        load_speeds=(200.0,),
        load_resistors=(4.7, 10.0),
        supply_voltages=tuple(np.repeat(supplies, count)),
        zeros=("current",) * rows,
    )
    scenario = Scenario(plan=plan, machine=MACHINE, kit=perfect(current=ammeter), conditions=STILL)

    found = reference_of(scenario, 0.95).limits["T0"].deviation

    rounding, prior = 0.01 / 12**0.5, 0.03 / 3**0.5
    offset = (prior**-2 + rows * rounding**-2) ** -0.5
    slow, fast = (supplies - 0.8 - 0.8 * 0.03 / 0.08) / 0.08
    scatter = rounding * ((slow**2 + fast**2) / (fast - slow) ** 2 / count) ** 0.5
    # the voltage equation knows the current too, and takes most of the rounding away
    assert found == pytest.approx(0.08 * np.hypot(offset, scatter), rel=0.03)


def test_readings_without_error_are_those_of_the_machine():
    bench = noise_free(SCENARIOS["plain meters"])
    (run,) = bench.of_kind("open-circuit")

    # the voltmeter's 10 Mohm take 3 uA
    assert run.get("voltage") / run.get("speed") == pytest.approx(0.08, rel=1e-6)
    assert bench.settings.conditions.winding.half_width == 5.0


def test_two_directions_differ_as_the_machine_does():
    """Direction a has half of the 2 % more, b half less: 0.99 / 1.01 - 1."""
    scenario = SCENARIOS["both directions"]
    full = dict(zip(("k", "ratio"), true_parameters(scenario)[[0, 8]], strict=True))

    assert full["k"] == pytest.approx(0.08 * 1.01)
    assert full["ratio"] == pytest.approx(0.99 / 1.01 - 1.0)


@pytest.mark.parametrize("name", list(SCENARIOS))
def test_every_scenario_has_its_limits(name):
    held = reference_of(SCENARIOS[name], 0.95)

    assert {"k", "R", "Vb", "V half", "V full"} <= held.limits.keys()
    for limit in held.limits.values():
        # of one rectangular error 1.645, of many 1.96
        assert 1.63 < limit.half_width / limit.deviation < 1.98
        assert 0.0 <= limit.instruments <= 1.0
    assert held.point.full_current < 0.0
    assert np.isfinite(held.point.speed)
