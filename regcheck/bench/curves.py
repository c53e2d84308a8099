"""What the bench applied, as piecewise-linear curves over bench time, and what a window of one can have shown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from regcheck.errors import UsageError

Array = NDArray[np.float64]
Times = NDArray[np.int64]

KNOWN, UNKNOWN, OPEN, SHORT = 0, 1, 2, 3
FIRST_WORD = 10
"""States: a known number; not known; the words open and short; from 10 on, the channel's own words by their index."""

EDGE_LONGEST = 3
EDGE_RATIO = 10.0
"""A measured value leaps where at most three rows' changes, all one way, make ten times each neighbouring change (ours)."""


@dataclass(frozen=True, slots=True, eq=False)
class AppliedCurve:
    """One applied quantity over bench time: m breakpoints, piecewise linear between them, leaps at them.

    ``time`` i8[m] ns, rising. ``after`` f8[m] is the value just after time[k], ``before`` f8[m] just before it (the end of
    segment k - 1): between time[k] and time[k + 1] the value runs straight from after[k] to before[k + 1].
    ``state`` i8[m] of the segment after time[k]; the last segment has no end and is never a known number. Values are NaN where
    the state is not KNOWN; before time[0] nothing is known. ``u_s``, ``u_r`` f8[m]: the larger standard uncertainty of each
    segment's two ends, that which stays over a hold and that drawn fresh each reading. ``edge`` bool[m]: within this
    segment a measured value went from one hold to another, at a time that nobody knows.
    """

    time: Times
    before: Array
    after: Array
    state: NDArray[np.int64]
    u_s: Array
    u_r: Array
    edge: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.time)


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Extremes of a curve over n windows: ``low``, ``high`` f8[n], NaN where not ``known`` (bool[n]) throughout."""

    low: Array
    high: Array
    known: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class DoubtWindow:
    """Extremes of n windows over every clock shift within the doubt, f8[n], NaN where not ``known``.

    A reported r passes within max_low - T .. min_high + T and fails outside min_low - T .. max_high + T (verdicts, rule 8).
    """

    max_low: Array
    min_high: Array
    min_low: Array
    max_high: Array
    known: NDArray[np.bool_]


def curve_from_rows(
    time: Times,
    value: Array,
    state: NDArray[np.int64],
    *,
    between: str = "hold",
    end_ns: int | None = None,
    max_gap_ns: int | None = None,
) -> AppliedCurve:
    """Return the curve of one column of a stimulus log (verdicts, rule 11), without uncertainty.

    ``time`` i8[n] ns, rising; ``value`` f8[n], read where ``state`` i8[n] is KNOWN. ``between`` is 'hold' (what was set stays)
    or 'line' (what was measured joins by lines; from a word to anything else it is not known). Over ``max_gap_ns``
    from row to row nothing is known, nor after the last row: it holds up to ``end_ns``, where the log says its end.
    Raises UsageError where times do not rise, a known value is no number, or the end comes before the last row.
    """
    if between not in ("hold", "line"):
        raise UsageError(f"between rows a column does '{between}', expected hold or line")
    if len(time) and (np.diff(time) <= 0).any():
        raise UsageError("the times of a stimulus column do not rise")
    if not np.isfinite(value[state == KNOWN]).all():
        raise UsageError("a stimulus column holds a value that is no number")
    if end_ns is not None and len(time):
        if end_ns < time[-1]:
            raise UsageError("the end of a stimulus log comes before its last row")
        if end_ns > time[-1]:
            time, value, state = np.append(time, end_ns), np.append(value, value[-1]), np.append(state, state[-1])
    values = np.where(state == KNOWN, value, np.nan)
    segment = state.astype(np.int64)
    ends = np.roll(values, -1) if between == "line" else values
    if between == "line":
        segment = np.where(segment == np.roll(segment, -1), segment, UNKNOWN)
    if len(segment):
        segment[-1] = UNKNOWN
    if max_gap_ns is not None:
        segment[:-1][np.diff(time) > max_gap_ns] = UNKNOWN
    known = segment == KNOWN
    before = np.append(np.nan, np.where(known, ends, np.nan)[:-1])[: len(time)]
    after = np.where(known, values, np.nan)
    edge = _edges(np.where(known, ends - values, np.nan)) if between == "line" else np.zeros(len(time), np.bool_)
    return AppliedCurve(time.astype(np.int64), before, after, segment, np.zeros(len(time)), np.zeros(len(time)), edge)


def _edges(change: Array) -> NDArray[np.bool_]:
    """Return which segments of a line-joined column make a leap: see EDGE_RATIO; NaN (not known) is no neighbour."""
    edge = np.zeros(len(change), np.bool_)
    sign = np.sign(np.nan_to_num(change))
    size = np.nan_to_num(np.abs(change))
    for length in range(1, EDGE_LONGEST + 1):
        starts = np.arange(len(change) - length + 1)
        if not len(starts):
            break
        total = sum((size[starts + k] for k in range(length)), np.zeros(len(starts)))
        one_way = np.all([(sign[starts + k] == sign[starts]) & (sign[starts] != 0) for k in range(length)], axis=0)
        neighbour = np.maximum(np.append(0.0, size)[starts], np.append(size, 0.0)[starts + length])
        for k in range(length):
            edge[starts[one_way & (total > EDGE_RATIO * neighbour)] + k] = True
    return edge


def merge_breakpoints(curves: Sequence[AppliedCurve], pieces: int = 1) -> Times:
    """Return every time at which one of the curves may bend or leap, in order.

    With ``pieces`` above 1 each sloping segment is cut into so many: for a formula that does not keep a line straight.
    """
    times = [curve.time for curve in curves]
    for curve in curves if pieces > 1 else ():
        slopes = (curve.after[:-1] != curve.before[1:]) & (curve.state[:-1] == KNOWN)
        begin, length = curve.time[:-1][slopes], np.diff(curve.time)[slopes]
        times += [begin + length * piece // pieces for piece in range(1, pieces)]
    return np.unique(np.concatenate(times)) if times else np.zeros(0, np.int64)


def _at(curve: AppliedCurve, segment: NDArray[np.intp], times: Times) -> Array:
    """Return values at ``times``, each within (or at the end of) its ``segment``, NaN where that is none or not known."""
    inside = np.clip(segment, 0, max(len(curve) - 1, 0))
    if not len(curve):
        return np.full(segment.shape, np.nan)
    following = np.minimum(inside + 1, len(curve) - 1)
    begin, length = curve.time[inside], curve.time[following] - curve.time[inside]
    first, last = curve.after[inside], curve.before[following]
    share = (times - begin) / np.maximum(length, 1)
    straight = first + (last - first) * share
    value = np.where(share <= 0, first, np.where(share >= 1, last, np.clip(straight, np.fmin(first, last), np.fmax(first, last))))
    return np.where((segment >= 0) & (curve.state[inside] == KNOWN) & (inside < len(curve) - 1), value, np.nan)


def _segment_after(curve: AppliedCurve, times: Times) -> NDArray[np.intp]:
    return np.asarray(np.searchsorted(curve.time, times, side="right") - 1)


def _segment_before(curve: AppliedCurve, times: Times) -> NDArray[np.intp]:
    return np.asarray(np.searchsorted(curve.time, times, side="left") - 1)


def resample(curve: AppliedCurve, times: Times) -> AppliedCurve:
    """Return the curve with breakpoints at ``times`` (i8, rising): the same one where they include its own."""
    segment = _segment_after(curve, times)
    if not len(curve):
        blank, zero = np.full(len(times), np.nan), np.zeros(len(times))
        return AppliedCurve(times, blank, blank, np.full(len(times), UNKNOWN), zero, zero, np.zeros(len(times), np.bool_))
    there = np.clip(segment, 0, None)
    outside = segment < 0
    return AppliedCurve(
        times,
        _at(curve, _segment_before(curve, times), times),
        _at(curve, segment, times),
        np.where(outside, UNKNOWN, curve.state[there]),
        np.where(outside, 0.0, curve.u_s[there]),
        np.where(outside, 0.0, curve.u_r[there]),
        np.where(outside, False, curve.edge[there]),
    )


def _range_extreme(values: Array, first: NDArray[np.intp], last: NDArray[np.intp], pick: Callable[..., Array], empty: float) -> Array:
    """Return the extreme of values[first .. last] for each pair, ``empty`` where first > last.

    Doubles the span of a table in place, so memory stays that of ``values`` however long the spans are.
    """
    length = last - first + 1
    result = np.full(length.shape, empty)
    level = np.frexp(np.maximum(length, 1).astype(np.float64))[1] - 1  # floor(log2(length)), exact for any count of rows
    table, span = values, 1
    for step in range(int(level.max(initial=0)) + 1):
        use = (level == step) & (length > 0)
        result[use] = pick(table[first[use]], table[last[use] - span + 1])
        if len(table) <= span:
            break
        table = pick(table[:-span], table[span:])
        span *= 2
    return result


def _touched(
    curve: AppliedCurve, start: ArrayLike, end: ArrayLike
) -> tuple[Times, Times, NDArray[np.intp], NDArray[np.intp], NDArray[np.bool_]]:
    """Return windows, the first and last segment that each touches (its ends included), and where a first one exists."""
    starts, ends = np.broadcast_arrays(np.asarray(start, np.int64), np.asarray(end, np.int64))
    if (starts > ends).any():
        raise UsageError("a window ends before it starts")
    first, last = _segment_before(curve, starts), _segment_after(curve, ends)
    return starts, ends, np.clip(first, 0, None), last, first >= 0


def window_known(curve: AppliedCurve, start: ArrayLike, end: ArrayLike) -> NDArray[np.bool_]:
    """Return for each closed window start .. end (i8 ns) whether every segment that it touches is a known number."""
    _, _, first, last, inside = _touched(curve, start, end)
    bad = np.append(0, np.cumsum(curve.state != KNOWN))
    return np.asarray(inside & (bad[last + 1] == bad[np.minimum(first, last + 1)]))


def window_extremes(curve: AppliedCurve, start: ArrayLike, end: ArrayLike) -> Window:
    """Return the smallest and largest value within each closed window start .. end (i8 ns, any shape).

    Both sides of a leap count, at the window's own ends too. Raises UsageError where a window ends before it starts.
    """
    starts, ends, first, last, _ = _touched(curve, start, end)
    known = window_known(curve, starts, ends)
    edges = _at(curve, first, starts), _at(curve, last, ends)
    inner = np.where(known, first + 1, 1), np.where(known, last, 0)
    low = _range_extreme(np.fmin(curve.before, curve.after), *inner, np.fmin, np.inf)
    high = _range_extreme(np.fmax(curve.before, curve.after), *inner, np.fmax, -np.inf)
    low, high = np.fmin(low, np.fmin(*edges)), np.fmax(high, np.fmax(*edges))
    return Window(np.where(known, low, np.nan), np.where(known, high, np.nan), known)


def window_uncertainty(curve: AppliedCurve, start: ArrayLike, end: ArrayLike) -> tuple[Array, Array]:
    """Return the largest u_s and u_r of the segments that each window touches, NaN where it is not known throughout."""
    _, _, first, last, _ = _touched(curve, start, end)
    known = window_known(curve, start, end)
    spans = np.where(known, first, 1), np.where(known, last, 0)
    u_s, u_r = (_range_extreme(values, *spans, np.fmax, np.nan) for values in (curve.u_s, curve.u_r))
    return u_s, u_r


def clock_doubt_extremes(curve: AppliedCurve, start: ArrayLike, end: ArrayLike, latency_ns: int, doubt_ns: ArrayLike) -> DoubtWindow:
    """Return what a device with a latency may have shown between start and end, over every clock shift within +/- doubt (verdicts, rule 8).

    ``start``, ``end`` i8[n] bench ns of the transfers, ``doubt_ns`` one for all or each. Over the envelope
    start - L - w .. end + w lie min_low and max_high. The core start - L + w .. end - w lies in every shifted window and gives
    max_low and min_high; where it is empty, every shifted window touches the gap end - w .. start - L + w, whose
    largest and smallest value bound them instead. Both bounds are on the careful side.
    """
    starts, ends, doubt = np.broadcast_arrays(*(np.asarray(item, np.int64) for item in (start, end, doubt_ns)))
    envelope = window_extremes(curve, starts - latency_ns - doubt, ends + doubt)
    core_start, core_end = starts - latency_ns + doubt, ends - doubt
    empty = core_start > core_end
    inner = window_extremes(curve, np.minimum(core_start, core_end), np.maximum(core_start, core_end))
    known = envelope.known
    max_low, min_high = np.where(empty, inner.high, inner.low), np.where(empty, inner.low, inner.high)
    return DoubtWindow(np.where(known, max_low, np.nan), np.where(known, min_high, np.nan), envelope.low, envelope.high, known)
