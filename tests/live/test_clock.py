"""A step of the wall clock folds no time."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from regcheck.live.clock import Anchor, Stamps
from tests.live.fakes import FakeClock

MS = 1_000_000


def test_the_anchor_does_not_follow_the_wall_clock() -> None:
    clock = FakeClock()
    anchor = Anchor(clock)
    first = anchor.now_ns()
    clock.now += 100 * MS
    clock.offset -= 3_600_000 * MS  # an hour back
    assert anchor.now_ns() - first == 100 * MS
    assert first == anchor.wall_ns


@given(
    steps=st.lists(st.tuples(st.integers(0, 40), st.sampled_from([0, 0, 0, -3_600_000, 3_600_000, -5_000, 700])), min_size=1, max_size=60),
    latency=st.integers(0, 1),
)
def test_stamps_of_the_wall_clock_stay_in_order_over_its_steps(steps: list[tuple[int, int]], latency: int) -> None:
    """Frames are stamped by the wall clock, then it may step, then they are read: their anchored times are the true ones to 2 ms."""
    clock = FakeClock()
    anchor = Anchor(clock)
    stamps = Stamps(clock, anchor)
    for pause, step in steps:
        clock.now += pause * MS
        true = anchor.now_ns()
        stamp = clock.wall_ns()
        clock.offset += step * MS
        clock.now += latency * MS
        assert abs(stamps.anchored(stamp) - true) <= Stamps.SLACK_NS + MS
        stamps.emptied(stamps.look())


def test_an_interface_with_a_clock_of_its_own_keeps_its_distances() -> None:
    clock = FakeClock()
    anchor = Anchor(clock)
    stamps = Stamps(clock, anchor)
    start = clock.now
    times = []
    for _ in range(10):
        clock.now += 10 * MS
        times.append(stamps.anchored(clock.now - start))  # from its own zero
    assert {later - earlier for earlier, later in pairwise(times)} == {10 * MS}
    assert abs(times[-1] - anchor.now_ns()) <= MS
