"""Times of a live recording: the monotonic clock, anchored to wall time once, so that a step of the wall clock folds nothing."""

from __future__ import annotations

import time
from typing import Protocol

DAY_NS = 86_400_000_000_000


class Clock(Protocol):
    """What tells the time and waits."""

    def monotonic_ns(self) -> int:
        """Return the time of a clock that never steps, from an arbitrary zero."""

    def wall_ns(self) -> int:
        """Return what the wall clock shows, in ns since 1970-01-01 UTC."""

    def wait(self, seconds: float) -> None:
        """Let time pass."""


class SystemClock:
    """The computer's own clocks."""

    monotonic_ns = staticmethod(time.monotonic_ns)
    wall_ns = staticmethod(time.time_ns)
    wait = staticmethod(time.sleep)


class Anchor:
    """Where the monotonic clock stood when the wall clock was read: once, when the recording began."""

    def __init__(self, clock: Clock) -> None:
        before = clock.monotonic_ns()
        self.wall_ns = clock.wall_ns()
        self.monotonic_ns = (before + clock.monotonic_ns()) // 2
        self.offset_ns = self.wall_ns - self.monotonic_ns
        self._clock = clock

    def now_ns(self) -> int:
        """Return the epoch's time by the monotonic clock."""
        return self._clock.monotonic_ns() + self.offset_ns


class Stamps:
    """Puts the stamps of another's clock (a driver's, by the wall clock; an interface's own) on the anchored time.

    A stamp may have been made before a step of the wall clock and be read after it: of the offsets before and after, that one holds
    which puts the stamp into the time since the last look, ``SLACK_NS`` more or less. A clock that is more than a day from the wall
    clock is an interface's own: its offset is that of the first stamp, and again where a stamp lies out of all reason.
    """

    SLACK_NS = 2_000_000
    OUT_OF_REASON_NS = 2_000_000_000

    def __init__(self, clock: Clock, anchor: Anchor) -> None:
        self._clock = clock
        self._anchor = anchor
        self._offsets = [self._wall_offset()]  # the present one last
        self._own_ns: int | None = None
        self._looked_ns = anchor.now_ns()
        self.steps = 0

    def _wall_offset(self) -> int:
        return self._clock.wall_ns() - self._anchor.now_ns()

    def look(self) -> int:
        """Notice a step of the wall clock; return the anchored time. Called whenever nothing more waits to be read, and for each read."""
        now = self._anchor.now_ns()
        offset = self._clock.wall_ns() - now
        if abs(offset - self._offsets[-1]) > self.SLACK_NS:
            self._offsets = [*self._offsets[-3:], offset]
            self.steps += 1
        else:
            self._offsets[-1] = offset  # the clock is slewed: followed, not a step
        return now

    def emptied(self, now_ns: int) -> None:
        """Say that whatever was stamped before ``now_ns`` has been read: older offsets are of no more use."""
        self._offsets = self._offsets[-1:]
        self._looked_ns = now_ns

    def anchored(self, stamp_ns: int) -> int:
        """Return the anchored time of a stamp that was just read."""
        now = self.look()
        if self._own_ns is None and abs(stamp_ns - self._offsets[-1] - now) > DAY_NS:
            self._own_ns = stamp_ns - now
        if self._own_ns is not None:
            if not now - self.OUT_OF_REASON_NS <= stamp_ns - self._own_ns <= now + self.OUT_OF_REASON_NS:
                self._own_ns = stamp_ns - now
                self.steps += 1
            return min(stamp_ns - self._own_ns, now)
        places = [stamp_ns - offset for offset in reversed(self._offsets)]
        fitting = [place for place in places if self._looked_ns - self.SLACK_NS <= place <= now + self.SLACK_NS]
        return min(fitting[0] if fitting else max(self._looked_ns, min(places[0], now)), now)
