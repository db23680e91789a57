"""Which of a user's questions the readings answer."""

from __future__ import annotations

from dataclasses import replace

from motorfit.bench.records import Bench
from motorfit.errors import NotMeasuredError
from motorfit.estimate import Estimate
from motorfit.estimation.result import Answer
from motorfit.profile.model import MachineProfile

#: A continuous current whose interval is wider than this part of it is a rough one.
_WIDE_CURRENT = 0.5


def answers(bench: Bench, profile: MachineProfile) -> tuple[Answer, ...]:
    """The questions of the first screen, each with yes, partly or no and why.

    Parameters
    ----------
    bench : Bench
        For the label.
    profile : MachineProfile
        What is known, with its findings.

    Returns
    -------
    tuple of Answer
    """
    found = (
        _as_a_generator(profile),
        _how_hard_to_turn(profile),
        _amps_all_day(bench, profile),
        _the_label(bench, profile),
    )
    if any(finding.severity == "error" for finding in profile.findings):
        return tuple(_until_settled(answer) for answer in found)
    return found


def _until_settled(answer: Answer) -> Answer:
    """A yes that rests on readings of which some do not belong."""
    if answer.answer != "yes":
        return answer
    return replace(answer, answer="partly", why="settle the findings first, then fit again")


def _known(profile: MachineProfile, *names: str) -> bool:
    return all(isinstance(profile.parameters[name], Estimate) for name in names)


def _combined(profile: MachineProfile, part: str, at: str = "") -> bool:
    return any(
        part in combination.of and (not at or at in combination.at)
        for combination in profile.combinations
    )


def _as_a_generator(profile: MachineProfile) -> Answer:
    question = "as a generator"
    if _known(profile, "emf_constant", "armature_resistance", "brush_drop"):
        return Answer(question=question, answer="yes", why="volts and sag at any speed and load")
    if _combined(profile, "emf_constant"):
        one = "resistor" if _combined(profile, "emf_constant", at="load") else "speed"
        return Answer(question=question, answer="partly", why=f"only at the {one} that was used")
    if _known(profile, "emf_constant") and _combined(profile, "armature_resistance"):
        return Answer(
            question=question, answer="partly", why="sag only at the current that was read"
        )
    if _known(profile, "emf_constant"):
        return Answer(
            question=question, answer="partly", why="volts without load; a load test tells the sag"
        )
    return Answer(question=question, answer="no", why="turn it from outside: open-circuit")


def _how_hard_to_turn(profile: MachineProfile) -> Answer:
    question = "how hard to turn"
    if _known(profile, "coulomb_torque", "viscous_coefficient"):
        return Answer(question=question, answer="yes", why="loss at any speed in the tested range")
    if _combined(profile, "coulomb_torque/moment_of_inertia"):
        return Answer(
            question=question, answer="partly", why="how quickly it slows, not its torque"
        )
    if _combined(profile, "coulomb_torque"):
        return Answer(question=question, answer="partly", why="at one speed only")
    if _known(profile, "breakaway_torque"):
        return Answer(question=question, answer="partly", why="what starts it; not once it turns")
    return Answer(question=question, answer="no", why="needs a coast-down or a no-load test")


def _amps_all_day(bench: Bench, profile: MachineProfile) -> Answer:
    question = "amps all day"
    if not any(len(run) for run in bench.of_kind("heat-run")):
        return Answer(question=question, answer="no", why="needs a heat run")
    if not _known(profile, "thermal_resistance"):
        return Answer(question=question, answer="no", why="the heat run tells too little")
    try:
        current = profile.continuous_current()
    except NotMeasuredError:
        lacks = "the brush drop" if _known(profile, "armature_resistance") else "the resistance"
        why = f"the heat run is there; a load test tells {lacks}"
        return Answer(question=question, answer="partly", why=why)
    rotor = f"rotor {profile.constants.heat_run_rotor}"
    low, high = current.interval(profile.provenance.level)
    if high - low > _WIDE_CURRENT * current.value:
        why = "roughly: a longer heat run would tell it better"
        return Answer(question=question, answer="partly", why=why)
    if current.extrapolated:
        why = f"from the heat run, {rotor}; above the currents seen"
        return Answer(question=question, answer="partly", why=why)
    return Answer(question=question, answer="yes", why=f"from the heat run, {rotor}")


def _the_label(bench: Bench, profile: MachineProfile) -> Answer:
    question = "the label"
    if not bench.settings.claims:
        return Answer(question=question, answer="no", why="none given in machine.toml, [claims]")
    if _known(profile, "emf_constant", "armature_resistance"):
        return Answer(question=question, answer="partly", why="compare it with motorfit predict")
    return Answer(question=question, answer="no", why="needs open-circuit and load tests")
