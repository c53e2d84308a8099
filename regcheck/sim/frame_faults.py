"""Faults of the frames that a board sends by itself, as plain data, and which messages a fault on the wire meets."""

from __future__ import annotations

from dataclasses import dataclass

from numpy import int64
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Span:
    """Which reads or frames of a message a fault on the wire meets: ``count`` of them from ``from_ns`` on (0: all)."""

    from_ns: int = 0
    count: int = 0

    def meets(self, time_ns: int, met: int) -> bool:
        """Return whether it meets the message at ``time_ns``, after it met ``met`` others."""
        return time_ns >= self.from_ns and (not self.count or met < self.count)


EVERY = Span()
"""Every one of them."""


@dataclass(frozen=True, slots=True)
class StuckCounter:
    """From ``from_ns`` on the counter of a frame stands still; a check over it is right for what it then says."""

    message: str
    from_ns: int = 0

    def counts(self, times: NDArray[int64], counts: NDArray[int64]) -> NDArray[int64]:
        """Return the counts of frames at ``times`` with the fault."""
        out = counts.copy()
        stuck = times >= self.from_ns
        if stuck.any():
            out[stuck] = counts[stuck][0]
        return out


@dataclass(frozen=True, slots=True)
class Late:
    """The first frame due from ``from_ns`` on is sent ``by_ns`` later; those after it keep their distance from it."""

    message: str
    from_ns: int
    by_ns: int

    def due(self, times: NDArray[int64]) -> NDArray[int64]:
        """Return the times at which frames are due with the fault."""
        return times + self.by_ns * (times >= self.from_ns)


@dataclass(frozen=True, slots=True)
class Omitted:
    """Frames are not sent, though they are counted."""

    message: str
    span: Span = EVERY


@dataclass(frozen=True, slots=True)
class BadCheck:
    """The check of a frame is wrong by one bit, its lowest."""

    message: str
    span: Span = EVERY


@dataclass(frozen=True, slots=True)
class CutShort:
    """The last ``by`` bytes of a frame are not sent; what stands before them is right."""

    message: str
    by: int
    span: Span = EVERY


FrameFault = StuckCounter | Late | Omitted | BadCheck | CutShort
