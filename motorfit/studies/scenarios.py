"""Benches whose intervals are put to the test: a machine, its meters, what is read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from motorfit.machine.brushed import BRUSH_SCALE_FACTOR, BrushedMachine
from motorfit.quantities import Stated
from motorfit.simulation.instruments import (
    VirtualKit,
    VirtualMeter,
    handheld_meters,
    virtual_meter,
)
from motorfit.simulation.log_plans import CoastDownPlan, LogNoise
from motorfit.simulation.plan import BenchPlan, Conditions, usual_plan
from motorfit.studies.targets import Asked
from motorfit.unit_tables import RPM

#: The machine of every scenario that does not bring its own.
MACHINE = BrushedMachine(
    emf_constant=0.08,
    armature_resistance=0.8,
    brush_drop=0.8,
    coulomb_torque=0.03,
    viscous_coefficient=5e-5,
)

_PLAN = usual_plan(MACHINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One kind of bench.

    Parameters
    ----------
    plan : BenchPlan
        What is read.
    machine : BrushedMachine
        The truth.
    kit : VirtualKit
        With which meters.
    conditions : Conditions
        How steady everything is.
    true_findings : frozenset of str
        Kinds of findings that are right on this bench.
    brush_scale_within : float, at least 1
        The brush current scale of each bench is drawn within this factor either way of the
        machine's own, log-evenly.
    moment_of_inertia : float, optional
        Of the machine, where it is let go. [kg m2]
    log_correlation : float, from 0 to below 1
        How much the noise of each log hangs together from sample to sample is drawn from
        zero to this, evenly.
    asked : Asked, optional
        What its losses and its inertia are to reach, where that differs from the rest.
    """

    plan: BenchPlan = _PLAN
    machine: BrushedMachine = MACHINE
    kit: VirtualKit = field(default_factory=VirtualKit)
    conditions: Conditions = field(default_factory=Conditions)
    true_findings: frozenset[str] = frozenset()
    brush_scale_within: float = 1.0
    moment_of_inertia: float | None = None
    log_correlation: float = 0.0
    asked: Asked | None = None

    def drawn(self, draw: Literal["rectangular", "normal"]) -> Scenario:
        """The same with the meters' errors drawn from that distribution."""
        return replace(self, kit=replace(self.kit, draw=draw))

    def machine_of(self, seed: int) -> BrushedMachine:
        """The machine of one bench."""
        if self.brush_scale_within == 1.0:
            return self.machine
        share = self.brush_scale_within ** np.random.default_rng([seed, 1]).uniform(-1.0, 1.0)
        scale = float(np.asarray(self.machine.brush_current_scale)) * share
        return replace(self.machine, brush_current_scale=scale)

    def plan_of(self, seed: int) -> BenchPlan:
        """The plan of one bench."""
        if not self.log_correlation:
            return self.plan
        rng = np.random.default_rng([seed, 2])
        return with_correlations(
            self.plan, rng.uniform(0.0, self.log_correlation, len(self.plan.coast_downs))
        )


def with_correlations(plan: BenchPlan, correlations: Iterable[float]) -> BenchPlan:
    """The same with the noise of each log of a coasting machine hanging together so much."""
    logs = tuple(
        replace(log, noise=replace(log.noise, correlation=float(each)))
        for log, each in zip(plan.coast_downs, correlations, strict=True)
    )
    return replace(plan, coast_downs=logs)


def _kit(*changed: VirtualMeter) -> VirtualKit:
    """The plain handheld meters, some of them exchanged."""
    return VirtualKit(meters=handheld_meters() | {each.stated.quantity: each for each in changed})


def _meters(
    volts: tuple[float, int],
    amps: tuple[float, int],
    turns: float,
    resistors: float,
    *,
    counts: int,
    step: float,
    scatter: float,
) -> Iterable[VirtualMeter]:
    """Accuracies in percent and digits, counts, step of the tachometer [rpm], relative scatter."""
    yield virtual_meter(
        "voltage",
        "meter A",
        percent=volts[0],
        digits=volts[1],
        counts=counts,
        input_resistance=10e6,
        repeatability=scatter,
    )
    yield virtual_meter(
        "current",
        "meter B",
        percent=amps[0],
        digits=amps[1],
        counts=counts,
        burden=0.03,
        repeatability=2 * scatter,
    )
    yield virtual_meter(
        "speed",
        "tachometer",
        percent=turns,
        digits=1,
        resolution=step * RPM,
        display_factor=RPM,
        repeatability=2 * scatter,
    )
    yield virtual_meter("load", "resistors", percent=resistors)


_GOOD = _kit(
    *_meters((0.05, 3), (0.2, 5), 0.02, 1.0, counts=40000, step=0.1, scatter=0.0005),
)
_CHEAP = _kit(
    *_meters((1.0, 3), (2.0, 5), 0.5, 10.0, counts=2000, step=1.0, scatter=0.002),
)
_THREE_DIGITS = _kit(
    *_meters((1.0, 1), (1.5, 1), 0.1, 5.0, counts=1000, step=10.0, scatter=0.001),
)

#: An ammeter without a finer range than that of ten amperes.
_ONE_RANGE = virtual_meter(
    "current", "meter B", percent=1.2, digits=3, resolution=0.01, burden=0.03, repeatability=0.003
)

#: What the readings of one setting share is as large as the tachometer's own scatter.
_SHARED = Conditions(setting_drift=0.002, drive_scatter=0.001)

#: Meters of the coast-downs.
_COASTING = _kit(
    *_meters((0.5, 2), (1.5, 2), 0.5, 5.0, counts=4000, step=1.0, scatter=0.001),
)

# 50 Hz: hum of 100 Hz stands still in steps of 0.01 s, and would be an offset
_LOG_NOISE = LogNoise(scatter=0.003, mains=0.003, mains_frequency=50.0, commutator=0.003)
_OPEN = CoastDownPlan(start_speed=300.0, step=0.05, engaged=0.5, noise=_LOG_NOISE)
_LOADED = replace(_OPEN, load=4.8, load_columns="current", step=0.01)

#: The driven tests, and no others.
_DRIVEN = replace(_PLAN, supply_voltages=(), resistance_currents=(), zeros=())

#: Friction that stays as it is from run to run, and from reading to reading.
_STEADY = Conditions(friction_run=0.0, friction_row=0.0)

#: Two open coast-downs and two on a resistor.
_COASTS = Scenario(
    plan=replace(_DRIVEN, coast_downs=(_OPEN, _LOADED, _OPEN, _LOADED)),
    kit=_COASTING,
    conditions=_STEADY,
    moment_of_inertia=2e-3,
    log_correlation=0.9,
    asked=Asked(least=0.93, most=0.98, median_error=0.01, largest_error=0.022),
)

SCENARIOS: dict[str, Scenario] = {
    "plain meters": Scenario(),
    "good meters": Scenario(kit=_GOOD),
    # 2000 counts: 2.0 A is where the ammeter changes its range
    "cheap meters": Scenario(kit=_CHEAP, plan=replace(_PLAN, resistance_currents=(0.8, 1.6, 3.2))),
    "cheap meters, end of a range": Scenario(
        kit=_CHEAP, plan=replace(_PLAN, resistance_currents=(1.0, 2.0, 3.0))
    ),
    "ten readings": Scenario(
        plan=BenchPlan(
            open_circuit_speeds=(120.0, 240.0, 360.0),
            load_speeds=(180.0, 340.0),
            load_resistors=(2.4, 9.6),
            supply_voltages=(9.0, 24.0),
            zeros=("current",),
        )
    ),
    "three open-circuit, four load readings": Scenario(
        plan=BenchPlan(
            open_circuit_speeds=(120.0, 240.0, 360.0),
            load_speeds=(180.0, 340.0),
            load_resistors=(2.4, 9.6),
        )
    ),
    "brush drop near zero": Scenario(machine=replace(MACHINE, brush_drop=0.03)),
    "brush drop 1.6 V": Scenario(machine=replace(MACHINE, brush_drop=1.6)),
    "speed wanders 2 %": Scenario(
        conditions=Conditions(speed_drift=0.02), true_findings=frozenset({"large-scatter"})
    ),
    "friction wanders 5 %": Scenario(conditions=Conditions(friction_row=0.05)),
    "friction wanders 5 %, 24 no-load rows": Scenario(
        plan=replace(_PLAN, supply_voltages=tuple(np.linspace(6.0, 28.0, 12).tolist()), runs=2),
        conditions=Conditions(friction_row=0.05),
    ),
    "three-digit displays": Scenario(kit=_THREE_DIGITS),
    # 120 and 240 ohm: 0.06 to 0.2 A beside 8 A
    "half of the load currents small": Scenario(
        plan=replace(_PLAN, load_resistors=(2.4, 4.8, 120.0, 240.0))
    ),
    # nobody knows where the brush drop fades: the fit takes 0.08 A, within a factor of three
    "half of them small, brush scale unknown": Scenario(
        plan=replace(_PLAN, load_resistors=(2.4, 4.8, 120.0, 240.0)),
        machine=replace(MACHINE, brush_current_scale=0.08),
        brush_scale_within=BRUSH_SCALE_FACTOR,
    ),
    "hardly any loss": Scenario(
        machine=replace(MACHINE, coulomb_torque=5e-4, viscous_coefficient=1e-6),
        kit=_kit(_ONE_RANGE),
    ),
    "winding known to 20 K": Scenario(
        conditions=Conditions(winding=Stated(22.0, 20.0, "22 degC +- 20 K"))
    ),
    "settings share a speed error, named": Scenario(
        plan=replace(_PLAN, repeats=2, label_settings=True),
        conditions=_SHARED,
        true_findings=frozenset({"residuals-hang-together"}),
    ),
    "settings share a speed error, not named": Scenario(
        plan=replace(_PLAN, repeats=2),
        conditions=_SHARED,
        true_findings=frozenset({"residuals-hang-together"}),
    ),
    "errors correlated in time": Scenario(
        plan=replace(_PLAN, repeats=2),
        conditions=Conditions(serial_drift=0.002, serial_correlation=0.7),
        true_findings=frozenset({"residuals-hang-together"}),
    ),
    "one speed only": Scenario(
        plan=BenchPlan(
            load_speeds=(150.0,), load_resistors=(1.5, 3.3, 6.8, 15.0), supply_voltages=(12.0,)
        ),
        conditions=Conditions(drive_scatter=0.003),
    ),
    "one resistor, open circuit": Scenario(
        plan=replace(
            _PLAN,
            load_speeds=_PLAN.open_circuit_speeds,
            load_resistors=(2.4,),
            resistance_currents=(),
        )
    ),
    "resistor values, no ammeter": Scenario(
        plan=replace(
            _PLAN, load_columns="load", supply_voltages=(), resistance_currents=(), zeros=()
        )
    ),
    "both directions": Scenario(
        plan=replace(_PLAN, directions=("a", "b")),
        conditions=Conditions(direction_effect=0.02),
        true_findings=frozenset({"directions-differ"}),
    ),
    "many readings, unknown tachometer": Scenario(
        kit=_kit(
            virtual_meter(
                "speed",
                "tachometer",
                percent=2.0,
                digits=5,
                resolution=RPM,
                display_factor=RPM,
                repeatability=0.004,
            )
        ),
        plan=replace(
            _PLAN,
            open_circuit_speeds=tuple(np.linspace(60.0, 370.0, 60).tolist()),
            load_speeds=tuple(np.linspace(80.0, 370.0, 20).tolist()),
        ),
    ),
    "no zero readings": Scenario(plan=replace(_PLAN, zeros=())),
    "light machine, three zero readings": Scenario(
        machine=replace(MACHINE, coulomb_torque=0.004, viscous_coefficient=1e-5),
        plan=replace(_PLAN, zero_repeats=3),
    ),
    "brake test, neodymium magnets": Scenario(
        plan=replace(
            _PLAN, brake_torques=tuple(np.linspace(0.05, 0.4, 5).tolist()), resistance_currents=()
        ),
        conditions=Conditions(magnet="neodymium"),
    ),
    "standing brushes differ": Scenario(conditions=Conditions(standing_brush_drop=1.3)),
    "coast-downs, two of each": _COASTS,
    "coast-downs, one of each": replace(
        _COASTS, plan=replace(_DRIVEN, coast_downs=(_OPEN, _LOADED))
    ),
    "coast-downs, friction 10 % from run to run": replace(
        _COASTS,
        conditions=replace(_STEADY, friction_run=0.1),
        asked=Asked(least=0.92, most=1.0),
    ),
    "coast-downs, speeds logged": replace(
        _COASTS,
        plan=replace(
            _DRIVEN,
            coast_downs=tuple(
                replace(log, records=("speed",)) for log in (_OPEN, _LOADED, _OPEN, _LOADED)
            ),
        ),
    ),
    # every coast-down and every motor test with a friction of its own
    "open coast-down, no-load motor": replace(
        _COASTS,
        plan=replace(_DRIVEN, supply_voltages=_PLAN.supply_voltages, coast_downs=(_OPEN,)),
        conditions=Conditions(),
        asked=None,
    ),
}

#: Scenarios of tables alone, without a log.
WITHOUT_LOGS = tuple(name for name, each in SCENARIOS.items() if not each.plan.coast_downs)
