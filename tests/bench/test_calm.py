"""Slices of rows over which a curve stands still say what the rules for single readings say (verdicts, rules 8 and 10)."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from regcheck.bench.admission import admissible, holds
from regcheck.bench.calm import Calm, Sight, slices
from regcheck.bench.curves import OPEN, AppliedCurve, clock_doubt_extremes, curve_from_rows

S = 1000
ROWS = st.lists(st.tuples(st.integers(1, 8), st.sampled_from([1.0, 2.0, 2.0, 3.0, None])), min_size=2, max_size=12)
READINGS = st.lists(st.tuples(st.integers(0, 400), st.integers(0, 60), st.integers(0, 300)), max_size=60)


def curve_of(rows: Any, between: str) -> AppliedCurve:
    time = np.cumsum([step * S for step, _ in rows])
    state = np.array([0 if value is not None else OPEN for _, value in rows])
    return curve_from_rows(time, np.array([value or 0.0 for _, value in rows]), state, between=between, end_ns=int(time[-1]) + 2 * S)


@given(ROWS, st.sampled_from(["hold", "line"]), READINGS, st.booleans(), st.tuples(*[st.sampled_from([0, 1, 400, 1500])] * 3))
def test_slices_are_the_readings_that_may_be_judged(rows: Any, between: str, readings: Any, varies: bool, timing: Any) -> None:
    curve = curve_of(rows, between)
    settle, latency, warm_up = timing
    steps = np.array(readings or np.zeros((0, 3)), np.int64).reshape(-1, 3)
    start = np.cumsum(steps[:, 0])
    sight = Sight(start, start + steps[:, 1], steps[:, 2] if varies else np.full(len(steps), 100))
    found = slices(curve, Calm.of(curve, holds(curve), settle, latency, warm_up), sight, settle, latency, warm_up)
    wanted = admissible(curve, sight.start, sight.end, settle, latency, sight.doubt, warm_up)
    assert np.sort(np.concatenate([found.rows(), found.others])).tolist() == np.flatnonzero(wanted.admitted).tolist()
    assert {why: count for why, count in found.left_out.items() if count} == {why: count for why, count in wanted.left_out.items() if count}
    shown = clock_doubt_extremes(curve, sight.start, sight.end, latency, sight.doubt)
    stands = holds(curve)
    calm = Calm.of(curve, stands, settle, latency, warm_up)
    for first, last, segment in zip(found.first.tolist(), found.last.tolist(), found.segment.tolist(), strict=True):
        for row in range(first, last):
            assert curve.time[segment] <= sight.end[row] < curve.time[segment + 1]
            values = {float(part[row]) for part in (shown.max_low, shown.min_high, shown.min_low, shown.max_high)}
            assert values == {float(curve.after[segment])}
            assert found.of_row[row] == found.first.tolist().index(first)
            hold = int(calm.hold[segment])
            assert stands.begin[hold] <= sight.start[row] <= sight.end[row] <= stands.end[hold]
            assert hold == np.searchsorted(stands.begin, sight.start[row], side="right") - 1


def test_what_stands_still_is_found_in_slices() -> None:
    curve = curve_of([(1, 1.0), (8, 2.0), (8, 3.0)], "hold")
    start = np.arange(0, 20 * S, 100)
    sight = Sight(start, start, np.full(len(start), 50))
    found = slices(curve, Calm.of(curve, holds(curve), 400, 100, 0), sight, 400, 100, 0)
    assert [curve.after[one] for one in found.segment] == [1.0, 2.0, 3.0]
    # from step + settle + latency + doubt, not included, to the doubt before the next step, not included
    assert start[found.first].tolist() == [1600, 9600, 17600]
    assert start[found.last - 1].tolist() == [8900, 16900, 18900]
    assert not len(found.others)
