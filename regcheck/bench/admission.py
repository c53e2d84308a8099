"""Which readings may be judged: steps and holds of an applied curve, and the times around them (verdicts, rule 10)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from regcheck.bench.curves import KNOWN, AppliedCurve, Array, Times, window_known
from regcheck.errors import UsageError

NOT_KNOWN, WARM_UP, SETTLING = "applied not known", "warm-up", "settling"
"""Why a reading is not judged."""


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """Where a curve leaps: begin and end i8[k] ns, equal but for measured edges; ``size`` f8[k], NaN to or from what is no number."""

    begin: Times
    end: Times
    size: Array

    def __len__(self) -> int:
        return len(self.begin)


@dataclass(frozen=True, slots=True, eq=False)
class Holds:
    """Stretches over which the applied value stood still: begin and end i8[h] ns, value f8[h]."""

    begin: Times
    end: Times
    value: Array

    def __len__(self) -> int:
        return len(self.begin)


@dataclass(frozen=True, slots=True, eq=False)
class Admission:
    """Which of n readings may be judged, bool[n], and how many of the others were left out for which reason."""

    admitted: NDArray[np.bool_]
    left_out: dict[str, int]


def steps(curve: AppliedCurve, threshold: float = 0.0) -> Steps:
    """Return every leap of more than ``threshold``, in order of time.

    A leap is a breakpoint whose two sides differ, a change of state (the first and the last one of the log are such), or an
    edge of a measured value, which spans its segments: from the last row on the old hold to the first on the new one.
    """
    if not len(curve):
        return Steps(curve.time, curve.time, curve.before)
    previous = np.append(-1, curve.state[:-1])
    size = curve.after - curve.before
    leap = (previous != curve.state) | (np.abs(size) > threshold)
    begins = np.flatnonzero(curve.edge & ~np.append(False, curve.edge[:-1]))
    ends = np.flatnonzero(np.append(False, curve.edge[:-1]) & ~curve.edge)
    sizes = curve.before[ends] - curve.after[begins]
    large = np.abs(sizes) > threshold
    begin = np.concatenate([curve.time[leap], curve.time[begins[large]]])
    end = np.concatenate([curve.time[leap], curve.time[ends[large]]])
    order = np.argsort(begin, kind="stable")
    return Steps(begin[order], end[order], np.concatenate([size[leap], sizes[large]])[order])


def holds(curve: AppliedCurve, tolerance: float = 0.0) -> Holds:
    """Return every stretch between steps over which the value keeps within ``tolerance`` (0: stays the same).

    A segment that changes by more is a ramp and in no hold, nor is a stretch that drifts by more in all. ``value`` is the
    mean over time, the value itself where it stayed the same.
    """
    if len(curve) < 2:
        return Holds(curve.time[:0], curve.time[:0], curve.before[:0])
    change = np.abs(curve.before[1:] - curve.after[:-1])
    still = (curve.state[:-1] == KNOWN) & (change <= tolerance) & ~curve.edge[:-1]
    joined = np.append(False, still[1:] & still[:-1] & (np.abs(curve.after - curve.before)[1:-1] <= tolerance))
    first = np.flatnonzero(still & ~joined)
    last = np.flatnonzero(still & ~np.append(joined[1:], False))
    areas = np.append(0.0, np.cumsum(np.where(still, (curve.after[:-1] + curve.before[1:]) / 2 * np.diff(curve.time), 0.0)))
    low, high = (np.zeros(len(first)), np.zeros(len(first)))
    for at, (a, b) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        inside = np.concatenate([curve.after[a : b + 1], curve.before[a + 1 : b + 2]])
        low[at], high[at] = inside.min(), inside.max()
    begin, end = curve.time[first], curve.time[last + 1]
    mean = (areas[last + 1] - areas[first]) / (end - begin)
    keep = high - low <= tolerance
    return Holds(begin[keep], end[keep], np.where(low == high, low, mean)[keep])


def too_short(stretches: Holds, settle_ns: int, latency_ns: int, doubt_ns: int) -> NDArray[np.bool_]:
    """Return which holds end before a reading in them could be judged."""
    return np.asarray(stretches.end - stretches.begin <= settle_ns + latency_ns + 2 * doubt_ns)


def unread(stretches: Holds, start: Times, end: Times, admitted: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which holds have no admitted reading wholly inside; ``start``, ``end`` i8[n] ns of the readings."""
    starts, order = start[admitted], np.argsort(start[admitted], kind="stable")
    earliest_end = np.minimum.accumulate(end[admitted][order][::-1])[::-1]  # of all readings that start here or later
    at = np.searchsorted(starts[order], stretches.begin, side="left")
    return np.append(earliest_end, np.iinfo(np.int64).max)[at] > stretches.end


def is_settling(curve: AppliedCurve, start: Times, end: Times, within_ns: int, doubt: Times, threshold: float = 0.0) -> NDArray[np.bool_]:
    """Return which of n readings touch step - w .. step + ``within_ns`` + w of a step of more than ``threshold``, bool[n]."""
    leaps = steps(curve, threshold)
    # the reading touches a step's stretch where some step begins by its end and ends after its start
    latest_end = np.append(np.iinfo(np.int64).min // 2, np.maximum.accumulate(leaps.end))
    settled = latest_end[np.searchsorted(leaps.begin, end + doubt, side="right")] + within_ns + doubt
    return np.asarray(start <= settled)


def admissible(
    curve: AppliedCurve,
    start: Times,
    end: Times,
    settle_ns: int,
    latency_ns: int,
    doubt_ns: ArrayLike,
    warm_up_ns: int = 0,
    *,
    threshold: float = 0.0,
    powered_ns: int | None = None,
) -> Admission:
    """Return which readings may be judged against ``curve``, from declared times and the log alone.

    ``start``, ``end`` i8[n] bench ns of the transfers; ``doubt_ns`` the clock's, one for all or each. A reading is left out
    where the window start - L - w .. end + w is not known throughout, in the warm-up (counted from ``powered_ns``, by
    default the log's first row), and where it touches step - w .. step + settle + L + w of a step of more than ``threshold``. The
    first of these reasons counts. Raises UsageError where a time is below 0.
    """
    if min(settle_ns, latency_ns, warm_up_ns, int(np.min(doubt_ns, initial=0))) < 0:
        raise UsageError("settle, latency, warm_up and the clock's doubt must be 0 or more")
    starts, ends, doubt = np.broadcast_arrays(*(np.asarray(item, np.int64) for item in (start, end, doubt_ns)))
    known = window_known(curve, starts - latency_ns - doubt, ends + doubt)
    if powered_ns is None:
        powered_ns = int(curve.time[0]) if len(curve) else 0
    warming = starts - doubt < powered_ns + warm_up_ns if warm_up_ns else np.zeros(starts.shape, np.bool_)
    settling = is_settling(curve, starts, ends, settle_ns + latency_ns, doubt, threshold)
    left_out = {
        NOT_KNOWN: int((~known).sum()),
        WARM_UP: int((known & warming).sum()),
        SETTLING: int((known & ~warming & settling).sum()),
    }
    return Admission(known & ~warming & ~settling, left_out)
