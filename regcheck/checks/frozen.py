"""Frozen fields: a report that stands still while what the bench applies moves farther than one report could be right for.

Only what shows that a field should move counts: its applied value at readings that may be judged. A field that keeps still while nothing
is applied to it, or while its message's counter runs on, may be right; nothing is said of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.calm import Slices
from regcheck.checks.accumulator import Spot
from regcheck.checks.accuracy import CaptureClock, shown_by
from regcheck.checks.decision import BOUND, Z, to_quanta
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.judge import Judge
from regcheck.checks.streams import Stretch, is_judged, spot_at
from regcheck.checks.values import rows_of
from regcheck.checks.wording import plain, worded
from regcheck.codec.columns import FieldColumn, FieldId, MessageColumns
from regcheck.codec.decoded import DecodedBatch


@dataclass(frozen=True, slots=True)
class Reach:
    """How far the applied value may move, quanta, while one report is right all the time: ``sure`` is beyond the bench's doubt, too.

    One report is within T of two values at most 2 T apart (verdicts, rule 18: with the guard 2 (T + 1.645 u)).
    """

    limit: int
    sure: int


def reach_of(judge: Judge) -> Reach | None:
    """Return how far a right report could stand still; None where no limit is known."""
    tables = [table.limits for table in judge.tables if table.limits.judged.any()]
    if not tables:
        return None
    width = max(float((one.fail_high - one.fail_low)[one.judged].max()) for one in tables)
    judged = np.any([one.judged for one in tables], axis=0)
    guard = 2 * Z * float(np.hypot(judge.curve.u_s, judge.curve.u_r)[judged].max())
    limit, sure = to_quanta(np.array([width, width + guard]), judge.quantum).tolist()
    return Reach(limit, sure)


@dataclass(frozen=True, slots=True)
class Still:
    """Readings in a row with one raw code, in one stretch.

    ``top`` is the most, ``bottom`` the least that the applied value surely was at one of them, quanta: so far it moved for certain.
    """

    stretch: Stretch
    raw: int
    number: int
    top: int
    bottom: int
    first: Spot
    last: Spot

    @property
    def moved(self) -> int:
        """How far the applied value moved for certain, quanta; 0 or less where that is not sure."""
        return self.top - self.bottom

    def goes_on(self, later: Still) -> bool:
        """Return whether a later run is the same one."""
        return (self.stretch, self.raw) == (later.stretch, later.raw)

    def joined(self, later: Still) -> Still:
        """Return both as one run."""
        return replace(
            self,
            number=self.number + later.number,
            top=max(self.top, later.top),
            bottom=min(self.bottom, later.bottom),
            last=later.last,
        )


@dataclass(frozen=True, slots=True)
class StillTally:
    """Readings of one field as runs of one raw code: the first, the last, the one over which the applied value moved most.

    ``top`` and ``bottom`` are those of all readings, ``runs`` the number of runs.
    """

    runs: int
    number: int
    top: int
    bottom: int
    head: Still
    tail: Still
    worst: Still

    def then(self, later: StillTally) -> StillTally:
        """Return this tally followed by a later one; of equal runs the earliest is the worst."""
        joins = self.tail.goes_on(later.head)
        middle = self.tail.joined(later.head) if joins else self.tail
        head = middle if joins and self.runs == 1 else self.head
        tail = middle if joins and later.runs == 1 else later.tail
        worst = self.worst
        for one in (middle, later.worst):
            # a longer run of equal movement goes on with the one known before
            worst = one if one.moved > worst.moved or (one.first == worst.first and one.moved == worst.moved) else worst
        return StillTally(
            self.runs + later.runs - joins,
            self.number + later.number,
            max(self.top, later.top),
            min(self.bottom, later.bottom),
            head,
            tail,
            worst,
        )


class FrozenCheck:
    """Every field that the bench drives and that has a limit."""

    def __init__(self, judges: Sequence[Judge], context: CaptureClock, source: int) -> None:
        self.context, self.source = context, source
        self.judges = {judge.id: judge for judge in judges if judge.field.accuracy}
        self.tallies: dict[FieldId, StillTally] = {}

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        for columns in batch.messages if self.context.clock is not None else ():
            if not is_judged(columns):
                continue
            for id, column in columns.fields.items():
                judge = self.judges.get(id)
                if judge is None:
                    continue
                found = self._still(judge, columns, column, (self.source, batch.batch.epoch))
                if found is not None:
                    mine = self.tallies.get(id)
                    self.tallies[id] = found if mine is None else mine.then(found)

    def _still(self, judge: Judge, columns: MessageColumns, column: FieldColumn, stretch: Stretch) -> StillTally | None:
        rows = rows_of(columns, column)
        if column.plain:
            raw = column.raw
        else:
            own = np.flatnonzero(column.status == 0)
            rows, raw = rows[own], column.raw[own]
        sight, seen = self.context.seen(columns, judge, rows)
        if not len(seen.others):
            tally = _calm_tally(raw, judge.level[seen.segment], seen, rows, columns, stretch, self.source) if len(seen.first) else None
            if tally is not None or not len(seen.first):
                return tally
        window = shown_by(judge, sight, seen.others)
        others, still = seen.others[window.known], seen.rows()
        if not len(others) + len(still):
            return None
        level = np.repeat(judge.level[seen.segment], seen.last - seen.first)
        use = np.concatenate([still, others])
        order = np.argsort(use, kind="stable")
        top, bottom = (
            np.concatenate([level, to_quanta(part[window.known], judge.quantum, saturate=True)])[order]
            for part in (window.min_low, window.max_high)
        )
        use = use[order]
        return _tally(raw[use].astype(np.int64), top, bottom, rows[use], columns, stretch, self.source)

    def tick(self, end_ns: int) -> None:
        """Silence changes nothing here."""

    def then(self, later: FrozenCheck) -> None:
        """Take all that a later check of the same judges has seen."""
        for id, theirs in later.tallies.items():
            mine = self.tallies.get(id)
            self.tallies[id] = theirs if mine is None else mine.then(theirs)

    def findings(self, *, closed: bool) -> Sequence[Finding]:  # noqa: ARG002 - what was seen is final at any time
        """Return a finding for every such field, in the order of the judges."""
        return frozen_findings(self.judges, self.tallies)


def _calm_tally(
    raw: NDArray[np.int64],
    level: NDArray[np.int64],
    seen: Slices,
    rows: NDArray[np.int64],
    columns: MessageColumns,
    stretch: Stretch,
    source: int,
) -> StillTally | None:
    """Return the tally of readings that all lie in slices; None where one code goes on from one slice to the next."""
    first, last = seen.first, seen.last
    if (raw[last[:-1] - 1] == raw[first[1:]]).any():
        return None
    changed = raw[1:] != raw[:-1]
    changes = len(first) - 1
    for a, b in zip(first.tolist(), last.tolist(), strict=True):
        changes += int(np.count_nonzero(changed[a : b - 1]))

    def still(begin: int, end: int, slice: int) -> Still:
        spots = (spot_at(columns, int(rows[at]), source) for at in (begin, end - 1))
        return Still(stretch, int(raw[begin]), end - begin, int(level[slice]), int(level[slice]), *spots)

    inner = changed[first[0] : last[0] - 1]
    head = still(int(first[0]), int(first[0] + inner.argmax() + 1 if inner.any() else last[0]), 0)
    inner = changed[first[-1] : last[-1] - 1][::-1]
    tail = still(int(last[-1] - inner.argmax() - 1 if inner.any() else first[-1]), int(last[-1]), -1)
    return StillTally(changes + 1, int((last - first).sum()), int(level.max()), int(level.min()), head, tail, head)


def _tally(
    raw: NDArray[np.int64],
    top: NDArray[np.int64],
    bottom: NDArray[np.int64],
    rows: NDArray[np.int64],
    columns: MessageColumns,
    stretch: Stretch,
    source: int,
) -> StillTally:
    begins = np.flatnonzero(np.append(True, raw[1:] != raw[:-1]))
    ends = np.append(begins[1:], len(raw)) - 1
    tops, bottoms = np.maximum.reduceat(top, begins), np.minimum.reduceat(bottom, begins)

    def still(at: int) -> Still:
        first, last = (spot_at(columns, int(rows[one[at]]), source) for one in (begins, ends))
        number = int(ends[at] - begins[at]) + 1
        return Still(stretch, int(raw[begins[at]]), number, int(tops[at]), int(bottoms[at]), first, last)

    worst = int((tops - bottoms).argmax())
    return StillTally(len(begins), len(raw), int(top.max()), int(bottom.min()), still(0), still(len(begins) - 1), still(worst))


def frozen_findings(judges: Mapping[FieldId, Judge], tallies: Mapping[FieldId, StillTally]) -> list[Finding]:
    """Return a finding for every judge, in their order."""
    return [_finding(judge, id, tallies.get(id)) for id, judge in judges.items()]


def _finding(judge: Judge, id: FieldId, tally: StillTally | None) -> Finding:
    item = judge.field
    requirement = Requirement("frozen", item.message, item.name, id.element, id.instance, item.place)
    reach, unit = reach_of(judge), str(item.unit or "")
    if tally is None or reach is None:
        if tally is None:
            says, reason, remedy = (
                "was never read while the bench held a known value",
                "no_reading",
                "read it while the bench applies values",
            )
        else:
            says, reason, remedy = "has no limit that could be told", "no_limit", "see its accuracy finding"
        return Finding(
            requirement, Verdict.UNTESTED, f"{requirement.path} {says}", reason, remedy, {"readings": tally.number if tally else 0}
        )

    def value(quanta: int) -> float:
        return plain(float(Fraction(max(-BOUND, min(BOUND, quanta))) * judge.quantum))

    worst = tally.worst
    evidence: dict[str, Any] = {
        "unit": unit or None,
        "readings": tally.number,
        "changes": tally.runs - 1,
        "applied_moved": max(value(tally.top - tally.bottom), 0.0),
        "a_right_report_stays_within": value(reach.limit),
        "with_uncertainty": value(reach.sure),
        "stillest": {"raw": worst.raw, "readings": worst.number, "applied_moved": max(value(worst.moved), 0.0)}
        | {"first": worst.first.as_json(), "last": worst.last.as_json()},
    }
    moved, allowed = worded(value(worst.moved), unit, apart=True), worded(value(reach.sure), unit, apart=True)
    if worst.moved > reach.sure:
        says = f"{requirement.path} stood still over {worst.number} readings while the applied value moved by {moved}"
        return Finding(requirement, Verdict.FAIL, says, evidence=evidence)
    if worst.moved > reach.limit:
        says = f"{requirement.path} stood still while the applied value moved by {moved}, too little to be sure with this bench"
        return Finding(requirement, Verdict.UNDECIDED, says, "bench_too_uncertain", f"move it by more than {allowed}", evidence)
    if tally.top - tally.bottom <= reach.sure:
        says = f"{requirement.path}: the applied value never moved by more than {allowed} while it was read"
        return Finding(requirement, Verdict.UNTESTED, says, "not_moved", f"move it by more than {allowed}", evidence)
    says = f"{requirement.path} followed the applied value: {tally.runs - 1} changes in {tally.number} readings"
    return Finding(requirement, Verdict.PASS, says, evidence=evidence)
