"""How a machine spins down, and its linear model for whoever builds a control around it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray
from motorfit.errors import NotMeasuredError, ProfileError
from motorfit.estimate import Estimate, NotKnown
from motorfit.machine.temperature import winding_factor
from motorfit.profile.duration import Duration, duration
from motorfit.profile.known import Apart, Known, Need, known_parts, not_known, unknown_parts
from motorfit.profile.propagation import machine_of

if TYPE_CHECKING:
    from scipy.signal import StateSpace, TransferFunction

    from motorfit.profile.model import MachineProfile

#: Loss over inertia, by the term of the loss: what one open coast-down tells.
OVER_INERTIA = {
    name: f"{name}/moment_of_inertia"
    for name in ("coulomb_torque", "viscous_coefficient", "windage_coefficient")
}


def coast_time(
    profile: MachineProfile,
    *,
    start: ArrayLike,
    end: ArrayLike = 0.0,
    load: ArrayLike | None = None,
) -> Duration:
    """How long the machine coasts from one speed to another; see `MachineProfile.coast_time`."""
    outside = np.inf if load is None else load
    w0, w1, ohm = np.broadcast_arrays(*(np.asarray(x, float) for x in (start, end, outside)))
    if np.any(w0 < 0) or np.any(w1 < 0):
        raise ValueError("start and end must be zero or positive: a profile tells of one direction")
    if np.any(ohm < 0):
        raise ValueError("load must be zero or positive; infinite stands for nothing connected")
    connected = bool(np.any(np.isfinite(ohm)))
    known = _what_stops_it(profile, connected)

    def time(fields: dict[str, FloatArray]) -> FloatArray:
        from motorfit.machine.coasting import coasting_time

        inertia = fields.pop("moment_of_inertia", np.ones(()))
        lasts = coasting_time(machine_of(fields), inertia, w0, w1, load=ohm)
        return np.where(np.isnan(w0 + w1 + ohm), np.nan, lasts)

    far = w0 > profile.range.speed[1] * (1 + 1e-6)
    if connected:
        machine = profile.brushed_machine()
        around = np.asarray(machine.armature_resistance) + ohm
        far |= machine.emf_constant * w0 / around > profile.range.current[1] * (1 + 1e-6)
    return duration(profile, known, w0.ndim, time, extrapolated=far)


def _what_stops_it(profile: MachineProfile, connected: bool) -> Known:
    """The parameters of loss, inertia and, where connected, circuit; or loss over inertia."""
    needs: tuple[Need, ...] = ("emf", "drop", "loss") if connected else ("loss",)
    missing = [name for need in needs for name in unknown_parts(profile, need)]
    if not isinstance(profile.parameters.get("moment_of_inertia"), Estimate):
        missing.append("moment_of_inertia")
    if not missing:
        return Known(joint=(*known_parts(profile, needs), "moment_of_inertia"))
    ratios = {} if connected else _over_inertia(profile)
    if not ratios:
        raise NotMeasuredError("coasting time", not_known(profile, missing))
    return Known(joint=(), apart=ratios)


def _over_inertia(profile: MachineProfile) -> dict[str, Apart]:
    """The loss of one kg m2, as an open coast-down tells it; empty where none does.

    How the parts are correlated is not kept, so each adds to the uncertainty in full.
    """
    found = {
        name: Apart(
            value=item.value,
            standard_uncertainty=item.standard_uncertainty,
            degrees_of_freedom=item.degrees_of_freedom,
        )
        for name, of in OVER_INERTIA.items()
        for item in profile.combinations
        if item.of == of and not item.at
    }
    windage = profile.parameters.get("windage_coefficient")
    bends = isinstance(windage, Estimate) or (
        isinstance(windage, NotKnown) and windage.standing == "combined"
    )
    needed = set(OVER_INERTIA) if bends else set(OVER_INERTIA) - {"windage_coefficient"}
    return found if needed <= set(found) else {}


def state_space(
    profile: MachineProfile, *, winding: float | None = None, speed: float = 0.0
) -> StateSpace:
    """Current and speed as states; see `MachineProfile.state_space`."""
    from scipy.signal import StateSpace

    k, r, b, j, inductance = _linear(profile, "state space", winding, speed)
    return StateSpace(
        np.array([[-r / inductance, -k / inductance], [k / j, -b / j]]),
        np.array([[1.0 / inductance], [0.0]]),
        np.array([[0.0, 1.0]]),
        np.array([[0.0]]),
    )


def transfer_function(
    profile: MachineProfile, *, winding: float | None = None, speed: float = 0.0
) -> TransferFunction:
    """From voltage to speed; see `MachineProfile.transfer_function`."""
    from scipy.signal import TransferFunction

    k, r, b, j, inductance = _linear(profile, "transfer function", winding, speed)
    return TransferFunction([k], [inductance * j, r * j + b * inductance, r * b + k**2])


def _linear(
    profile: MachineProfile, words: str, winding: float | None, speed: float
) -> tuple[float, float, float, float, float]:
    """EMF constant, resistance, slope of the loss, inertia, inductance."""
    names = ["emf_constant", "armature_resistance", "viscous_coefficient", "moment_of_inertia"]
    missing = [n for n in names if not isinstance(profile.parameters.get(n), Estimate)]
    inductance = profile.constants.inductance
    reasons = [not_known(profile, missing)] if missing else []
    if inductance is None or inductance <= 0:
        reasons.append(
            "The inductance is not known: measure it with an LCR meter, or read it off the "
            "maker's sheet, and state [machine] inductance in machine.toml."
        )
    if reasons or inductance is None:
        raise ProfileError(f"The {words} cannot be given: {' '.join(reasons)}")
    k, r, b, j = (profile.estimate(name).value for name in names)
    windage = profile.parameters.get("windage_coefficient")
    if isinstance(windage, Estimate):
        b += 2.0 * windage.value * speed
    if winding is not None:
        reference, constant = profile.reference_temperature, profile.constants.winding_constant
        r *= float(winding_factor(winding, reference, constant))
    return k, r, b, j, inductance
