"""Where a curve stands still: the stretches in which every reading that may be judged has one applied value, found for all rows at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.admission import Holds, admissible, steps
from regcheck.bench.clock import Times
from regcheck.bench.curves import KNOWN, AppliedCurve


@dataclass(frozen=True, slots=True, eq=False)
class Calm:
    """For each segment k of a curve of m: ``calm`` bool[m], whether it and all around it up to the next steps stand at one known value.

    A reading within such a segment may be judged exactly where start - doubt >= ``opens`` and end + doubt < ``shuts``, i8[m] bench ns
    (the rules of ``admissible``); all that its device may have shown is then the segment's value. ``hold`` i8[m] is the hold that it
    lies in. ``pattern`` is the same for curves that agree in all of this, whatever their values.
    """

    time: Times
    calm: NDArray[np.bool_]
    opens: Times
    shuts: Times
    hold: NDArray[np.int64]
    pattern: bytes

    @classmethod
    def of(cls, curve: AppliedCurve, stretches: Holds, settle_ns: int, latency_ns: int, warm_up_ns: int) -> Calm:
        """Return the calm segments of a curve; ``stretches`` are its holds."""
        count = len(curve)
        leaps = steps(curve)
        begins = np.unique(leaps.begin)
        blank = np.zeros(count, np.int64)
        if count < 2 or not len(begins):
            return cls(curve.time, np.zeros(count, np.bool_), blank, blank, blank, b"")
        latest = np.maximum.accumulate(leaps.end)[np.searchsorted(leaps.begin, begins, side="right") - 1]
        span = np.maximum(np.searchsorted(begins, curve.time, side="right") - 1, 0)
        ends = np.append(begins[1:], curve.time[-1])[span]
        flat = (curve.state == KNOWN) & ~curve.edge & np.append(curve.after[:-1] == curve.before[1:], False)
        calm = flat & ~np.isin(span, span[~flat]) & (curve.time >= begins[0])
        hold = np.maximum(np.searchsorted(stretches.begin, curve.time, side="right") - 1, 0)
        if len(stretches):
            calm &= (stretches.begin[hold] <= begins[span]) & (ends <= stretches.end[hold])
        else:
            calm[:] = False
        opens = np.maximum(latest + settle_ns + latency_ns + 1, curve.time[0] + warm_up_ns if warm_up_ns else np.iinfo(np.int64).min)[span]
        told = (curve.time, calm, opens, ends, hold, curve.state, curve.edge, leaps.begin, leaps.end)
        numbers = np.array([settle_ns, latency_ns, warm_up_ns], np.int64)
        return cls(curve.time, calm, opens, ends, hold, sha256(b"".join(one.tobytes() for one in (*told, numbers))).digest())


@dataclass(frozen=True, eq=False)
class Sight:
    """When n messages were on the bus, in bench ns: ``start``, ``end``, and the ``doubt`` of each, +/- ns; i8[n]."""

    start: Times
    end: Times
    doubt: Times

    def take(self, rows: NDArray[np.int64]) -> Sight:
        """Return some of the messages."""
        return Sight(self.start[rows], self.end[rows], self.doubt[rows])

    @cached_property
    def low(self) -> Times:
        """The earliest that each may have begun."""
        return self.start - self.doubt

    @cached_property
    def high(self) -> Times:
        """The latest that each may have ended."""
        return self.end + self.doubt

    @cached_property
    def in_order(self) -> bool:
        """Whether each comes after the one before, by all of its times."""
        return all(bool((one[1:] >= one[:-1]).all()) for one in (self.low, self.high, self.end))

    @cached_property
    def largest_doubt(self) -> int:
        """The largest doubt, ns; 0 of no messages."""
        return int(self.doubt.max(initial=0))


@dataclass(frozen=True, eq=False)
class Slices:
    """Rows of a sight against a curve: slice i, of rows ``first[i]`` to before ``last[i]``, lies in calm segment ``segment[i]``.

    ``others`` are the admitted rows that lie in none, ``left_out`` why how many may not be judged.
    """

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    segment: NDArray[np.int64]
    others: NDArray[np.int64]
    left_out: dict[str, int]
    count: int

    @cached_property
    def edges(self) -> NDArray[np.int64]:
        """Begin and end of every slice in turn, as ``ufunc.reduceat`` takes them: every second result is a slice's."""
        both = np.column_stack([self.first, self.last]).ravel()
        return both[:-1] if len(both) and both[-1] == self.count else both

    @cached_property
    def of_row(self) -> NDArray[np.int64]:
        """The slice of each row, i8[count]; a row in none has that of a neighbour."""
        begins = np.append(0, self.first[1:])
        return np.repeat(np.arange(len(self.first)), np.diff(np.append(begins, self.count)))

    def rows(self, which: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
        """Return the rows of all slices, or of some (bool, one each), in order."""
        first, last = (self.first, self.last) if which is None else (self.first[which], self.last[which])
        return np.concatenate([np.arange(a, b) for a, b in zip(first.tolist(), last.tolist(), strict=True)] or [np.zeros(0, np.int64)])


def slices(curve: AppliedCurve, calm: Calm, sight: Sight, settle_ns: int, latency_ns: int, warm_up_ns: int) -> Slices:
    """Return which rows may be judged against a curve: whole slices of them where it stands still, and the others one by one."""
    count = len(sight.start)
    none = np.zeros(0, np.int64)
    first, last, segment = none, none, none
    if count and sight.in_order and calm.calm.any():
        begin, end = np.searchsorted(calm.time, sight.end[[0, -1]], side="right")
        reach = np.arange(max(int(begin) - 1, 0), int(end))
        reach = reach[calm.calm[reach]]
        following = np.minimum(reach + 1, len(calm.time) - 1)
        first = np.maximum(np.searchsorted(sight.low, calm.opens[reach]), np.searchsorted(sight.end, calm.time[reach]))
        last = np.minimum(np.searchsorted(sight.high, calm.shuts[reach]), np.searchsorted(sight.end, calm.time[following]))
        full = last > first
        first, last, segment = first[full], last[full], reach[full]
    free = np.ones(count, np.bool_)
    for a, b in zip(first.tolist(), last.tolist(), strict=True):
        free[a:b] = False
    rest = np.flatnonzero(free)
    if not len(rest):
        return Slices(first, last, segment, rest, {}, count)
    admission = admissible(curve, sight.start[rest], sight.end[rest], settle_ns, latency_ns, sight.doubt[rest], warm_up_ns)
    return Slices(first, last, segment, rest[admission.admitted], admission.left_out, count)
