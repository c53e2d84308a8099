"""What every check is: an accumulator over batches of readings, which a later one of its kind can follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

from regcheck.checks.finding import Finding
from regcheck.codec.decoded import DecodedBatch

A = TypeVar("A", bound="Accumulator")


class Accumulator(Protocol):
    """A check in progress. Only integers, minima, maxima and counts are kept, so that the order of batches alone decides."""

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""

    def tick(self, end_ns: int) -> None:
        """Learn that the bus was silent up to ``end_ns``, capture clock."""

    def then(self, later: Any) -> None:
        """Take all that a later accumulator of the same check has seen: associative, never commutative."""

    def findings(self, *, closed: bool) -> Sequence[Finding]:
        """Return the findings so far without changing anything; ``closed``: nothing more will come."""


@dataclass(frozen=True, slots=True)
class Spot:
    """One message that evidence points at: time in ns on the capture's clock, which capture, and the place in it."""

    time_ns: int
    source: int
    place: int

    def as_json(self) -> dict[str, Any]:
        """Return the spot for evidence; seconds are the float nearest to the nanoseconds (of an epoch: to about 0.2 us)."""
        return {"time_s": self.time_ns / 10**9, "capture": self.source, "place": self.place}


@dataclass(slots=True)
class Count:
    """How often something was seen, and where first."""

    number: int = 0
    first: Spot | None = None

    def add(self, number: int, first: Spot | None) -> None:
        """Count ``number`` more, the first of them at ``first``."""
        self.number += number
        if self.first is None and number:
            self.first = first

    def then(self, later: Count) -> None:
        """Count what a later one has seen."""
        self.add(later.number, later.first)
