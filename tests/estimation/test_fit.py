"""The public fit: what it holds, and how it stands up to odd benches."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from virtual_benches import PLANS, TRUE, virtual

import motorfit as mf
from motorfit.bench.default_instruments import with_defaults
from motorfit.bench.records import Bench, Run
from motorfit.bench.settings import ConditionsTable, MachineTable, Settings
from motorfit.errors import FitError
from motorfit.estimate import Estimate
from motorfit.machine.brushed import terminal_voltage
from motorfit.machine.temperature import winding_factor
from motorfit.meter import Accuracy, Instrument
from motorfit.quantities import Stated

FIVE = (
    "emf_constant",
    "armature_resistance",
    "brush_drop",
    "coulomb_torque",
    "viscous_coefficient",
)


def run(kind: str, name: str | None = None, **readings) -> Run:
    count = len(next(iter(readings.values())))
    text = {key: readings.pop(key, ("",) * count) for key in ("setting", "direction")}
    return Run(
        kind=kind,
        source=Path(name or f"{kind}.csv"),
        rows=np.arange(2, count + 2),
        readings={key: np.asarray(values, float) for key, values in readings.items()},
        written_step=dict.fromkeys(readings, 1e-3),
        note=("",) * count,
        **text,
    )


def bench(*runs: Run, instruments=None, **tables) -> Bench:
    return Bench(
        source=Path("bench"),
        settings=Settings(machine=MachineTable(name="made by hand"), **tables),
        instruments=with_defaults(instruments or {}),
        runs=runs,
    )


def test_exact_readings_give_the_machine_back():
    """Readings computed from the voltage equation at 25 degC, without any error.

    The interval is that of the meters; the values agree to the fourth digit of their
    uncertainty, what is left being the prior of the scatter.
    """
    speed = np.array([60.0, 110.0, 160.0, 210.0] * 3)
    current = -np.repeat([0.5, 2.0, 5.0], 4)
    machine = replace(TRUE, brush_current_scale=0.05)
    driven = run(
        "load",
        speed=speed,
        current=current,
        voltage=terminal_voltage(machine, speed, current),
    )
    at_reference = ConditionsTable(winding=Stated(25.0))

    found = mf.fit(bench(driven, conditions=at_reference))

    for name in FIVE[:3]:
        estimate = found.parameters[name]
        truth = getattr(TRUE, name)
        assert estimate.value == pytest.approx(truth, abs=0.02 * estimate.standard_uncertainty)


def test_resistance_is_reported_at_the_reference_temperature():
    """IEC 60034-1, 8.6.2 with K = 234.5: readings at 75 degC, report at 25 degC."""
    current = np.array([1.0, 2.0, 4.0, 8.0])
    hot = 0.8 * float(winding_factor(75.0, 25.0))
    held = run("resistance", current=current, voltage=hot * current + 0.8, position=np.zeros(4))

    found = mf.fit(bench(held, conditions=ConditionsTable(winding=Stated(75.0))))

    estimate = found.parameters["armature_resistance"]
    assert estimate.value == pytest.approx(0.8, abs=0.02 * estimate.standard_uncertainty)


def test_lead_resistance_is_taken_off():
    """A voltmeter behind leads of 0.1 ohm sees R + 0.1 in a resistance test."""
    current = np.array([1.0, 2.0, 4.0, 8.0])
    held = run("resistance", current=current, voltage=0.9 * current, position=np.zeros(4))

    leads = {"resistance": Stated(0.1)}
    found = mf.fit(bench(held, leads=leads, conditions=ConditionsTable(winding=Stated(25.0))))

    estimate = found.parameters["armature_resistance"]
    assert estimate.value == pytest.approx(0.8, abs=0.1 * estimate.standard_uncertainty)


def test_gain_of_the_voltmeter_does_not_average_away():
    """A 1 % rectangular gain leaves k with at least 1 %/sqrt(3), however many rows."""
    speed = np.linspace(50.0, 200.0, 200)
    driven = run("open-circuit", speed=speed, voltage=0.08 * speed)
    meters = {
        ("voltage", ""): Instrument(quantity="voltage", id="A", accuracy=Accuracy(relative=0.01)),
        ("speed", ""): Instrument(quantity="speed", id="T", accuracy=Accuracy(relative=1e-5)),
    }

    k = mf.fit(bench(driven, instruments=meters)).parameters["emf_constant"]

    assert k.standard_uncertainty == pytest.approx(0.08 * 0.01 / np.sqrt(3), rel=0.01)
    assert k.from_scatter < 0.1 * k.from_instruments


def test_zero_readings_pin_the_offset_of_the_ammeter():
    """With an ammeter offset of +0.05 A the loss is k times 0.05 too large without them."""
    current = np.array([0.5, 0.6]) + 0.05
    voltage = 0.08 * np.array([100.0, 200.0]) + 0.8 * np.array([0.5, 0.6])
    free = run("no-load-motor", speed=[100.0, 200.0], voltage=voltage, current=current)
    driven = run("open-circuit", speed=[100.0, 200.0], voltage=[8.0, 16.0])
    zero = run("zero", current=[0.05, 0.05])
    meters = {
        ("current", ""): Instrument(
            quantity="current", id="A", accuracy=Accuracy(relative=1e-4, absolute=0.1)
        )
    }

    without = mf.fit(bench(free, driven, instruments=meters)).loss
    pinned = mf.fit(bench(free, driven, zero, instruments=meters)).loss

    assert without is not None
    assert pinned is not None
    expected = 0.08 * 0.55  # at 150 rad/s, rounded by the fit to 1400 rpm
    assert pinned.torque.value == pytest.approx(expected, abs=0.08 * 0.01)
    assert pinned.torque.from_instruments < 0.2 * without.torque.from_instruments


def test_load_rows_without_a_current_use_the_resistor():
    found = mf.fit(virtual("load by value"))

    causes = {share.quantity for share in found.widths["armature_resistance"]}
    assert "load" in causes
    assert found.parameters["armature_resistance"].interval[0] < 0.8


def test_parts_of_an_uncertainty_add_up():
    """u^2 is scatter^2 + instruments^2 (JCGM 100, 5.1.2), for each parameter."""
    for estimate in mf.fit(virtual("whole")).parameters.values():
        if isinstance(estimate, Estimate):
            assert estimate.standard_uncertainty**2 == pytest.approx(
                estimate.from_scatter**2 + estimate.from_instruments**2
            )


def test_profile_and_fit_have_the_same_covariance():
    """Scatter plus instruments of the profile is the joint fit's own covariance."""
    found = mf.fit(virtual("whole"))

    deviations = np.sqrt(np.diag(found.covariance))
    expected = [found.parameters[name].standard_uncertainty for name in FIVE]
    np.testing.assert_allclose(deviations, expected, rtol=1e-9)


def test_shares_of_a_width_add_to_one():
    for shares in mf.fit(virtual("whole")).widths.values():
        assert sum(share.share for share in shares) == pytest.approx(1.0)


def test_a_wider_level_gives_a_wider_interval():
    narrow = mf.fit(virtual("whole"), level=0.9).parameters["armature_resistance"]
    wide = mf.fit(virtual("whole"), level=0.99).parameters["armature_resistance"]

    assert wide.interval[0] < narrow.interval[0] < narrow.interval[1] < wide.interval[1]


def test_the_same_bench_gives_the_same_fit_to_the_last_bit():
    first, second = mf.fit(virtual("whole")), mf.fit(virtual("whole"))

    assert first.parameters == second.parameters
    assert first.residuals == second.residuals


def test_a_log_that_tells_nothing_is_named_and_not_counted():
    coasting = run("coast-down", time=[0.0, 1.0, 2.0], speed=[200.0, 150.0, 110.0])
    driven = run("open-circuit", speed=[100.0, 200.0], voltage=[8.0, 16.0])

    found = mf.fit(bench(coasting, driven))

    assert found.unused == ("coast-down.csv: too few readings while it slows down",)
    assert "coast-down.csv" not in found.counts


def test_a_bench_of_nothing_but_a_log_that_tells_nothing_is_refused():
    coasting = run("coast-down", time=[0.0, 1.0, 2.0], speed=[200.0, 150.0, 110.0])

    with pytest.raises(FitError, match=r"nothing could be had.*coast-down.csv: too few readings"):
        mf.fit(bench(coasting))


@pytest.mark.parametrize("level", [0.0, 0.4, 1.0, float("nan")])
def test_a_level_out_of_range_is_a_programmers_error(level):
    with pytest.raises(ValueError, match="level must be"):
        mf.fit(virtual("one reading"), level=level)


def test_a_parameter_ends_on_its_bound_with_a_one_sided_interval():
    """Vb exactly zero with scatter: the interval starts at zero and reaches above."""
    rng = np.random.default_rng(5)
    speed = np.tile([60.0, 120.0, 180.0], 4)
    current = -np.repeat([0.5, 1.0, 2.0, 4.0], 3)
    voltage = 0.08 * speed + 0.8 * current + 0.02 + rng.normal(0, 0.01, 12)
    driven = run("load", speed=speed, current=current, voltage=voltage)

    drop = mf.fit(bench(driven)).parameters["brush_drop"]

    assert drop.value == 0.0
    assert drop.interval[0] == 0.0
    assert drop.interval[1] > 0.0


def test_a_bound_does_not_narrow_the_others():
    """Holding Vb at zero and forgetting it would take half of R's uncertainty away.

    The simulated machine has no brush drop, so in half of the benches Vb ends at its
    bound; R's uncertainty there is like that of the other half.
    """
    machine = replace(TRUE, brush_drop=0.0)
    at_bound, inside = [], []
    for seed in range(30):
        found = mf.fit(mf.simulate(machine, plan=PLANS["one resistor"], seed=seed))
        drop = found.parameters["brush_drop"]
        group = at_bound if drop.value < 1e-9 else inside
        group.append(found.parameters["armature_resistance"].standard_uncertainty)

    assert len(at_bound) > 5
    assert len(inside) > 5
    assert np.mean(at_bound) == pytest.approx(np.mean(inside), rel=0.15)


quantity = st.floats(min_value=1e-3, max_value=1e3)


@settings(max_examples=60)
@given(
    kind=st.sampled_from(["open-circuit", "load", "no-load-motor", "resistance"]),
    readings=st.lists(st.tuples(quantity, quantity, quantity), min_size=1, max_size=5),
    more=st.lists(st.tuples(quantity, quantity, quantity), max_size=3),
)
def test_any_readings_give_finite_numbers_or_one_message(kind, readings, more):
    """Nonsense is fitted badly or refused; never a warning, a NaN or another exception."""
    runs = []
    for name, table in ((kind, readings), ("load", more)):
        if table:
            speed, voltage, current = np.array(table).T
            sign = -1.0 if name == "load" else 1.0
            columns = {"speed": speed, "voltage": voltage, "current": sign * current}
            wanted = {"open-circuit": ("speed", "voltage"), "resistance": ("voltage", "current")}
            chosen = {key: columns[key] for key in wanted.get(name, columns)}
            runs.append(run(name, f"{name}-{len(runs)}.csv", **chosen))
    try:
        found = mf.fit(bench(*runs))
    except FitError:
        return
    assert np.all(np.isfinite(found.covariance))
    for parameter in found.parameters.values():
        if isinstance(parameter, Estimate):
            assert np.all(np.isfinite([parameter.value, *parameter.interval]))
