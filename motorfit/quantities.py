"""Units at the edge: what people write, read into SI, and SI shown to people."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stated:
    """A quantity as somebody stated it, in SI (degC for temperatures).

    ``half_width`` is the rectangular half-width behind ``+-``, zero where none is given.
    """

    value: float
    half_width: float = 0.0
    text: str = ""


class UnreadableError(ValueError):
    """A text that is no quantity of the wanted kind: what was expected, what to do."""

    def __init__(self, *, found: str, expected: str, remedy: str) -> None:
        self.found, self.expected, self.remedy = found, expected, remedy
        super().__init__(f"found {found}, expected {expected}. {remedy}")
