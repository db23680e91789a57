r"""The chain rule through circuit and machine, forwards and backwards.

Forwards it gives every row's slopes by the machine's parameters and by the row's errors,
for the single fit. Backwards it gives the slope of the weighted sum of squares alone, for
many fits at once: with :math:`C = A S A^\mathsf{T} + E`, :math:`y = C^{-1} f` and
:math:`u = S A^\mathsf{T} y`,

.. math::

    \tfrac12 \mathrm{d}(f^\mathsf{T} C^{-1} f)
        = y^\mathsf{T} \mathrm{d}f - y^\mathsf{T} (\mathrm{d}A)\, u

since :math:`\mathrm{d}C = \mathrm{d}A\, S A^\mathsf{T} + A S\, \mathrm{d}A^\mathsf{T}`.
Both use the slopes of `Circuit` and `Physics`, where each is written down once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.circuit import Amount, Circuit, Slopes
from motorfit.estimation.physics import MACHINE_PARAMETERS, Physics
from motorfit.estimation.rows import GAIN, OFFSET, READ

_Key = TypeVar("_Key")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forwards:
    """Slopes of n rows by p machine parameters, then e errors."""

    design: FloatArray  # df, (..., n, 2, p + e)
    sensitivity: FloatArray  # A by what was shown, (..., n, 2, 4)
    sensitivity_slope: FloatArray  # dA, (..., n, 2, 4, p + e)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Backwards:
    """Slopes of half the weighted sum of squares."""

    machine: dict[int, FloatArray]  # by parameter: all rows together, (...)
    errors: dict[int, FloatArray]  # by error: row by row, (..., n)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evaluated:
    """What the equations are made of at one set of parameters, or several."""

    free: Sequence[int]  # machine parameters that are not zero throughout
    errors: Sequence[int]  # those that the rows have
    circuit: Circuit
    physics: Physics  # at the corrected readings
    nominal: Physics  # at the readings as they are: for A
    by_factor: Slopes  # by (factor, error)

    def forwards(self, shape: tuple[int, ...]) -> Forwards:
        """Every slope, for rows of this shape (..., n)."""
        sensitivity = np.zeros((*shape, 2, len(READ)))
        for (equation, read), slope in self._shown_sensitivity().items():
            sensitivity[..., equation, read] = slope
        return Forwards(
            design=self._design(shape),
            sensitivity=sensitivity,
            sensitivity_slope=self._sensitivity_slope(sensitivity),
        )

    def _column(self, error: int) -> int:
        return len(self.free) + self.errors.index(error)

    def _columns(self, by: int) -> Iterable[tuple[int, Amount]]:
        """Where a slope of the physics belongs, and the factor it carries there."""
        if by < len(MACHINE_PARAMETERS):
            yield self.free.index(by), 1.0
            return
        for (factor, error), slope in self.by_factor.items():
            if factor == by:
                yield self._column(error), slope

    def _design(self, shape: tuple[int, ...]) -> FloatArray:
        design = np.zeros((*shape, 2, len(self.free) + len(self.errors)))
        for (equation, by), slope in self.physics.slopes().items():
            for column, carried in self._columns(by):
                design[..., equation, column] += slope * carried
        sensitivity = self.physics.sensitivity
        for (quantity, error), slope in self.circuit.value_slopes(self.errors).items():
            for equation in _having(sensitivity, quantity):
                here = sensitivity[equation, quantity]
                design[..., equation, self._column(error)] += here * slope
        for (equation, read), slope in _product(sensitivity, self.circuit.through).items():
            for error in (GAIN[read], OFFSET[read]):
                if error in self.errors:
                    by_error = slope * self.circuit.corrected_slopes(error)
                    design[..., equation, self._column(error)] = by_error
        return design

    def _shown_sensitivity(self) -> Slopes:
        """A by (equation, quantity read)."""
        product = _product(self.nominal.sensitivity, self.circuit.through)
        return {key: _times(slope, self.circuit.worth[key[1]]) for key, slope in product.items()}

    def _sensitivity_slope(self, sensitivity: FloatArray) -> FloatArray:
        slopes = np.zeros((*sensitivity.shape, len(self.free) + len(self.errors)))
        through, worth = self.circuit.through, self.circuit.worth
        at_machine = self.nominal.sensitivity
        for (equation, quantity, by), slope in self.nominal.sensitivity_slopes().items():
            for read in (read for start, read in through if start == quantity):
                here = slope * through[quantity, read] * worth[read]
                for column, carried in self._columns(by):
                    slopes[..., equation, read, column] += here * carried
        for (quantity, read, error), slope in self.circuit.through_slopes(self.errors).items():
            for equation in _having(at_machine, quantity):
                here = at_machine[equation, quantity] * slope * worth[read]
                slopes[..., equation, read, self._column(error)] += here
        for read, error in enumerate(GAIN):
            if error in self.errors:
                here = sensitivity[..., read] * np.expand_dims(worth[read], -1)
                slopes[..., read, self._column(error)] -= here
        return slopes

    def backwards(self, variance: FloatArray, own: FloatArray, count: Amount) -> Backwards:
        """Slopes of half the sum of squares.

        Parameters
        ----------
        variance : ndarray, shape (4, n)
            S, of what was shown.
        own : ndarray, shape (..., n)
            E, of the torque equation.
        count : ndarray, shape (..., n), or float
            How many times each row counts.
        """
        through, worth = self.circuit.through, self.circuit.worth
        shown = self._shown_sensitivity()
        weighted = _weighted_residuals(self.physics, shown, variance, own)
        pull = _transposed_product(shown, weighted)  # A'y
        # S A'y by corrected readings, and what it is at the machine
        spread = {read: variance[read] * each * worth[read] for read, each in pull.items()}
        carried = _sum(((q, slope, spread[s]) for (q, s), slope in through.items() if s in spread))
        if not isinstance(count, float):
            weighted = {equation: count * each for equation, each in weighted.items()}
            pull = {read: count * each for read, each in pull.items()}
        machine, by = self._by_physics(weighted, carried)
        errors = self._by_circuit(weighted, spread)
        for read, error in enumerate(GAIN):
            if error in self.errors and read in spread:
                errors[error] = errors.get(error, 0.0) + spread[read] * pull[read]
        for (factor, error), slope in self.by_factor.items():
            if factor in by:
                here = _times(slope, by[factor])
                errors[error] = errors[error] + here if error in errors else np.asarray(here)
        return Backwards(machine=machine, errors=errors)

    def _by_physics(
        self, weighted: dict[int, FloatArray], carried: dict[int, FloatArray]
    ) -> tuple[dict[int, FloatArray], dict[int, FloatArray]]:
        """By machine parameters, all rows together, and by factors, row by row."""
        through_weights = _sum(
            ((equation, by), slope, carried[quantity])
            for (equation, quantity, by), slope in self.nominal.sensitivity_slopes().items()
            if quantity in carried
        )
        machine: dict[int, FloatArray] = {}
        factors: dict[int, FloatArray] = {}
        for (equation, by), slope in self.physics.slopes().items():
            pulled = through_weights.get((equation, by))
            whole, each = slope if pulled is None else slope - pulled, weighted[equation]
            if by < len(MACHINE_PARAMETERS):
                machine[by] = machine.get(by, 0.0) + np.vecdot(whole, each)
            else:
                factors[by] = factors.get(by, 0.0) + whole * each
        return machine, factors

    def _by_circuit(
        self, weighted: dict[int, FloatArray], spread: dict[int, FloatArray]
    ) -> dict[int, FloatArray]:
        """By what stands between readings and machine, row by row."""
        values = _transposed_product(self.physics.sensitivity, weighted)
        nominal = _transposed_product(self.nominal.sensitivity, weighted)
        circuit = self.circuit
        errors = _sum(
            (error, slope, values[quantity])
            for (quantity, error), slope in circuit.value_slopes(self.errors).items()
        )
        for (quantity, read, error), slope in circuit.through_slopes(self.errors).items():
            errors[error] = errors.get(error, 0.0) - nominal[quantity] * slope * spread[read]
        for read, each in _transposed_product(circuit.through, values).items():
            for error in (GAIN[read], OFFSET[read]):
                if error in self.errors:
                    errors[error] = each * circuit.corrected_slopes(error)
        return errors


def _weighted_residuals(
    physics: Physics, shown: Slopes, variance: FloatArray, own: FloatArray
) -> dict[int, FloatArray]:
    """C^-1 f, by equation."""
    equations = physics.equations
    residual = {equation: physics.residual(equation) for equation in equations}

    def covariance(first: int, second: int) -> FloatArray:
        both = [
            read for read in range(len(READ)) if (first, read) in shown and (second, read) in shown
        ]
        return np.asarray(
            sum(shown[first, read] * shown[second, read] * variance[read] for read in both)
        )

    if len(equations) == 1:
        (one,) = equations
        return {one: residual[one] / (covariance(one, one) + (own if one == 1 else 0.0))}
    voltage, torque, both = covariance(0, 0), covariance(1, 1) + own, covariance(0, 1)
    determinant = voltage * torque - both**2
    return {
        0: (torque * residual[0] - both * residual[1]) / determinant,
        1: (voltage * residual[1] - both * residual[0]) / determinant,
    }


def _having(slopes: Slopes, quantity: int) -> list[int]:
    """Equations that have a slope by this quantity."""
    return [equation for equation, by in slopes if by == quantity]


def _product(first: Slopes, second: Slopes) -> Slopes:
    """Of two matrices that are mostly zero."""
    product: Slopes = {}
    for (row, inner), left in first.items():
        for (other, column), right in second.items():
            if inner == other:
                term = _times(left, right)
                key = (row, column)
                product[key] = product[key] + term if key in product else term
    return product


def _transposed_product(matrix: Slopes, vector: dict[int, FloatArray]) -> dict[int, FloatArray]:
    return _sum(
        (column, slope, vector[row]) for (row, column), slope in matrix.items() if row in vector
    )


def _sum(terms: Iterable[tuple[_Key, Amount, FloatArray]]) -> dict[_Key, FloatArray]:
    """Sum of products under each key."""
    total: dict[_Key, FloatArray] = {}
    for key, slope, each in terms:
        term = np.asarray(_times(slope, each))
        total[key] = total[key] + term if key in total else term
    return total


def _times(left: Amount, right: Amount) -> Amount:
    """A product, without the work where a factor is the number one."""
    if isinstance(left, float) and left == 1.0:
        return right
    if isinstance(right, float) and right == 1.0:
        return left
    return left * right
