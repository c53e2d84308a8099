"""Bounded plots are ordered monoids that lose no extreme: held against plain Python over dicts."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from regcheck.checks.time_buckets import COUNT, HIGH, LOW, TimeBuckets

READINGS = st.lists(st.tuples(st.integers(-(10**4), 2**62), st.integers(-(2**61), 2**61)), max_size=60)
NEAR = st.lists(st.tuples(st.integers(1_780_000_000 * 10**9, 1_780_000_100 * 10**9), st.integers(-50, 50)), max_size=60)


def filled(readings: list[tuple[int, int]], most: int) -> TimeBuckets:
    buckets = TimeBuckets(most, (LOW, HIGH, COUNT))
    time, value = np.array(readings, np.int64).reshape(-1, 2).T
    buckets.add(time, value, value, np.ones(len(time), np.int64))
    return buckets


def told(buckets: TimeBuckets) -> tuple[int, list[int], list[list[int]]]:
    begin, columns = buckets.filled()
    return buckets.shift, begin.tolist(), columns.tolist()


@given(st.one_of(READINGS, NEAR), st.sampled_from([2, 8, 32]), st.data())
def test_any_cut_and_any_order_of_merging_gives_the_same(readings: list[tuple[int, int]], most: int, data: st.DataObject) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, len(readings)), max_size=5)))
    edges = [0, *cuts, len(readings)]
    parts = [filled(readings[a:b], most) for a, b in pairwise(edges)]
    while len(parts) > 1:
        at = data.draw(st.integers(0, len(parts) - 2))
        parts[at].then(parts.pop(at + 1))
    assert told(parts[0]) == told(filled(readings, most))


@given(st.one_of(READINGS, NEAR), st.sampled_from([2, 8, 32]))
def test_no_extreme_is_lost_and_the_room_is_kept(readings: list[tuple[int, int]], most: int) -> None:
    buckets = filled(readings, most)
    shift, begins, (low, high, count) = told(buckets)
    assert len(buckets) <= most
    expected: dict[int, list[int]] = {}
    for time, value in readings:
        expected.setdefault(time // 2**shift * 2**shift, []).append(value)
    assert begins == sorted(expected)
    assert low == [min(expected[begin]) for begin in begins]
    assert high == [max(expected[begin]) for begin in begins]
    assert count == [len(expected[begin]) for begin in begins]
    times = [time for time, _ in readings]
    if times and shift:  # half as wide would not have been enough
        assert (max(times) >> shift - 1) - (min(times) >> shift - 1) >= most
