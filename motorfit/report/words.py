"""What parameters, tests and answers are called where people read them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from motorfit.bench.kinds import KINDS

#: A reading stands out beyond this many of its own standard uncertainties.
STANDS_OUT = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Title:
    """A parameter in plain words, with its letter and the units it is shown in."""

    plain: str
    letter: str
    units: tuple[str, ...]


TITLES: dict[str, Title] = {
    name: Title(plain=plain, letter=letter, units=units)
    for name, plain, letter, units in (
        ("emf_constant", "EMF constant", "k", ("V/1000 rpm", "rpm/V", "V s/rad", "N m/A")),
        ("armature_resistance", "winding resistance", "R", ("ohm", "mohm")),
        ("brush_drop", "brush drop", "Vb", ("V", "mV")),
        ("coulomb_torque", "dry friction", "T0", ("N m", "mN m")),
        ("viscous_coefficient", "viscous and eddy loss", "b", ("N m s/rad", "mN m/1000 rpm")),
        ("windage_coefficient", "windage", "c", ("N m s2/rad2",)),
        ("armature_reaction", "armature reaction", "a", ("1/A",)),
        ("moment_of_inertia", "moment of inertia", "J", ("kg m2", "kg cm2")),
        ("breakaway_torque", "breakaway torque", "Tb", ("N m", "mN m")),
        ("thermal_resistance", "thermal resistance", "Rth", ("K/W",)),
        ("thermal_time_constant", "thermal time constant", "tau", ("s", "min")),
    )
}


def count_of(number: int, thing: str) -> str:
    """A number of things.

    Examples
    --------
    >>> count_of(1, "reading"), count_of(31, "reading")
    ('1 reading', '31 readings')
    """
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def rounded(value: float, digits: int = 3) -> str:
    """A number to so many significant digits, without a power of ten up to a million.

    Examples
    --------
    >>> rounded(129.0, 2), rounded(4.7)
    ('130', '4.7')
    """
    return f"{float(f'{value:.{digits}g}'):.7g}"


def listed(items: Iterable[str], last: str = "and") -> str:
    """Things in a sentence.

    Examples
    --------
    >>> listed(["volt", "ampere", "speed"])
    'volt, ampere and speed'
    """
    *most, end = items
    return f"{', '.join(most)} {last} {end}" if most else end


def place(where: str) -> str:
    """Where a finding is, as people say it.

    Examples
    --------
    >>> place("load.csv:14"), place("bench")
    ('load.csv row 14', '')
    """
    if where == "bench":
        return ""
    return re.sub(r":(\d+(?:, ?\d+)*)$", r" row \1", where)


def combination(of: str) -> str:
    """A combination of parameters with their letters.

    Examples
    --------
    >>> combination("armature_resistance + brush_drop/current")
    'R + Vb/current'
    """
    for name, title in TITLES.items():
        of = of.replace(name, title.letter)
    return of


def test_named_in(needs: str) -> str | None:
    """The first kind of test that ``needs`` names.

    Examples
    --------
    >>> test_named_in("no-load-motor at a second voltage")
    'no-load-motor'
    """
    found = [(needs.find(kind), kind) for kind in KINDS if kind in needs]
    return min(found)[1] if found else None
