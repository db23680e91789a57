"""The demo: an invented machine in an invented scenario, always the same readings.

The motor of a scrapped parcel conveyor is to become the hand-cranked generator of the lamps
in a school's shed. Nobody has a data sheet; there is a label.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from motorfit.bench.records import Bench
from motorfit.bench.settings import BenchTable, ShelfTable, SpeedTable
from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.heating import OneBody
from motorfit.quantities import Stated
from motorfit.simulation.bench import Truth, simulate_with_truth
from motorfit.simulation.heat_plans import HeatRunPlan
from motorfit.simulation.instruments import VirtualKit, virtual_meter
from motorfit.simulation.log_plans import CoastDownPlan, LogNoise
from motorfit.simulation.plan import BenchPlan, Conditions
from motorfit.simulation.writing import with_room_for, write_bench
from motorfit.unit_tables import RPM

DEMO_NAME = "conveyor motor, green tag"
DEMO_SEED = 20240611

#: What the fit does not know: 9.1 V per 1000 rpm, 0.82 ohm.
DEMO_MACHINE = BrushedMachine(
    emf_constant=0.0872,
    armature_resistance=0.82,
    brush_drop=0.85,
    coulomb_torque=0.031,
    viscous_coefficient=4.5e-5,
    brush_current_scale=0.08,
)

#: What else the fit does not know: rotor and belt pulley. [kg m2]
DEMO_INERTIA = 2.4e-3

#: With the rotor held: 2 K/W, 25 minutes.
DEMO_BODY = OneBody(thermal_resistance=2.0, time_constant=1500.0)

#: The label: volts and speed are about right, the power is not.
DEMO_CLAIMS = {
    "rated_voltage": "24 V",
    "no_load_speed": "2500 rpm",
    "rated_power": "250 W",
    "rated_current": "8 A",
}

_INVENTED = "Invented readings of an invented machine, made by a computer. Nobody turned it."

_LET_GO = "Spun up by the drill, let go"

_HEADS = {
    "machine.toml": (
        "An invented machine in an invented scenario: the motor of a scrapped parcel conveyor",
        "is to become the hand-cranked generator of the lamps in a school's shed.",
    ),
    "kit.toml": (
        "Two plain meters, one of which can log, an optical tachometer, three resistors and a",
        "thermometer, all invented.",
    ),
    "open-circuit.csv": (_INVENTED, "Turned by a bench drill, nothing connected."),
    "load.csv": (_INVENTED, "Turned by a bench drill, each resistor at four speeds."),
    "resistance.csv": (_INVENTED, "Rotor held at four positions, from a battery."),
    "no-load-motor.csv": (_INVENTED, "Running by itself from a supply, shaft free."),
    "zero.csv": (_INVENTED, "Voltmeter leads joined, ammeter leads open."),
    "coast-down-open.csv": (_INVENTED, f"{_LET_GO} with nothing connected."),
    "coast-down-open-2.csv": (_INVENTED, f"{_LET_GO} with nothing connected, again."),
    "coast-down-loaded.csv": (_INVENTED, f"{_LET_GO} on the 10 ohm resistor."),
    "coast-down-loaded-2.csv": (_INVENTED, f"{_LET_GO} on the 10 ohm resistor, again."),
    "heat-run.csv": (_INVENTED, "Rotor held in a vice, 4 A from a supply for an hour and a half."),
}


def demo_with_truth() -> tuple[Bench, Truth]:
    """The demo's bench, and what is behind its readings.

    Returns
    -------
    bench : Bench
        With rows numbered as in the files of `write_demo`.
    truth : Truth
    """
    bench, truth = simulate_with_truth(
        DEMO_MACHINE,
        plan=_plan(),
        kit=_kit(),
        conditions=Conditions(
            winding=Stated(21.0, 3.0, "21 degC +- 3 K"),
            friction_row=0.03,
            friction_run=0.03,
            drive_scatter=0.012,
            speed_drift=0.0005,
        ),
        moment_of_inertia=DEMO_INERTIA,
        seed=DEMO_SEED,
        name=DEMO_NAME,
    )
    settings = bench.settings.model_copy(
        update={
            "claims": DEMO_CLAIMS,
            "bench": BenchTable(place="an invented school workshop"),
            "speed": SpeedTable(checked="30 turns counted against a watch, 1 turn off"),
            "shelf": ShelfTable(resistors=("2.2 ohm 150 W", "4.7 ohm 100 W", "10 ohm 50 W")),
        }
    )
    return with_room_for(replace(bench, settings=settings), _HEADS), truth


def demo_bench() -> Bench:
    """The demo's bench: the same readings every time."""
    return demo_with_truth()[0]


def write_demo(folder: Path, *, force: bool = False) -> None:
    """Write the demo's bench folder.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    force : bool
        Replace files that are there.

    Raises
    ------
    OutputError
        If a file is there already and ``force`` is not set, or one cannot be written;
        then none of them is.
    """
    write_bench(demo_bench(), folder, remarks=_HEADS, force=force)


def _plan() -> BenchPlan:
    """The steps of the drill's belt, three resistors, three voltages of the supply."""
    drill = [450.0, 720.0, 1010.0, 1300.0, 1620.0, 1950.0, 2280.0, 2600.0]
    return BenchPlan(
        open_circuit_speeds=tuple(speed * RPM for speed in drill),
        load_speeds=tuple(speed * RPM for speed in drill[1::2]),
        load_resistors=(2.2, 4.7, 10.0),
        supply_voltages=(6.0, 12.0, 24.0),
        resistance_currents=(1.0, 2.0, 4.0),
        positions=4,
        zeros=("voltage", "current"),
        coast_downs=(
            *(_let_go("open", step=0.1), _let_go("open", step=0.1)),
            *(_let_go("loaded", 10.0, step=0.05), _let_go("loaded", 10.0, step=0.05)),
        ),
        heat_runs=(HeatRunPlan(current=4.0, bodies=DEMO_BODY, ambient_drift=0.6 / 3600),),
    )


def _let_go(name: str, load: float | None = None, *, step: float) -> CoastDownPlan:
    """From the drill's highest speed to rest."""
    noise = LogNoise(scatter=0.002, floor=0.0003, correlation=0.3, commutator=0.003)
    return CoastDownPlan(
        name=name,
        start_speed=2600.0 * RPM,
        load=load,
        step=step,
        engaged=0.4,
        idle=0.5,
        noise=noise,
    )


def _kit() -> VirtualKit:
    return VirtualKit(
        meters={
            "voltage": virtual_meter(
                "voltage",
                "meter A",
                percent=0.5,
                digits=2,
                counts=4000,
                input_resistance=10e6,
                repeatability=0.001,
            ),
            "current": virtual_meter(
                "current",
                "meter B",
                percent=1.0,
                digits=2,
                resolution=0.01,
                burden=0.03,
                repeatability=0.002,
            ),
            "speed": virtual_meter(
                "speed",
                "optical tachometer",
                percent=0.05,
                digits=1,
                resolution=0.1 * RPM,
                display_factor=RPM,
                repeatability=0.001,
            ),
            "load": virtual_meter("load", "resistors on the shelf", percent=5.0),
            "ambient": virtual_meter("ambient", "thermometer", absolute=0.5, resolution=0.1),
            "time": virtual_meter("time", "clock of meter A", percent=0.01, resolution=0.01),
        }
    )
