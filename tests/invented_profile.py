"""A profile of an invented machine, put together by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from motorfit.estimate import Estimate, NotKnown
from motorfit.finding import Finding
from motorfit.machine.brushed import BrushedMachine
from motorfit.profile.model import (
    PARAMETER_UNITS,
    Constants,
    InstrumentError,
    Machine,
    MachineProfile,
    Provenance,
    Range,
)

VALUES = {
    "emf_constant": 0.055,
    "armature_resistance": 0.8,
    "brush_drop": 0.6,
    "coulomb_torque": 0.02,
    "viscous_coefficient": 4e-5,
}
SCATTER = {
    "emf_constant": 2e-5,
    "armature_resistance": 0.01,
    "brush_drop": 0.03,
    "coulomb_torque": 4e-4,
    "viscous_coefficient": 2e-6,
}
NEEDS = {
    "emf_constant": "open-circuit",
    "armature_resistance": "load with two resistors",
    "brush_drop": "load with two resistors",
    "coulomb_torque": "no-load-motor",
    "viscous_coefficient": "no-load-motor at a second voltage",
    "windage_coefficient": "no-load-motor at more voltages",
    "armature_reaction": "load at three speeds",
    "moment_of_inertia": "coast-down",
    "breakaway_torque": "breakaway",
    "thermal_resistance": "heat-run",
    "thermal_time_constant": "heat-run",
}
#: R and Vb trade off against each other, T0 and b too.
CORRELATIONS = {
    ("armature_resistance", "brush_drop"): -0.9,
    ("coulomb_torque", "viscous_coefficient"): -0.8,
}


def gain(quantity: str, name: str, **sensitivity: float) -> InstrumentError:
    """A gain known within 0.5 %, rectangular."""
    return InstrumentError(
        quantity=quantity,
        id=name,
        range="",
        error="gain",
        shape="rectangular",
        half_width=0.005,
        unit="1",
        sensitivity=sensitivity,
    )


#: A voltmeter that reads high makes k, R and Vb too large alike; an ammeter R too small.
INSTRUMENTS = (
    gain("voltage", "meter A", emf_constant=0.055, armature_resistance=0.8, brush_drop=0.6),
    gain("current", "meter B", armature_resistance=-0.8, coulomb_torque=0.02),
)


def scatter_covariance(names: tuple[str, ...]) -> np.ndarray:
    """Of these parameters, from the tables above."""
    made = np.diag([SCATTER[name] ** 2 for name in names])
    for (one, other), correlation in CORRELATIONS.items():
        if one in names and other in names:
            i, j = names.index(one), names.index(other)
            made[i, j] = made[j, i] = correlation * SCATTER[one] * SCATTER[other]
    return made


def known(name: str, instruments: tuple[InstrumentError, ...], freedom: float) -> Estimate:
    """The estimate of one parameter; ``freedom`` is that of the scatter."""
    parts = [e.sensitivity.get(name, 0.0) * e.standard_uncertainty for e in instruments]
    from_instruments = float(np.sqrt(np.sum(np.square(parts))))
    total = float(np.hypot(SCATTER[name], from_instruments))
    value = VALUES[name]
    return Estimate(
        value=value,
        unit=PARAMETER_UNITS[name],
        standard_uncertainty=total,
        from_scatter=SCATTER[name],
        from_instruments=from_instruments,
        interval=(value - 2 * total, value + 2 * total),
        level=0.95,
        degrees_of_freedom=freedom * (total / SCATTER[name]) ** 4,
        method="linear",
    )


def invented_profile(
    *,
    without: tuple[str, ...] = (),
    instruments: tuple[InstrumentError, ...] = INSTRUMENTS,
    freedom: float = 12.0,
    **changes: object,
) -> MachineProfile:
    """The invented machine, with some parameters left unknown.

    ``freedom`` are the degrees of freedom of the scatter of every parameter.
    """
    names = tuple(name for name in VALUES if name not in without)
    kept = tuple(
        replace(e, sensitivity={n: s for n, s in e.sensitivity.items() if n in names})
        for e in instruments
    )
    profile = MachineProfile(
        machine=Machine(name="conveyor motor", serial="17"),
        reference_temperature=25.0,
        parameters={
            name: known(name, kept, freedom)
            if name in names
            else NotKnown(unit=unit, standing="unmeasured", needs=NEEDS[name])
            for name, unit in PARAMETER_UNITS.items()
        },
        constants=Constants(magnet_coefficient=-0.002, brush_current_scale=0.1),
        covariance_order=names,
        scatter_covariance=scatter_covariance(names),
        instruments=kept,
        range=Range(speed=(50.0, 250.0), current=(0.0, 6.0), winding=(20.0, 45.0), direction="a"),
        findings=(Finding(kind="outlier", where="load.csv:14", says="8 V below its neighbours."),),
        provenance=Provenance(
            motorfit="0.1.0",
            files={"load.csv": "sha256:" + "0" * 64},
            assumed=("winding at 20 degC, within 5 K",),
            level=0.95,
        ),
    )
    return replace(profile, **changes)


def knowing(profile: MachineProfile, share: float = 0.02, **values: float) -> MachineProfile:
    """The same with more parameters, each known to a share of itself and by itself."""
    parameters = dict(profile.parameters)
    for name, value in values.items():
        doubt = share * value
        parameters[name] = Estimate(
            value=value,
            unit=PARAMETER_UNITS[name],
            standard_uncertainty=doubt,
            from_scatter=doubt,
            from_instruments=0.0,
            interval=(value - 2 * doubt, value + 2 * doubt),
            level=0.95,
            degrees_of_freedom=20.0,
            method="linear",
        )
    size = len(profile.covariance_order)
    covariance = np.zeros((size + len(values),) * 2)
    covariance[:size, :size] = profile.scatter_covariance
    for place, value in enumerate(values.values(), start=size):
        covariance[place, place] = (share * value) ** 2
    return replace(
        profile,
        parameters=parameters,
        covariance_order=(*profile.covariance_order, *values),
        scatter_covariance=covariance,
    )


def exact_profile(machine: BrushedMachine) -> MachineProfile:
    """A profile that knows a machine without any doubt, tested wherever one likes."""
    values = {name: float(getattr(machine, name)) for name in VALUES}
    parameters = {
        name: Estimate(
            value=value,
            unit=PARAMETER_UNITS[name],
            standard_uncertainty=0.0,
            from_scatter=0.0,
            from_instruments=0.0,
            interval=(value, value),
            level=0.95,
            degrees_of_freedom=np.inf,
            method="linear",
        )
        for name, value in values.items()
    }
    return invented_profile(
        parameters={**invented_profile().parameters, **parameters},
        instruments=(),
        scatter_covariance=np.zeros((len(values), len(values))),
        range=Range(speed=(0.0, 1e4), current=(0.0, 1e4), winding=(-40.0, 200.0)),
    )
