"""Whether a field has a value while the bench applies one, and says open or short while the bench does (verdicts, rule 20)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from regcheck.bench.admission import admissible
from regcheck.bench.clock import Times
from regcheck.bench.curves import KNOWN, OPEN, SHORT
from regcheck.checks.accumulator import Count, Spot
from regcheck.checks.accuracy import CaptureClock
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.judge import Judge
from regcheck.checks.values import rows_of
from regcheck.codec.columns import STATUSES, FieldId
from regcheck.codec.decoded import DecodedBatch
from regcheck.device_map.model import Status

NO_VALUE = (Status.NOT_AVAILABLE, Status.NOT_FITTED, Status.DEVICE_ERROR, Status.SPECIAL)
"""What a device says instead of a value."""

TELLING = [STATUSES.index(status) for status in (Status.GOOD, *NO_VALUE)]

APPLIED_WORDS = {KNOWN: "a value", OPEN: "open", SHORT: "short"}


@dataclass(slots=True)
class AvailableTally:
    """Readings while the bench applied a value, open or short: how many were answered rightly, and how the others were."""

    right: dict[int, int] = field(default_factory=dict)
    wrong: dict[tuple[int, str], Count] = field(default_factory=dict)

    def then(self, later: AvailableTally) -> None:
        """Add a later tally."""
        for state, number in later.right.items():
            self.right[state] = self.right.get(state, 0) + number
        for key, count in later.wrong.items():
            self.wrong.setdefault(key, Count()).then(count)


def needs_available(judge: Judge) -> bool:
    """Return whether a field can say that it has no value."""
    meaning = judge.field.meanings[0]
    return bool(judge.field.codes) or meaning.convert is not None or bool(meaning.points)


def settled(judge: Judge, start: Times, end: Times, doubt: Times) -> Times:
    """Return the state that was applied at each reading, -1 where it had not stood for settle and latency; bench ns."""
    curve = judge.curve
    first = np.searchsorted(curve.time, start - judge.settle_ns - judge.latency_ns - 2 * doubt, side="right") - 1
    last = np.searchsorted(curve.time, end + doubt, side="right") - 1
    changes = np.cumsum(np.append(False, curve.state[1:] != curve.state[:-1])[: len(curve.state)])
    one = (first >= 0) & (last >= 0)
    first, last = np.where(one, first, 0), np.where(one, last, 0)
    if not len(curve):
        return np.full(len(start), -1, np.int64)
    return np.where(one & (changes[first] == changes[last]), curve.state[first], -1)


class AvailableCheck:
    """The availability of every driven field that can say that it has no value."""

    def __init__(self, judges: tuple[Judge, ...], context: CaptureClock, source: int) -> None:
        self.context, self.source = context, source
        self.judges = {judge.id: judge for judge in judges if needs_available(judge)}
        self.tallies = {id: AvailableTally() for id in self.judges}

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        for columns in batch.messages if self.context.clock is not None else ():
            if columns.written and "read" in columns.message.access:
                continue
            for id, column in columns.fields.items():
                judge = self.judges.get(id)
                if judge is None:
                    continue
                rows = rows_of(columns, column)
                own = np.flatnonzero(np.isin(column.status, TELLING))
                start, end, doubt = self.context.bench_times(columns.time[rows[own]], columns.end[rows[own]])
                admitted = admissible(judge.curve, start, end, judge.settle_ns, judge.latency_ns, doubt, judge.warm_up_ns).admitted
                state = settled(judge, start, end, doubt)
                state = np.where((state == KNOWN) & ~admitted, -1, state)
                for applied in (KNOWN, OPEN, SHORT):
                    chosen = own[state == applied]
                    answers = column.status[chosen].astype(np.int64) << 16 | column.code[chosen]
                    kinds, firsts, numbers = np.unique(answers, return_index=True, return_counts=True)
                    for at in np.argsort(firsts).tolist():  # several codes may bear one word: the first of them all counts
                        status, code, first = int(kinds[at]) >> 16, int(kinds[at]) & 0xFFFF, int(rows[chosen[firsts[at]]])
                        word = judge.field.codes[code - 1].word if code else STATUSES[status].value
                        self._count(
                            self.tallies[id],
                            applied,
                            word,
                            STATUSES[status],
                            int(numbers[at]),
                            Spot(int(columns.time[first]), self.source, int(columns.place[first])),
                        )

    def _count(self, tally: AvailableTally, applied: int, word: str, status: Status, number: int, first: Spot) -> None:
        right = (
            status is Status.GOOD
            if applied == KNOWN
            else status in NO_VALUE and word in (APPLIED_WORDS[applied], Status.DEVICE_ERROR.value, "error")
        )
        if applied == KNOWN and status not in NO_VALUE and status is not Status.GOOD:
            return
        if right:
            tally.right[applied] = tally.right.get(applied, 0) + number
        else:
            tally.wrong.setdefault((applied, word), Count()).add(number, first)

    def tick(self, end_ns: int) -> None:
        """Silence changes nothing here."""

    def then(self, later: AvailableCheck) -> None:
        """Take all that a later check of the same judges has seen."""
        for id, tally in self.tallies.items():
            tally.then(later.tallies[id])

    def findings(self, *, closed: bool) -> Sequence[Finding]:  # noqa: ARG002 - what was seen is final at any time
        """Return a finding for every such field, in the order of the judges."""
        return [_finding(self.judges[id], id, tally) for id, tally in self.tallies.items()]


def _finding(judge: Judge, id: FieldId, tally: AvailableTally) -> Finding:
    field_ = judge.field
    requirement = Requirement(
        "available", field_.message, field_.name, id.element, id.instance, field_.given_keys.get("codes", field_.place)
    )
    evidence: dict[str, Any] = {"right": {APPLIED_WORDS[state]: number for state, number in sorted(tally.right.items())}}
    if tally.wrong:
        wrong = sorted(tally.wrong.items())
        evidence["wrong"] = [
            {
                "applied": APPLIED_WORDS[state],
                "reported": word,
                "count": count.number,
                "first": count.first.as_json() if count.first else None,
            }
            for (state, word), count in wrong
        ]
        (state, word), count = max(wrong, key=lambda item: item[1].number)
        said = "reported a value" if word == "good" else f"reported '{word}'"
        return Finding(
            requirement,
            Verdict.FAIL,
            f"{requirement.path} {said} {count.number} times while the bench applied {APPLIED_WORDS[state]}",
            evidence=evidence,
        )
    if not tally.right:
        return Finding(
            requirement,
            Verdict.UNTESTED,
            f"{requirement.path} was never read while the bench held a value",
            "no_reading",
            "poll it while the bench applies values",
            evidence,
        )
    said = " and ".join(f"{number} times with {APPLIED_WORDS[state]} applied" for state, number in sorted(tally.right.items()))
    return Finding(requirement, Verdict.PASS, f"{requirement.path} answered rightly, {said}", evidence=evidence)
