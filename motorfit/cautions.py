"""Where the work can hurt someone: the same sentences for sheets, docs and the first screen.

The sentences hold no comma and no semicolon, so that a spreadsheet shows each of them
in one cell.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Readings above these lines call for a caution on the first screen.
VOLTAGE_LINE = 50.0  # [V]
CURRENT_LINE = 10.0  # the usual rating of a handheld meter's amps jack [A]
RESISTOR_POWER_LINE = 5.0  # a wirewound resistor at its 5 W is far above 100 degC [W]


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One way in which the work can hurt someone, and how to avoid it."""

    name: str
    title: str
    says: str


_CAUTIONS = (
    Caution(
        name="rotating",
        title="Rotating parts",
        says="Clamp the motor and whatever turns it. No gloves and no hanging sleeves or hair "
        "near a turning shaft. Never lock the drill's trigger.",
    ),
    Caution(
        name="flywheel",
        title="Flywheels",
        says="A flywheel stores enough to break bones and flies off when it works loose. Bolt it "
        "and run it up slowly and stand out of its plane. Nobody stops it by hand.",
    ),
    Caution(
        name="amps-jack",
        title="The amps jack",
        says="A meter left in its amps jack and put across a battery is a short circuit. Many "
        "10 A jacks have no fuse and allow 15 s. Move the lead back to V after every current "
        "reading.",
    ),
    Caution(
        name="battery",
        title="Batteries",
        says="Fuse every battery lead at the post. A battery melts a wire in a moment.",
    ),
    Caution(
        name="hot-resistor",
        title="Hot resistors",
        says="A load resistor gets hot enough to burn skin and bench. Stand it on tile or metal "
        "and let it cool before you touch it.",
    ),
    Caution(
        name="short-circuit",
        title="Wires joined",
        says="A short-circuited machine brakes hard and heats fast. It may wrench off what is on "
        "its shaft. Join its wires for a few seconds only.",
    ),
    Caution(
        name="runaway",
        title="Load lost",
        says="A machine freed of its load runs away. Fix wires and brake so that they cannot come "
        "off and stop the machine before you change them.",
    ),
    Caution(
        name="held-rotor",
        title="Rotor held",
        says="A held rotor takes many times its running current and heats fast. Limit the current "
        "and keep it on for a few seconds a reading.",
    ),
    Caution(
        name="held-for-long",
        title="Rotor held for long",
        says="A held rotor has no fan of its own. Begin a heat run at a third of the rated "
        "current or less and raise it only while the winding stays cool enough to touch.",
    ),
    Caution(
        name="hot-machine",
        title="Hot machine",
        says="A machine on a heat run burns skin and may smoke. Stay with it and stop at the "
        "first smell.",
    ),
    Caution(
        name="voltage",
        title="Above 50 V",
        says="Above 50 V treat every bare terminal as dangerous to touch. Stop the machine before "
        "you move a clip and cover what is bare.",
    ),
    Caution(
        name="alone",
        title="Never alone",
        says="No pupil works alone. Somebody who can cut the power stands by.",
    ),
    Caution(
        name="codes",
        title="Local codes",
        says="Local electrical and workplace codes and licensed practice come before anything "
        "that is written here.",
    ),
)

#: Every caution by its name, in the order in which they are shown.
CAUTIONS = {caution.name: caution for caution in _CAUTIONS}

_ALWAYS = ("voltage", "alone", "codes")

#: Names of the cautions that belong to each kind of test.
CAUTIONS_OF_TEST = {
    "open-circuit": ("rotating", *_ALWAYS),
    "load": (
        "rotating",
        "amps-jack",
        "battery",
        "hot-resistor",
        "short-circuit",
        "runaway",
        *_ALWAYS,
    ),
    "no-load-motor": ("rotating", "amps-jack", "battery", *_ALWAYS),
    "brake": ("rotating", "amps-jack", "battery", "runaway", *_ALWAYS),
    "resistance": ("amps-jack", "battery", "hot-resistor", "held-rotor", *_ALWAYS),
    "coast-down": ("rotating", "flywheel", "hot-resistor", "short-circuit", *_ALWAYS),
    "heat-run": ("rotating", "amps-jack", "battery", "held-for-long", "hot-machine", *_ALWAYS),
    "breakaway": ("alone", "codes"),
    "zero": ("amps-jack",),
}


def cautions_of(test: str) -> tuple[Caution, ...]:
    """Cautions for one kind of test, in the order in which they are shown.

    Parameters
    ----------
    test : str
        A kind of test, such as ``"load"``.

    Returns
    -------
    tuple of Caution

    Examples
    --------
    >>> [caution.title for caution in cautions_of("zero")]
    ['The amps jack']
    """
    return tuple(CAUTIONS[name] for name in CAUTIONS_OF_TEST[test])


def crossed(
    *, voltage: float = 0.0, current: float = 0.0, resistor_power: float = 0.0
) -> tuple[Caution, ...]:
    """Cautions for readings that are above the line.

    Parameters
    ----------
    voltage, current, resistor_power : float
        Largest magnitudes that were read. NaN crosses no line. [V], [A], [W]

    Returns
    -------
    tuple of Caution
        In the order of `CAUTIONS`, empty where nothing is above its line.

    Examples
    --------
    >>> [caution.title for caution in crossed(voltage=62.0, current=3.0)]
    ['Above 50 V']
    """
    names = {
        "amps-jack": current > CURRENT_LINE,
        "hot-resistor": resistor_power > RESISTOR_POWER_LINE,
        "voltage": voltage > VOLTAGE_LINE,
    }
    return tuple(CAUTIONS[name] for name, above in names.items() if above)
