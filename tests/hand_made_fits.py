"""Fits put together by hand: what the report has to show, without a fitter.

The machine is invented. Its readings follow the physics with a little scatter of a fixed
seed; the estimates are stated here, so that a test knows what the screen must say.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from motorfit.bench.kinds import KINDS
from motorfit.bench.records import Bench, Run
from motorfit.bench.settings import MachineTable, Settings
from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.result import (
    Advice,
    Answer,
    Fit,
    LossPoint,
    ResidualRow,
    Scatter,
    WidthShare,
)
from motorfit.finding import Finding
from motorfit.machine.brushed import BrushedMachine, loss_torque, shaft_torque, terminal_voltage
from motorfit.machine.operating import current_on_resistor, free_running
from motorfit.meter import Accuracy, Instrument
from motorfit.profile.model import (
    PARAMETER_UNITS,
    Combination,
    Constants,
    InstrumentError,
    Machine,
    MachineProfile,
    Provenance,
    Range,
)

RPM = np.pi / 30
TRUE = BrushedMachine(
    emf_constant=0.0551,
    armature_resistance=0.85,
    brush_drop=0.6,
    coulomb_torque=0.04,
    viscous_coefficient=8e-5,
    brush_current_scale=0.1,
)
LONG_NAME = (
    "conveyor motor with the blue tag, second from the left on the upper shelf, "
    "bought surplus, brushes worn, both leads soldered anew"
)
MEASURED = {
    "emf_constant": (0.0551, 0.0006, 0.0016),
    "armature_resistance": (0.851, 0.03, 0.014),
    "brush_drop": (0.605, 0.1, 0.03),
    "coulomb_torque": (0.0402, 0.04, 0.01),
    "viscous_coefficient": (8.1e-5, 0.08, 0.02),
}
NEEDS = {
    "coulomb_torque": "no-load-motor",
    "viscous_coefficient": "no-load-motor at a second voltage",
    "windage_coefficient": "no-load-motor at more voltages",
    "armature_reaction": "load at three speeds",
    "moment_of_inertia": "coast-down",
    "breakaway_torque": "breakaway",
    "thermal_resistance": "heat-run",
    "thermal_time_constant": "heat-run",
}


def estimate(name: str, value: float, scatter: float, instruments: float, **changes) -> Estimate:
    """An estimate whose two parts are given relative to its value."""
    size = abs(value)
    both = size * float(np.hypot(scatter, instruments))
    made = Estimate(
        value=value,
        unit=PARAMETER_UNITS.get(name, name),
        standard_uncertainty=both,
        from_scatter=size * scatter,
        from_instruments=size * instruments,
        interval=(value - 2 * both, value + 2 * both),
        level=0.95,
        degrees_of_freedom=21.0,
        method="linear",
    )
    return replace(made, **changes)


def parameters(known: dict[str, tuple[float, float, float]], **changes) -> dict:
    """Every parameter: an estimate of those in ``known``, what the others need."""
    made: dict = {}
    for name, unit in PARAMETER_UNITS.items():
        if name in known:
            made[name] = estimate(name, *known[name])
        else:
            needs = NEEDS.get(name, "load with a second resistor")
            made[name] = NotKnown(unit=unit, standing="unmeasured", needs=needs)
    return made | changes


def run(kind: str, file: str, readings: dict[str, list[float]]) -> Run:
    """A run whose rows begin under a header."""
    arrays = {name: np.asarray(values, float) for name, values in readings.items()}
    count = len(next(iter(arrays.values())))
    empty = ("",) * count
    return Run(
        kind=kind,
        source=Path(file),
        rows=np.arange(2, 2 + count),
        readings=arrays,
        written_step={},
        setting=empty,
        direction=empty,
        note=empty,
    )


def driven(kind: str, file: str, speeds_rpm, loads, rng, scatter: float = 0.003) -> Run:
    """Readings of the true machine at each speed on each resistor."""
    grid = [(n * RPM, load) for load in loads for n in speeds_rpm]
    speed = np.array([w for w, _ in grid])
    load = np.array([r for _, r in grid])
    current = current_on_resistor(TRUE, speed, load)
    voltage = terminal_voltage(TRUE, speed, current) * (
        1 + scatter * rng.standard_normal(len(grid))
    )
    readings = {"speed": speed, "voltage": voltage}
    if kind == "load":
        readings |= {"current": current, "load": load}
    return run(kind, file, readings)


def no_load(supplies, rng, file: str = "no-load-motor.csv") -> Run:
    """The true machine running by itself, friction wandering by some per cent."""
    speed, current = free_running(TRUE, np.asarray(supplies, float))
    current = current * (1 + 0.03 * rng.standard_normal(len(current)))
    return run("no-load-motor", file, {"speed": speed, "voltage": supplies, "current": current})


def residuals(runs: tuple[Run, ...]) -> tuple[ResidualRow, ...]:
    """What a fit would say of these readings, with the true machine for the fitted one."""
    rows = []
    for one in runs:
        if one.kind == "zero":
            continue
        speed = np.nan_to_num(one.get("speed"))
        current = np.nan_to_num(one.get("current"))
        made = {"voltage": (one.get("voltage"), terminal_voltage(TRUE, speed, current))}
        if not KINDS[one.kind].generating and one.kind != "resistance":
            made["torque"] = (np.zeros(len(one)), shaft_torque(TRUE, speed, current))
        for equation, (measured, fitted) in made.items():
            size = 0.003 * np.abs(fitted) + (0.01 if equation == "voltage" else 0.001)
            rows += [
                ResidualRow(
                    file=one.source.name,
                    row=int(row),
                    kind=one.kind,
                    equation=equation,
                    speed=float(speed[i]),
                    current=float(current[i]),
                    measured=float(measured[i]),
                    fitted=float(fitted[i]),
                    residual=float(measured[i] - fitted[i]),
                    standardised=float((measured[i] - fitted[i]) / size[i]),
                )
                for i, row in enumerate(one.rows)
            ]
    return tuple(rows)


def loss_point(speed_rpm: float = 1500.0, standing: str = "measured") -> LossPoint:
    """Loss of the true machine at one speed, known to 4 %."""
    speed = speed_rpm * RPM
    torque = float(loss_torque(TRUE, speed))
    return LossPoint(
        speed=speed,
        torque=estimate("N.m", torque, 0.018, 0.008, standing=standing),
        power=estimate("W", torque * speed, 0.018, 0.008, standing=standing),
    )


def instrument_errors(known) -> tuple[InstrumentError, ...]:
    """One error of the rpm meter and of the voltmeter, to all that is known."""
    return tuple(
        InstrumentError(
            quantity=quantity,
            id=name,
            range=span,
            error="gain",
            shape="rectangular",
            half_width=0.01,
            unit="1",
            sensitivity={p: known[p][0] * known[p][2] / (0.01 / 3**0.5) / 2**0.5 for p in known},
        )
        for quantity, name, span in (("speed", "rpm meter", ""), ("voltage", "meter A", "40 V"))
    )


RPM_DECIDES = (
    WidthShare(
        cause="gain of the rpm meter", quantity="speed", share=0.8, more_readings_help=False
    ),
    WidthShare(
        cause="scatter of the readings", quantity="scatter", share=0.2, more_readings_help=True
    ),
)
SCATTER_DECIDES = (
    WidthShare(
        cause="scatter of the readings", quantity="scatter", share=0.7, more_readings_help=True
    ),
    WidthShare(
        cause="gain of the voltmeter (meter A, 40 V)",
        quantity="voltage",
        share=0.3,
        more_readings_help=False,
    ),
)
ANSWERS = (
    Answer(question="as a generator", answer="yes"),
    Answer(question="how hard to turn", answer="yes"),
    Answer(question="amps all day", answer="no", why="needs a heat run"),
    Answer(question="the label", answer="partly", why="its power was not tested"),
)
FINDINGS = (
    Finding(
        kind="outlier",
        where="load.csv:14",
        says="The voltage in row 14 is 5.1 times its uncertainty above the line; 12.4 and 14.2 "
        "differ by swapped digits.",
        suggestion="Look at the paper, or take this reading again.",
        severity="caution",
        damage=3.0,
    ),
    Finding(
        kind="speed-not-checked",
        where="machine.toml",
        says="Nobody says that the rpm was checked against turns counted by hand.",
        suggestion="Count 30 turns against a watch once.",
        severity="caution",
        damage=2.0,
    ),
    Finding(
        kind="settings-agree",
        where="bench",
        says="Readings of one setting agree as well as readings of different settings.",
        severity="good",
        damage=0.1,
    ),
    Finding(
        kind="one-direction",
        where="bench",
        says="All readings are of one direction of turning.",
        suggestion="Turn the other way once.",
        severity="note",
        damage=0.5,
    ),
)
ADVICE = (
    Advice(
        does="two load readings near the largest current",
        test="load",
        minutes=5,
        brings="narrows winding resistance by a third",
    ),
)


def put_together(
    runs: tuple[Run, ...],
    known: dict[str, tuple[float, float, float]],
    *,
    name: str = "conveyor motor, blue tag",
    source: Path = Path("blue-tag"),
    changes: dict | None = None,
    combinations: tuple[Combination, ...] = (),
    findings: tuple[Finding, ...] = FINDINGS,
    answers: tuple[Answer, ...] = ANSWERS,
    loss: LossPoint | None = None,
    unused: tuple[str, ...] = (),
    assumed: tuple[str, ...] = (),
    advice: tuple[Advice, ...] = ADVICE,
) -> Fit:
    """A fit of these runs with these values."""
    has_current = [np.abs(one.readings["current"]) for one in runs if "current" in one.readings]
    speeds = np.concatenate([one.get("speed") for one in runs])
    largest = max((float(np.nanmax(c)) for c in has_current), default=0.0)
    order = tuple(known)
    values = np.array([known[p][0] * known[p][1] for p in order])
    correlation = np.eye(len(order))
    if "armature_resistance" in order and "brush_drop" in order:
        i, j = order.index("armature_resistance"), order.index("brush_drop")
        correlation[i, j] = correlation[j, i] = -0.88
    settings = Settings(machine=MachineTable(name=name))
    counts: dict[str, int] = {}
    for one in runs:
        counts[one.source.name] = counts.get(one.source.name, 0) + len(one)
    files = {one.source.name: "sha256:" + 64 * "0" for one in runs}
    profile = MachineProfile(
        machine=Machine(name=name),
        reference_temperature=25.0,
        parameters=parameters(known, **(changes or {})),
        combinations=combinations,
        constants=Constants(brush_current_scale=0.1),
        covariance_order=order,
        scatter_covariance=correlation * np.outer(values, values),
        instruments=instrument_errors(known),
        range=Range(
            speed=(0.0, float(np.nanmax(speeds)) if np.isfinite(speeds).any() else 0.0),
            current=(0.0, largest),
            winding=(20.0, 45.0),
        ),
        findings=findings,
        provenance=Provenance(motorfit="0.1.0", files=files, assumed=assumed, level=0.95),
    )
    plain = Accuracy(relative=0.01, digits=2.0, text="1 % + 2 digits")
    return Fit(
        bench=Bench(
            source=source,
            settings=settings,
            instruments={
                (q, ""): Instrument(quantity=q, id=q, accuracy=plain)
                for q in ("voltage", "current", "speed")
            },
            runs=runs,
            findings=findings,
            assumed=assumed,
            files=files,
        ),
        profile=profile,
        level=0.95,
        findings=findings,
        residuals=residuals(runs),
        widths={p: RPM_DECIDES if p == "emf_constant" else SCATTER_DECIDES for p in known},
        advice=advice,
        answers=answers,
        scatter=(
            Scatter(
                name="voltage", standard_deviation=0.003, relative=True, degrees_of_freedom=18.0
            ),
            Scatter(
                name="friction from row to row",
                standard_deviation=0.03,
                relative=True,
                degrees_of_freedom=4.0,
            ),
        ),
        loss=loss,
        counts=counts,
        unused=unused,
        chi_square=27.3,
        degrees_of_freedom=26.0,
    )


def measured(name: str = "conveyor motor, blue tag", **options) -> Fit:
    """Every test of the main job."""
    rng = np.random.default_rng(7)
    runs = (
        driven("load", "load.csv", (600, 1200, 1800), (1.0, 2.2, 4.7, 10.0), rng),
        no_load((4.0, 6.0, 8.0, 10.0, 12.0), rng),
        driven("open-circuit", "open-circuit.csv", range(300, 2101, 200), (np.inf,), rng),
        run(
            "resistance", "resistance.csv", {"voltage": [2.0, 3.1, 4.0], "current": [1.6, 2.9, 4.0]}
        ),
    )
    return put_together(
        runs,
        MEASURED,
        name=name,
        loss=loss_point(),
        unused=("heat-run.csv: read, not used yet",),
        **options,
    )


def quick() -> Fit:
    """One table of driven readings, no settings: open-circuit and load."""
    rng = np.random.default_rng(8)
    one = driven("load", "red.csv", (500, 1000, 1500), (2.2, 4.7), rng)
    none = driven("open-circuit", "red.csv", (500, 1000, 1500), (np.inf,), rng)
    known = {p: MEASURED[p] for p in ("emf_constant", "armature_resistance", "brush_drop")}
    return put_together(
        (none, one),
        known,
        name="red",
        source=Path("red.csv"),
        findings=FINDINGS[1:2],
        assumed=(
            "voltage: nobody stated the meter's accuracy, a plain handheld meter is taken "
            "(1 % + 2 digits)",
            "winding temperature: 20 degC +- 5 K",
        ),
        answers=(
            ANSWERS[0],
            Answer(question="how hard to turn", answer="no", why="needs a no-load test"),
            ANSWERS[2],
            Answer(question="the label", answer="no", why="no label was given"),
        ),
        advice=(
            Advice(
                does="a no-load test at two supply voltages",
                test="no-load-motor",
                minutes=10,
                brings="tells how hard it is to turn",
            ),
        ),
    )


def lathe() -> Fit:
    """One speed, four resistors, one no-load row: loss is known at that row's speed only."""
    rng = np.random.default_rng(9)
    runs = (
        driven("load", "load.csv", (1450,), (1.0, 2.2, 4.7, 10.0), rng),
        no_load((8.0,), rng),
    )
    known = {p: MEASURED[p] for p in ("emf_constant", "armature_resistance", "brush_drop")}
    point = loss_point(float(runs[1].get("speed")[0] / RPM), "combined")
    combined = NotKnown(unit="N.m", standing="combined", needs="no-load-motor at a second voltage")
    return put_together(
        runs,
        known,
        changes={
            "coulomb_torque": combined,
            "viscous_coefficient": replace(combined, unit="N.m.s/rad"),
        },
        combinations=(
            Combination(
                of="coulomb_torque + viscous_coefficient*speed",
                at={"speed": point.speed},
                value=point.torque.value,
                unit="N.m",
                standard_uncertainty=point.torque.standard_uncertainty,
                interval=point.torque.interval,
                degrees_of_freedom=3.0,
            ),
        ),
        loss=point,
        findings=FINDINGS[2:3],
    )


def one_resistor() -> Fit:
    """One resistor and no open-circuit reading: three unknowns, two combinations."""
    rng = np.random.default_rng(10)
    runs = (driven("load", "load.csv", (600, 1200, 1800), (4.7,), rng),)
    needs = "open-circuit, or load with a second resistor"
    unknown = {
        name: NotKnown(unit=PARAMETER_UNITS[name], standing="combined", needs=needs)
        for name in ("emf_constant", "armature_resistance", "brush_drop")
    }
    return put_together(
        runs,
        {},
        changes=unknown,
        combinations=(
            Combination(
                of="emf_constant / (armature_resistance + load)",
                at={"load": 4.7},
                value=0.00993,
                unit="A.s/rad",
                standard_uncertainty=0.0001,
                interval=(0.00973, 0.01013),
                degrees_of_freedom=4.0,
            ),
            Combination(
                of="brush_drop / (armature_resistance + load)",
                at={"load": 4.7},
                value=0.108,
                unit="A",
                standard_uncertainty=0.03,
                interval=(0.04, 0.17),
                degrees_of_freedom=4.0,
            ),
        ),
        answers=(
            Answer(question="as a generator", answer="partly", why="on this resistor only"),
            Answer(question="how hard to turn", answer="no", why="needs a no-load test"),
            ANSWERS[2],
            Answer(question="the label", answer="no", why="volts per rpm is not known alone"),
        ),
        advice=(
            Advice(
                does="three open-circuit readings",
                test="open-circuit",
                minutes=5,
                brings="tells volts per rpm from resistance",
            ),
        ),
        findings=(),
    )


def resistance_only() -> Fit:
    """Rotor held, nothing turned."""
    runs = (
        run(
            "resistance",
            "resistance.csv",
            {"voltage": [1.02, 1.98, 3.05], "current": [0.5, 1.6, 2.9]},
        ),
    )
    known = {p: MEASURED[p] for p in ("armature_resistance", "brush_drop")}
    return put_together(
        runs,
        known,
        changes={
            "emf_constant": NotKnown(unit="V.s/rad", standing="unmeasured", needs="open-circuit")
        },
        answers=(
            Answer(question="as a generator", answer="no", why="needs an open-circuit test"),
            Answer(question="how hard to turn", answer="no", why="needs a no-load test"),
            ANSWERS[2],
            Answer(question="the label", answer="no", why="no label was given"),
        ),
        findings=(),
    )


def at_bound() -> Fit:
    """Brush drop at zero, resistance carrying what the two share."""
    fit = measured()
    brush = replace(
        estimate("brush_drop", 0.2, 0.5, 0.1), value=0.0, interval=(0.0, 0.4), method="bounded"
    )
    bound = replace(fit.profile, parameters={**fit.profile.parameters, "brush_drop": brush})
    return replace(fit, profile=bound)


def long_name() -> Fit:
    """A name that fills more than a line."""
    return measured(LONG_NAME)


def forty_resistors() -> Fit:
    """Loads of a decade box at two speeds."""
    rng = np.random.default_rng(11)
    runs = (
        driven("load", "load.csv", (900, 1800), np.geomspace(0.8, 80.0, 40), rng),
        driven("open-circuit", "open-circuit.csv", (900, 1800), (np.inf,), rng),
        no_load((4.0, 8.0, 12.0), rng),
    )
    return put_together(runs, MEASURED, loss=loss_point())


def one_reading() -> Fit:
    """A single open-circuit reading: volts per rpm, and nothing else."""
    rng = np.random.default_rng(12)
    runs = (driven("open-circuit", "open-circuit.csv", (1000,), (np.inf,), rng),)
    return put_together(
        runs,
        {"emf_constant": (0.0553, 0.01, 0.012)},
        answers=(
            Answer(question="as a generator", answer="partly", why="volts with nothing connected"),
            Answer(question="how hard to turn", answer="no", why="needs a no-load test"),
            ANSWERS[2],
            Answer(question="the label", answer="no", why="no label was given"),
        ),
        findings=(),
    )


def drill() -> Fit:
    """A drill that slows under load, eight resistors, two readings that stand out."""
    rng = np.random.default_rng(13)
    loads = (0.47, 1.0, 1.5, 2.2, 3.3, 4.7, 10.0)
    speeds = 1000 + 900 * rng.random(4)
    runs = (driven("load", "load.csv", np.sort(speeds), loads, rng),)
    known = {p: MEASURED[p] for p in ("emf_constant", "armature_resistance", "brush_drop")}
    fit = put_together(runs, known)
    rows = list(fit.residuals)
    for place, size in ((3, 5.1), (27, -4.2)):
        one = rows[place]
        left = size * 0.05
        rows[place] = replace(one, measured=one.fitted + left, residual=left, standardised=size)
    return replace(fit, residuals=tuple(rows))


VARIANTS = {
    made.__name__: made
    for made in (
        measured,
        quick,
        lathe,
        one_resistor,
        resistance_only,
        at_bound,
        long_name,
        forty_resistors,
        one_reading,
        drill,
    )
}
