"""From the levels of two wires to transfers: start, stop, bytes and acknowledge bits; shared by every capture of levels.

What is an edge (I2C-bus specification UM10204, clauses 3.1.3 to 3.1.6): a start is SDA falling, a stop SDA rising, while SCL is and stays
high; a bit is SDA where SCL rises. Changes at one and the same nanosecond count as one step: a bit is then SDA's new level, and no
start or stop is seen. A level that is not known (``UNKNOWN``) makes no edges. The last rising clock before a start or stop is no bit.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from regcheck.traffic.assemble import (
    BEGIN,
    BIT,
    CUT,
    END,
    NO_BEGIN,
    SPIKE,
    START,
    STOP,
    TIMEOUT,
    UNKNOWN_CLOCK,
    Events,
    assemble,
    cut_overlong,
)
from regcheck.traffic.build import BatchBuilder

LOW, HIGH, UNKNOWN = 0, 1, 2

SPIKE_NS = 50
"""A shorter pulse is no level. UM10204, table 10: t_SP, the spikes that the inputs of fast-mode devices must suppress, is 0 to 50 ns."""

TIMEOUT_NS = 35_000_000
"""A clock held low for longer ends the transfer. SMBus 3.1, table of AC specifications: t_TIMEOUT is 25 to 35 ms."""

IDLE_NS = 50_000
"""Both lines high for longer: no transfer is under way. SMBus 3.1, table of AC specifications: t_HIGH max is 50 us, and a host may take
the bus for free beyond it."""

_BEFORE_ALL = -(1 << 62)


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Levels of both wires, one row for each nanosecond at which something changed, in order; all of length n.

    ``scl`` and ``sda`` are LOW, HIGH or UNKNOWN from ``time`` (ns) on; ``place`` is where that stands in the file.
    """

    time: NDArray[np.int64]
    scl: NDArray[np.uint8]
    sda: NDArray[np.uint8]
    place: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.time)

    def rows(self, at: int, until: int) -> Levels:
        """Return rows ``at`` up to ``until``."""
        return Levels(*(getattr(self, item.name)[at:until] for item in fields(self)))

    def then(self, later: Levels) -> Levels:
        """Return these rows and the later ones; where they meet in one nanosecond the later row stands."""
        if not len(self) or not len(later):
            return later if len(later) else self
        keep = self.rows(0, len(self) - 1) if self.time[-1] == later.time[0] else self
        return Levels(*(np.concatenate((getattr(keep, item.name), getattr(later, item.name))) for item in fields(self)))


NO_LEVELS = Levels(np.zeros(0, np.int64), np.zeros(0, np.uint8), np.zeros(0, np.uint8), np.zeros(0, np.int64))


class LevelRecord:
    """Keeps the levels that it is fed, in the place of ``Wires``: to look for where a capture may be cut."""

    def __init__(self) -> None:
        self._kept: list[Levels] = []
        self._is_broken = False

    def feed(self, levels: Levels, now_ns: int) -> None:  # noqa: ARG002 - in the place of Wires
        """Take the next rows."""
        self._kept.append(levels)

    def pause(self, now_ns: int) -> bool:  # noqa: ARG002
        """Tell that it follows no transfers."""
        return False

    def finish(self, now_ns: int) -> None:  # noqa: ARG002
        """Learn that time goes backwards."""
        self._is_broken = True

    def levels(self) -> Levels | None:
        """Return all rows; None where time went backwards among them."""
        joined = NO_LEVELS
        for one in self._kept:
            joined = joined.then(one)
        return None if self._is_broken else joined


def idle_rows(levels: Levels, spike_ns: int) -> NDArray[np.int64]:
    """Return the rows at which a change follows a stop, both lines having been high for at least ``spike_ns`` and a microsecond.

    Between two such rows and within them nothing is a spike or unknown as far as the three changes before tell.
    """
    if len(levels) < 5:
        return np.zeros(0, np.int64)
    scl, sda, gap = levels.scl, levels.sda, np.diff(levels.time)
    row = np.arange(4, len(levels))
    is_stop = (scl[row - 1] == HIGH) & (sda[row - 1] == HIGH) & (scl[row - 2] == HIGH) & (sda[row - 2] == LOW)
    is_clean = (gap[row - 1] >= max(spike_ns, 1000)) & (gap[row - 2] >= spike_ns) & (gap[row - 3] >= spike_ns)
    return np.asarray(row[is_stop & is_clean])


@dataclass(slots=True)
class _Line:
    """What is carried of one wire: its level and since when, and its level with the spikes taken out."""

    level: int = UNKNOWN
    since_ns: int = _BEFORE_ALL
    clean: int = UNKNOWN

    def clean_levels(
        self, time: NDArray[np.int64], level: NDArray[np.uint8], settled: int, spike_ns: int
    ) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
        """Return the levels of the first ``settled`` rows without runs shorter than ``spike_ns``, and the rows where such a run begins.

        A run's length is known where its end is among the rows; the last run counts as long, so settled rows must be decided without it.
        """
        changed = np.empty(len(level), np.bool_)
        changed[0] = level[0] != self.level
        np.not_equal(level[1:], level[:-1], out=changed[1:])
        rows = np.flatnonzero(changed)
        begins = time[rows]
        carried = not changed[0]
        if carried:
            rows = np.concatenate((np.zeros(1, np.int64), rows))
            begins = np.concatenate((np.array([self.since_ns], np.int64), begins))
        short = np.zeros(len(rows), np.bool_)
        np.less(begins[1:] - begins[:-1], spike_ns, out=short[:-1])
        spikes = np.flatnonzero(short)
        clean = level
        if len(spikes):
            index = np.maximum.accumulate(np.where(short, -1, np.arange(len(rows))))
            run_levels = np.where(index >= 0, level[rows[np.maximum(index, 0)]], self.clean).astype(np.uint8)
            clean = np.repeat(run_levels, np.diff(np.append(rows, len(level))))
            spikes = rows[spikes[1:] if carried and spikes[0] == 0 else spikes]
            spikes = spikes[spikes < settled]
        run = int(np.searchsorted(rows, settled - 1, "right")) - 1
        self.level, self.since_ns, self.clean = int(level[settled - 1]), int(begins[run]), int(clean[settled - 1])
        return clean[:settled], spikes


class Wires:
    """Follows two wires and hands the transfers to a builder; how the levels are cut into feeds changes nothing."""

    def __init__(self, builder: BatchBuilder, *, spike_ns: int = SPIKE_NS) -> None:
        self._builder = builder
        self._spike_ns = max(spike_ns, 1)
        self._reset()

    def _reset(self) -> None:
        self._held = NO_LEVELS
        self._lines = (_Line(), _Line())
        self._low_since_ns = _BEFORE_ALL
        self._open = Events.none()
        self._is_lost = True  # nothing has yet told whether a transfer is under way
        self._lost_bits = 0
        self._lost_place = 0
        self._both_high_since_ns = _BEFORE_ALL

    def feed(self, levels: Levels, now_ns: int) -> None:
        """Take the next rows; nothing changes after them up to ``now_ns``, which is no earlier than the last row."""
        self._builder.advance(now_ns)
        self._held = self._held.then(levels)
        settled = int(np.searchsorted(self._held.time, now_ns - self._spike_ns, "right"))
        if settled:
            self._take(self._held, settled)
            self._held = self._held.rows(settled, len(self._held))

    def resume(self) -> None:
        """Begin in the middle of a capture, while both lines are high and no transfer is under way."""
        self._lines = (_Line(HIGH, clean=HIGH), _Line(HIGH, clean=HIGH))
        self._is_lost = False

    def pause(self, now_ns: int) -> bool:
        """End a stretch that another one follows; tell whether both lines are high and no transfer is under way: then it can."""
        self._builder.advance(now_ns)
        if len(self._held):
            self._take(self._held, len(self._held))
            self._held = NO_LEVELS
        is_high = all(line.level == HIGH and line.clean == HIGH for line in self._lines)
        return is_high and not self._is_lost and not len(self._open)

    def finish(self, now_ns: int) -> None:
        """End the capture, or an epoch of it, at ``now_ns``: a transfer under way is handed over without its stop."""
        self._builder.advance(now_ns)
        if len(self._held):
            self._take(self._held, len(self._held))
        if self._is_lost and self._lost_bits:
            self._complain_lost()
        if len(self._open):
            timed_out = self._lines[0].clean == LOW and now_ns - self._low_since_ns > TIMEOUT_NS
            end_ns = self._low_since_ns + TIMEOUT_NS if timed_out else now_ns
            assemble(self._open.then(Events.single(end_ns, TIMEOUT if timed_out else TIMEOUT | CUT)), self._builder)
        self._reset()

    def _take(self, levels: Levels, settled: int) -> None:
        previous = [line.clean for line in self._lines]
        time = levels.time[:settled]
        scl, spikes = self._lines[0].clean_levels(levels.time, levels.scl, settled, self._spike_ns)
        sda, more_spikes = self._lines[1].clean_levels(levels.time, levels.sda, settled, self._spike_ns)
        before_scl, before_sda = _shifted(scl, previous[0]), _shifted(sda, previous[1])

        rises = (before_scl == LOW) & (scl == HIGH)
        moves = (before_scl & scl == HIGH) & (before_sda ^ sda == 1)
        code = rises.view(np.uint8) * np.uint8(BIT)
        code[moves] = np.where(sda[moves] == HIGH, np.uint8(STOP), np.uint8(START))
        if scl.max() == UNKNOWN:
            code[(scl == UNKNOWN) & (before_scl != UNKNOWN)] |= UNKNOWN_CLOCK
        code[spikes] |= SPIKE
        code[more_spikes] |= SPIKE
        late, late_ns = self._timeouts(time, scl, before_scl)
        code[late] = code[late] & ~np.uint8(BIT) | TIMEOUT

        rows = np.flatnonzero(code)
        event_time = time[rows]
        if len(late):
            event_time[np.searchsorted(rows, late)] = late_ns
        events = Events(event_time, code[rows], sda[rows], levels.place[:settled][rows])
        if self._is_lost:
            events = self._find_beginning(events, time, scl, sda)
        if len(events):
            self._open = assemble(cut_overlong(self._open.then(events), self._builder), self._builder)

    def _timeouts(
        self, time: NDArray[np.int64], scl: NDArray[np.uint8], before: NDArray[np.uint8]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the rows where SCL leaves a low that lasted longer than ``TIMEOUT_NS``, and when the time ran out."""
        falls = time[(scl == LOW) & (before != LOW)]
        leaves = np.flatnonzero((scl != LOW) & (before == LOW))
        if before[0] == LOW:
            falls = np.concatenate((np.array([self._low_since_ns], np.int64), falls))
        if len(falls):
            self._low_since_ns = int(falls[-1])
        falls = falls[: len(leaves)]
        late = np.flatnonzero(time[leaves] - falls > TIMEOUT_NS)
        return leaves[late], falls[late] + TIMEOUT_NS

    def _find_beginning(self, events: Events, time: NDArray[np.int64], scl: NDArray[np.uint8], sda: NDArray[np.uint8]) -> Events:
        """Pass over what comes before the first start, stop or timeout of the capture, and count it."""
        marks = np.flatnonzero(events.code & (BEGIN | END))
        first = int(marks[0]) if len(marks) else len(events)
        bits = np.flatnonzero(events.code[:first] & BIT)
        if len(bits) and not self._lost_bits:
            self._lost_place = int(events.place[bits[0]])
        self._lost_bits += len(bits)
        until = int(np.searchsorted(time, events.time[first], "left")) if len(marks) else len(time)
        busy = np.flatnonzero((scl[:until] & sda[:until]) != HIGH)
        if len(busy) and busy[-1] == until - 1:
            self._both_high_since_ns = 1 << 62
        elif len(busy):
            self._both_high_since_ns = int(time[busy[-1] + 1])
        elif self._both_high_since_ns in (_BEFORE_ALL, 1 << 62) and until:
            self._both_high_since_ns = int(time[0])
        if not len(marks):
            return events.rows(first, first)
        self._is_lost = False
        begins = bool(events.code[first] & BEGIN)
        is_idle = begins and int(events.time[first]) - self._both_high_since_ns > IDLE_NS
        if self._lost_bits > (1 if is_idle else 0) and not events.code[first] & TIMEOUT:
            self._complain_lost()
            if begins and not is_idle:
                code = events.code.copy()
                code[first] |= NO_BEGIN
                events = Events(events.time, code, events.bit, events.place)
        return events.rows(first, len(events))

    def _complain_lost(self) -> None:
        text = f"the capture begins inside a transfer: {self._lost_bits} clocks before the first start or stop belong to no whole transfer"
        self._builder.complain("capture begins inside a transfer", text, self._lost_place)


def _shifted(level: NDArray[np.uint8], first: int) -> NDArray[np.uint8]:
    before = np.empty_like(level)
    before[0] = first
    before[1:] = level[:-1]
    return before
