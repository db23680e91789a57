"""The machine profile: what is known of a machine, with what certainty and where."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray
from motorfit.errors import ProfileError
from motorfit.estimate import Estimate, NotKnown
from motorfit.finding import Finding
from motorfit.machine.brushed import BrushedMachine
from motorfit.profile.parts import (
    PARAMETER_UNITS,
    Combination,
    Constants,
    InstrumentError,
    Machine,
    Provenance,
    Range,
    ThermalBodies,
)
from motorfit.profile.prediction import Prediction, predict
from motorfit.profile.propagation import machine_of
from motorfit.profile.sampling import MACHINE_FIELDS, Draws, sample_together

if TYPE_CHECKING:
    from scipy.signal import StateSpace, TransferFunction

    from motorfit.profile.duration import Duration

__all__ = [
    "PARAMETER_UNITS",
    "Combination",
    "Constants",
    "InstrumentError",
    "Machine",
    "MachineProfile",
    "Provenance",
    "Range",
    "ThermalBodies",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MachineProfile:
    """Numbers of one machine with their joint uncertainty.

    The total covariance is ``scatter_covariance`` plus, over the instruments, the outer
    product of their sensitivities times their variance.
    """

    machine: Machine
    reference_temperature: float  # [degC]
    parameters: Mapping[str, Estimate | NotKnown]
    combinations: tuple[Combination, ...] = ()
    constants: Constants = field(default_factory=Constants)
    thermal_bodies: ThermalBodies | None = None  # where a heat run shows two
    covariance_order: tuple[str, ...]  # the parameters that have a value
    scatter_covariance: FloatArray  # (n, n), SI
    instruments: tuple[InstrumentError, ...]
    range: Range
    directions: Mapping[str, Mapping[str, Estimate]] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    provenance: Provenance

    @property
    def covariance(self) -> FloatArray:
        r"""Total covariance of the parameters in ``covariance_order``, SI, shape (n, n).

        .. math:: V = S + \sum_j s_j s_j^\mathsf{T} u_j^2
        """
        total = np.array(self.scatter_covariance, float)
        for error in self.instruments:
            names = self.covariance_order
            part = np.array([error.sensitivity.get(name, 0.0) for name in names])
            total += np.outer(part, part) * error.standard_uncertainty**2
        return total

    def estimate(self, name: str) -> Estimate:
        """The estimate of one parameter.

        Raises
        ------
        ProfileError
            If the parameter has no value, naming the test that would measure it.
        """
        found = self.parameters.get(name)
        if isinstance(found, Estimate):
            return found
        needs = f" What would measure it: {found.needs}." if found else ""
        raise ProfileError(f"{name} has no value in this profile.{needs}")

    def brushed_machine(self) -> BrushedMachine:
        """The machine at its best estimates, for the functions of `motorfit.machine`.

        What has no value is zero: `parameters` tells which that is.
        """
        fields = {
            name: np.asarray(found.value)
            for name in MACHINE_FIELDS
            if isinstance(found := self.parameters.get(name), Estimate)
        }
        return machine_of(
            fields | {"brush_current_scale": np.asarray(self.constants.brush_current_scale)}
        )

    def sample(self, n: int, rng: np.random.Generator) -> Draws:
        """Draw from the joint distribution of the parameters that have a value.

        Several machines measured with the same instruments are drawn with
        `motorfit.profile.sampling.sample_together`, which also tells the rules.

        Parameters
        ----------
        n : int
            How many draws.
        rng : numpy.random.Generator
            Where chance comes from.

        Returns
        -------
        Draws
        """
        return sample_together([self], n, rng)[0]

    def save(self, path: Path | str, *, force: bool = False) -> None:
        """Write the profile as JSON, whole or not at all.

        Parameters
        ----------
        path : Path or str
            The file. A profile of the same machine that is there is replaced.
        force : bool
            Replace whatever is there.

        Raises
        ------
        OutputError
            If something else is there, or the file cannot be written.
        ProfileError
            If a number is not finite, or the parts do not fit together.
        """
        from motorfit.profile.storage import save_profile

        save_profile(self, Path(path), force=force)

    def voltage(
        self,
        *,
        speed: ArrayLike,
        current: ArrayLike | None = None,
        load: ArrayLike | None = None,
        winding: ArrayLike | None = None,
        magnets: ArrayLike | None = None,
    ) -> Prediction:
        """Terminal voltage at a current, or on a resistor. [V]

        Parameters
        ----------
        speed : array_like, zero or positive
            Shaft speed. [rad/s]
        current : array_like, optional
            Armature current, positive into the machine. [A]
        load : array_like, optional
            In place of a current: resistance connected to the driven machine. [ohm]
        winding, magnets : array_like, optional
            Temperatures; the reference temperature where not given. [degC]

        Returns
        -------
        Prediction
            Arguments broadcast together.

        Raises
        ------
        ProfileError
            If it needs what is not known, naming what would measure it.
        ValueError
            If not exactly one of current and load is given, or a speed is negative.
        """
        return predict(
            self,
            "voltage",
            speed=speed,
            current=current,
            load=load,
            winding=winding,
            magnets=magnets,
        )

    def current(
        self,
        *,
        speed: ArrayLike,
        load: ArrayLike | None = None,
        voltage: ArrayLike | None = None,
        winding: ArrayLike | None = None,
        magnets: ArrayLike | None = None,
    ) -> Prediction:
        """Current that settles on a resistor, or at a terminal voltage. [A]

        Positive into the machine: negative on a resistor, which the machine feeds.
        Parameters, results and errors as for `torque`, without ``current``.
        """
        return predict(
            self,
            "current",
            speed=speed,
            load=load,
            voltage=voltage,
            winding=winding,
            magnets=magnets,
        )

    def torque(
        self,
        *,
        speed: ArrayLike,
        current: ArrayLike | None = None,
        load: ArrayLike | None = None,
        voltage: ArrayLike | None = None,
        winding: ArrayLike | None = None,
        magnets: ArrayLike | None = None,
    ) -> Prediction:
        """Torque at the shaft, positive where the machine drives. [N m]

        Parameters
        ----------
        speed : array_like, zero or positive
            Shaft speed. [rad/s]
        current, load, voltage : array_like, optional
            Exactly one of them: current into the machine [A], resistance connected to
            the driven machine [ohm], or terminal voltage [V].
        winding, magnets : array_like, optional
            Temperatures; the reference temperature where not given. [degC]

        Returns
        -------
        Prediction
            Arguments broadcast together.

        Raises
        ------
        ProfileError
            If it needs what is not known, naming what would measure it.
        ValueError
            If not exactly one of current, load and voltage is given, or a speed is
            negative.
        """
        return predict(
            self,
            "torque",
            speed=speed,
            current=current,
            load=load,
            voltage=voltage,
            winding=winding,
            magnets=magnets,
        )

    def terminal_power(
        self,
        *,
        speed: ArrayLike,
        current: ArrayLike | None = None,
        load: ArrayLike | None = None,
        voltage: ArrayLike | None = None,
        winding: ArrayLike | None = None,
        magnets: ArrayLike | None = None,
    ) -> Prediction:
        """Electrical power at the terminals, positive into the machine. [W]

        Parameters, results and errors as for `torque`.
        """
        return predict(
            self,
            "terminal_power",
            speed=speed,
            current=current,
            load=load,
            voltage=voltage,
            winding=winding,
            magnets=magnets,
        )

    #: Of the two powers, the electrical one goes without saying.
    power = terminal_power

    def shaft_power(
        self,
        *,
        speed: ArrayLike,
        current: ArrayLike | None = None,
        load: ArrayLike | None = None,
        voltage: ArrayLike | None = None,
        winding: ArrayLike | None = None,
        magnets: ArrayLike | None = None,
    ) -> Prediction:
        """Mechanical power at the shaft, positive out of the machine. [W]

        Parameters, results and errors as for `torque`.
        """
        return predict(
            self,
            "shaft_power",
            speed=speed,
            current=current,
            load=load,
            voltage=voltage,
            winding=winding,
            magnets=magnets,
        )

    def efficiency(
        self,
        *,
        speed: ArrayLike,
        current: ArrayLike | None = None,
        load: ArrayLike | None = None,
        voltage: ArrayLike | None = None,
        winding: ArrayLike | None = None,
        magnets: ArrayLike | None = None,
    ) -> Prediction:
        """Power out over power in, as a motor or as a generator, from 0 to 1.

        Parameters, results and errors as for `torque`.
        """
        return predict(
            self,
            "efficiency",
            speed=speed,
            current=current,
            load=load,
            voltage=voltage,
            winding=winding,
            magnets=magnets,
        )

    def loss(self, *, speed: ArrayLike) -> Prediction:
        """Torque that friction, core and air take. [N m]

        Parameters
        ----------
        speed : array_like, zero or positive
            Shaft speed. [rad/s]

        Returns
        -------
        Prediction

        Raises
        ------
        ProfileError
            If it is not known there, naming what would measure it.
        ValueError
            If a speed is negative.
        """
        return predict(self, "loss", speed=speed)

    def loss_power(self, *, speed: ArrayLike) -> Prediction:
        """Power that friction, core and air take; parameters and errors as for `loss`. [W]"""
        return predict(self, "loss_power", speed=speed)

    def coast_time(
        self, *, start: ArrayLike, end: ArrayLike = 0.0, load: ArrayLike | None = None
    ) -> Duration:
        """How long the machine coasts from one speed to another. [s]

        Parameters
        ----------
        start, end : array_like, zero or positive
            Shaft speeds; what else is on the shaft counts only if the profile's inertia has
            it. [rad/s]
        load : array_like, optional
            Resistance that brakes it; zero for a short circuit, nothing connected where not
            given. [ohm]

        Returns
        -------
        Duration
            Infinite where it never gets there. Where only loss over inertia is known, which
            is enough without a load, the parts of its uncertainty are added in full.

        Raises
        ------
        ProfileError
            If it needs what is not known, naming what would measure it.
        ValueError
            If a speed or a load is negative.
        """
        from motorfit.profile.dynamics import coast_time

        return coast_time(self, start=start, end=end, load=load)

    def continuous_current(
        self, *, ambient: ArrayLike = 40.0, speed: ArrayLike | None = None
    ) -> Prediction:
        """Current that may flow all day (duty type S1). [A]

        Parameters
        ----------
        ambient : array_like
            Of the air. [degC]
        speed : array_like, optional
            At which the machine turns, zero for held; the fastest tested where not given, as
            far as its loss is known there. [rad/s]

        Returns
        -------
        Prediction
            ``assumed`` tells what it rests on that nobody measured: insulation, magnets, how
            the heat run was made. Marked as extrapolated above the largest current tested.

        Raises
        ------
        ProfileError
            If it needs what is not known, naming what would measure it: a heat run above all.
        ValueError
            If a speed is negative.
        """
        from motorfit.profile.endurance import continuous_current

        return continuous_current(self, ambient=ambient, speed=speed)

    def overload_time(
        self,
        *,
        current: ArrayLike,
        ambient: ArrayLike = 40.0,
        speed: ArrayLike | None = None,
        start_rise: ArrayLike = 0.0,
    ) -> Duration:
        """How long a current may flow until the machine is as hot as it may be. [s]

        Parameters
        ----------
        current : array_like
            Constant, either sign. [A]
        ambient, speed
            As for `continuous_current`.
        start_rise : array_like
            Of the winding over the air at the start, zero from cold. [K]

        Returns
        -------
        Duration
            Infinite up to the continuous current.

        Raises
        ------
        ProfileError
            If it needs what is not known, naming what would measure it.
        ValueError
            If a speed is negative.
        """
        from motorfit.profile.endurance import overload_time

        return overload_time(
            self, current=current, ambient=ambient, speed=speed, start_rise=start_rise
        )

    def state_space(self, *, winding: float | None = None, speed: float = 0.0) -> StateSpace:
        r"""Linear model with current and speed as states, from terminal voltage to speed.

        .. math:: L \dot i = v - R i - k \omega, \qquad J \dot\omega = k i - b \omega

        Parameters
        ----------
        winding : float, optional
            Temperature; the reference temperature where not given. [degC]
        speed : float
            Where windage, if known, is made linear. [rad/s]

        Returns
        -------
        scipy.signal.StateSpace
            Best estimates, in SI. Coulomb torque and brush drop are constant against the
            motion and no part of a linear model.

        Raises
        ------
        ProfileError
            If inertia, inductance or another of its numbers is not known, naming each.
        """
        from motorfit.profile.dynamics import state_space

        return state_space(self, winding=winding, speed=speed)

    def transfer_function(
        self, *, winding: float | None = None, speed: float = 0.0
    ) -> TransferFunction:
        r"""Linear model from terminal voltage to speed.

        .. math:: \frac{\omega}{v} = \frac{k}{L J s^2 + (R J + b L)\, s + R b + k^2}

        Parameters, what is left out, and errors as for `state_space`.

        Returns
        -------
        scipy.signal.TransferFunction
            Best estimates, in SI.
        """
        from motorfit.profile.dynamics import transfer_function

        return transfer_function(self, winding=winding, speed=speed)
