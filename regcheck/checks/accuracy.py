"""Accuracy: each good reading against what the bench applied, by the one decision rule (verdicts, rules 1 to 18)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.calm import Sight, Slices
from regcheck.bench.clock import Clock, Times
from regcheck.bench.curves import DoubtWindow, clock_doubt_extremes
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


SMALL = 1 << 20
"""Of codes within +/- this, as many of them, the squares add up within int64."""


def _steps(column: FieldColumn, judge: Judge) -> tuple[int, int] | None:
    """Return times, plus: reported quanta = raw x times + plus; None where raw codes are no such whole numbers, or large."""
    if not column.plain or 1 << column.width > SMALL or len(column.raw) > SMALL:
        return None
    num, den, off = column.meanings[0].integers
    top, bottom = judge.quantum.denominator, den * judge.quantum.numerator
    if num * top % bottom or off * top % bottom or abs(num * top // bottom) * SMALL + abs(off * top // bottom) > BOUND:
        return None
    return num * top // bottom, off * top // bottom


def _square_sums(code: NDArray[np.int64], edges: NDArray[np.int64]) -> list[int]:
    """Return the sum of the squares in each slice (``Slices.edges``)."""
    squares = code * code
    if not len(code) or max(abs(int(code.min())), abs(int(code.max()))) <= SMALL >= len(code):
        return cast("list[int]", np.add.reduceat(squares, edges)[::2].tolist())
    high, low = (np.add.reduceat(part, edges)[::2].tolist() for part in (squares >> 32, squares & 0xFFFF_FFFF))
    return [(one << 32) + other for one, other in zip(high, low, strict=True)]


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

    def seen(self, columns: MessageColumns, judge: Judge, rows: NDArray[np.int64]) -> tuple[Sight, Slices]:
        """Return when messages ``rows`` i8[n] were on the bus, in order, and which of them may be judged."""
        sight = columns.worked.get(Sight)
        if sight is None:
            sight = columns.worked[Sight] = Sight(*self.bench_times(columns.time, columns.end))
        if len(rows) < len(columns.time):
            some = sight.take(rows)
            return some, judge.slices(some)
        key = (Slices, judge.calm.pattern or judge.id)
        if key not in columns.worked:
            columns.worked[key] = judge.slices(sight)
        return sight, columns.worked[key]


def shown_by(judge: Judge, sight: Sight, rows: NDArray[np.int64]) -> DoubtWindow:
    """Return what a device with the judge's latency may have shown at some rows of a sight, that lie in no slice."""
    return clock_doubt_extremes(judge.curve, sight.start[rows], sight.end[rows], judge.latency_ns, sight.doubt[rows])


Candidate = tuple[int, WorstReading]
"""A reading that may decide, and its place in the batch."""


def judge_readings(
    tally: Tally, columns: MessageColumns, column: FieldColumn, context: CaptureClock, times: TableTimes, source: int
) -> None:
    """Add one batch's readings of one field to its tally."""
    judge = tally.judge
    rows = np.arange(len(columns.time)) if column.rows is None else column.rows
    own = np.arange(len(rows))
    if not column.plain:
        good = column.status == 0
        tally.other_status += np.bincount(column.status[~good], minlength=256)
        own = np.flatnonzero(good)
    tally.good += len(own)
    own = _comparable(tally, column, own)
    if not len(own) or judge.refused or judge.lacking:
        return
    if context.clock is None:
        tally.leave_out(NO_CLOCK, len(own))
        return
    batch = _Judged(tally, columns, column, rows[own], source, own, *context.seen(columns, judge, rows[own]))
    worst: list[Candidate] = []
    for reason, count in batch.seen.left_out.items():
        tally.leave_out(reason, count)
    tally.doubt_ns = max(tally.doubt_ns, batch.sight.largest_doubt)
    if len(times.table) == 1 and times.table[0] >= 0:
        number = int(times.table[0])
        worst += batch.judge_slices(number)
        worst += batch.judge_others(batch.seen.others, lambda at: np.full(len(at), number))
    else:
        chosen = np.sort(np.concatenate([batch.seen.rows(), batch.seen.others]))
        worst += batch.judge_others(chosen, lambda at: times.at(columns.time[rows[own[at]]]))
    # of equal ones the earliest, whichever table judged it
    for _, candidate in sorted(worst, key=lambda one: one[0]):
        if candidate.beats(tally.worst):
            tally.worst = candidate


@dataclass(frozen=True, slots=True, eq=False)
class _Judged:
    """Good readings of one batch and field: ``rows`` i8[n] their messages, ``own`` i8[n] their places in the column."""

    tally: Tally
    columns: MessageColumns
    column: FieldColumn
    rows: NDArray[np.int64]
    source: int
    own: NDArray[np.int64]
    sight: Sight
    seen: Slices

    @property
    def is_part(self) -> bool:
        """Whether not all of the column is judged."""
        return len(self.own) < len(self.column.raw)

    def judge_slices(self, number: int) -> list[Candidate]:
        """Judge the readings over which the curve stands still by one table: a slice whose extremes pass, passes."""
        tally, judge, seen = self.tally, self.tally.judge, self.seen
        if not len(seen.first):
            return []
        limits, accept = judge.tables[number].limits, judge.tables[number].acceptance
        segment, count = seen.segment, seen.last - seen.first
        steps, level = _steps(self.column, judge), judge.level[segment]
        # deviations from the level are code x times + plus, the same in all of a slice
        if steps is not None:
            code, (times, offset) = self.column.raw[self.own] if self.is_part else self.column.raw, steps
            plus = offset - level
        else:
            code, times, plus = (
                reported_quanta(self.column, self.own, judge.quantum) - level[seen.of_row],
                1,
                np.zeros(len(level), np.int64),
            )
        ends = [pick.reduceat(code, seen.edges)[::2] * times + plus for pick in (np.minimum, np.maximum)]
        lowest, highest = ends if times > 0 else ends[::-1]
        judged = limits.judged[segment]
        tally.leave_out(NO_CASE, int(count[~judged].sum()))
        low = np.maximum(accept.pass_low[segment], accept.fail_low[segment])
        high = np.minimum(accept.pass_high[segment], accept.fail_high[segment])
        passes = judged & (lowest >= np.maximum(low, 1 - FAR)) & (highest <= np.minimum(high, FAR - 1)) & (low <= high)
        rest: list[Candidate] = []
        if (judged & ~passes).any():
            at = seen.rows(judged & ~passes)
            rest = self._decide(at, [judge.level[self._segment(at)]] * 4, number)
        if not passes.any():
            return rest
        number_passed = count[passes]
        tally.decided[PASS] += number_passed.sum()
        np.add.at(tally.by_segment, segment[passes], number_passed)
        hold = judge.calm.hold[segment[passes]]
        np.add.at(tally.hold_count, hold, number_passed)
        numbers = number_passed.tolist(), np.add.reduceat(code, seen.edges)[::2][passes].tolist(), plus[passes].tolist()
        squares = [one for one, passed in zip(_square_sums(code, seen.edges), passes.tolist(), strict=True) if passed]
        for at, n, total, by, square in zip(hold.tolist(), *numbers, squares, strict=True):
            deviations = times * times * square + 2 * times * by * total + n * by * by  # squared, added up
            tally.hold_sum[at] += times * total + n * by
            tally.hold_square_high[at] += deviations >> 32
            tally.hold_square_low[at] += deviations & 0xFFFF_FFFF
        if tally.watch is not None:
            rows = seen.rows(passes)
            deviation, base = code[rows] * times + plus[seen.of_row[rows]], level[seen.of_row[rows]]
            self._show(rows, deviation + base, deviation, segment[seen.of_row[rows]], np.full(len(rows), PASS))
        share = np.maximum(*(_share(judge, end, segment, limits) for end in (lowest, highest)))
        share[~passes] = -1.0
        largest = int(share.argmax())
        if tally.worst is not None and (tally.worst.severity, tally.worst.share) >= (SEVERITY[PASS], float(share[largest])):
            return rest
        at = np.arange(seen.first[largest], seen.last[largest])
        deviation = code[at] * times + plus[largest]
        same = np.full(len(at), PASS), np.full(len(at), segment[largest])
        return [*rest, self._worst(at, same[0], deviation, deviation + level[largest], same[1], number)]

    def judge_others(self, others: NDArray[np.int64], table_at: Callable[[NDArray[np.int64]], NDArray[np.int64]]) -> list[Candidate]:
        """Judge readings one by one, each by its table (-1: not known)."""
        if not len(others):
            return []
        tally, judge = self.tally, self.tally.judge
        window, table = shown_by(judge, self.sight, others), table_at(others)
        usable = np.flatnonzero(window.known & (table >= 0))
        for code, reason in ((NO_STATE, STATE_UNKNOWN), (MOVED, STATE_MOVED)):
            tally.leave_out(reason, int((table == code).sum()))
        tally.leave_out(NO_LIMIT, int((table > NO_STATE).sum()) - len(usable))
        keep, table = others[usable], table[usable]
        parts = window.max_low, window.min_high, window.min_low, window.max_high
        shown = [to_quanta(part[usable], judge.quantum) for part in parts]
        worst: list[Candidate] = []
        for number, one in enumerate(judge.tables):
            chosen = np.flatnonzero(table == number)
            judged = chosen[one.limits.judged[self._segment(keep[chosen])]]
            tally.leave_out(NO_CASE, len(chosen) - len(judged))
            worst += self._decide(keep[judged], [part[judged] for part in shown], number) if len(judged) else []
        return worst

    def _segment(self, at: NDArray[np.int64]) -> NDArray[np.int64]:
        curve = self.tally.judge.curve
        return np.clip(np.searchsorted(curve.time, self.sight.end[at], side="right") - 1, 0, len(curve) - 1)

    def _decide(self, at: NDArray[np.int64], shown: Sequence[NDArray[np.int64]], number: int) -> list[Candidate]:
        """Judge readings one by one by one table; ``shown`` is max_low, min_high, min_low, max_high of each, quanta (``DoubtWindow``)."""
        tally, judge = self.tally, self.tally.judge
        accept = judge.tables[number].acceptance
        segment, (max_low, min_high, min_low, max_high) = self._segment(at), shown
        reported = reported_quanta(self.column, self.own[at], judge.quantum)
        pass_low, pass_high = accept.pass_low[segment], accept.pass_high[segment]
        passes = (pass_low <= pass_high) & (reported >= max_low + pass_low) & (reported <= min_high + pass_high)
        fails = (reported < min_low + accept.fail_low[segment]) | (reported > max_high + accept.fail_high[segment])
        verdict = np.where(fails, FAIL, np.where(passes, PASS, UNDECIDED))
        tally.decided += np.bincount(verdict, minlength=3)
        tally.by_segment += np.bincount(segment, minlength=len(judge.curve))
        tally.undecided_segment += np.bincount(segment[verdict == UNDECIDED], minlength=len(judge.curve))
        nearest = np.clip(reported, np.minimum(min_low, max_high), max_high)
        _add_to_holds(tally, reported, self.sight.start[at], self.sight.end[at], verdict)
        self._show(at, reported, reported - nearest, segment, verdict)
        return [self._worst(at, verdict, reported - nearest, reported, segment, number)]

    def _show(
        self,
        at: NDArray[np.int64],
        reported: NDArray[np.int64],
        error: NDArray[np.int64],
        segment: NDArray[np.int64],
        verdict: NDArray[Any],
    ) -> None:
        if self.tally.watch is not None:
            self.tally.watch(self.columns.time[self.rows[at]], reported, error, segment, verdict)

    def _worst(
        self,
        at: NDArray[np.int64],
        verdict: NDArray[Any],
        error: NDArray[np.int64],
        reported: NDArray[np.int64],
        segment: NDArray[np.int64],
        number: int,
    ) -> Candidate:
        judge = self.tally.judge
        share = _share(judge, error, segment, judge.tables[number].limits)
        rank = np.array([SEVERITY[code] for code in range(3)])[verdict]
        gravest = np.flatnonzero(rank == rank.max())
        best = int(gravest[share[gravest].argmax()])
        row = int(self.rows[at[best]])
        spot = Spot(int(self.columns.time[row]), self.source, int(self.columns.place[row]))
        decisive = int(error[best]), int(reported[best]), int(segment[best])
        return int(self.own[at[best]]), WorstReading(int(rank[best]), float(share[best]), *decisive, number, spot)


def _share(judge: Judge, error: NDArray[np.int64], segment: NDArray[np.int64], limits: SegmentLimits) -> NDArray[np.float64]:
    """Return how large a share of its limit each error is."""
    bound = np.where(error > 0, limits.fail_high[segment], -limits.fail_low[segment])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(error == 0, 0.0, np.abs(error) * float(judge.quantum) / bound)


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
