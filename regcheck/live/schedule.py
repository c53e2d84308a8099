"""When what is due: each on a grid of its own from the start, so that nothing drifts; who has waited longest comes first."""

from __future__ import annotations

from collections.abc import Sequence
from heapq import heapify, heapreplace


class Schedule:
    """Due times of several items: item i is due at start + k x periods[i], for k from 0 on.

    The item whose due time is earliest comes first, of several the first of the list: an item that is overdue is older than whatever
    has just been done, so none starves. Slots that have passed by the time that an item was done are missed, and counted.
    """

    def __init__(self, periods_ns: Sequence[int], start_ns: int) -> None:
        self._start_ns = start_ns
        self._periods = tuple(periods_ns)
        self._heap = [(start_ns, index) for index in range(len(periods_ns))]
        heapify(self._heap)
        self.missed = [0] * len(periods_ns)

    @property
    def next_due_ns(self) -> int:
        """When the next item is due."""
        return self._heap[0][0]

    def take(self, now_ns: int) -> int:
        """Return the item that comes first and put it to its next slot after ``now_ns``, when its turn begins."""
        due_ns, index = self._heap[0]
        period = self._periods[index]
        slots = max((now_ns - due_ns) // period, 0)  # whole slots that have passed since the one that is served now
        self.missed[index] += slots
        heapreplace(self._heap, (due_ns + (slots + 1) * period, index))
        return index
