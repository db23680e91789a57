"""The answer key of a virtual bench: kept apart from the bench itself."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

from motorfit.machine.brushed import BrushedMachine
from motorfit.simulation.bench import Truth
from motorfit.simulation.mistakes import Answer

_UNITS = {
    "emf_constant": "V s/rad",
    "armature_resistance": "ohm",
    "brush_drop": "V",
    "coulomb_torque": "N m",
    "viscous_coefficient": "N m s/rad",
    "windage_coefficient": "N m s2/rad2",
    "armature_reaction": "1/A",
    "brush_current_scale": "A",
}


def answer_key(truth: Truth, *, seed: int, answer: Answer | None = None) -> str:
    """What is behind a virtual bench, as JSON.

    Parameters
    ----------
    truth : Truth
        From `simulate_with_truth`.
    seed : int
        Of the bench.
    answer : Answer, optional
        From `plant_mistake`.

    Returns
    -------
    str
        The machine, the winding's temperature, the error of every range of every meter
        and of every resistor, and the mistake; of logs the inertia, the friction of each
        and how the machine warms.
    """
    key: dict[str, Any] = {
        "seed": seed,
        "mistake": answer.as_dict() if answer else None,
        "machine": _machine(truth.machine),
        "winding": {"value": truth.winding, "unit": "degC"},
        "errors": [
            {
                "quantity": error.quantity,
                "meter": error.meter,
                "resistor" if error.quantity == "load" else "step": error.step,
                "gain": error.gain,
                "offset": error.offset,
            }
            for error in truth.errors
        ],
    }
    key |= _of_logs(truth)
    return json.dumps(key, indent=2, ensure_ascii=False) + "\n"


def _of_logs(truth: Truth) -> dict[str, Any]:
    """What only coast-downs and heat runs depend on, where there are some."""
    key: dict[str, Any] = {}
    if truth.friction:
        key["moment_of_inertia"] = {"value": truth.moment_of_inertia, "unit": "kg m2"}
        key["friction"] = dict(truth.friction)
    if truth.added_inertia:
        key["added_inertia"] = dict(truth.added_inertia)
    if truth.bodies:
        key["heat"] = {
            name: {part.name: float(getattr(bodies, part.name)) for part in fields(bodies)}
            for name, bodies in truth.bodies.items()
        }
    return key


def _machine(machine: BrushedMachine) -> dict[str, Any]:
    return {
        each.name: {"value": float(getattr(machine, each.name)), "unit": _UNITS[each.name]}
        for each in fields(machine)
    }
