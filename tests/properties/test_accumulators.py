"""Checks are ordered monoids: however a stream of messages is cut into batches and segments and merged, the findings are the same bytes."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regcheck.bench.clock import shared_clock, told_clock
from regcheck.checks.accumulator import Accumulator
from regcheck.checks.accuracy import AccuracyCheck, CaptureClock
from regcheck.checks.accuracy_findings import accuracy_findings
from regcheck.checks.availability import AvailableCheck
from regcheck.checks.conditional_values import ConditionalCheck
from regcheck.checks.exercised import coverage_finding
from regcheck.checks.finding import Finding
from regcheck.checks.judge import siblings
from regcheck.checks.plan import Plan
from regcheck.checks.transfers import TransferCheck
from regcheck.checks.values import ValueCheck
from regcheck.codec.plan import ColumnPlan
from regcheck.device_map.model import RegisterMap
from regcheck.errors import Place
from regcheck.traffic.batch import Batch, Complaint
from regcheck.traffic.shapes import Transfer
from tests.checks.builders import ADDRESS, bench, capture, log, read, register_map, word, write

DEVICE = """
voltage:
  command: 0x09
  transfer: word
  access: [read, write]
  unit: mV
  range: 900 .. 3900 mV
  accuracy: 5 mV
  codes: {0xFFFF: not available, 0xFF00: error, 0xFE00: error}
average:
  command: 0x0B
  transfer: word
  unit: mV
  accuracy: {limit: 5 mV, of: 80 % of readings}
  range: [{when: most < 100 mV, is: 900 .. 2900 mV}, {is: 900 .. 3900 mV}]
charge: {command: 0x0D, transfer: word, unit: mV, accuracy: -0 .. +most, must_be: 1000 * flags.level}
most: {command: 0x0C, transfer: word, unit: mV}
scaled:
  command: 0x0F
  transfer: word
  range: 0 .. 3000 mV
  meanings: [{when: most < 100 mV, unit: mV, scale: 2}, {when: most >= 100 mV, unit: mV, scale: 1}]
flags:
  command: 0x16
  transfer: word
  pec: required
  fields: {level: {bits: 0..3}, spare: {bits: 4..7, reserved: 0}, model: {bits: 8..15, must_be: [1, 2]}}
cells:
  command: 0xB0
  transfer: block
  length: 2..4
  fields:
    cell: {bytes: 0..1, each: {c: 1..2, step: 2 bytes}, unit: mV, range: 900 .. 3900 mV, accuracy: 8 mV}
"""
LEVELS = (1000, 2000, 3000, 4000)
ROWS = "time_s,source,other\n" + "".join(f"{10 * at},{level},{level + 100 * at}\n" for at, level in enumerate(LEVELS)) + "40,end,\n"


@cache
def device_map() -> RegisterMap:
    return register_map(DEVICE)


def answer(kind: int, time_s: float, error: int) -> Transfer:
    """Return one transfer; ``kind`` picks what, ``error`` how far off."""
    level = LEVELS[min(int(time_s // 10), 3)] + error
    refused = replace(word(time_s, 0x09, 0), parts=(bytes((ADDRESS << 1 | kind & 1,)),), nack=0)
    return [
        lambda: word(time_s, 0x09, level),
        lambda: word(time_s, 0x09, level, check=True),
        lambda: word(time_s, 0x09, level, check=0x5A),
        lambda: word(time_s, 0x09, 0xFFFF if error > 0 else 0xFF00 if error > -5 else 0xFE00),
        lambda: write(time_s, 0x09, level.to_bytes(2, "little"), check=error > 0),
        lambda: write(time_s, 0x09, b"\x01"),
        lambda: read(time_s, 0x09, b"\x01"),
        lambda: word(time_s, 0x0B, level),
        lambda: word(time_s, 0x0D, level),
        lambda: word(time_s, 0x0C, 200 if error > 0 else 4),
        lambda: word(time_s, 0x0F, 1000 if error > 0 else 500),
        lambda: word(time_s, 0x0F, 2000 * (1 + (error > 0))),
        lambda: word(time_s, 0x16, 0x0100 | (error & 0xFF), check=True),
        lambda: word(time_s, 0x16, 0x0100 * (error & 3)),
        lambda: read(time_s, 0xB0, level.to_bytes(2, "little") + (level + 100).to_bytes(2, "little"), block=True),
        lambda: read(time_s, 0xB0, level.to_bytes(2, "little"), block=True),
        lambda: read(time_s, 0xB0, b"\x00", block=True),
        lambda: refused,
        lambda: word(time_s, 0x77, 1),
        lambda: read(time_s, 0x09, b"\x01\x02", address=0x50),
        lambda: replace(refused, nack=None),
        lambda: replace(word(time_s, 0x09, 0), parts=(b"\x16\x09", b"\x17\x00", b"\x17\x00")),
    ][kind]()


KINDS = 22

ERRORS = (-900, -6, -1, 0, 1, 4, 5, 6, 7, 900)
# few kinds at a time, so that equal ones meet
STREAM = st.lists(st.integers(0, KINDS - 1), min_size=1, max_size=5).flatmap(
    lambda kinds: st.lists(st.tuples(st.sampled_from(kinds), st.integers(1, 4000), st.sampled_from(ERRORS)), min_size=1, max_size=40)
)


def stream(drawn: Sequence[tuple[int, int, int]]) -> list[Transfer]:
    """Return transfers in order of time, 10 ms apart or more."""
    return [
        answer(kind, slot / 100, error)
        for kind, slot, error in sorted({slot: (kind, slot, error) for kind, slot, error in drawn}.values(), key=lambda one: one[1])
    ]


def sliced(batch: Batch, first: int, last: int) -> Batch:
    """Return some of a batch's messages, with the complaints that stand before the next one."""
    names = ("time", "end", "key", "flags", "length", "place", "split", "nack")
    until = len(batch) if last == len(batch) else int(batch.place[last])
    since = 0 if first == 0 else int(batch.place[first])
    own = tuple(one for one in batch.complaints if one.place.offset >= since and (last == len(batch) or one.place.offset < until))
    counted: dict[str, int] = {}
    for one in own:
        counted[one.kind] = counted.get(one.kind, 0) + 1
    return replace(
        batch,
        **{name: getattr(batch, name)[first:last] for name in names},
        start=batch.start[first : last + 1] - batch.start[first],
        data=batch.data[batch.start[first] : batch.start[last]],
        begin_ns=batch.begin_ns if first == 0 else int(batch.time[first]),
        end_ns=batch.end_ns if last == len(batch) else int(batch.time[last]),
        complaints=own,
        complained=counted,
    )


def complaining(batch: Batch) -> Batch:
    """Return a batch with a complaint at every third message."""
    own = tuple(Complaint(Place("memory", offset=at), f"damaged {at}", ("torn", "short")[at % 2]) for at in range(0, len(batch), 3))
    return replace(batch, complaints=own, complained={kind: sum(one.kind == kind for one in own) for kind in ("torn", "short")})


@dataclass
class Checks:
    """All accumulators of one segment."""

    transfers: TransferCheck
    values: ValueCheck
    conditional: ConditionalCheck
    accuracy: AccuracyCheck
    available: AvailableCheck

    def update(self, plan: ColumnPlan, batch: Batch) -> None:
        decoded = plan.decode(batch)
        for check in (self.transfers, self.values, self.conditional, self.accuracy, self.available):
            check.update(decoded)
            check.tick(batch.end_ns)

    def then(self, later: Checks) -> None:
        self.transfers.then(later.transfers)
        self.values.then(later.values)
        self.conditional.then(later.conditional)
        self.accuracy.then(later.accuracy)
        self.available.then(later.available)

    def findings(self, plan: Plan) -> bytes:
        assert plan.bench is not None
        found: list[Finding | None] = [
            *self.transfers.findings(closed=True),
            *self.values.findings(closed=True),
            *self.conditional.findings(closed=True),
            *accuracy_findings(self.accuracy.tallies, siblings(plan.judges)),
            *(coverage_finding(tally, plan.bench.coverage) for tally in self.accuracy.tallies.values()),
            *self.available.findings(closed=True),
        ]
        body: list[Any] = [[one.as_json(), repr(one.strip)] for one in found if one is not None]
        return json.dumps([body, self.transfers.first_complaints], allow_nan=False).encode()


class Trial:
    """Two captures of one device, and everything that is made of them before their readings are judged."""

    def __init__(self, streams: Sequence[list[Transfer]], doubt_ns: int) -> None:
        self.map = device_map()
        supply = bench(
            self.map,
            "source: {unit: mV, uncertainty: 1 mV, resolution: included}\nother: {unit: mV}",
            "voltage: source\naverage: source\ncharge: source\ncell[1]: source\ncell[2]: other",
            timing="{settle: 500 ms, latency: 100 ms}",
        )
        self.plan = Plan(self.map, supply, log(ROWS, supply))
        captures = [capture(one, number, 100_000) for number, one in enumerate(streams)]
        self.plan.survey(captures)
        self.batches = [complaining(next(iter(one.batches()))) for one in captures]
        self.clock = CaptureClock(told_clock(0, doubt_ns) if doubt_ns else shared_clock())

    def segment(self, source: int, cuts: Sequence[int]) -> Checks:
        """Return the accumulators after the messages between the first and the last cut, a batch between any two."""
        judges = tuple(self.plan.judges)
        checks = Checks(
            TransferCheck(self.map, source),
            ValueCheck(self.map, frozenset(), source),
            ConditionalCheck(self.map, frozenset(), source, self.plan.states[source]),
            AccuracyCheck(judges, self.plan.times[source], self.clock, source),
            AvailableCheck(judges, self.clock, source),
        )
        plan = ColumnPlan(self.map, self.plan.states[source])
        for first, last in pairwise(cuts):
            checks.update(plan, sliced(self.batches[source], first, last))
        return checks

    @cache  # noqa: B019 - a trial lives as long as its test
    def at_once(self) -> bytes:
        whole = self.segment(0, (0, len(self.batches[0])))
        whole.then(self.segment(1, (0, len(self.batches[1]))))
        return whole.findings(self.plan)


def cut(draw: Any, length: int) -> list[list[int]]:
    """Return the cuts of a stream: segments, each a list of its batches' edges."""
    edges = sorted({0, length, *draw(st.lists(st.integers(0, length), max_size=6))})
    breaks = draw(st.sets(st.sampled_from(edges[1:-1]))) if len(edges) > 2 else set()
    segments, current = [], [edges[0]]
    for edge in edges[1:]:
        current.append(edge)
        if edge in breaks:
            segments.append(current)
            current = [edge]
    return [*segments, current]


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(st.tuples(STREAM, STREAM), st.sampled_from([0, 20_000_000]), st.data())
def test_any_cut_and_any_order_of_merging_gives_the_same_bytes(drawn: Any, doubt_ns: int, data: st.DataObject) -> None:
    trial = Trial([stream(one) for one in drawn], doubt_ns)
    parts = [trial.segment(source, cuts) for source in (0, 1) for cuts in cut(data.draw, len(trial.batches[source]))]
    while len(parts) > 1:
        at = data.draw(st.integers(0, len(parts) - 2))
        if data.draw(st.booleans()):
            parts[at].findings(trial.plan)  # asking changes nothing
        parts[at].then(parts.pop(at + 1))
    assert parts[0].findings(trial.plan) == trial.at_once()
    assert parts[0].findings(trial.plan) == trial.at_once()


@pytest.mark.parametrize(
    "drawn",
    [
        # what was wrong once: the first of equal ones taken by kind, key or meaning, and not by its place
        [(5, 100, 0), (6, 200, 0), (5, 300, 0)],  # a short write, then a short read
        [(4, 100, 0), (0, 200, 0)],  # a write before a read
        [(17, 100, 0), (20, 150, 0)],  # a refused read address before a refused write address
        [(9, 50, 1), (11, 100, -1), (9, 150, -1), (10, 200, 1)],  # 2000 by the second meaning, then by the first
        [(9, 50, 1), (11, 100, 1), (9, 150, -1), (11, 200, 1)],  # outside by the second meaning, then by the first
        [(9, 50, 1), (8, 800, 5), (9, 850, -1), (8, 900, 5)],
        [(3, 700, -6), (3, 750, 0), (3, 800, -6)],  # two codes of one word, either first
        [(3, 700, 0), (3, 750, -6), (3, 800, 0)],
    ],
)
def test_of_equal_ones_the_first_counts(drawn: list[tuple[int, int, int]]) -> None:
    transfers = stream(drawn)
    trial = Trial([transfers, transfers[:1]], 0)
    one_by_one = trial.segment(0, range(len(transfers) + 1))
    one_by_one.then(trial.segment(1, (0, 1)))
    assert one_by_one.findings(trial.plan) == trial.at_once()


def test_sampled_failures_do_not_depend_on_cuts() -> None:
    """More failing readings than are kept one by one."""
    transfers = [word(at / 50, 0x09, 1000 + 1000 * int(at // 500) + 7 + at % 5) for at in range(1, 1990)]
    trial = Trial([transfers, transfers[:5]], 0)
    cuts = [*range(0, len(transfers), 97), len(transfers)]
    right = trial.segment(0, cuts[10:])
    right.then(trial.segment(1, (0, 2, 5)))
    left = trial.segment(0, cuts[:11])
    left.then(right)
    whole = trial.segment(0, (0, len(transfers)))
    whole.then(trial.segment(1, (0, 5)))
    for id, tally in whole.accuracy.tallies.items():
        assert tally.failing.rows.tolist() == left.accuracy.tallies[id].failing.rows.tolist()
    assert max(len(tally.failing.rows) for tally in whole.accuracy.tallies.values()) == 512
    assert left.findings(trial.plan) == trial.at_once()


def test_every_check_is_an_accumulator() -> None:
    trial = Trial([[word(1, 0x09, 1000)], [word(1, 0x09, 1000)]], 0)
    checks = trial.segment(0, (0, 1))
    every: list[Accumulator] = [checks.transfers, checks.values, checks.available]  # the run makes the findings of accuracy, with siblings
    assert all(one.findings(closed=False) == one.findings(closed=True) for one in every)
