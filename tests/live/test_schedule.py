"""When what is due: no drift, no starvation, missed slots counted."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from regcheck.live.schedule import Schedule


@given(
    periods=st.lists(st.integers(1, 1000), min_size=1, max_size=12),
    costs=st.lists(st.integers(0, 300), min_size=1, max_size=30),
    start=st.integers(0, 10**6),
)
def test_every_slot_is_served_or_missed_and_none_drifts(periods: list[int], costs: list[int], start: int) -> None:
    schedule = Schedule(periods, start)
    served: list[list[int]] = [[] for _ in periods]
    now = start
    for turn in range(400):
        now = max(now, schedule.next_due_ns)
        served[schedule.take(now)].append(now)
        now += costs[turn % len(costs)]
    for index, period in enumerate(periods):
        slots = [(time - start) // period for time in served[index]]
        assert slots == sorted(set(slots)), "a slot was served twice"
        if served[index]:
            assert len(slots) + schedule.missed[index] == slots[-1] + 1


@given(periods=st.lists(st.integers(1, 50), min_size=2, max_size=10), cost=st.integers(1, 200))
def test_nothing_starves_on_a_bus_that_is_too_slow(periods: list[int], cost: int) -> None:
    """Each item waits at most for one turn of every other one once it is due."""
    schedule = Schedule(periods, 0)
    last = [0] * len(periods)
    now = 0
    for _ in range(500):
        now = max(now, schedule.next_due_ns)
        index = schedule.take(now)
        due = last[index] // periods[index] * periods[index] + periods[index] if last[index] or now else 0
        assert now - due <= cost * len(periods)
        last[index] = now
        now += cost


def test_a_fast_bus_keeps_the_grid() -> None:
    schedule = Schedule([100], 7)
    times = []
    for _ in range(50):
        now = schedule.next_due_ns + 3  # always a little late
        times.append(now)
        schedule.take(now)
    assert times == [7 + 100 * k + 3 for k in range(50)]
    assert schedule.missed == [0]
