"""Checks over streams: however a capture is cut and merged, the findings are those of one pass (structure, ordered monoid)."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from regcheck.bench.clock import shared_clock
from regcheck.checks.accumulator import Spot
from regcheck.checks.accuracy import CaptureClock
from regcheck.checks.cadence import CadenceCheck
from regcheck.checks.cadence_findings import cadence_findings
from regcheck.checks.check_fields import CrcCheck
from regcheck.checks.counter_steps import Repeats, RunTally, run_tally
from regcheck.checks.counters import CounterCheck
from regcheck.checks.finding import Finding
from regcheck.checks.frozen import FrozenCheck, frozen_findings
from regcheck.checks.unknown_ids import UnknownCheck
from regcheck.codec.columns import Check
from regcheck.codec.plan import ColumnPlan
from regcheck.device_map.model import Protection
from tests.checks.builders import capture, words
from tests.checks.frames import MS, Part, Sent, a_field, a_frame, a_layout, a_map, cut, every, fold, numbered, part, tree
from tests.checks.test_frozen import judges

STATE = a_frame(
    "state",
    [a_field("mode", "state"), a_field("alive", "state", range(8, 12), counter=(0, 3))],
    every=every(("mode = 1", "50 ms"), ("mode = 2", "none"), "20 ms +/- 10 ms"),
    protect=Protection("P01", ()),
)
CELLS = a_frame(
    "cells",
    [a_field("page", "cells")],
    id="0x201",
    every=every("20 ms"),
    layouts=(a_layout("page < 4", [a_field("cell", "cells", each=numbered("k", 0, 3, "page * 4 + k"))], every=every("40 ms")),),
)
MAP = a_map(STATE, CELLS)
BUSES = ("a", "b")


@st.composite
def stretches(draw: st.DrawFn) -> list[list[Part]]:
    """Return stretches of one capture (epochs), each cut at random places."""
    made = []
    for epoch in range(draw(st.integers(1, 2))):
        time, sent = 0, []
        for number in range(draw(st.integers(0, 14))):
            time += draw(st.sampled_from([0, 5, 10, 20, 20, 30, 31, 60, 61, 150, 151])) * MS
            kind = draw(st.sampled_from(["state", "state", "state", "cells", "other"]))
            place = 10 * number + 10
            if kind == "state":
                values = {"mode": draw(st.sampled_from([0, 0, 1, 2, None])), "alive": draw(st.sampled_from([number % 4, number % 4, 0, 1]))}
                check = draw(st.sampled_from([Check.GOOD, Check.GOOD, Check.GOOD, Check.BAD]))
                one = Sent(time, "state", values, instance=draw(st.sampled_from(["", "rack[2]"])), check=check, bus=draw(st.integers(0, 1)))
            elif kind == "cells":
                one = Sent(time, "cells", {"page": draw(st.integers(0, 2))}, id=0x201, layout=0)
            else:
                one = Sent(time, "", id=draw(st.sampled_from([0x300, 0x301])))
            sent.append(replace(one, place=place))
        lost = draw(st.lists(st.integers(0, 15).map(lambda at: 10 * at + 5), max_size=2, unique=True))
        whole = part(*sent, end_ns=time + draw(st.sampled_from([0, 60, 400])) * MS, epoch=epoch, lost=sorted(lost))
        made.append(cut(whole, draw(st.lists(st.integers(0, len(sent)), max_size=4))))
    return made


def text(findings: Any) -> str:
    return json.dumps([one.as_json() for one in findings])


def cadence(check: Any) -> list[Finding]:
    return cadence_findings(check)


def own(check: Any) -> list[Finding]:
    return list(check.findings(closed=True))


CHECKS: list[tuple[Callable[[], Any], Callable[[Any], list[Finding]]]] = [
    (lambda: CadenceCheck(MAP, 0, timestamps_ns=MS // 2), cadence),
    (lambda: CounterCheck(MAP, 0), own),
    (lambda: CrcCheck(MAP, 0), own),
    (lambda: UnknownCheck(MAP, 0), own),
]


@settings(max_examples=80)
@given(stretches(), st.lists(st.integers(0, 50), max_size=10))
def test_cuts_and_merges_change_nothing(parts: list[list[Part]], splits: list[int]) -> None:
    flat = [one for stretch in parts for one in stretch]
    whole = [joined(stretch) for stretch in parts]
    for make, findings in CHECKS:
        once = text(findings(fold(make, MAP, whole, BUSES)))
        assert text(findings(fold(make, MAP, flat, BUSES))) == once
        assert text(findings(tree(make, MAP, flat, splits, BUSES))) == once


def joined(stretch: list[Part]) -> Part:
    """Return a stretch as it was before it was cut."""
    return replace(
        stretch[0],
        sent=tuple(sent for one in stretch for sent in one.sent),
        end_ns=stretch[-1].end_ns,
        lost=tuple(place for one in stretch for place in one.lost),
    )


@settings(max_examples=40)
@given(
    st.lists(st.tuples(st.integers(0, 290), st.sampled_from([1000, 1000, 1500, 2000])), max_size=14),
    st.integers(1, 5),
    st.lists(st.integers(0, 50), max_size=8),
)
def test_frozen_fields_are_found_however_the_capture_is_cut(readings: list[tuple[int, int]], size: int, splits: list[int]) -> None:
    ordered = sorted((tenth / 10, raw) for tenth, raw in readings)
    plan = ColumnPlan(DEVICE)
    batches = [plan.decode(batch) for batch in capture(words(0x09, ordered), batch_size=size).batches()]
    whole = [plan.decode(batch) for batch in capture(words(0x09, ordered)).batches()]

    def folded(parts: list[Any]) -> FrozenCheck:
        check = FrozenCheck(JUDGES, CaptureClock(shared_clock()), 0)
        for one in parts:
            check.update(one)
        return check

    once = folded(whole)
    checks = [folded([one]) for one in batches] or [folded([])]
    for split in splits:
        if len(checks) > 1:
            at = split % (len(checks) - 1)
            checks[at].then(checks.pop(at + 1))
    while len(checks) > 1:
        checks[0].then(checks.pop(1))
    expected = text(frozen_findings(once.judges, once.tallies))
    assert text(own(folded(batches))) == expected
    assert text(own(checks[0])) == expected


DEVICE, JUDGES = judges(1.5, 2.0)


@given(st.lists(st.booleans(), max_size=30), st.integers(0, 30))
def test_runs_of_repeats_are_those_of_a_plain_loop(flags: list[bool], at: int) -> None:
    def tally(part: list[bool], offset: int) -> RunTally:
        return run_tally(np.array(part, np.bool_), lambda index: Spot(index + offset, 0, 0))

    longest = run = begin = best = 0
    for index, flag in enumerate(flags):
        run = run + 1 if flag else 0
        begin = index - run + 1
        longest, best = (run, begin) if run > longest else (longest, best)
    at = min(at, len(flags))
    for found in (tally(flags, 0), tally(flags[:at], 0).then(tally(flags[at:], at))):
        assert found.longest == (Repeats(longest, Spot(best, 0, 0)) if longest else Repeats())
        assert found.pairs == len(flags)
