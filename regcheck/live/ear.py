"""What listens on one bus in a thread of its own and puts what it hears where the recording collects it."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from regcheck.errors import BusError
from regcheck.live.source import Stop
from regcheck.traffic.frames import Frame
from regcheck.traffic.heard import Event, Tried
from regcheck.traffic.shapes import Transfer

Heard = Transfer | Tried | Event | Frame

STEP_S = 0.1
"""The longest wait after which a thread looks whether it is to end, and moves its horizon on."""


def time_of(heard: Heard) -> int:
    """Return the start of what was heard, in ns."""
    return heard.transfer.time_ns if isinstance(heard, Tried) else heard.time_ns


@dataclass(slots=True)
class Counts:
    """What came of one message, for the summary: ``good`` and ``errors`` by kind, ``missed`` slots, ``retries``."""

    good: int = 0
    missed: int = 0
    retries: int = 0
    errors: dict[str, int] = field(default_factory=dict)

    def fail(self, kind: str) -> None:
        """Count one error."""
        self.errors[kind] = self.errors.get(kind, 0) + 1


class Ear(Protocol):
    """One bus. ``heard`` holds what is not yet collected, in order of time; all before ``horizon_ns`` is in it."""

    label: str
    heard: deque[Heard]
    horizon_ns: int
    failure: BusError | None
    counts: dict[str, Counts]

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user is to be told of this bus."""

    @property
    def about(self) -> Mapping[str, object]:
        """How it is read, for the head of a file."""

    def open(self) -> None:
        """Open the bus; BusError: it cannot be."""

    def run(self, until: Stop) -> None:
        """Listen until told to stop; a bus that is lost for good leaves its ``failure``."""

    def close(self) -> None:
        """Close the bus."""
