"""Benches on which the choices of a fit are put to the test: optional terms, the robust fit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from motorfit.bench.records import Bench
from motorfit.estimation.terms import Term
from motorfit.machine.brushed import BrushedMachine, loss_torque, terminal_voltage
from motorfit.simulation.slips import DRIVEN, readings_of, set_reading
from motorfit.studies.bound import Point
from motorfit.studies.scenarios import MACHINE, SCENARIOS, Scenario
from motorfit.studies.trials import bench_of, looked_at

#: Where predictions are made, and terms have the size that is told: nearly the highest speed
#: of the no-load runs, and the largest load current.
POINT = Point(speed=330.0, full_current=-8.0)

#: A slip changes one reading by a share between these.
SLIP = (0.05, 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What a user chooses about a fit."""

    terms: tuple[Term, ...] | None = None  # None leaves them to the readings
    robust: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One kind of bench, and the choices with which it is fitted.

    Parameters
    ----------
    topic : str
        The cases of one topic make one table.
    words : str
        What tells it from the others of its topic.
    scenario : Scenario
        What is read, of which machine.
    choices : mapping of str to Choice
        By the words for them.
    seeds : str
        Cases that share these have the same meters and chance.
    slip : bool
        Whether one reading of each bench is wrong.
    """

    topic: str
    words: str
    scenario: Scenario
    choices: Mapping[str, Choice]
    seeds: str
    slip: bool = False

    @property
    def name(self) -> str:
        """Of the case among all."""
        return f"{self.topic}: {self.words}"

    def bench(self, seed: int) -> Bench:
        """One bench of the kind."""
        bench = bench_of(self.scenario, seed)
        return looked_at(with_slip(bench, seed)) if self.slip else bench

    def truths(self) -> dict[str, float]:
        """What a fit should find, by quantity."""
        machine = self.scenario.machine
        return _truths(machine) | {
            "V half": terminal_voltage(machine, POINT.speed, 0.5 * POINT.full_current).item(),
            "V full": terminal_voltage(machine, POINT.speed, POINT.full_current).item(),
            "loss W": loss_torque(machine, POINT.speed).item() * POINT.speed,
        }


def _truths(machine: BrushedMachine) -> dict[str, float]:
    values = (
        machine.emf_constant,
        machine.armature_resistance,
        machine.brush_drop,
        machine.coulomb_torque,
        machine.viscous_coefficient,
    )
    names = ("k", "R", "Vb", "T0", "b")
    return {name: float(np.asarray(each)) for name, each in zip(names, values, strict=True)}


def with_slip(bench: Bench, seed: int) -> Bench:
    """The bench with one voltage, current or speed of a driven row wrong by `SLIP`."""
    rng = np.random.default_rng([seed, 2])
    run, quantity, place = next(readings_of(bench, rng, DRIVEN, ("voltage", "current", "speed")))
    wrong = 1.0 + float(rng.choice([-1.0, 1.0]) * rng.uniform(*SLIP))
    changed = set_reading(run, quantity, place, abs(float(run.get(quantity)[place])) * wrong)
    return replace(bench, runs=tuple(changed if each is run else each for each in bench.runs))


REACTION, WINDAGE, ROBUST = "armature reaction", "windage", "robust fit"

#: Quantities that each topic is about.
SHOWN: Mapping[str, tuple[str, ...]] = {
    REACTION: ("R", "V full"),
    WINDAGE: ("T0", "b", "loss W"),
    ROBUST: ("k", "R", "V full"),
}

#: Share of the EMF that armature reaction takes at the largest current.
_REACTIONS = (0.0, 0.006, 0.013, 0.021, 0.042)

#: Share of windage in the loss at the highest speed.
_WINDAGES = (0.0, 0.2, 0.33, 0.5)

_PLAIN = SCENARIOS["plain meters"]

#: Two runs at eight voltages: what it takes to see windage.
_MANY_NO_LOAD = replace(
    _PLAIN,
    plan=replace(_PLAIN.plan, supply_voltages=tuple(np.linspace(6.0, 28.0, 8).tolist()), runs=2),
)


def _reaction(share: float) -> BrushedMachine:
    return replace(MACHINE, armature_reaction=share / abs(POINT.full_current))


def _windage(share: float) -> BrushedMachine:
    rest = loss_torque(MACHINE, POINT.speed).item()
    return replace(MACHINE, windage_coefficient=share / (1.0 - share) * rest / POINT.speed**2)


def _by_terms(term: Term) -> dict[str, Choice]:
    return {
        "`--terms none`": Choice(terms=()),
        "left to the readings": Choice(),
        f"`--terms {term}`": Choice(terms=(term,)),
    }


_WEIGHTS = {"counted fully": Choice(), "`--robust`": Choice(robust=True)}


def _cases() -> Iterator[Case]:
    for share in _REACTIONS:
        yield Case(
            topic=REACTION,
            words=_percent(share),
            scenario=replace(_PLAIN, machine=_reaction(share)),
            choices=_by_terms("armature-reaction"),
            seeds=REACTION,
        )
    for share in _WINDAGES:
        yield Case(
            topic=WINDAGE,
            words=_percent(share),
            scenario=replace(_MANY_NO_LOAD, machine=_windage(share)),
            choices=_by_terms("windage"),
            seeds=WINDAGE,
        )
    for readings, scenario in {
        "10 readings": SCENARIOS["ten readings"],
        "36 readings": _PLAIN,
        "72 readings": replace(_PLAIN, plan=replace(_PLAIN.plan, repeats=2)),
    }.items():
        for slip, words in ((False, "clean"), (True, "one slip")):
            yield Case(
                topic=ROBUST,
                words=f"{readings}, {words}",
                scenario=scenario,
                choices=_WEIGHTS,
                seeds=readings,
                slip=slip,
            )


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %" if share else "none"


CASES: Mapping[str, Case] = {case.name: case for case in _cases()}
