"""The exceptions motorfit raises on purpose.

* MotorfitError
  x BenchError       readings or settings that cannot be used as they are
    x LocatedError   one place in a file: where, what was there, what to do
    x BenchProblemsError  several of them, told together
  x FitError         the readings do not determine what was asked
  x ProfileError     a profile is damaged, or of a version this release cannot read
    x NotMeasuredError  a prediction needs what the profile does not know
  x OutputError      a file could not be written, or would have replaced another
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path


class MotorfitError(Exception):
    """Base class; catch this to catch everything motorfit raises on purpose."""


class BenchError(MotorfitError):
    """Readings or settings that cannot be used as they are."""


class LocatedError(BenchError):
    """One place in a file that cannot be used: where, what was there, what to do.

    The parts are attributes, so that a caller can list many at once.

    Parameters
    ----------
    path : Path
        The file.
    row : int, optional
        The row as a spreadsheet shows it, counting from 1.
    column : str, optional
        The header of the column, or the key of a setting.
    found, expected, remedy : str
        What was there, what should be, and what to do about it.
    """

    def __init__(
        self,
        *,
        path: Path,
        found: str,
        expected: str,
        remedy: str,
        row: int | None = None,
        column: str | None = None,
    ) -> None:
        self.path, self.row, self.column = path, row, column
        self.found, self.expected, self.remedy = found, expected, remedy
        place = path.name
        if row is not None:
            place += f", row {row}"
        if column is not None:
            place += f', column "{column}"' if path.suffix != ".toml" else f', "{column}"'
        super().__init__(f"{place}: found {found}, expected {expected}. {remedy}")


class BenchProblemsError(BenchError):
    """Everything that is wrong with a bench folder, told in one go."""

    def __init__(self, problems: Iterable[BenchError]) -> None:
        self.problems = tuple(problems)
        count = len(self.problems)
        head = "1 problem" if count == 1 else f"{count} problems"
        super().__init__("\n".join([f"{head} to mend first:", *(f"- {p}" for p in self.problems)]))


class FitError(MotorfitError):
    """The readings do not determine what was asked."""


class ProfileError(MotorfitError):
    """A profile is damaged, or of a version this release cannot read."""


class NotMeasuredError(ProfileError):
    """A prediction needs what the profile does not know.

    Parameters
    ----------
    quantity : str
        What was to be predicted.
    why : str
        What is not known, and which test would measure it.
    """

    def __init__(self, quantity: str, why: str) -> None:
        self.quantity, self.why = quantity, why
        super().__init__(f"The {quantity} cannot be predicted: {why}")


class OutputError(MotorfitError):
    """A file could not be written, or would have replaced another."""
