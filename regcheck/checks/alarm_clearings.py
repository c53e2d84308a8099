"""The other half of an alarm's crossings: when what set a level was gone, and when the device said so (verdicts, rule 19)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from regcheck.checks.alarm_bands import FOREVER, Intervals
from regcheck.checks.pairing import Flags, Times


@dataclass(frozen=True, slots=True)
class Clearing:
    """One time at which a reported level was to clear: edges c- and c+, the last set and the first clear reading.

    Times in ns on the clock of what it rests on; None where no such reading came before the level might be set again.
    """

    level: str
    edges: tuple[int, int]
    set_ns: int | None
    clear_ns: int | None
    limit_ns: int | None
    doubt_ns: int
    instance: str

    @property
    def delay_ns(self) -> tuple[int | None, int | None]:
        """The least and the most that it can have taken, as the polling tells it."""
        least = None if self.set_ns is None else max(self.set_ns - self.edges[1] - self.doubt_ns, 0)
        return least, None if self.clear_ns is None else self.clear_ns - self.edges[0] + self.doubt_ns


def clearings(
    start: Times,
    end: Times,
    doubt: Times,
    is_set: Flags,
    clear: Intervals,
    may_clear: Intervals,
    limit_ns: int | None,
    level: str,
    instance: str,
) -> list[Clearing]:
    """Return each time at which a level that was reported came to be surely cleared.

    ``start``, ``end``, ``doubt``, ``is_set`` of n readings; ``clear``: where it is surely to clear, ``may_clear``: where it may.
    Evidence alone: whether it cleared in time is judged by the readings that must be clear.
    """
    found = []
    for number, (late, until) in enumerate(clear):
        early = next((begin for begin, finish in may_clear if begin <= late <= finish), late)
        before = np.flatnonzero(start < max(early, -FOREVER))
        if early == -FOREVER or not len(before) or not is_set[before[-1]]:
            continue  # not in this capture, or the level did not stand
        following = clear[number + 1][0] if number + 1 < len(clear) else FOREVER
        rows = np.flatnonzero((end >= early) & (start < min(until, following)))
        gone = rows[~is_set[rows]][:1]
        waiting = rows[: int(np.searchsorted(rows, gone[0]))] if len(gone) else rows
        last = int(waiting[-1]) if len(waiting) else int(before[-1])
        clear_ns = int(end[gone[0]]) if len(gone) else None
        width = int(doubt[rows].max(initial=0))
        found.append(Clearing(level, (early, late), int(start[last]), clear_ns, limit_ns, width, instance))
    return found
