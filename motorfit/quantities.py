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
