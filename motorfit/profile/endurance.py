"""What current a machine can carry: all day, or for a while.

A permitted temperature is split into what the air has and what the heat of the machine
adds. What nobody stated is assumed on the safe side, and told with the result.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import BoolArray, FloatArray
from motorfit.errors import NotMeasuredError
from motorfit.estimate import Estimate
from motorfit.machine.brushed import loss_torque
from motorfit.machine.temperature import MAGNET_COEFFICIENT
from motorfit.profile.duration import Duration, duration
from motorfit.profile.known import Apart, Known, find_known, not_known
from motorfit.profile.points import Point
from motorfit.profile.prediction import Prediction
from motorfit.profile.propagation import machine_of, through
from motorfit.unit_tables import RPM

if TYPE_CHECKING:
    from motorfit.machine.heating import OneBody, TwoBodies, Winding
    from motorfit.profile.model import MachineProfile
    from motorfit.profile.parts import Constants


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Thermal:
    """What a rating rests on: what is known, where it is asked for, what is assumed."""

    known: Known
    speed: FloatArray
    ambient: FloatArray
    insulation: str
    magnet_limit: float  # [degC]
    reference: float
    winding_constant: float
    assumed: tuple[str, ...]

    def winding(self, fields: dict[str, FloatArray]) -> Winding:
        """What makes the heat, in all variations."""
        from motorfit.machine.heating import Winding

        return Winding(
            resistance=fields["armature_resistance"],
            reference=self.reference,
            winding_constant=self.winding_constant,
            brush_drop=fields["brush_drop"],
        )

    def bodies(self, fields: dict[str, FloatArray]) -> OneBody | TwoBodies:
        """What carries it off, in all variations; one lag is as good as another at rest."""
        from motorfit.machine.heating import OneBody, TwoBodies

        total, lag = fields["thermal_resistance"], fields.get("thermal_time_constant", np.ones(()))
        outer = fields.get("frame_to_air")
        if outer is None:
            return OneBody(thermal_resistance=total, time_constant=lag)
        return TwoBodies(
            winding_to_frame=np.maximum(total - outer, 1e-3 * total),
            winding_time_constant=fields["winding_time_constant"],
            frame_to_air=np.minimum(outer, 0.999 * total),
            frame_time_constant=lag,
        )

    def loss_power(self, fields: dict[str, FloatArray]) -> FloatArray:
        """Heat of the loss torque where the machine turns. [W]"""
        loss = {name: value for name, value in fields.items() if name in _LOSS}
        return np.asarray(loss_torque(machine_of(loss), self.speed) * self.speed)

    def rise(self, bodies: OneBody | TwoBodies) -> FloatArray:
        """Rise of the winding that winding and magnets both bear. [K]"""
        from motorfit.machine.heating import limiting_rise, permitted_rise

        permitted = permitted_rise(self.insulation, self.ambient)
        return limiting_rise(permitted, self.ambient, self.magnet_limit, bodies)


#: Below this share of the heat run's speed a rotor stirs the air noticeably less.
SLOWER = 0.8

_LOSS = ("coulomb_torque", "viscous_coefficient", "windage_coefficient")


def continuous_current(
    profile: MachineProfile, *, ambient: ArrayLike = 40.0, speed: ArrayLike | None = None
) -> Prediction:
    """Current that may flow all day; see `MachineProfile.continuous_current`."""
    thermal = _thermal(profile, "continuous current", (), ambient, speed)

    def current(fields: dict[str, FloatArray]) -> FloatArray:
        from motorfit.machine.heating import continuous_current

        amperes = continuous_current(
            thermal.winding(fields),
            fields["thermal_resistance"],
            thermal.rise(thermal.bodies(fields)),
            ambient=thermal.ambient,
            loss_power=thermal.loss_power(fields),
        )
        return np.where(np.isnan(thermal.ambient + thermal.speed), np.nan, amperes)

    value, uncertainty, freedom = through(profile, thermal.known, thermal.speed.ndim, current)
    return Prediction(
        value=value,
        standard_uncertainty=uncertainty,
        degrees_of_freedom=freedom,
        extrapolated=_untested(profile, value, thermal),
        unit="A",
        bounds=(0.0, np.inf),
        assumed=thermal.assumed,
    )


def overload_time(
    profile: MachineProfile,
    *,
    current: ArrayLike,
    ambient: ArrayLike = 40.0,
    speed: ArrayLike | None = None,
    start_rise: ArrayLike = 0.0,
) -> Duration:
    """How long a current may flow; see `MachineProfile.overload_time`."""
    amperes, air, first = np.broadcast_arrays(
        *(np.asarray(x, float) for x in (current, ambient, start_rise))
    )
    lags = ("thermal_time_constant",)
    thermal = _thermal(profile, "time of an overload", lags, air, speed)

    def time(fields: dict[str, FloatArray]) -> FloatArray:
        from motorfit.machine.heating import overload_time

        bodies = thermal.bodies(fields)
        lasts = overload_time(
            amperes,
            thermal.winding(fields),
            bodies,
            thermal.rise(bodies),
            ambient=thermal.ambient,
            loss_power=thermal.loss_power(fields),
            start_rise=first,
        )
        unknown = np.isnan(amperes + first + thermal.ambient + thermal.speed)
        return np.where(unknown, np.nan, lasts)

    return duration(
        profile,
        thermal.known,
        thermal.speed.ndim,
        time,
        extrapolated=_untested(profile, amperes, thermal),
        assumed=thermal.assumed,
    )


def _untested(profile: MachineProfile, current: FloatArray, thermal: _Thermal) -> BoolArray:
    slack = 1 + 1e-6
    beyond = np.abs(current) > profile.range.current[1] * slack
    return np.asarray(beyond | (thermal.speed > profile.range.speed[1] * slack))


def _thermal(
    profile: MachineProfile,
    words: str,
    lags: tuple[str, ...],
    ambient: ArrayLike,
    speed: ArrayLike | None,
) -> _Thermal:
    """Gather what is known; what is not is refused, what nobody stated assumed and told."""
    from motorfit.machine.heating import MAGNET_LIMIT

    names = ("armature_resistance", "brush_drop", "thermal_resistance", *lags)
    missing = [n for n in names if not isinstance(profile.parameters.get(n), Estimate)]
    if missing:
        raise NotMeasuredError(words, not_known(profile, missing))
    loss, turning, told = _turning(profile, words, speed)
    insulation, about_class = _insulation(profile.constants.insulation)
    magnet, about_magnets = _magnet(profile.constants)
    air, turning = np.broadcast_arrays(np.asarray(ambient, float), turning)
    apart = dict(loss.apart) | _bodies_apart(profile)
    thermal = _Thermal(
        known=Known(joint=(*names, *loss.joint), apart=apart),
        speed=turning,
        ambient=air,
        insulation=insulation,
        magnet_limit=MAGNET_LIMIT.get(magnet, np.inf),
        reference=profile.reference_temperature,
        winding_constant=profile.constants.winding_constant,
        assumed=(),
    )
    sentences = [about_class, *told, *_rotor(profile, turning)]
    if about_magnets and _magnets_decide(profile, thermal):
        sentences.append(about_magnets)
    return replace(thermal, assumed=tuple(filter(None, sentences)))


def _bodies_apart(profile: MachineProfile) -> dict[str, Apart]:
    """What two bodies add to the parameters; how it is correlated with them is not kept."""
    bodies = profile.thermal_bodies
    if bodies is None:
        return {}
    found = {
        "frame_to_air": bodies.frame_to_air,
        "winding_time_constant": bodies.winding_time_constant,
    }
    return {
        name: Apart(
            value=item.value,
            standard_uncertainty=item.standard_uncertainty,
            degrees_of_freedom=item.degrees_of_freedom,
        )
        for name, item in found.items()
    }


def _turning(
    profile: MachineProfile, words: str, speed: ArrayLike | None
) -> tuple[Known, FloatArray, list[str]]:
    """The loss at the speed that is asked for, or at the fastest tested where none is."""
    if speed is not None:
        asked = np.asarray(speed, float)
        if np.any(asked < 0):
            raise ValueError("speed must be zero or positive: a profile tells of one direction")
        if not np.any(asked > 0):
            return Known(joint=()), asked, []
        return _loss_at(profile, words, asked), asked, []
    fastest = np.asarray(profile.range.speed[1], float)
    try:
        known = _loss_at(profile, words, fastest)
    except NotMeasuredError:
        return (
            Known(joint=()),
            np.zeros(()),
            ["heat of turning not counted: the loss torque is not known"],
        )
    rpm = f"{fastest / RPM:.4g}"
    return known, fastest, [f"turning at {rpm} rpm, the fastest tested, with the loss it has there"]


def _loss_at(profile: MachineProfile, words: str, speed: FloatArray) -> Known:
    one = np.ones(())
    point = Point(
        speed=speed, given="nothing", value=np.zeros(()), winding_factor=one, magnet_factor=one
    )
    return find_known(profile, words, ("loss",), point)


def _insulation(stated: str) -> tuple[str, str]:
    """The thermal class, and what is assumed about it."""
    from motorfit.machine.heating import ASSUMED_CLASS, PERMITTED_RISE, STANDARD_CLASSES

    if stated in STANDARD_CLASSES:
        return stated, ""
    rise = "permitted rise {} K over air of 40 degC: class temperature less 40 K less 10 K"
    if stated in PERMITTED_RISE:
        return stated, rise.format(f"of class {stated} {PERMITTED_RISE[stated]:.0f}")
    says = rise.format(f"{PERMITTED_RISE[ASSUMED_CLASS]:.0f}")
    return ASSUMED_CLASS, f"insulation unknown: class {ASSUMED_CLASS} assumed, {says}"


def _magnet(constants: Constants) -> tuple[str, str]:
    """What the magnets are, and what is assumed of the temperature that they bear."""
    kind: str = constants.magnet
    if kind == "unknown" and constants.magnet_coefficient is not None:
        away = {k: abs(constants.magnet_coefficient - c) for k, c in MAGNET_COEFFICIENT.items()}
        kind = min(away, key=lambda name: away[name])
    if kind == "neodymium":
        return kind, "magnets kept below 80 degC: neodymium of unknown grade, from memory"
    if kind == "unknown":
        return "neodymium", "magnets unknown: kept below 80 degC, as if they were neodymium"
    return kind, ""


def _rotor(profile: MachineProfile, speed: FloatArray) -> list[str]:
    """A rotor that turns stirs the air; one that is held does not."""
    how = profile.constants.heat_run_rotor
    if how == "held" and np.any(speed > 0):
        return ["heat run with the rotor held: turning, it sheds heat better than counted here"]
    if how != "turning":
        return []
    if np.any(speed == 0):
        return ["heat run with the rotor turning: at rest it sheds heat worse than counted here"]
    stirred = profile.constants.heat_run_speed
    if stirred is not None and np.any(speed < SLOWER * stirred):
        rpm = f"{stirred / RPM:.4g}"
        return [f"heat run at {rpm} rpm: slower, it sheds heat worse than counted here"]
    return []


def _magnets_decide(profile: MachineProfile, thermal: _Thermal) -> bool:
    from motorfit.machine.heating import permitted_rise

    found: dict[str, FloatArray] = {
        name: np.asarray(profile.estimate(name).value) for name in thermal.known.joint
    }
    found |= {name: np.asarray(item.value) for name, item in thermal.known.apart.items()}
    rise = thermal.rise(thermal.bodies(found))
    return bool(np.any(rise < permitted_rise(thermal.insulation, thermal.ambient)))
