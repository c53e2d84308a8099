"""What a report draws, in seconds and in each field's unit: frozen, so that a page or a notebook may draw it as it likes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.curves import KNOWN
from regcheck.checks.accuracy import CaptureClock
from regcheck.checks.decision import FAIL, PASS, UNDECIDED, VERDICTS
from regcheck.checks.evidence_messages import WireMessage
from regcheck.checks.finding import Verdict
from regcheck.checks.judge import Judge
from regcheck.checks.plots import PlotCheck, Trace
from regcheck.checks.time_buckets import TimeBuckets
from regcheck.codec.columns import FieldId
from regcheck.device_map.model import RegisterMap

Array = NDArray[np.float64]

MOST_LEVELS = 128
"""Applied values that errors are drawn over; of more, neighbours share one, with the extremes of both."""

MOST_POINTS = 1024
"""Breakpoints of an applied curve that are drawn as they are; of more, the extremes of equal stretches."""

BY_RANK: tuple[Verdict, ...] = (VERDICTS[PASS], VERDICTS[UNDECIDED], VERDICTS[FAIL])


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Extremes over time: ``begin_ns`` i8[n] on the capture's clock, each ``width_ns`` long; ``low``, ``high`` f8[n]; ``count`` i8[n]."""

    begin_ns: NDArray[np.int64]
    width_ns: int
    low: Array
    high: Array
    count: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.begin_ns)


@dataclass(frozen=True, slots=True, eq=False)
class OverTime:
    """One field in one capture: all good readings, those that failed or could not be decided, the errors of those judged.

    ``applied`` f8[k, 2] is what the bench applied, capture time in ns since ``since_ns`` and value, NaN where it is not known.
    """

    source: int
    reported: Stretches
    failing: Stretches
    undecided: Stretches
    error: Stretches
    since_ns: int
    applied: Array


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Errors over the applied value, f8[k] in order of it: extremes, limits, standard uncertainty, and the gravest verdict of each."""

    applied: Array
    low: Array
    high: Array
    limit_low: Array
    limit_high: Array
    u: Array
    verdict: tuple[Verdict, ...]


@dataclass(frozen=True, slots=True, eq=False)
class FieldPlots:
    """What is drawn of one field: its unit, one entry a capture, and its errors (None where nothing was judged)."""

    unit: str
    times: tuple[OverTime, ...]
    levels: Levels | None


@dataclass(frozen=True, slots=True, eq=False)
class BusPlot:
    """One capture's messages over time, i8[n] a stretch: all, with a wrong or missing check, not acknowledged, not explained by the map."""

    source: int
    begin_ns: NDArray[np.int64]
    width_ns: int
    messages: NDArray[np.int64]
    bad_check: NDArray[np.int64]
    refused: NDArray[np.int64]
    unexplained: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class MapText:
    """A map, or one that it builds on, as it was read: SHA-256 and lines."""

    sha256: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Plots:
    """What a report shows beside the findings; empty where nothing was gathered.

    ``fields`` by path as in a requirement; ``wire`` the messages that evidence points at, by capture and place; ``texts`` by file.
    """

    fields: Mapping[str, FieldPlots] = field(default_factory=dict)
    bus: tuple[BusPlot, ...] = ()
    wire: Mapping[tuple[int, int], WireMessage] = field(default_factory=dict)
    texts: Mapping[str, MapText] = field(default_factory=dict)
    register_map: RegisterMap | None = None
    note: str = ""


def field_plots(check: PlotCheck, judges: Sequence[Judge], clocks: Sequence[CaptureClock]) -> dict[str, FieldPlots]:
    """Return what is drawn of every field that was read, by its path."""
    by_id = {judge.id: judge for judge in judges}
    found: dict[str, FieldPlots] = {}
    of: dict[FieldId, list[tuple[int, Trace]]] = {}
    for (source, id), trace in sorted(check.traces.items(), key=lambda pair: pair[0][0]):
        if len(trace.reported):
            of.setdefault(id, []).append((source, trace))
    for id, traces in of.items():
        judge = by_id.get(id)
        times = tuple(_over_time(source, trace, judge, clocks) for source, trace in traces)
        levels = _levels(judge, [trace for _, trace in traces]) if judge is not None else None
        found[str(id)] = FieldPlots(traces[0][1].unit, times, levels)
    return found


def bus_plots(check: PlotCheck) -> tuple[BusPlot, ...]:
    """Return each capture's messages over time; stretches in which nothing came are there, too."""
    return tuple(
        BusPlot(source, (np.arange(len(one)) + one.first) << one.shift, 1 << one.shift, *one.columns)
        for source, one in sorted(check.bus.items())
    )


def _stretches(buckets: TimeBuckets, quantum: float) -> Stretches:
    begin, (low, high, count) = buckets.filled()
    return Stretches(begin, 1 << buckets.shift, low * quantum, high * quantum, count)


def _over_time(source: int, trace: Trace, judge: Judge | None, clocks: Sequence[CaptureClock]) -> OverTime:
    quantum = float(trace.quantum)
    parts = [_stretches(one, quantum) for one in (trace.reported, trace.failing, trace.undecided, trace.error)]
    since, until = trace.reported.begin_ns, trace.reported.end_ns
    clock = clocks[source].clock if source < len(clocks) else None
    applied = np.zeros((0, 2))
    if judge is not None and clock is not None and until > since:
        (first, last), _ = clock.bench_time([since, until])
        applied = _applied(judge, int(first), int(last), until - since)
    return OverTime(source, parts[0], parts[1], parts[2], parts[3], since, applied)


def _applied(judge: Judge, first: int, last: int, length_ns: int) -> Array:
    """Return the applied curve between two bench times, as points of capture time since the first reading, and value."""
    curve = judge.curve
    begin, end = (int(np.searchsorted(curve.time, time, side="right")) for time in (first, last))
    rows = np.arange(max(begin - 1, 0), end)
    if not len(rows) or last <= first:
        return np.zeros((0, 2))
    stretch = length_ns / (last - first)
    points: list[tuple[float, float]] = []
    for row in rows.tolist():
        at: float = float(curve.time[row] - first) * stretch
        known = curve.state[row] == KNOWN
        until = float(curve.time[row + 1] - first) * stretch if row + 1 < len(curve) else float(length_ns)
        begin_value, end_value = float(curve.after[row]), float(curve.before[row + 1]) if row + 1 < len(curve) else float("nan")
        if not known:
            points.append((at, float("nan")))
            continue
        span = until - at or 1.0
        left, right = max(at, 0.0), min(until, float(length_ns))
        if left <= right:
            points += [(left, begin_value + (end_value - begin_value) * (left - at) / span)]
            points += [(right, begin_value + (end_value - begin_value) * (right - at) / span)]
    found = np.array(points).reshape(-1, 2)
    return found if len(found) <= 2 * MOST_POINTS else _thinned(found, length_ns)


def _thinned(points: Array, length_ns: int) -> Array:
    """Return the lowest and highest point of each of ``MOST_POINTS`` stretches, in order of time; gaps stay where they fill a stretch."""
    at = np.minimum((points[:, 0] * MOST_POINTS / length_ns).astype(np.int64), MOST_POINTS - 1)
    starts = np.append(0, np.flatnonzero(np.diff(at)) + 1)
    kept: list[Array] = []
    for part in np.split(points, starts[1:]):
        good = part[np.isfinite(part[:, 1])]
        ends = good[np.unique([int(good[:, 1].argmin()), int(good[:, 1].argmax())])] if len(good) else part[:1]
        kept.append(ends)
    return np.concatenate(kept)


def _levels(judge: Judge, traces: Sequence[Trace]) -> Levels | None:
    """Return the errors by what was applied: a value a segment of the curve, neighbours together where there are too many."""
    low = np.minimum.reduce([trace.error_low for trace in traces])
    high = np.maximum.reduce([trace.error_high for trace in traces])
    rank = np.maximum.reduce([trace.worst for trace in traces])
    rows = np.flatnonzero(rank >= 0)
    if not len(rows) or not judge.tables:
        return None
    curve, quantum = judge.curve, float(judge.quantum)
    after = np.append(curve.before[1:], np.nan)
    middle = np.where(np.isfinite(after), (curve.after + after) / 2, curve.after)[rows]
    limit_low = np.minimum.reduce([table.limits.fail_low for table in judge.tables])[rows]
    limit_high = np.maximum.reduce([table.limits.fail_high for table in judge.tables])[rows]
    u = np.hypot(curve.u_s, curve.u_r)[rows]
    order = np.argsort(middle, kind="stable")
    middle, limit_low, limit_high, u = (part[order] for part in (middle, limit_low, limit_high, u))
    low, high, rank = (part[rows][order] for part in (low, high, rank))
    span = middle[-1] - middle[0]
    keys = np.arange(len(rows))
    if len(rows) > MOST_LEVELS:
        keys = np.minimum(((middle - middle[0]) * MOST_LEVELS / (span or 1.0)).astype(np.int64), MOST_LEVELS - 1)
    starts = np.append(0, np.flatnonzero(np.diff(keys)) + 1)
    return Levels(
        middle[starts],
        np.minimum.reduceat(low, starts) * quantum,
        np.maximum.reduceat(high, starts) * quantum,
        np.minimum.reduceat(limit_low, starts),
        np.maximum.reduceat(limit_high, starts),
        np.maximum.reduceat(u, starts),
        tuple(BY_RANK[code] for code in np.maximum.reduceat(rank, starts).tolist()),
    )
