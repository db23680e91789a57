"""Which slip would make a reading fit: each usual one, named and with its value."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faulty_benches import PLAN, changed, explained, usual
from hypothesis import given
from hypothesis import strategies as st
from virtual_benches import TRUE

from motorfit.bench.records import Bench
from motorfit.estimation.corrections import Slip, swapped_digits
from motorfit.estimation.slip_words import slip_told, written
from motorfit.estimation.slips import likely_slips
from motorfit.simulation.bench import simulate


def slips_of(bench: Bench) -> tuple[Slip, ...]:
    """Slips of the one row that does not fit."""
    found = explained(bench)
    (row,) = {int(each.suspicion.rows[0]) for each in found.verdicts}
    return likely_slips(bench, found, row)


def with_cell(bench: Bench, file: str, column: str, place: int, value: float) -> Bench:
    def new(values, _run):
        values = values.copy()
        values[place] = value
        return values

    return changed(bench, file, **{column: new})


def cell(bench: Bench, file: str, column: str, place: int) -> float:
    (run,) = [run for run in bench.runs if run.source.name == file]
    return float(run.get(column)[place])


@pytest.mark.parametrize(
    ("file", "column", "place"),
    [
        ("open-circuit.csv", "voltage", 1),
        ("load.csv", "current", 4),
        ("load.csv", "speed", 7),
        ("no-load-motor.csv", "voltage", 2),
    ],
)
@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_a_decimal_point_that_moved(file, column, place, factor):
    """With nothing connected a tenth of the volts is as well ten times the speed."""
    clean = usual()
    true = cell(clean, file, column, place)

    slips = slips_of(with_cell(clean, file, column, place, true * factor))

    assert {slip.sort for slip in slips} == {"point"}
    assert dict(slip.values[0] for slip in slips)[column] == pytest.approx(abs(true))


@pytest.mark.parametrize(
    ("file", "column", "place"),
    [("open-circuit.csv", "voltage", 2), ("load.csv", "current", 9), ("load.csv", "speed", 3)],
)
def test_digits_that_changed_places(file, column, place):
    """The first two digits of a reading, so that it shows."""
    clean = usual()
    (run,) = [run for run in clean.runs if run.source.name == file]
    true = cell(clean, file, column, place)
    size = {"speed": 2 * np.pi / 60}.get(column, 1.0)
    decimals = round(-np.log10(run.written_step[column] / size))
    spoiled = next(iter(swapped_digits(true, size, decimals)))

    slip, *_ = slips_of(with_cell(clean, file, column, place, np.copysign(spoiled, true)))

    assert slip.sort == "digits"
    assert slip.values[0][1] == pytest.approx(abs(true))


def test_a_minus_sign_too_many():
    clean = usual()
    true = cell(clean, "load.csv", "current", 5)

    (slip,) = slips_of(with_cell(clean, "load.csv", "current", 5, -true))

    assert (slip.sort, slip.values) == ("sign", (("current", pytest.approx(abs(true))),))


def test_the_speed_of_the_next_row():
    """Row 5 begins a new setting: its speed written as that of row 4."""
    clean = usual()
    wrong = cell(clean, "load.csv", "speed", 2)

    slip, *_ = slips_of(with_cell(clean, "load.csv", "speed", 3, wrong))

    assert slip.sort == "neighbour"
    assert (slip.values[0][0], slip.other_row) == ("speed", 6)


def test_volts_in_the_column_of_amps():
    clean = usual()
    volts, amps = (cell(clean, "load.csv", name, 7) for name in ("voltage", "current"))
    bench = with_cell(
        with_cell(clean, "load.csv", "voltage", 7, -amps), "load.csv", "current", 7, -volts
    )

    (slip,) = slips_of(bench)

    assert slip.sort == "exchanged"
    assert dict(slip.values) == {"voltage": pytest.approx(volts), "current": pytest.approx(-amps)}


def test_volts_in_a_column_of_milliamperes():
    """The numbers change places, not the volts and amperes."""
    clean = usual(armature_resistance=40.0, coulomb_torque=0.003, viscous_coefficient=5e-6)
    (load,) = clean.of_kind("load")
    inside = replace(load, units={**load.units, "current": ("mA", 1e-3)})
    clean = replace(clean, runs=tuple(inside if run is load else run for run in clean.runs))
    volts, amps = (cell(clean, "load.csv", name, 7) for name in ("voltage", "current"))
    bench = with_cell(clean, "load.csv", "voltage", 7, abs(amps) * 1000)
    bench = with_cell(bench, "load.csv", "current", 7, np.copysign(volts / 1000, amps))

    slip, *_ = slips_of(bench)

    assert slip.sort == "exchanged"
    assert dict(slip.values) == pytest.approx({"voltage": volts, "current": abs(amps)})


def test_another_resistor_than_is_written():
    """Without an ammeter the resistor tells the current; 4.7 ohm was connected, not 2.2."""
    clean = simulate(TRUE, plan=replace(PLAN, load_columns="load"), seed=1)

    slip, *_ = slips_of(with_cell(clean, "load.csv", "load", 4, 2.2))

    assert (slip.sort, slip.values) == ("resistor", (("load", 4.7),))


def test_what_no_usual_slip_explains_has_no_slip():
    """7 % too much is no exchange of digits here: 3.7 % and 0.7 % are the nearest."""
    clean = usual()
    true = cell(clean, "open-circuit.csv", "voltage", 3)

    assert slips_of(with_cell(clean, "open-circuit.csv", "voltage", 3, 1.07 * true)) == ()


@given(
    st.integers(min_value=100, max_value=99999),
    st.integers(min_value=0, max_value=3),
)
def test_swapped_digits_are_the_same_digits(number, decimals):
    value = number / 10**decimals

    for changed_value in swapped_digits(value, 1.0, decimals):
        text, other = (f"{each:.{decimals}f}".zfill(9) for each in (value, changed_value))
        assert sorted(text) == sorted(other)
        assert sum(a != b for a, b in zip(text, other, strict=True)) == 2


def test_a_slip_is_told_in_the_unit_of_its_column():
    """A sheet in milliampere: 2.015 A is 2015 mA."""
    (load,) = usual().of_kind("load")
    in_milli = replace(load, units={"current": ("mA", 1e-3)}, written_step={"current": 1e-3})

    told = slip_told((Slip(sort="point", values=(("current", 2.015),)),), in_milli)

    assert told == "Perhaps the decimal point of the current is a place off: 2015 mA would fit."
    assert written(load, "speed", 100 * 2 * np.pi / 60).endswith(" rpm")


def test_two_slips_that_fit_are_both_told():
    (load,) = usual().of_kind("load")
    both = (
        Slip(sort="digits", values=(("voltage", 12.43),)),
        Slip(sort="exchanged", values=(("voltage", 1.0), ("current", 2.0))),
    )

    told = slip_told(both, load)

    assert "two digits of the voltage were swapped: 12.43 V would fit, or volts and amps" in told


def test_nothing_is_told_of_no_slip():
    (load,) = usual().of_kind("load")

    assert slip_told((), load) == ""
