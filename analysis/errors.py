"""What can go wrong, each with a stable code, a sentence, and the place it was found."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Where:
    """A place in a file: its name, and a line (from 1), a column, or a key where one is known."""

    file: str = ""
    line: int | None = None
    column: str = ""
    key: str = ""

    def __str__(self) -> str:
        parts = [self.file] if self.file else []
        if self.line is not None:
            parts.append(f"line {self.line}")
        if self.column:
            parts.append(f"column '{self.column}'")
        if self.key:
            parts.append(f"key '{self.key}'")
        return ", ".join(parts)


class AnalysisError(Exception):
    """The base of every error that `analysis` raises on purpose: code, message, where."""

    code = "analysis-error"

    def __init__(self, message: str, *, where: Where | None = None, code: str | None = None) -> None:
        self.message = message
        self.where = where or Where()
        self.code = code or self.code
        super().__init__(str(self))

    def __str__(self) -> str:
        place = str(self.where)
        return f"{place}: {self.message}" if place else self.message


class UnreadableFile(AnalysisError):
    """A file is not what it should be: empty, binary, without a header, with text in a number column."""

    code = "unreadable-file"


class BadSetup(AnalysisError):
    """A setup is wrong: an unknown key, an unknown unit, a unit of the wrong dimension, something missing."""

    code = "bad-setup"


class UnitError(AnalysisError):
    """A unit is unknown or of the wrong dimension for its quantity."""

    code = "bad-unit"


class OutOfRange(AnalysisError):
    """A formula was asked for a value outside the range it is valid in."""

    code = "out-of-range"


class NotComparable(AnalysisError):
    """Results cannot be compared with one another at all."""

    code = "not-comparable"
