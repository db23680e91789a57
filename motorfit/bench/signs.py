"""Signs of readings: what the meter showed, and the sign convention inside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.bench.kinds import KINDS, Kind, TestKind
from motorfit.finding import Finding

#: Quantities whose sign is only a matter of how the probes were held.
_PROBED = ("speed", "voltage", "current", "torque", "force", "drive_power")

#: Quantities that are negative inside while the machine is driven.
FROM_OUTSIDE = ("current", "torque", "force")


#: Part of the largest reading of a log below which a sign tells nothing.
_AT_REST = 0.01


def written_as_magnitudes(
    readings: dict[str, FloatArray],
    extra: dict[str, FloatArray],
    of: Mapping[str, str],
    direction: Sequence[str],
    *,
    kind: Kind,
    file: str,
) -> tuple[Finding, ...]:
    """Take columns that are negative throughout as magnitudes, in place.

    So it is with probes held the other way round, and with the second direction of
    rotation alone. Mixed signs stay as they are, for the checks of plausibility; so
    does all that a `zero` sheet shows.

    Parameters
    ----------
    readings, extra : dict
        By quantity, and further columns by header.
    of : mapping
        The quantity of each further column.
    direction : sequence of str
        "a", "b" or "" a reading.

    Returns
    -------
    tuple of Finding
        One note a column that was turned.
    """
    if kind == "zero":
        return ()
    backwards = np.array([text == "b" for text in direction], dtype=np.bool_)
    findings = []
    for columns in (readings, extra):
        for name, values in columns.items():
            if of.get(name, name) not in _PROBED:
                continue
            clear = _beyond_noise(values) if KINDS[kind].follows_time else values
            says = _turned(clear, backwards)
            if says:
                columns[name] = _turn(values, clear, backwards)
                findings.append(
                    Finding(
                        kind="negative-throughout",
                        where=file,
                        says=f"The {name} is negative {says}: read as positive.",
                        severity="note",
                    )
                )
    return tuple(findings)


def consumer_signs(
    readings: dict[str, FloatArray],
    extra: dict[str, FloatArray],
    of: Mapping[str, str],
    test: TestKind,
) -> None:
    """Give current and shaft torque of a driven machine their negative sign, in place."""
    if not test.generating:
        return
    for columns in (readings, extra):
        for name, values in columns.items():
            if of.get(name, name) in FROM_OUTSIDE:
                columns[name] = 0.0 - values  # so that zero stays positive


def _beyond_noise(values: FloatArray) -> FloatArray:
    """A log with zero for what is small: a machine at rest shows some of either sign."""
    largest = np.nanmax(np.abs(values), initial=0.0)
    return np.where(np.abs(values) > _AT_REST * largest, values, 0.0)


def _turn(values: FloatArray, clear: FloatArray, backwards: BoolArray) -> FloatArray:
    """Turn what is negative in each direction, with the noise that is in it."""
    turned = values.copy()
    for group in (backwards, ~backwards):
        if (clear[group] < 0).any():
            turned[group] = 0.0 - values[group]
    return turned


def _turned(values: FloatArray, backwards: BoolArray) -> str:
    """Say where a column is negative, if that is nothing but its probes or direction."""
    groups = {"in direction b": values[backwards], "": values[~backwards]}
    if any((group < 0).any() and (group > 0).any() for group in groups.values()):
        return ""
    negative = [where for where, group in groups.items() if (group < 0).any()]
    if not negative:
        return ""
    everywhere = len(negative) == 2 or not (values > 0).any()
    return "throughout" if everywhere else negative[0] or "except in direction b"
