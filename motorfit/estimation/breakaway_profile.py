"""Starting torque in the profile, and the fit of a bench that tells nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

import motorfit
from motorfit.bench.records import Bench
from motorfit.estimate import NotKnown
from motorfit.estimation.answers import answers
from motorfit.estimation.profile_parts import (
    described_machine,
    known_in_order,
    widened_covariance,
)
from motorfit.estimation.profiling import NEEDS, TAKEN_AS_ZERO
from motorfit.estimation.result import Advice, Breakaway, Fit
from motorfit.finding import Finding, worst_first
from motorfit.profile.model import (
    PARAMETER_UNITS,
    Constants,
    MachineProfile,
    Provenance,
    Range,
)

_NAME = "breakaway_torque"


def with_breakaway(profile: MachineProfile, breakaway: Breakaway | None) -> MachineProfile:
    """The profile with the mean starting torque, uncorrelated with all else.

    Parameters
    ----------
    profile : MachineProfile
        Of everything else.
    breakaway : Breakaway or None
        The starting torque.
    """
    if breakaway is None:
        return profile
    parameters = {**profile.parameters, _NAME: breakaway.mean}
    order = known_in_order(parameters)
    whole = widened_covariance(profile, order)
    place = order.index(_NAME)
    whole[place, place] = breakaway.mean.standard_uncertainty**2
    return replace(profile, parameters=parameters, covariance_order=order, scatter_covariance=whole)


def fit_of_breakaway(bench: Bench, breakaway: Breakaway, level: float) -> Fit:
    """The fit of a bench in which only starting torques tell something.

    Parameters
    ----------
    bench : Bench
        The readings.
    breakaway : Breakaway
        What they tell.
    level : float
        Coverage of the intervals.
    """
    readings = sum(len(run) for run in bench.of_kind("breakaway"))
    findings = bench.findings
    if not any(finding.grave for finding in findings):
        findings = (*findings, _nothing_odd(readings))
    profile = with_breakaway(_empty(bench, worst_first(findings), level), breakaway)
    return Fit(
        bench=bench,
        profile=profile,
        level=level,
        findings=profile.findings,
        residuals=(),
        widths={_NAME: breakaway.widths},
        advice=(
            Advice(
                does="an open-circuit test",
                test="open-circuit",
                minutes=10.0,
                brings="tells the volts per 1000 rpm",
            ),
        ),
        answers=answers(bench, profile),
        scatter=(),
        loss=None,
        counts={run.source.name: len(run) for run in bench.of_kind("breakaway", "zero")},
        unused=(),
        chi_square=0.0,
        degrees_of_freedom=0.0,
        breakaway=breakaway,
    )


def _nothing_odd(readings: int) -> Finding:
    return Finding(
        kind="nothing-odd",
        where="bench",
        says=f"Nothing odd in {readings} reading{'' if readings == 1 else 's'}.",
        severity="good",
    )


def _empty(bench: Bench, findings: tuple[Finding, ...], level: float) -> MachineProfile:
    """A profile of a machine of which no equation tells anything."""
    machine, winding = bench.settings.machine, bench.settings.conditions.winding.value
    return MachineProfile(
        machine=described_machine(bench),
        reference_temperature=bench.settings.conditions.reference.value,
        parameters={
            name: NotKnown(
                unit=unit,
                standing="assumed" if name in TAKEN_AS_ZERO else "unmeasured",
                needs=NEEDS[name],
            )
            for name, unit in PARAMETER_UNITS.items()
        },
        constants=Constants(insulation=machine.insulation, magnet=machine.magnet),
        covariance_order=(),
        scatter_covariance=np.zeros((0, 0)),
        instruments=(),
        range=Range(speed=(0.0, 0.0), current=(0.0, 0.0), winding=(winding, winding)),
        findings=findings,
        provenance=Provenance(
            motorfit=motorfit.__version__,
            files=dict(bench.files),
            assumed=bench.assumed,
            level=level,
        ),
    )
