"""What can go wrong outside a device, and how a place is said: below every room, imports nothing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """A place in a file: a line and column of a text, or a byte offset of a binary capture.

    ``line`` and ``column`` count from 1, 0 means the whole file; ``offset`` is in bytes, -1 for none.
    """

    file: str
    line: int = 0
    column: int = 0
    offset: int = -1

    def __str__(self) -> str:
        if self.line:
            return f"{self.file}:{self.line}:{self.column}" if self.column else f"{self.file}:{self.line}"
        return f"{self.file}: byte {self.offset}" if self.offset >= 0 else self.file


class Severity(Enum):
    """How much a problem weighs: a fault refuses the file, a note does not."""

    FAULT = "fault"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a file that a person wrote: where, what was found, what was expected, what to do.

    ``text`` is one sentence without a full stop; ``hint`` may be empty.
    """

    place: Place
    text: str
    hint: str = ""
    severity: Severity = Severity.FAULT

    def __str__(self) -> str:
        note = "note: " if self.severity is Severity.NOTE else ""
        return f"{self.place}: {note}{self.text}" + (f" ({self.hint})" if self.hint else "")


class RegcheckError(Exception):
    """Root of every error that means a check could not be made; never raised for what a device does wrong."""

    exit_code = 2


class UsageError(RegcheckError):
    """The command or call itself is wrong: a missing file, a name that the map lacks, options that exclude each other."""


class SourceError(RegcheckError):
    """A map, bench, trial or stimulus file is wrong. Carries every problem of the file, in order of place."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda problem: problem.place))
        super().__init__("\n".join(map(str, self.problems)))

    def __reduce__(self) -> tuple[type[SourceError], tuple[tuple[Problem, ...]]]:
        return type(self), (self.problems,)


class CaptureError(RegcheckError):
    """A capture could not be read at all: not there, of another kind, empty of anything that can be decoded."""

    exit_code = 3

    def __init__(self, place: Place, text: str, hint: str = "") -> None:
        self.place, self.text, self.hint = place, text, hint
        super().__init__(f"{place}: {text}" + (f" ({hint})" if hint else ""))

    def __reduce__(self) -> tuple[type[CaptureError], tuple[Place, str, str]]:
        return type(self), (self.place, self.text, self.hint)


class WorkerError(RegcheckError):
    """A process or a machine that shared the work was lost, so that the check could not be made."""

    exit_code = 3


class BusError(RegcheckError):
    """A live bus cannot be opened, or was lost for good; or what is recorded from it can no longer be written."""

    exit_code = 3


class EncodeError(RegcheckError):
    """A value does not fit the field that should carry it."""
