"""Accuracy: each good reading against what the bench applied, by the one decision rule (verdicts, rules 1 to 18)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.admission import admissible
from regcheck.bench.clock import Clock, Times
from regcheck.bench.curves import clock_doubt_extremes
from regcheck.checks.accumulator import Spot
from regcheck.checks.decision import BOUND, FAIL, PASS, UNDECIDED, linear_to_quanta, to_quanta
from regcheck.checks.judge import MOVED, NO_STATE, Judge, TableTimes
from regcheck.checks.limits_at import SegmentLimits
from regcheck.codec.columns import NO_READING, FieldColumn, FieldId, MessageColumns
from regcheck.codec.decoded import DecodedBatch

SEVERITY = {PASS: 0, UNDECIDED: 1, FAIL: 2}
STATE_UNKNOWN, STATE_MOVED = "state that its `when` names not known", "state that its `when` names changed before it was read again"
NO_CLOCK, NO_LIMIT, NO_CASE = "capture's clock not known", "applied value or limit not known", "no accuracy holds there"
OTHER_UNIT, OTHER_STEP = "reported in another unit", "another step than the limit's"

FAR = 1 << 31
"""Deviations from a hold's value are summed within +/- this many quanta; what is farther off is counted and left out of the sums."""


@dataclass(frozen=True, slots=True)
class WorstReading:
    """The reading that decides: the gravest verdict, then the largest share of its limit, then the earliest."""

    severity: int
    share: float
    error: int  # quanta
    reported: int  # quanta
    segment: int
    table: int
    spot: Spot

    def beats(self, other: WorstReading | None) -> bool:
        """Return whether this one is worse than an earlier one."""
        return other is None or (self.severity, self.share) > (other.severity, other.share)


SAMPLE = 512
"""Failing readings that are kept one by one, chosen by a hash of their time, so that no order of batches matters."""


def hashed(time: Times) -> NDArray[np.int64]:
    """Return a hash of each time, i8[n], 0 or more (the finaliser of SplitMix64: Steele, Lea and Flood, OOPSLA 2014; from memory)."""
    mixed = time.astype(np.uint64)
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        mixed = (mixed ^ mixed >> np.uint64(shift)) * np.uint64(factor)
    return np.asarray((mixed ^ mixed >> np.uint64(31)) >> np.uint64(1)).astype(np.int64)


@dataclass(slots=True, eq=False)
class FailingSample:
    """Readings in holds that failed: ``rows`` i8[k, 4] of hash, hold, ns since the hold began, deviation from its value in quanta."""

    rows: NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 4), np.int64))

    def add(self, more: NDArray[np.int64]) -> None:
        """Add rows and keep those of the smallest hashes."""
        if len(self.rows) == SAMPLE:
            more = more[more[:, 0] <= self.rows[-1, 0]]
        if len(more):
            rows = np.concatenate([self.rows, more])
            self.rows = rows[np.lexsort(rows.T[::-1])[:SAMPLE]]


Watch = Callable[[Times, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[Any]], None]
"""Told of readings as they are judged: capture times, values and errors in quanta, segments of the applied curve, codes of verdicts."""


@dataclass(slots=True, eq=False)
class Tally:
    """What one field's readings came to; every sum is of integers, so that any order of adding gives the same."""

    judge: Judge
    good: int = 0
    other_status: NDArray[np.int64] = field(default_factory=lambda: np.zeros(256, np.int64))
    left_out: dict[str, int] = field(default_factory=dict)
    decided: NDArray[np.int64] = field(default_factory=lambda: np.zeros(3, np.int64))
    by_segment: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    undecided_segment: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    hold_count: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    hold_sum: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    hold_square_high: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    hold_square_low: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    failing: FailingSample = field(default_factory=lambda: FailingSample())
    far: int = 0
    doubt_ns: int = 0
    worst: WorstReading | None = None
    watch: Watch | None = None

    def __post_init__(self) -> None:
        segments, count = len(self.judge.curve), len(self.judge.holds)
        self.by_segment = np.zeros(segments, np.int64)
        self.undecided_segment = np.zeros(segments, np.int64)
        for name in ("hold_count", "hold_sum", "hold_square_high", "hold_square_low"):
            setattr(self, name, np.zeros(count, np.int64))

    def leave_out(self, reason: str, count: int) -> None:
        """Count readings that were not judged."""
        if count:
            self.left_out[reason] = self.left_out.get(reason, 0) + count

    def then(self, later: Tally) -> None:
        """Add what a later tally of the same judge holds."""
        self.good += later.good
        self.other_status += later.other_status
        for reason, count in later.left_out.items():
            self.leave_out(reason, count)
        self.decided += later.decided
        self.by_segment += later.by_segment
        self.undecided_segment += later.undecided_segment
        self.hold_count += later.hold_count
        self.hold_sum += later.hold_sum
        self.hold_square_high += later.hold_square_high
        self.hold_square_low += later.hold_square_low
        self.failing.add(later.failing.rows)
        self.far += later.far
        self.doubt_ns = max(self.doubt_ns, later.doubt_ns)
        if later.worst is not None and later.worst.beats(self.worst):
            self.worst = later.worst


def reported_quanta(column: FieldColumn, rows: NDArray[np.int64], quantum: Fraction) -> NDArray[np.int64]:
    """Return the reported values of some rows, int64 quanta, exact where the meaning is linear."""
    out = np.zeros(len(rows), np.int64)
    for index, meaning in enumerate(column.meanings):
        mask = column.meaning[rows] == index
        if not mask.any():
            continue
        raw = column.raw[rows[mask]]
        largest = max(abs(int(raw.max())), abs(int(raw.min())))
        if meaning.linear and largest * abs(meaning.scale) + abs(meaning.offset) <= BOUND * quantum:
            out[mask] = linear_to_quanta(raw, *meaning.integers, quantum)
        else:
            out[mask] = to_quanta(meaning.values(raw), quantum, saturate=True)
    return out


def _comparable(tally: Tally, column: FieldColumn, own: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the readings whose meaning has the unit of the applied value and, where the limit counts in steps, the limit's step."""
    judge = tally.judge
    unit = np.array([meaning.unit == judge.field.unit for meaning in column.meanings], np.bool_)
    step = np.array([not judge.by_step or float(meaning.step) == judge.step for meaning in column.meanings], np.bool_)
    if not len(unit) or (unit.all() and step.all()):
        return own
    at = column.meaning[own]
    tally.leave_out(OTHER_UNIT, int((~unit[at]).sum()))
    tally.leave_out(OTHER_STEP, int((unit[at] & ~step[at]).sum()))
    return own[unit[at] & step[at]]


@dataclass(frozen=True, slots=True)
class CaptureClock:
    """One capture's clock (None: it cannot be told, so nothing is judged) and the doubt of its time stamps, +/- ns."""

    clock: Clock | None
    timestamps_ns: int = 0

    def bench_times(self, start: Times, end: Times) -> tuple[Times, Times, Times]:
        """Return start and end of transfers in bench ns, and the doubt of each, +/- ns."""
        assert self.clock is not None  # noqa: S101 - the caller asked
        middle, doubt = self.clock.bench_time(start)
        return middle, middle + (end - start), doubt + self.timestamps_ns


def judge_readings(
    tally: Tally, columns: MessageColumns, column: FieldColumn, context: CaptureClock, times: TableTimes, source: int
) -> None:
    """Add one batch's readings of one field to its tally."""
    judge = tally.judge
    rows = np.arange(len(columns.time)) if column.rows is None else column.rows
    good = column.status == 0
    tally.other_status += np.bincount(column.status[~good], minlength=256)
    tally.good += int(good.sum())
    own = _comparable(tally, column, np.flatnonzero(good))
    if not len(own) or judge.refused or judge.lacking:
        return
    if context.clock is None:
        tally.leave_out(NO_CLOCK, len(own))
        return
    table = times.at(columns.time[rows[own]])
    start, end, doubt = context.bench_times(columns.time[rows[own]], columns.end[rows[own]])
    tally.doubt_ns = max(tally.doubt_ns, int(doubt.max()))
    admission = admissible(judge.curve, start, end, judge.settle_ns, judge.latency_ns, doubt, judge.warm_up_ns)
    for reason, count in admission.left_out.items():
        tally.leave_out(reason, count)
    segment = np.clip(np.searchsorted(judge.curve.time, end, side="right") - 1, 0, len(judge.curve) - 1)
    window = clock_doubt_extremes(judge.curve, start, end, judge.latency_ns, doubt)
    usable = admission.admitted & window.known & (table >= 0)
    for code, reason in ((NO_STATE, STATE_UNKNOWN), (MOVED, STATE_MOVED)):
        tally.leave_out(reason, int((admission.admitted & (table == code)).sum()))
    tally.leave_out(NO_LIMIT, int((admission.admitted & ~usable & (table > NO_STATE)).sum()))
    keep = np.flatnonzero(usable)
    worst: list[tuple[int, WorstReading]] = []
    for number, one in enumerate(judge.tables):
        chosen = keep[table[keep] == number]
        chosen = chosen[one.limits.judged[segment[chosen]]]
        tally.leave_out(NO_CASE, int((table[keep] == number).sum()) - len(chosen))
        if len(chosen):
            worst += _decide(
                tally,
                column,
                own[chosen],
                start[chosen],
                end[chosen],
                segment[chosen],
                number,
                [part[chosen] for part in (window.max_low, window.min_high, window.min_low, window.max_high)],
                columns,
                rows,
                source,
            )
    # of equal ones the earliest, whichever table judged it
    for _, candidate in sorted(worst, key=lambda one: one[0]):
        if candidate.beats(tally.worst):
            tally.worst = candidate


def _decide(
    tally: Tally,
    column: FieldColumn,
    own: NDArray[np.int64],
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    segment: NDArray[np.int64],
    number: int,
    window: list[NDArray[np.float64]],
    columns: MessageColumns,
    rows: NDArray[np.int64],
    source: int,
) -> list[tuple[int, WorstReading]]:
    judge = tally.judge
    limits, accept = judge.tables[number].limits, judge.tables[number].acceptance
    reported = reported_quanta(column, own, judge.quantum)
    max_low, min_high, min_low, max_high = (to_quanta(part, judge.quantum) for part in window)
    pass_low, pass_high = accept.pass_low[segment], accept.pass_high[segment]
    passes = (pass_low <= pass_high) & (reported >= max_low + pass_low) & (reported <= min_high + pass_high)
    fails = (reported < min_low + accept.fail_low[segment]) | (reported > max_high + accept.fail_high[segment])
    verdict = np.where(fails, FAIL, np.where(passes, PASS, UNDECIDED))
    tally.decided += np.bincount(verdict, minlength=3)
    tally.by_segment += np.bincount(segment, minlength=len(judge.curve))
    tally.undecided_segment += np.bincount(segment[verdict == UNDECIDED], minlength=len(judge.curve))
    nearest = np.clip(reported, np.minimum(min_low, max_high), max_high)
    error = reported - nearest
    _add_to_holds(tally, reported, start, end, verdict)
    if tally.watch is not None:
        tally.watch(columns.time[rows[own]], reported, error, segment, verdict)
    at, worst = _worst(tally.judge, verdict, error, reported, segment, number, limits, columns, rows[own], source)
    return [(int(own[at]), worst)]


def _worst(
    judge: Judge,
    verdict: NDArray[Any],
    error: NDArray[np.int64],
    reported: NDArray[np.int64],
    segment: NDArray[np.int64],
    number: int,
    limits: SegmentLimits,
    columns: MessageColumns,
    rows: NDArray[np.int64],
    source: int,
) -> tuple[int, WorstReading]:
    quantum = float(judge.quantum)
    bound = np.where(error > 0, limits.fail_high[segment], -limits.fail_low[segment])
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(error == 0, 0.0, np.abs(error) * quantum / bound)
    rank = np.array([SEVERITY[code] for code in range(3)])[verdict]
    order = np.lexsort((np.arange(len(share)), -share, -rank))
    best = int(order[0])
    spot = Spot(int(columns.time[rows[best]]), source, int(columns.place[rows[best]]))
    return best, WorstReading(int(rank[best]), float(share[best]), int(error[best]), int(reported[best]), int(segment[best]), number, spot)


def _add_to_holds(
    tally: Tally, reported: NDArray[np.int64], start: NDArray[np.int64], end: NDArray[np.int64], verdict: NDArray[Any]
) -> None:
    judge = tally.judge
    if not len(judge.holds):
        return
    hold = np.searchsorted(judge.holds.begin, start, side="right") - 1
    inside = (hold >= 0) & (end <= judge.holds.end[np.clip(hold, 0, None)])
    deviation = reported - judge.expected_quanta()[np.clip(hold, 0, None)]
    near = inside & (np.abs(deviation) < FAR)
    tally.far += int((inside & ~near).sum())
    hold, deviation, at = hold[near], deviation[near], start[near]
    count = len(judge.holds)
    squares = deviation * deviation
    tally.hold_count += np.bincount(hold, minlength=count)
    np.add.at(tally.hold_sum, hold, deviation)
    np.add.at(tally.hold_square_high, hold, squares >> 32)
    np.add.at(tally.hold_square_low, hold, squares & 0xFFFF_FFFF)
    beyond = verdict[near] == FAIL
    tally.failing.add(np.column_stack([hashed(at[beyond]), hold[beyond], (at - judge.holds.begin[hold])[beyond], deviation[beyond]]))


class AccuracyCheck:
    """The accuracy of every field that the bench drives, each with its own judge."""

    def __init__(self, judges: tuple[Judge, ...], times: Mapping[FieldId, TableTimes], context: CaptureClock, source: int) -> None:
        self.times, self.context, self.source = times, context, source
        self.tallies = {judge.id: Tally(judge) for judge in judges}
        self.not_driven: dict[FieldId, int] = {}

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        for columns in batch.messages:
            if columns.written and "read" in columns.message.access:
                continue
            for id, column in columns.fields.items():
                tally = self.tallies.get(id)
                if tally is None and column.field.accuracy and (id.element is not None or id.instance):
                    seen = int((column.status != NO_READING).sum())
                    self.not_driven[id] = self.not_driven.get(id, 0) + seen
                if tally is not None:
                    judge_readings(tally, columns, column, self.context, self.times[id], self.source)

    def tick(self, end_ns: int) -> None:
        """Silence changes nothing here."""

    def then(self, later: AccuracyCheck) -> None:
        """Take all that a later check of the same judges has seen."""
        for id, tally in self.tallies.items():
            tally.then(later.tallies[id])
        for id, seen in later.not_driven.items():
            self.not_driven[id] = self.not_driven.get(id, 0) + seen
