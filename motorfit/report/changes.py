"""What changed since the profile that was there before."""

from __future__ import annotations

from dataclasses import dataclass

from motorfit.estimate import Estimate, NotKnown
from motorfit.profile.model import MachineProfile
from motorfit.quantities import friendly, show_number
from motorfit.report.words import TITLES, listed
from motorfit.unit_tables import RPM


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One parameter, before and now."""

    name: str
    before: Estimate | NotKnown
    now: Estimate | NotKnown

    @property
    def outside(self) -> bool:
        """Whether no value lies in both intervals: new readings alone do not explain that."""
        if isinstance(self.before, NotKnown) or isinstance(self.now, NotKnown):
            return False
        low = max(self.before.interval[0], self.now.interval[0])
        return low > min(self.before.interval[1], self.now.interval[1])

    def says(self) -> str:
        """The change in a few words: "winding resistance 0.91 -> 0.85 ohm"."""
        title = TITLES[self.name].plain
        if isinstance(self.before, Estimate) and isinstance(self.now, Estimate):
            before, now, unit = shown_pair(self.name, self.before, self.now)
            text = f"{title} {before} -> {now} {unit}"
            return f"{text}, further than both intervals allow" if self.outside else text
        if isinstance(self.now, NotKnown):
            return f"{title}: no longer known"
        _, now, unit = shown_pair(self.name, self.now, self.now)
        return f"{title}: not known -> {now} {unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What differs between two profiles of one machine."""

    parameters: tuple[Change, ...]
    new: tuple[str, ...]  # files
    changed: tuple[str, ...]
    gone: tuple[str, ...]

    def reason(self) -> str:
        """Which files account for it."""
        parts = [
            f"{listed(names)} {'is' if len(names) == 1 else 'are'} {word}"
            for names, word in (
                (self.new, "new"),
                (self.changed, "changed"),
                (self.gone, "gone"),
            )
            if names
        ]
        return ", ".join(parts) or "same files, another level or release"

    def says(self) -> tuple[str, ...]:
        """A sentence for each parameter that changed, those outside both intervals first."""
        ordered = sorted(self.parameters, key=lambda change: not change.outside)
        return tuple(f"{change.says()}: {self.reason()}" for change in ordered)


def shown_pair(name: str, before: Estimate, now: Estimate) -> tuple[str, str, str]:
    """Both values with the digits that the narrower of their intervals allows, and the unit."""
    factor, unit = friendly(now.value or before.value, now.unit)
    if name == "emf_constant":
        factor, unit = 1000 * RPM, "V/1000 rpm"
    half = factor * min((one.interval[1] - one.interval[0]) / 2 for one in (before, now))
    return show_number(factor * before.value, half), show_number(factor * now.value, half), unit


def changes_between(old: MachineProfile, new: MachineProfile) -> Changes:
    """What changed from one profile of a machine to the next.

    Parameters
    ----------
    old, new : MachineProfile
        Before and now.

    Returns
    -------
    Changes
        Of the parameters, those that differ in the digits that are shown, or in whether
        they are known.
    """
    changes = []
    for name, now in new.parameters.items():
        before = old.parameters.get(name)
        if before is None or not _differs(name, before, now):
            continue
        changes.append(Change(name=name, before=before, now=now))
    was, files = old.provenance.files, new.provenance.files
    return Changes(
        parameters=tuple(changes),
        new=tuple(file for file in files if file not in was),
        changed=tuple(file for file in files if file in was and was[file] != files[file]),
        gone=tuple(file for file in was if file not in files),
    )


def _differs(name: str, before: Estimate | NotKnown, now: Estimate | NotKnown) -> bool:
    if isinstance(before, NotKnown) or isinstance(now, NotKnown):
        return type(before) is not type(now)
    shown = shown_pair(name, before, now)
    return shown[0] != shown[1]
