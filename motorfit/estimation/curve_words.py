"""A winding that warms, curvature, and a torque constant of its own, in words."""

from __future__ import annotations

import numpy as np

from motorfit.estimation.rows import CURRENT
from motorfit.estimation.search import Verdict
from motorfit.estimation.telling import Teller, Told, percent
from motorfit.quantities import show_number


def heating_told(teller: Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> Told:
    """A winding that warms up."""
    file = verdict.suspicion.file
    kelvin, doubt = teller.size(verdict)
    order = verdict.suspicion.shape == "heating-in-order"
    when = "by its end" if order else "at the largest current"
    bends = any(each.suspicion.shape == "reaction" for each in alike)
    other = " Armature reaction or a belt that slips would look nearly the same." if bends else ""
    return Told(
        kind="heating",
        where=file,
        says=(
            f"The winding seems to warm up during {file}: by {show_number(kelvin, doubt)} K "
            f"(+- {float(f'{doubt:.1g}'):g} K) {when}.{other}"
        ),
        suggestion=(
            "Take the large currents quickly and let it cool between, or add a column "
            "winding (degC)."
        ),
        severity="caution",
    )


def curve_told(teller: Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> Told:
    """Curvature with the current, of the voltage with the speed, or of the loss."""
    if verdict.suspicion.shape in ("reaction", "reverse-reaction"):
        return _curved_with_current(teller, verdict, alike)
    if verdict.suspicion.shape == "speed-curve":
        return _curved_with_speed(teller, verdict)
    return _loss_curved(teller, verdict)


def _curved_with_current(teller: Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> Told:
    size, doubt = teller.size(verdict)
    values = teller.explained.joint.problem.conditions.nominal.values
    current = float(np.max(np.abs(values[:, CURRENT])))
    falls = verdict.suspicion.shape == "reaction"
    heats = any(each.suspicion.family == "heating" for each in alike)
    warm = ", or a winding that warms up" if heats else ""
    return Told(
        kind="curved-with-current",
        where="bench",
        says=(
            f"The EMF {'falls' if falls else 'rises'} with the current: by "
            f"{percent(size * current, doubt * current)} at {current:.3g} A. {_evidence(verdict)}"
        ),
        suggestion=(
            f"Armature reaction, or a belt or tyre that slips under load{warm}: read the "
            "speed at the machine's own shaft to tell. If it stays, fit with --terms "
            "armature-reaction."
            if falls
            else "Brushes off neutral, or an ammeter that is not straight: compare it with another."
        ),
        severity="caution",
    )


def _curved_with_speed(teller: Teller, verdict: Verdict) -> Told:
    size, doubt = teller.size(verdict)
    return Told(
        kind="curved-with-speed",
        where="bench",
        says=(
            f"The voltage does not rise in proportion to the speed: "
            f"{percent(size, doubt)} {'more' if size > 0 else 'less'} at the top than the "
            f"slow readings say. {_evidence(verdict)}"
        ),
        suggestion=(
            "Look for a belt or tyre that slips, and compare the speed meter with a count "
            "by hand at a slow and at a fast speed."
        ),
        severity="caution",
    )


def _loss_curved(teller: Teller, verdict: Verdict) -> Told:
    size, _ = teller.size(verdict)
    return Told(
        kind="loss-curved",
        where="bench",
        says=(
            f"The turning loss bends {'upwards' if size > 0 else 'downwards'} with speed. "
            f"{_evidence(verdict)}"
        ),
        suggestion=(
            "Windage; fit with --terms windage."
            if size > 0
            else "Let the motor settle at each speed before reading, slow speeds too."
        ),
        severity="caution",
    )


def _evidence(verdict: Verdict) -> str:
    return f"That is {abs(verdict.score):.1f} times its uncertainty."


def torque_told(teller: Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> Told:  # noqa: ARG001
    """A torque constant that is not the EMF constant."""
    size, doubt = teller.size(verdict)
    return Told(
        kind="constants-differ",
        where="bench",
        says=(
            f"Newton metres per ampere are {percent(size, doubt)} "
            f"{'more' if size > 0 else 'less'} than volts per rad/s, and by energy they are one "
            f"number. That is {abs(verdict.score):.1f} times what the meters allow."
        ),
        suggestion="Check the arm's length, the scale with a known weight, and the speed meter.",
    )
