"""When an alarm's level must and must not be reported, and what the readings around a crossing say of its reaction (verdicts, rule 19)."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from regcheck.checks.alarm_bands import FOREVER, Intervals, joined, outside
from regcheck.checks.pairing import Flags, Times


@dataclass(frozen=True, slots=True)
class Crossing:
    """One time at which a level's condition came to hold: edges c- and c+, last clear reading, first set one.

    Times in ns on the clock of what it rests on.

    ``verdict`` is pass, fail, undecided or untested.
    """

    level: str
    verdict: str
    edges: tuple[int, int]
    clear_ns: int | None
    set_ns: int | None
    limit: tuple[int, int] | None
    doubt_ns: int
    instance: str


def _first_from(stretches: Intervals, time: int, least: int = 0) -> int:
    """Return the first time at or after ``time`` that lies in a stretch going on for more than ``least`` from there."""
    for begin, end in stretches:
        at = max(begin, time)
        if at < end and end - at > least:
            return at
    return FOREVER


def expected(
    surely: Intervals,
    maybe: Intervals,
    clear: Intervals,
    may_clear: Intervals,
    lasting_ns: int,
    react_ns: tuple[int, int],
    releases: list[tuple[int, int]] | None,
) -> tuple[Intervals, Intervals]:
    """Return when a level must be reported and when it must not (verdicts, rule 19); between clear and set the state stays."""
    low, high = react_ns
    must: Intervals = []
    for begin, end in surely:
        if end - begin <= high:
            continue
        if releases is None:
            until = _first_from(may_clear, end)
        else:
            at = bisect_left([release[0] for release in releases], begin)
            until = releases[at][0] if at < len(releases) else _known_end(maybe, end)
        must.append((begin + high, until))
    possible: Intervals = []
    for begin, end in maybe:
        if end - begin < lasting_ns:
            continue
        first = begin + low if begin > -FOREVER else begin
        after = end
        if releases is not None:
            at = bisect_left([release[1] for release in releases], first)
            after = max(end, releases[at][1]) if at < len(releases) else FOREVER
        at = _first_from(clear, after, high)
        possible.append((first, at + high if at < FOREVER else FOREVER))
    return [one for one in must if one[0] < one[1]], outside(joined(possible))


def _known_end(maybe: Intervals, after: int) -> int:
    """Return where what was applied is no longer known: a latched level is asked for up to there."""
    return next((begin for begin, end in maybe if end == FOREVER and begin >= after), after)


def crossings(
    start: Times,
    end: Times,
    doubt: Times,
    is_set: Flags,
    surely: Intervals,
    maybe: Intervals,
    react_ns: tuple[int, int],
    limit: tuple[int, int] | None,
    state: str,
    instance: str,
) -> list[Crossing]:
    """Return each time at which a level's condition came to hold, and what the readings around it say of the reaction."""
    low, high = react_ns
    found: list[Crossing] = []
    for number, (early, last) in enumerate(maybe):
        inner = [one for one in surely if early <= one[0] <= last]
        if early == -FOREVER or not inner:
            continue
        late, until = inner[0]
        before = np.flatnonzero(start < early)
        if not len(before) or is_set[before[-1]] or not len(start) or end[-1] < late:
            continue  # not in this capture, or the level stood already
        following = maybe[number + 1][0] if number + 1 < len(maybe) else FOREVER
        rows = np.flatnonzero((end >= early) & (start < min(following, max(until, late + high))))
        first = rows[is_set[rows]][:1]
        clear_ns: int | None = None
        set_ns: int | None = None
        if len(first):
            at = int(first[0])
            clear_ns, set_ns = int(start[at - 1]) if at else None, int(end[at])
            width = int(max(doubt[at], doubt[at - 1] if at else 0))
        else:
            waiting = rows[start[rows] < until]
            width = int(doubt[waiting].max(initial=0))
            clear_ns = int(start[waiting[-1]]) if len(waiting) else None
        if set_ns is None:
            is_late = clear_ns is not None and clear_ns - late - width > high
            verdict = "fail" if is_late else "untested"
        elif clear_ns is not None and (clear_ns - late - width > high or set_ns - early + width < low):
            verdict = "fail" if limit is not None or set_ns - early + width < low else "pass"
        elif limit is None or (clear_ns is not None and set_ns - early + width <= high and (not low or clear_ns - late - width >= low)):
            verdict = "pass"
        else:
            verdict = "undecided"
        found.append(Crossing(state, verdict, (early, late), clear_ns, set_ns, limit, width, instance))
    return found
