"""Coast-downs, turning loss and starting torque, for a reader who wants to check."""

from __future__ import annotations

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.errors import ProfileError
from motorfit.estimate import Estimate
from motorfit.estimation.coast_result import CoastDown
from motorfit.estimation.result import Fit
from motorfit.estimation.retardation import LeftOut, Retardation
from motorfit.quantities import friendly, show_estimate, show_interval, show_number
from motorfit.report.coast_words import sheet_of, worth
from motorfit.report.tables import paragraphs, table
from motorfit.report.words import count_of, listed, rounded
from motorfit.unit_tables import RPM

#: Speeds in the table of the loss, at the most.
_SPEEDS = 6

#: Parts of the loss, and the power of the speed that the torque of each grows with.
_PARTS = (
    ("coulomb_torque", 0, "dry"),
    ("viscous_coefficient", 1, "viscous"),
    ("windage_coefficient", 2, "windage"),
)


def coast_down_section(fit: Fit) -> str:
    """What each log of a coasting machine was reduced to; empty without any."""
    used = [
        (one, one.retardation)
        for one in fit.coast_downs
        if one.retardation is not None and not one.problem
    ]
    told = [words for one in fit.coast_downs for words in _told(one)]
    if not used:
        return paragraphs(told)
    what = table(
        ("file", "run", "used (s)", "shown meanwhile", "samples", "worth"),
        [_used(*pair) for pair in used],
        right=("samples", "worth"),
    )
    how = table(
        ("file", "correlation", "scatter", "friction", "misfit"),
        [_quality(*pair, alone=len(used) == 1) for pair in used],
        right=("correlation", "scatter", "friction", "misfit"),
    )
    meaning = (
        "worth: so many independent samples would say as much; correlation: of neighbouring "
        "samples about the curve; friction: of this run, less that of the average one; misfit: "
        "how far the curve is from friction, viscous loss and windage, in standard deviations."
    )
    told += [_ALONE] if _alone(fit) else []
    return f"{what}\n\n{how}\n{paragraphs([meaning, *told])}"


_ALONE = (
    "how far friction differs from run to run is taken, not seen: log a second run of each kind"
)


def _alone(fit: Fit) -> bool:
    """Whether no kind of run was repeated."""
    kinds = [
        (one.loaded, sheet_of(fit, one).added_inertia is not None)
        for one in fit.coast_downs
        if not one.problem
    ]
    return len(set(kinds)) == len(kinds)


def _used(coasted: CoastDown, found: Retardation) -> tuple[str, ...]:
    factor, unit = _unit(coasted)
    time, shown = found.time[found.kept], factor * found.shown[found.kept]
    lasted, fell = (0.01 * float(np.ptp(each)) for each in (time, shown))
    start, end = (show_number(float(at), lasted) for at in (time.min(), time.max()))
    high, low = (show_number(float(at), fell) for at in (shown.max(), shown.min()))
    return (
        coasted.file,
        "on a load" if coasted.loaded else "open",
        f"{start} to {end}",
        f"{high} to {low} {unit}",
        str(found.samples),
        worth(found),
    )


def _quality(coasted: CoastDown, found: Retardation, *, alone: bool) -> tuple[str, ...]:
    factor, unit = _unit(coasted)
    friction = f"{100 * (coasted.friction or 0.0):+.1f} %"
    if alone or coasted.friction is None:  # there is no average to be off
        friction = ""
    return (
        coasted.file,
        f"{found.correlation:+.2f}",
        f"{factor * found.scatter:.2g} {unit}",
        friction,
        f"{found.misfit:.1f}",
    )


def _unit(coasted: CoastDown) -> tuple[float, str]:
    return (1.0 / RPM, "rpm") if coasted.quantity == "speed" else (1.0, "V")


def _told(coasted: CoastDown) -> list[str]:
    """What was left out of one log and why, ripple that was allowed for, or why it is not used."""
    found = coasted.retardation
    said = [f"{coasted.file}: not used; {coasted.problem}"] if coasted.problem else []
    if found is None:
        return said
    if found.left_out:
        said.append(f"{coasted.file} leaves out {listed(map(_left_out, found.left_out))}")
    if found.ripple:
        periods = listed(f"{rounded(1000 * period, 2)} ms" for period in found.ripple)
        said.append(f"{coasted.file}: ripple was allowed for, with a period of {periods}")
    return said


def _left_out(one: LeftOut) -> str:
    first = f"row {one.rows[0]}" if one.count == 1 else f"from row {one.rows[0]}"
    return f"{count_of(one.count, 'reading')} ({one.reason}, {first})"


def loss_section(fit: Fit) -> str:
    """Torque and watts lost at several speeds, and what takes them; empty where not known."""
    speed = round_speeds(fit.profile.range.speed[1])
    if not len(speed):
        return ""
    try:
        torque = fit.profile.loss(speed=speed)
        power = fit.profile.loss_power(speed=speed)
    except ProfileError:
        return ""
    torques = zip(torque.value, *torque.interval(fit.level), strict=True)
    powers = zip(power.value, *power.interval(fit.level), strict=True)
    parts = [
        (known, grows, title)
        for name, grows, title in _PARTS
        if isinstance(known := fit.parameters[name], Estimate)
    ]
    rows = [
        (
            f"{at / RPM:.0f}",
            *_with_interval(one, 1000.0),
            *_with_interval(watts, 1.0),
            *(_part(known, grows, at) for known, grows, _ in parts),
        )
        for at, one, watts in zip(speed, torques, powers, strict=True)
    ]
    titles = [f"{title} (W)" for _, _, title in parts]
    columns = ("rpm", "mN m", "interval", "lost (W)", "interval (W)", *titles)
    return table(columns, rows, right=("rpm", "mN m", "lost (W)"))


def round_speeds(fastest: float) -> FloatArray:
    """A few speeds of round numbers of rpm up to the fastest that was tested. [rad/s]

    Examples
    --------
    >>> [round(speed / RPM) for speed in round_speeds(2655 * RPM)]
    [500, 1000, 1500, 2000, 2500]
    """
    rpm = fastest / RPM
    if not rpm > 0:
        return np.empty(0)
    size = 10.0 ** np.floor(np.log10(rpm))
    step = next(part * size for part in (0.1, 0.2, 0.5, 1.0, 2.0) if rpm / (part * size) <= _SPEEDS)
    return np.asarray(step * np.arange(1, int(rpm / step * (1 + 1e-9)) + 1) * RPM)


def _with_interval(one: tuple[float, float, float], factor: float) -> tuple[str, str]:
    value, low, high = (factor * float(each) for each in one)
    return show_number(value, (high - low) / 2), show_interval(low, high)


def _part(known: Estimate, grows: int, speed: float) -> str:
    factor = speed ** (grows + 1)
    low, high = (factor * end for end in known.interval)
    return show_estimate(factor * known.value, (low, high))


def starting_section(fit: Fit) -> str:
    """Torque that starts it, mean and largest, and cogging; empty without such readings."""
    found = fit.breakaway
    if found is None:
        return ""
    says = [f"mean over the turn {_estimate(found.mean)}; largest {_estimate(found.largest)}"]
    if found.cogging is None:
        says.append("cogging: not told from friction; read more positions, each of them twice")
    else:
        says.append(f"cogging, how far a position is off the mean: {_estimate(found.cogging)}")
    says.append(
        f"{count_of(found.positions, 'position')}, {count_of(found.directions, 'direction')}; "
        f"a position read again differs by {100 * found.scatter:.2g} %"
    )
    return paragraphs(says)


def constant_section(fit: Fit) -> str:
    """Torque per ampere beside volts per speed, which are one number; empty without torque."""
    found = fit.torque_constant
    if found is None:
        return ""
    ratio = found.ratio
    off, (low, high) = 100 * ratio.value, (100 * end for end in ratio.interval)
    verdict = "they agree" if found.agrees else "THEY DISAGREE: see Findings"
    return paragraphs(
        [
            f"torque constant {_estimate(found.estimate)}, from torque and current alone",
            f"less the EMF constant: {show_estimate(off, (low, high), '%')}; {verdict}",
        ]
    )


def _estimate(known: Estimate) -> str:
    factor, unit = friendly(known.value or max(known.interval, key=abs), known.unit)
    low, high = (factor * end for end in known.interval)
    return show_estimate(factor * known.value, (low, high), unit, known.level)
