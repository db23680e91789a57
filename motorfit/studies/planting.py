"""Benches with one known fault, each beside the same bench without it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from motorfit.bench.records import Bench
from motorfit.errors import FitError
from motorfit.estimation.fit import fit
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.visibility import noncentrality
from motorfit.finding import Finding
from motorfit.simulation.bench import simulate_with_truth
from motorfit.simulation.mistakes import MISTAKES, PLAIN, plant_mistake
from motorfit.studies.scenarios import SCENARIOS, Scenario
from motorfit.studies.trials import looked_at, seed_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One kind of fault and where it is planted.

    Parameters
    ----------
    scenarios : tuple of str
        Of `SCENARIOS`, taken in turn.
    kinds : frozenset of str
        Kinds of findings that name it rightly.
    largest : float
        Sizes are drawn so that all degrees of visibility occur, up to this. For a fault
        of the machine, in its own unit; for a slip that has a size, in units of that
        which is plain to see.
    """

    scenarios: tuple[str, ...] = ("plain meters",)
    kinds: frozenset[str] = frozenset()
    largest: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """What became of one bench with a fault in it."""

    fault: str
    noncentrality: float
    found: bool  # an error or a caution that the clean bench has not
    named: bool  # among them one of a right kind
    placed: bool  # among them one that points to a right row or sheet
    kinds: tuple[str, ...]  # of all that are new


_SLIP = frozenset({"outlier"})
_CURVED = frozenset({"curved-with-current", "armature-reaction-fitted"})
_TESTS = frozenset({"tests-disagree"})

#: Kinds that each fault may rightly be told as.
FAULTS: Mapping[str, Fault] = {
    "swapped-digits": Fault(kinds=_SLIP),
    "decimal-point": Fault(kinds=_SLIP),
    "wrong-row": Fault(kinds=_SLIP),
    "sign": Fault(kinds=_SLIP | {"mixed-signs"}),
    "volts-in-amps": Fault(kinds=_SLIP | {"voltage-current-mixed"}),
    "columns-swapped": Fault(kinds=frozenset({"voltage-current-mixed"})),
    "wrong-resistor": Fault(
        scenarios=("plain meters", "resistor values, no ammeter"),
        kinds=_SLIP | {"load-disagrees"},
    ),
    "wrong-setting": Fault(kinds=frozenset({"wrong-setting"})),
    "marks-counted-twice": Fault(kinds=_TESTS),
    "loose-lead": Fault(kinds=frozenset({"step"})),
    "missed-zero": Fault(kinds=_TESTS),
    "shunt-changed": Fault(kinds=frozenset({"step"})),
    "slipping-belt": Fault(kinds=_CURVED | _TESTS),
    "wrong-arm": Fault(
        scenarios=("brake test, neodymium magnets",),
        kinds=frozenset({"constants-differ", "constant-off-torque"}),
    ),
    "heating": Fault(kinds=frozenset({"heating"}), largest=2.0),  # K/A2: 128 K at 8 A
    "armature-reaction": Fault(kinds=_CURVED, largest=0.03),  # 1/A
}

#: Noncentralities that are aimed at, log-evenly: from what chance hides to what is plain.
_AIM = (1.0, 25.0)

#: Where a first look tells how visible a fault is, in units of the largest.
_FIRST_LOOK = 0.1

#: Another seed is tried where a reading changed its range, so often.
_TRIES = 20


def planted(fault: str, number: int, *, seed: int, level: float = 0.95) -> Planted | None:
    """Plant one fault into one bench, fit it and look at what it is told.

    Parameters
    ----------
    fault : str
        One of `FAULTS`.
    number : int
        Which bench.
    seed : int
        Of the whole study.
    level : float
        Coverage of the intervals.

    Returns
    -------
    Planted or None
        None where the clean bench cannot be fitted. A bench that the fault leaves
        without any fit counts as found.
    """
    what = FAULTS[fault]
    name = what.scenarios[number % len(what.scenarios)]
    own = seed_of(f"{fault} in {name}", number, seed)
    try:
        pair = _pair(fault, SCENARIOS[name], own, _FIRST_LOOK * what.largest)
        clean = fit_jointly(pose(pair.clean))
        if fault not in PLAIN:
            aim = _AIM[0] * (_AIM[1] / _AIM[0]) ** np.random.default_rng([own, 1]).uniform()
            times = aim / max(noncentrality(clean, pair.spoiled), 1e-3)
            size = what.largest * min(_FIRST_LOOK * times, 1.0)
            pair = _pair(fault, SCENARIOS[name], own, size)
    except FitError:
        return None
    before = {(finding.kind, finding.where) for finding in _told(pair.clean, level)}
    new = [each for each in _told(pair.spoiled, level) if (each.kind, each.where) not in before]
    return Planted(
        fault=fault,
        noncentrality=noncentrality(clean, pair.spoiled),
        found=bool(new),
        named=any(each.kind in what.kinds or each.kind == _NO_FIT for each in new),
        placed=any(_points_there(each.where, pair, fault) for each in new),
        kinds=tuple(each.kind for each in new),
    )


_NO_FIT = "not fitted"


def _told(bench: Bench, level: float) -> list[Finding]:
    """Errors and cautions; that there is no fit is one."""
    try:
        findings = fit(looked_at(bench), level=level).findings
    except FitError as error:
        return [Finding(kind=_NO_FIT, where="bench", says=str(error), severity="error")]
    return [finding for finding in findings if finding.severity in ("error", "caution")]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    clean: Bench
    spoiled: Bench
    file: str  # "" for a fault of the machine
    rows: tuple[int, ...]


def _points_there(where: str, pair: _Pair, fault: str) -> bool:
    """Whether a finding's place is the fault's: its sheet, a row of it, or all the bench.

    The first row of a fault that lasts is missed by one where chance hides it.
    """
    if not pair.file:
        return True
    file, _, row = where.partition(":")
    if fault not in PLAIN and file == "bench":
        return True
    if file != pair.file:
        return False
    first = row.replace(",", " ").replace("-", " ").split()
    if not first or not first[0].isdigit():
        return True
    off = min(abs(int(first[0]) - each) for each in pair.rows)
    return off <= (0 if fault in PLAIN else 1)


def _pair(fault: str, scenario: Scenario, seed: int, size: float) -> _Pair:
    if fault in MISTAKES:
        clean = _simulated(scenario, seed)[0]
        spoiled, answer = plant_mistake(clean, fault, seed=seed, size=size)
        return _Pair(clean=clean, spoiled=spoiled, file=answer.file, rows=answer.rows)
    faulty = _faulty(fault, scenario, size)
    for own in _seeds(seed):
        (clean, before), (spoiled, after) = (_simulated(each, own) for each in (scenario, faulty))
        if before == after:  # else the meters' errors were drawn in another order
            return _Pair(clean=clean, spoiled=spoiled, file="", rows=())
    raise FitError(f"no bench of {fault} in which no reading changed its range")


def _seeds(seed: int) -> Iterator[int]:
    yield from (seed + step for step in range(_TRIES))


def _simulated(scenario: Scenario, seed: int) -> tuple[Bench, list[tuple[str, float]]]:
    """A bench, and the ranges in the order in which they were used."""
    bench, truth = simulate_with_truth(
        scenario.machine,
        plan=scenario.plan,
        kit=scenario.kit,
        conditions=scenario.conditions,
        seed=seed,
    )
    return bench, [(error.quantity, error.step) for error in truth.errors]


def _faulty(fault: str, scenario: Scenario, size: float) -> Scenario:
    """The scenario with a machine that does what the model lacks."""
    if fault == "heating":
        return replace(scenario, conditions=replace(scenario.conditions, warming=size))
    return replace(scenario, machine=replace(scenario.machine, armature_reaction=size))
