"""Physical sense of logs of a machine that coasts to rest.

Its limits are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import combinations

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.evidence import Evidence, listed, noise, rank_correlation, together
from motorfit.bench.records import Run
from motorfit.finding import Finding, Severity

#: A log has so many medians, each of neighbouring readings: ripple and spikes fall out of them.
_MEDIANS = 40

#: What rises again by less than this share of the largest reading may be ripple or a gust.
_RISE = 0.15

#: In a log of fewer readings ripple and spikes may look like a rise.
_FEW = 20

#: No machine of this kind of bench coasts to rest in less, and none for longer. [s]
_SHORTEST, _LONGEST = 0.02, 3600.0

#: A machine of which this share of the first reading is left has all but stopped, and one of
#: which this is left has hardly slowed down.
_ENDED, _HARDLY = 0.05, 0.9

#: Friction differs from run to run by less than this factor.
_UNLIKE = 5.0

#: Milliseconds for seconds, give or take a factor of what friction and loads do.
_THOUSAND, _GIVE_OR_TAKE = 1000.0, 3.0

#: Values of a resistor that differ by less are one that was measured again.
_SAME_LOAD = 0.1

#: Words in a file's name or a note that say that something was connected.
_LOADED = re.compile(
    r"(?<!un)(?<!no)(?<!no[ _-])(?<!without )(?<!without a )(load|resistor|ohm|short)",
    re.IGNORECASE,
)


def coast_down_speeds_up(evidence: Evidence) -> Iterator[Finding]:
    """A machine that gets faster while it is said to coast."""
    for run in _logs(evidence):
        seen = _medians(run)
        if seen is None:
            continue
        rows, _, shown = seen
        fastest = int(np.argmax(shown))
        after = _steadied(shown[fastest:])  # before it the drive may still have spun it up
        again = after - np.minimum.accumulate(after)
        clear = _RISE * shown[fastest] + noise(run, _quantity(run), evidence.instruments)
        few = len(run) < _FEW
        rises = shown[-1] > (1 - _RISE) * shown[fastest] and shown[-1] - shown[0] > clear
        if rises and not (few and rank_correlation(*together(run, "time", _quantity(run))) < 0.9):
            yield _speeds_up(run, rows[0], "from its beginning to its end", "error", 30.0)
        elif not few and np.max(again) > clear:
            slowest = fastest + int(np.argmin(after[: int(np.argmax(again)) + 1]))
            steps = np.diff(shown[slowest : fastest + int(np.argmax(again)) + 2])
            row = rows[slowest + int(np.argmax(steps)) + 1]
            yield _speeds_up(run, row, f"again from about row {row} on", "caution", 12.0)


def loaded_without_resistance(evidence: Evidence) -> Iterator[Finding]:
    """A run on a resistor that nobody wrote down, or only in some of the rows."""
    for run in _logs(evidence):
        load, current = run.get("load"), np.abs(run.get("current"))
        told = np.isfinite(load) | np.isfinite(current)
        if told.any() and not told.all():
            yield _blank_in_part(run, ~told)
        elif not told.any() and _said_to_be_loaded(run):
            yield Finding(
                kind="loaded-without-resistance",
                where=run.source.name,
                says="This coast-down is said to be on a load, and neither load nor current is "
                "in the sheet: it is taken as open.",
                suggestion="Add a column load (ohm) with the resistor in every row; or give the "
                "file another name if nothing was connected.",
                severity="error",
                damage=28.0,
            )
        elif _has(run, "current") and not _flows(run) and not _has(run, "load"):
            yield Finding(
                kind="coast-down-without-current",
                where=run.source.name,
                says="The current is zero throughout: the run is taken as open.",
                suggestion="Remove the column if nothing was connected; if something was, look "
                "at the ammeter's fuse and write the resistor into a column load (ohm).",
                severity="note",
            )


def load_changes_in_a_log(evidence: Evidence) -> Iterator[Finding]:
    """A run on one resistor, and another further down."""
    for run in _logs(evidence):
        load = run.get("load")
        known = load[np.isfinite(load)]
        if not len(known) or not np.max(known) > (1 + _SAME_LOAD) * np.min(known):
            continue
        middle = float(np.median(known))
        others = np.abs(load - middle) > _SAME_LOAD * middle
        yield Finding(
            kind="load-changes",
            where=f"{run.source.name}:{run.rows[others][0]}" if others.any() else run.source.name,
            says=f"The load goes from {np.min(known):g} to {np.max(known):g} ohm within one "
            f"coast-down, which is taken to be on {middle:g} ohm.",
            suggestion="Write one resistor into every row of a run; a run on another one is a file "
            "of its own.",
            severity="error",
            damage=26.0,
        )


def volts_without_speed(evidence: Evidence) -> Iterator[Finding]:
    """Logs of voltage where nothing tells how many volts a speed makes."""
    logs = [run for run in _logs(evidence) if "speed" not in run.readings]
    pairs = any({"speed", "voltage"} <= run.readings.keys() for run in evidence.runs)
    if not logs or pairs:
        return
    yield Finding(
        kind="coast-down-without-speed",
        where=logs[0].source.name,
        says="The coast-down is of volts, and no sheet has a speed beside a voltage: nothing "
        "makes speeds of them.",
        suggestion="Turn the machine at one speed and write speed and voltage into "
        "open-circuit.csv.",
        damage=20.0,
    )


def time_of_another_unit(evidence: Evidence) -> Iterator[Finding]:
    """Runs that no machine takes so long for, or one a thousand times as long as another."""
    logs = [(run, _medians(run)) for run in _logs(evidence)]
    odd = False
    for run, seen in logs:
        lasts, _ = _fall(seen)
        if 0 < lasts < _SHORTEST or lasts > _LONGEST:
            odd = True
            yield _impossible_time(run, lasts)
    if odd:
        return
    for (one, first), (other, second) in combinations(logs, 2):
        if first is None or second is None or not _alike(one, other):
            continue
        shown = [np.asarray(each[2]) for each in (first, second)]
        if _quantity(one) != _quantity(other):
            shown = [each / np.max(each) for each in shown]
        times = _same_fall((first[1], shown[0]), (second[1], shown[1]))
        if times is None:
            continue
        fast, slow = (one, other) if times[0] < times[1] else (other, one)
        ratio = max(times) / min(times)
        if _THOUSAND / _GIVE_OR_TAKE < ratio < _THOUSAND * _GIVE_OR_TAKE:
            yield _a_thousand_times(fast, slow, ratio)
        elif ratio > _UNLIKE:
            yield _unlike(fast, slow, ratio)


def _logs(evidence: Evidence) -> Iterator[Run]:
    for run in evidence.of("coast-down"):
        if "time" in run.readings and {"speed", "voltage"} & run.readings.keys():
            yield run


def _steadied(shown: FloatArray) -> FloatArray:
    """Each the median of itself and its neighbours; a rise that lasts stays."""
    if len(shown) < 5:
        return shown
    inner = np.median(np.stack([shown[:-2], shown[1:-1], shown[2:]]), axis=0)
    return np.concatenate([shown[:1], inner, inner[-1:]])


def _quantity(run: Run) -> str:
    return "speed" if "speed" in run.readings else "voltage"


def _medians(run: Run) -> tuple[IntArray, FloatArray, FloatArray] | None:
    """First row, time and median of up to `_MEDIANS` parts of a log, as they stand in it."""
    shown, time = np.abs(run.get(_quantity(run))), run.get("time")
    there = np.flatnonzero(np.isfinite(shown) & np.isfinite(time))
    if len(there) < 3:
        return None
    parts = np.array_split(there, min(_MEDIANS, max(3, len(there) // 3)))
    rows = np.array([run.rows[part[0]] for part in parts])
    middle = np.array([np.median(time[part]) for part in parts])
    return rows, middle, np.array([np.median(shown[part]) for part in parts])


def _fall(seen: tuple[IntArray, FloatArray, FloatArray] | None) -> tuple[float, float]:
    """How long medians fall until a twentieth is left or they end [s], and to what share."""
    if seen is None or not np.max(seen[2]) > 0:
        return 0.0, 1.0
    _, time, shown = seen
    first = int(np.argmax(shown))
    share = shown / shown[first]
    ended = np.flatnonzero(share <= _ENDED)
    last = int(ended[0]) if len(ended) else len(shown) - 1
    return float(time[last] - time[first]), float(max(share[last], _ENDED))


def _same_fall(
    one: tuple[FloatArray, FloatArray], other: tuple[FloatArray, FloatArray]
) -> tuple[float, float] | None:
    """How long each, of time and reading, takes to fall from the same reading to the same."""
    shown = one[1], other[1]
    top = 0.95 * min(float(np.max(each)) for each in shown)
    low = max(0.5 * top, *(float(np.min(each)) for each in shown))
    if not low < _HARDLY * top:
        return None
    times = _fall_between(*one, top, low), _fall_between(*other, top, low)
    return times if min(times) > 0 else None


def _fall_between(time: FloatArray, shown: FloatArray, top: float, low: float) -> float:
    """From when the reading is at the top until it is low. [s]"""
    first = int(np.argmax(shown))
    fallen = -np.minimum.accumulate(shown[first:])
    ends = np.interp([-top, -low], fallen, time[first:])
    return float(ends[1] - ends[0])


def _alike(one: Run, other: Run) -> bool:
    """Whether both were open, or both on the same resistor, with the same on the shaft."""
    loads = [
        float(np.nanmedian(run.get("load"))) if _has(run, "load") else np.inf
        for run in (one, other)
    ]
    metered = any(_flows(run) for run in (one, other))
    added = (one.added_inertia is None) == (other.added_inertia is None)
    return added and not metered and loads[0] == loads[1]


def _flows(run: Run) -> bool:
    return _has(run, "current") and bool(np.nanmax(np.abs(run.get("current"))) > 0)


def _has(run: Run, quantity: str) -> bool:
    return bool(np.isfinite(run.get(quantity)).any())


def _said_to_be_loaded(run: Run) -> bool:
    texts = [run.source.stem, *dict.fromkeys(run.note)]
    return any(_LOADED.search(text) for text in texts)


def _speeds_up(run: Run, row: int, when: str, severity: Severity, damage: float) -> Finding:
    gets = "faster" if _quantity(run) == "speed" else "to more volts"
    return Finding(
        kind="coast-down-speeds-up",
        where=f"{run.source.name}:{row}",
        says=f"The machine gets {gets} {when}, where it should coast to rest.",
        suggestion="Look whether the rows stand in the order of their time, whether the drive "
        "was still on, or whether several runs are in one file: give each its own.",
        severity=severity,
        damage=damage,
    )


def _blank_in_part(run: Run, blank: BoolArray) -> Finding:
    what = "load" if _has(run, "load") else "current"
    return Finding(
        kind="load-blank-in-part",
        where=f"{run.source.name}:{run.rows[blank][0]}",
        says=f"The {what} stands in {int((~blank).sum())} of {len(run)} rows and is blank in the "
        f"others ({listed(run, blank)}).",
        suggestion="Write the resistor into every row of the run; a run with nothing connected "
        "is a file of its own.",
        severity="error",
        damage=26.0,
    )


def _impossible_time(run: Run, lasts: float) -> Finding:
    unit = run.units.get("time", ("s", 1.0))[0] or "s"
    long = f"{lasts / 3600:.3g} hours" if lasts > _LONGEST else f"{1000 * lasts:.3g} ms"
    counts = "milliseconds need a header time (ms)"
    if lasts < _SHORTEST:
        counts = "seconds need a header time (s), and minutes time (min)"
    return Finding(
        kind="time-unit",
        where=run.source.name,
        says=f"The log lasts {long}, with its time read in {unit}: no machine coasts so "
        f"{'long' if lasts > _LONGEST else 'short'}.",
        suggestion=f"Look in which unit the logger counts: {counts}.",
        severity="error",
        damage=320.0,
    )


def _a_thousand_times(fast: Run, slow: Run, ratio: float) -> Finding:
    return Finding(
        kind="time-unit",
        where=slow.source.name,
        says=f"The machine takes {ratio:.2g} times as long to slow down as in "
        f"{fast.source.name}: one of the two times is in milliseconds and the other in seconds.",
        suggestion="Look in which unit the logger counts: milliseconds need a header time (ms).",
        severity="error",
        damage=320.0,
    )


def _unlike(fast: Run, slow: Run, ratio: float) -> Finding:
    return Finding(
        kind="coast-downs-unlike",
        where=fast.source.name,
        says=f"It slows down {ratio:.2g} times as fast as in {slow.source.name}, and both sheets "
        "say that the same was connected. Friction does not differ so much.",
        suggestion="Look whether a resistor was connected in one of them and is not written "
        "down, or a disc was on the shaft.",
        damage=16.0,
    )
