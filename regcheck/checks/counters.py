"""Alive counters: each message one step on from the one before, per bus, id and instance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.accumulator import Spot
from regcheck.checks.counter_steps import Counter, Counts, Repeats, RunTally, StepTally, count_steps, counters_of, counts_of
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.streams import Horizons, Stream, Stretch, is_from_device, is_judged, spot_at, streams_of
from regcheck.checks.wording import times
from regcheck.codec.columns import FieldId, MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.device_map.model import RegisterMap

SHOWN = 8
"""Wrong steps that evidence lists, the most frequent first."""

STUCK = 3
"""Repetitions in a row from which a counter is said to be stuck, not only repeated (ours)."""


@dataclass(frozen=True, slots=True)
class Counted:
    """One message and its count; None where it could not be trusted."""

    spot: Spot
    value: int | None


@dataclass(slots=True)
class CounterEnds:
    """A counter in one stretch: its first and last message, its runs, and whether the recorder lost something before and after."""

    first: Counted
    last: Counted
    runs: RunTally
    doubt_before: bool
    doubt_after: bool


@dataclass(slots=True)
class CounterTally:
    """What one counter of one stream came to."""

    messages: int = 0
    steps: StepTally = field(default_factory=StepTally)
    ends: dict[Stretch, CounterEnds] = field(default_factory=dict)


CounterKey = tuple[Stream, FieldId]


class CounterCheck:
    """The counters of every message that the device sends."""

    def __init__(self, register_map: RegisterMap, source: int) -> None:
        self.register_map, self.source = register_map, source
        self.counters = {one.name: counters_of(one) for one in register_map.messages if is_from_device(one)}
        self.tallies: dict[CounterKey, CounterTally] = {}
        self.horizons = Horizons()

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        stretch, losses, was_lossy = self.horizons.update(batch, self.source)
        for columns in batch.messages:
            for counter in self.counters.get(columns.message.name, ()) if is_judged(columns) else ():
                for counts in counts_of(columns, counter):
                    for stream, members in streams_of(batch, columns):
                        alone = len(members) == len(columns.time)
                        own = np.arange(len(counts.rows)) if alone else np.flatnonzero(np.isin(counts.rows, members))
                        if not len(own):
                            continue
                        tally = self.tallies.setdefault((stream, counts.id), CounterTally())
                        place = columns.place[counts.rows[own]]
                        doubt = np.append(False, losses.between(place[:-1], place[1:])) if losses else np.zeros(len(own), np.bool_)
                        before = losses.before(int(place[0]))
                        self._add(tally, columns, counter, counts.take(own), doubt, stretch, before, was_lossy)
        if losses:
            for tally in self.tallies.values():
                ends = tally.ends.get(stretch)
                if ends is not None and losses.after(ends.last.spot.place):
                    ends.doubt_after = True

    def _add(
        self,
        tally: CounterTally,
        columns: MessageColumns,
        counter: Counter,
        counts: Counts,
        doubt: NDArray[np.bool_],
        stretch: Stretch,
        before: bool,
        was_lossy: bool,
    ) -> None:
        def counted(at: int) -> Counted:
            spot = spot_at(columns, int(counts.rows[at]), self.source)
            return Counted(spot, int(counts.value[at]) if counts.known[at] else None)

        tally.messages += len(counts.rows)
        outside = np.flatnonzero(counts.known & ((counts.value < counter.low) | (counts.value > counter.high)))
        tally.steps.outside.add(len(outside), counted(int(outside[0])).spot if len(outside) else None)
        inner, runs = count_steps(counter, columns.time[counts.rows], counts.value, counts.known, doubt[1:], lambda at: counted(at).spot)
        first, last = counted(0), counted(len(counts.rows) - 1)
        ends = tally.ends.get(stretch)
        if ends is None:
            tally.ends[stretch] = CounterEnds(first, last, runs, was_lossy or before, False)
        else:
            _join(counter, tally, ends, CounterEnds(first, last, runs, before, False))
        tally.steps.then(inner)

    def tick(self, end_ns: int) -> None:
        """Silence changes nothing here."""

    def then(self, later: CounterCheck) -> None:
        """Take all that a later check of the same map has seen."""
        for key, theirs in later.tallies.items():
            mine = self.tallies.setdefault(key, CounterTally())
            counter = next(one for one in self.counters[key[0].message] if one.field == key[1].field)
            mine.messages += theirs.messages
            for stretch, ends in theirs.ends.items():
                own = mine.ends.get(stretch)
                if own is None:
                    before = self.horizons.stretches.get(stretch)
                    mine.ends[stretch] = replace(ends, doubt_before=ends.doubt_before or (before is not None and before.lossy))
                else:
                    _join(counter, mine, own, ends)
            mine.steps.then(theirs.steps)
        for key, mine in self.tallies.items():
            for stretch, own in mine.ends.items():
                after = later.horizons.stretches.get(stretch)
                if after is not None and (key not in later.tallies or stretch not in later.tallies[key].ends):
                    own.doubt_after |= after.lossy
        self.horizons.then(later.horizons)

    def findings(self, *, closed: bool) -> Sequence[Finding]:  # noqa: ARG002 - what was seen is final at any time
        """Return a finding for every counter and instance, in the order of the map."""
        found = []
        for counters in self.counters.values():
            for counter in counters:
                own = [
                    (key, tally)
                    for key, tally in self.tallies.items()
                    if (key[0].message, key[1].field) == (counter.message.name, counter.field)
                ]
                groups: dict[FieldId, list[tuple[CounterKey, CounterTally]]] = {}
                for key, tally in sorted(own, key=lambda pair: (_order(pair[0][1]), pair[0][0])):
                    groups.setdefault(key[1], []).append((key, tally))
                found += [_finding(counter, id, group) for id, group in groups.items()] or [
                    _finding(counter, FieldId(counter.message.name, counter.field), [])
                ]
        return found


def _order(id: FieldId) -> tuple[str, int]:
    return id.instance, -1 if id.element is None else id.element


def _join(counter: Counter, tally: CounterTally, own: CounterEnds, later: CounterEnds) -> None:
    """Add the step from what came before to what follows, and let the later part follow."""
    pair = (own.last, later.first)
    start = own.last.spot
    steps, runs = count_steps(
        counter,
        np.array([one.spot.time_ns for one in pair]),
        np.array([one.value or 0 for one in pair]),
        np.array([one.value is not None for one in pair]),
        np.array([own.doubt_after or later.doubt_before]),
        lambda at: start if at == 0 else later.first.spot,
    )
    tally.steps.then(steps)
    own.runs = own.runs.then(runs).then(later.runs)
    own.last, own.doubt_after = later.last, later.doubt_after


def _finding(counter: Counter, id: FieldId, group: Sequence[tuple[CounterKey, CounterTally]]) -> Finding:
    item = next((one for one in counter.message.all_fields() if one.name == counter.field), None)
    given = (
        item.given_keys.get("counter", item.place) if item is not None else counter.message.given_keys.get("protect", counter.message.place)
    )
    requirement = Requirement("counter", id.message, id.field, id.element, id.instance, given)
    total, longest, messages = StepTally(), Repeats(), 0
    for _, tally in group:
        total.then(tally.steps)
        messages += tally.messages
        for ends in tally.ends.values():
            longest = ends.runs.longest if ends.runs.longest.number > longest.number else longest
    evidence = _evidence(counter, group, total, longest, messages)
    broken = total.repeated.number + total.skipped.number + total.outside.number
    if broken:
        return Finding(requirement, Verdict.FAIL, _says(requirement, counter, total, longest, messages), evidence=evidence)
    if total.doubtful.number:
        says = f"{requirement.path} made {total.doubtful.number} wrong steps, all where the recorder lost something"
        return Finding(requirement, Verdict.UNDECIDED, says, "recorder_lost", "record it again without losses", evidence)
    if not total.right:
        says = f"{requirement.path} was never seen twice in a row" if messages else f"{requirement.path} was never seen"
        return Finding(requirement, Verdict.UNTESTED, says, "no_step", "record for longer, with the message on the bus", evidence)
    return Finding(requirement, Verdict.PASS, f"{requirement.path} counted on in all {total.right} steps", evidence=evidence)


def _says(requirement: Requirement, counter: Counter, total: StepTally, longest: Repeats, messages: int) -> str:
    parts = []
    if longest.number >= STUCK:
        parts.append(f"stood still for {longest.number + 1} messages in a row")
    elif total.repeated.number:
        parts.append(f"repeated its count {times(total.repeated.number)}")
    if total.skipped.number:
        parts.append(f"skipped {times(total.skipped.number)}, {total.missing} counts in all")
    if total.outside.number:
        parts.append(f"left {counter.low} .. {counter.high} {times(total.outside.number)}")
    return f"{requirement.path} " + ", ".join(parts) + f", {messages} messages"


def _evidence(
    counter: Counter, group: Sequence[tuple[CounterKey, CounterTally]], total: StepTally, longest: Repeats, messages: int
) -> dict[str, Any]:
    evidence: dict[str, Any] = {
        "messages": messages,
        "low": counter.low,
        "high": counter.high,
        "right": total.right,
        "wraps": total.wraps,
        "not_told": total.not_told,
    }
    for name, count in (
        ("repeated", total.repeated),
        ("skipped", total.skipped),
        ("outside", total.outside),
        ("recorder_lost", total.doubtful),
    ):
        if count.number:
            evidence[name] = {"count": count.number, "first": count.first.as_json() if count.first else None}
    if total.skipped.number:
        evidence["missing"] = total.missing
    if longest.number:
        evidence["longest_standstill"] = {"messages": longest.number + 1} | (longest.start.as_json() if longest.start else {})
    if total.steps:
        common = sorted(total.steps.items(), key=lambda pair: (-pair[1], pair[0]))[:SHOWN]
        evidence["steps"] = [{"step": step, "count": number} for step, number in common]
    if len(group) > 1:
        evidence["streams"] = [{"bus": key[0].bus or None, "key": key[0].name, "messages": tally.messages} for key, tally in group]
    return evidence
