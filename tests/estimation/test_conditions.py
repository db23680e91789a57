"""Condition equations of a brushed machine: by hand, and every derivative by differences.

The bench below has everything at once: motor and generator, both directions, rotor held,
current by ammeter and by resistor, meter burden and conductance, leads, temperatures, torque,
coasting told by its speed and by its voltage, armature reaction, windage, every kind of unknown
error and of scatter.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from condition_models import THERMAL, bench_rows

from motorfit.arrays import FloatArray
from motorfit.estimation.circuit import at_machine
from motorfit.estimation.conditions import BrushedConditions
from motorfit.estimation.physics import MACHINE_PARAMETERS, VBS, brush_shape_doubts
from motorfit.estimation.rows import (
    CURRENT,
    READ_TORQUE,
    SPEED,
    VOLTAGE,
    Influence,
    Rows,
)
from motorfit.estimation.solver import whiten

ROWS, COMPONENTS = 24, 6
BRUSH_SCALE = 0.08  # A

#: k, R, Vb, T0, b, c, a, Vb standing, second direction's ratios, J: an invented machine.
MACHINE = np.array([0.085, 0.62, 0.9, 0.03, 1.2e-4, 3e-7, 0.004, 1.1, 0.02, -0.15, 8e-4])

#: Gains and offsets of the four meters, then one unknown error of every other kind.
NUISANCES = (
    *(f"gain of {quantity}" for quantity in ("voltage", "speed", "current", "torque")),
    *(f"offset of {quantity}" for quantity in ("voltage", "speed", "current", "torque")),
    "load resistor",
    "leads",
    "winding temperature",
    "magnet temperature",
    "friction of a run",
    "rotor position",
    "setting of the drive",
    "shape of the brush drop",
    "inertia put on the shaft",
)
NUISANCE_SIZES = np.array(
    [0.005] * 4 + [0.02, 0.5, 0.01, 0.002] + [0.02, 0.005, 5.0, 5.0, 0.05, 0.03, 0.003, 0.6, 0.1]
)
NAMES = (*MACHINE_PARAMETERS, *NUISANCES)
SIZES = np.concatenate([np.abs(MACHINE), NUISANCE_SIZES])

#: Central differences with steps of 1e-5 of each parameter's size are good to the square of
#: that, 1e-10, times the curvature, and to rounding, 1e-16/1e-5 of the largest value.
STEP, AGREE = 1e-5, 1e-6


def rows_of_all_kinds(rng: np.random.Generator) -> Rows:
    """Motor and generator, metered and by resistor, held, reversed, warm, with torque."""
    at = np.arange(ROWS)
    sign = np.where(at % 3 == 0, -1.0, 1.0)
    standing, by_load = at % 6 == 5, at % 4 == 2
    speed = np.where(standing, 0.0, rng.uniform(30.0, 300.0, ROWS))
    current = sign * np.where(at % 5 == 0, rng.uniform(0.02, 0.3), rng.uniform(0.5, 8.0, ROWS))
    voltage = 0.085 * speed + 0.62 * current + sign + rng.normal(0.0, 0.1, ROWS)
    torque = 0.085 * current - 0.03 - 1.2e-4 * speed + rng.normal(0.0, 0.01, ROWS)
    torque_from = np.where(~standing & (at % 2 == 0), at // 2 % 4, READ_TORQUE)
    rate = np.array([1.0, -60.0, -5.0, 8e-4])[torque_from]
    torque = np.where(torque_from == READ_TORQUE, torque, rate * rng.uniform(0.5, 1.5, ROWS))
    shown = np.stack([voltage, speed, np.where(by_load, 0.0, current), torque], axis=-1)
    return bench_rows(
        shown,
        present=np.stack([np.ones(ROWS, dtype=bool), ~standing & (at % 2 == 0)], axis=-1),
        metered=~by_load,
        load=np.where(by_load, rng.uniform(1.0, 20.0, ROWS), np.inf),
        load_extra=np.where(by_load, 0.03, 0.0),
        input_conductance=np.where(at % 7 == 0, 1e-3, 1e-7),
        lead_resistance=0.02,
        winding=rng.uniform(15.0, 90.0, ROWS),
        magnets=rng.uniform(15.0, 60.0, ROWS),
        standing=standing,
        reverse=~standing & (at % 3 == 1),
        rounding=rng.uniform(0.5, 2.0, (ROWS, 4)) * np.array([0.01, 0.5, 0.01, 0.002]) ** 2,
        torque_from=torque_from,
        added_inertia=np.where(at % 3 == 0, 1e-3, 0.0),
    )


def every_influence(rows: Rows) -> Influence:
    """One nuisance of each kind in `NUISANCES`, on part of the rows."""
    influence = Influence.none(ROWS, len(NUISANCES))
    at = np.arange(ROWS)
    for quantity in range(4):
        influence.gain[:, quantity, quantity] = 1.0
        influence.offset[:, quantity, 4 + quantity] = np.where(at % 3 == 0, -1.0, 1.0)
    influence.load[~rows.metered, 8] = 1.0
    influence.leads[9] = 1.0
    influence.winding[at % 3 != 0, 10] = 1.0
    influence.magnets[at % 3 != 1, 11] = 1.0
    influence.loss[at < ROWS // 2, 12] = 1.0
    influence.resistance[rows.standing, 13] = 1.0
    influence.gain[at % 4 == 1, SPEED, 14] = 1.0
    influence.inertia[:, 16] = 1.0
    influence.brush[:, 15] = brush_shape_doubts(rows.shown[:, CURRENT], BRUSH_SCALE)[1]
    return influence


def everything(seed: int) -> tuple[BrushedConditions, FloatArray, FloatArray]:
    """Conditions with every parameter free, a point and scales at which nothing is special."""
    rng = np.random.default_rng(seed)
    rows = rows_of_all_kinds(rng)
    patterns = np.zeros((COMPONENTS, ROWS, 4))
    for quantity, size in enumerate((0.05, 2.0, 0.05, 0.01)):
        patterns[quantity, :, quantity] = size * rng.uniform(0.5, 2.0, ROWS)
    patterns[5, ::2, SPEED] = 1.0
    conditions = BrushedConditions(
        rows,
        every_influence(rows),
        free=tuple(range(len(MACHINE_PARAMETERS))),
        thermal=THERMAL,
        brush_current_scale=BRUSH_SCALE,
        patterns=patterns,
        friction=np.array([0.0, 0.0, 0.0, 0.0, 0.05, 0.0]),
    )
    machine = MACHINE * rng.uniform(0.8, 1.2, len(MACHINE))
    theta = np.concatenate([machine, NUISANCE_SIZES * rng.normal(size=len(NUISANCES))])
    return conditions, theta, rng.uniform(0.5, 2.0, COMPONENTS)


def differences(function: Callable[[FloatArray], FloatArray], at: FloatArray, sizes: FloatArray):
    """Central differences along a new last axis, times the sizes."""
    steps = STEP * np.diag(sizes)
    changes = [(function(at + step) - function(at - step)) / (2 * STEP) for step in steps]
    return np.stack(changes, axis=-1)


def assert_slopes(exact: FloatArray, measured: FloatArray, names: tuple[str, ...]) -> None:
    """Slopes times sizes agree, relative to the largest of that parameter."""
    for index, name in enumerate(names):
        largest = float(np.max(np.abs(measured[..., index])))
        error = float(np.max(np.abs(exact[..., index] - measured[..., index])))
        assert error <= AGREE * largest + 1e-9, f"{name}: off by {error:.2g} of {largest:.2g}"


@pytest.mark.parametrize("seed", range(6))
def test_jacobian_of_whitened_residuals(seed):
    """Central differences of `whiten` itself, for every parameter."""
    conditions, theta, scales = everything(seed)
    own = conditions.own_variance(theta, scales)
    _, jacobian = whiten(conditions, theta, scales, own)

    measured = differences(lambda at: whiten(conditions, at, scales, own)[0], theta, SIZES)

    assert_slopes(jacobian * SIZES, measured, NAMES)
    # every parameter must move something, or the comparison says nothing
    assert np.all(np.max(np.abs(measured), axis=(0, 1)) > 1e-3)


@pytest.mark.parametrize("seed", range(2))
def test_design_at_adjusted_readings(seed):
    """Central differences of the residual at readings shifted by some standard deviations."""
    conditions, theta, _ = everything(seed)
    shift = np.random.default_rng(seed).normal(size=(ROWS, 4)) * [0.05, 2.0, 0.005, 0.01]

    design = conditions.linearise(theta, shift).design

    measured = differences(lambda at: conditions.linearise(at, shift).residual, theta, SIZES)
    assert_slopes(design * SIZES, measured, NAMES)


@pytest.mark.parametrize("seed", range(2))
def test_sensitivity_to_the_readings(seed):
    """Central differences by shifting one quantity of all rows; nuisances at zero, where A is."""
    conditions, theta, _ = everything(seed)
    theta[len(MACHINE) :] = 0.0
    sizes = np.array([1.0, 100.0, 0.02, 0.1])

    measured = differences(
        lambda shift: conditions.linearise(theta, np.tile(shift, (ROWS, 1))).residual,
        np.zeros(4),
        sizes,
    )

    sensitivity = conditions.linearise(theta).sensitivity
    assert_slopes(sensitivity * sizes, measured, ("voltage", "speed", "current", "torque"))


@pytest.mark.parametrize("seed", range(2))
def test_slopes_of_the_sensitivity(seed):
    conditions, theta, _ = everything(seed)

    sensitivity = differences(lambda at: conditions.linearise(at).sensitivity, theta, SIZES)
    assert_slopes(conditions.linearise(theta).sensitivity_slope * SIZES, sensitivity, NAMES)


@pytest.mark.parametrize("seed", range(2))
def test_what_the_machine_had_follows_what_was_shown(seed):
    """`from_shown` by differences of the shown readings, without gains."""
    conditions, _, _ = everything(seed)
    rows, nuisance = conditions.rows, np.zeros(len(NUISANCES))

    def values(shift: FloatArray) -> FloatArray:
        moved = replace(rows, shown=rows.shown + shift)
        return at_machine(moved, conditions.influence, nuisance).values

    measured = differences(values, np.zeros(4), np.ones(4))

    found = at_machine(rows, conditions.influence, nuisance).from_shown
    assert_slopes(found, measured, ("voltage", "speed", "current", "torque"))


def plain(rows: Rows, *, scatter: FloatArray | None = None) -> BrushedConditions:
    """All machine parameters free, no nuisances."""
    patterns = np.zeros((1, len(rows), 4)) if scatter is None else scatter[None]
    return BrushedConditions(
        rows,
        Influence.none(len(rows), 0),
        free=tuple(range(len(MACHINE_PARAMETERS))),
        thermal=THERMAL,
        brush_current_scale=BRUSH_SCALE,
        patterns=patterns,
        friction=np.zeros(1),
    )


def test_equations_of_a_warm_motor_by_hand():
    """75 degC, 2 A at 100 rad/s: R grows by 309.5/259.5, k shrinks by 2 per mille a kelvin."""
    shown = np.array([[12.0, 100.0, 2.0, 0.05]])
    rows = bench_rows(
        shown, present=np.ones((1, 2), dtype=bool), winding=np.array([75.0]), magnets=np.array([45])
    )
    k, r, vb, t0, b, c, a, *_ = MACHINE

    residual = plain(rows).linearise(MACHINE).residual[0]

    constant = k * (1 - 0.002 * 20) * (1 - a * 2.0)
    voltage = constant * 100.0 + r * 309.5 / 259.5 * 2.0 + vb
    torque = constant * 2.0 - t0 - b * 100.0 - c * 100.0**2
    assert residual == pytest.approx([12.0 - voltage, 0.05 - torque], rel=1e-12)


def test_the_second_direction_has_its_own_constant_and_loss():
    """Both are the first direction's times one plus their ratio parameter."""
    shown = np.array([[12.0, 100.0, 2.0, 0.05]] * 2)
    rows = bench_rows(shown, present=np.ones((2, 2), dtype=bool), reverse=np.array([False, True]))
    k, _, _, t0, b, c, a, _, emf_ratio, loss_ratio, _ = MACHINE

    first, second = plain(rows).linearise(MACHINE).residual

    constant, loss = k * (1 - a * 2.0), t0 + b * 100.0 + c * 100.0**2
    assert second[0] - first[0] == pytest.approx(-emf_ratio * constant * 100.0, rel=1e-9)
    more = loss_ratio * loss - emf_ratio * constant * 2.0
    assert second[1] - first[1] == pytest.approx(more, rel=1e-9)


def test_a_held_rotor_has_its_own_brush_drop():
    shown = np.array([[2.0, 0.0, 1.0, 0.0]])
    rows = bench_rows(shown, standing=np.array([True]))

    residual = plain(rows).linearise(MACHINE).residual[0, 0]

    assert residual == pytest.approx(2.0 - MACHINE[1] * 1.0 - MACHINE[VBS], rel=1e-9)
    # at 12.5 current scales the drop is full to 3e-11


def test_current_of_a_resistor_with_all_that_hangs_on_it():
    """Kirchhoff by hand: 10 V at the meter, 4 ohm with 1 ohm of ammeter, 1 kohm voltmeter.

    The machine gives 10/5 + 10/1000 = 2.01 A, and 0.1 ohm of leads take 0.201 V more.
    """
    rows = bench_rows(
        np.array([[10.0, 100.0, 0.0, 0.0]]),
        metered=np.array([False]),
        load=np.array([4.0]),
        load_extra=np.array([1.0]),
        input_conductance=np.array([1e-3]),
        lead_resistance=0.1,
    )

    found = at_machine(rows, Influence.none(1, 0), np.zeros(0)).values[0]

    assert found[CURRENT] == pytest.approx(-2.01, rel=1e-12)
    assert found[VOLTAGE] == pytest.approx(10.201, rel=1e-12)


@pytest.mark.parametrize(
    ("sign", "voltage"), [(1.0, 9.8), (-1.0, 10.2)], ids=["motor", "generator"]
)
def test_leads_take_from_a_motor_and_hide_from_a_generator(sign, voltage):
    """Two amperes through 0.1 ohm between meter and machine."""
    rows = bench_rows(np.array([[10.0, 100.0, 2.0 * sign, 0.0]]), lead_resistance=0.1)

    found = at_machine(rows, Influence.none(1, 0), np.zeros(0)).values[0]

    assert found[VOLTAGE] == pytest.approx(voltage, rel=1e-12)


def test_a_gain_and_an_offset_are_taken_off():
    """reading = (1 + g) true + o: (10.2 - 0.1)/1.01 = 10."""
    rows = bench_rows(np.array([[10.2, 100.0, 2.0, 0.0]]))
    influence = Influence.none(1, 2)
    influence.gain[0, VOLTAGE, 0] = influence.offset[0, VOLTAGE, 1] = 1.0

    found = at_machine(rows, influence, np.array([0.01, 0.1])).values[0]

    assert found == pytest.approx([10.0, 100.0, 2.0, 0.0], rel=1e-12)


def test_a_voltage_error_goes_into_the_current_of_a_resistor():
    """On 5 ohm, u(v) = 0.1 V: i is off by -0.02 A for each 0.1 V, fully correlated."""
    rows = bench_rows(
        np.array([[10.0, 100.0, 0.0, 0.0]]), metered=np.array([False]), load=np.array([5.0])
    )

    conditions = plain(rows, scatter=np.array([[0.1, 0.0, 0.3, 0.0]]))
    shown = conditions.reading_covariance(np.ones(1))[0]
    through = conditions.nominal.from_shown[0]
    found = through @ shown @ through.T

    block = found[np.ix_([VOLTAGE, CURRENT], [VOLTAGE, CURRENT])]
    assert block == pytest.approx(np.array([[0.01, -0.002], [-0.002, 0.0004]]), rel=1e-12)


def test_friction_wanders_in_proportion_to_the_loss():
    """5 % of T0 + b w + c w^2, as a variance of the torque equation only."""
    rows = bench_rows(np.array([[12.0, 100.0, 2.0, 0.05]]), present=np.ones((1, 2), dtype=bool))
    conditions = plain(rows)
    conditions.friction = np.array([0.05])
    loss = MACHINE[3] + MACHINE[4] * 100.0 + MACHINE[5] * 100.0**2

    variance = conditions.own_variance(MACHINE, np.array([2.0]))

    assert variance[0, 1, 1] == pytest.approx(2.0 * (0.05 * loss) ** 2, rel=1e-12)
    assert variance[0, 0].tolist() == [0.0, 0.0]


def test_an_absent_equation_leaves_no_trace():
    rows = bench_rows(np.array([[12.0, 100.0, 2.0, 0.05]]))
    at = plain(rows).linearise(MACHINE)

    assert at.residual[0, 1] == 0.0
    assert not at.design[0, 1].any()
    assert not at.sensitivity[0, 1].any()
    assert not at.sensitivity_slope[0, 1].any()


def test_doubt_of_the_brush_drop_at_small_currents():
    """By hand at |i| = i0: tanh 3 - tanh 1 = 0.23346, tanh 1 - tanh 1/3 = 0.44008.

    None at no current or far above.
    """
    earlier, later = brush_shape_doubts(np.array([0.0, -0.1, 0.1, 3.0]), 0.1)

    assert earlier == pytest.approx([0.0, -0.23346, 0.23346, 0.0], abs=5e-6)
    assert later == pytest.approx([0.0, -0.44008, 0.44008, 0.0], abs=5e-6)
