"""Polls the registers of a map on one adapter: each when it is due, retried by a bounded policy, whatever the device does.

The policy: a read that fails is tried again at once, at most ``RETRIES`` times; a device, or a register, that failed
``GIVEN_UP_AFTER`` turns in a row is asked once a turn until it answers again. What an adapter cannot do at all is not asked again.
Every attempt is recorded.
"""

from __future__ import annotations

import errno as errors
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from regcheck.codec.checksums import SMBUS_PEC, crc_function
from regcheck.device_map.model import Pec
from regcheck.errors import BusError
from regcheck.live.clock import Anchor, Clock
from regcheck.live.ear import STEP_S, Counts, Heard
from regcheck.live.poll_plan import PollPlan, Read, Selector
from regcheck.live.schedule import Schedule
from regcheck.live.smbus_adapter import NACK, WORDS, Parts, SmbusAdapter, Way, WritePermit, wants_pec
from regcheck.live.source import Stop
from regcheck.traffic.batch import NO_BYTE, Flag
from regcheck.traffic.heard import BAD_PEC, Event, Tried
from regcheck.traffic.shapes import Transfer

RETRIES = 2
GIVEN_UP_AFTER = 3
PEC_TRIALS = 4
"""How often a device whose PEC is optional is asked for one before it counts as a device without."""

POLICY = (
    f"a failed read is tried again at once, at most {RETRIES} times; "
    f"a device or register that failed {GIVEN_UP_AFTER} turns in a row is asked once a turn"
)
_pec = crc_function(SMBUS_PEC)
GONE, BACK = "adapter gone", "adapter back"


class Poller:
    """Polls one adapter by a plan. ``opener`` opens it; ``is_there`` tells whether it is still plugged in."""

    def __init__(
        self,
        label: str,
        name: str,
        plan: PollPlan,
        opener: Callable[[], Any],
        is_there: Callable[[], bool],
        *,
        clock: Clock,
        anchor: Anchor,
        wait_ns: int,
        permit: WritePermit | None = None,
    ) -> None:
        self.label, self.name, self.plan = label, name, plan
        self.heard: deque[Heard] = deque()
        self.failure: BusError | None = None
        self.counts = {read.name: Counts() for read in plan.reads}
        self._opener, self._is_there = opener, is_there
        self._clock, self._anchor, self._wait_ns = clock, anchor, wait_ns
        self._permit = permit
        self.horizon_ns = anchor.now_ns()
        self._adapter: SmbusAdapter | None = None
        self._says = ""
        self._ways: dict[str, Way] = {}
        self._unread: dict[str, str] = {}
        self._sends_pec: dict[int, bool] = {}
        self._failed_turns: dict[int | str, int] = {}  # in a row, by address and by register

    @property
    def notes(self) -> tuple[str, ...]:
        """How the adapter reads, what is written, what is skipped and why."""
        found = [f"{self.name}: {self._says}"] if self._says else []
        found += [f"{self.name}: will {selector}" for selector in self.plan.selectors]
        found += [f"{self.name}: address 0x{address:02X} sends no PEC" for address, sends in self._sends_pec.items() if not sends]
        by_reason: dict[str, list[str]] = {}
        for name, reason in (*self.plan.skipped, *self._unread.items()):
            by_reason.setdefault(reason, []).append(name)
        found += [f"{self.name}: not read: {', '.join(names)} ({reason})" for reason, names in by_reason.items()]
        return tuple(found)

    @property
    def about(self) -> Mapping[str, object]:
        """How the adapter reads, for the head of the file."""
        about: dict[str, object] = {"adapter": self.name, "reads": self._says, "retries": POLICY}
        if self._sends_pec:
            about["pec_sent"] = {f"0x{address:02X}": sends for address, sends in self._sends_pec.items()}
        return about

    def open(self) -> None:
        """Open the adapter and find out how each register is read; BusError: it cannot be opened, or nothing can be read through it."""
        self._adapter = SmbusAdapter(self._opener())
        self._says = self._adapter.says
        for read in self.plan.reads:
            self._find_pec(read)
            self._find_way(read)
        if not self._ways:
            reasons = dict.fromkeys([*(reason for _, reason in self.plan.skipped), *self._unread.values()])
            raise BusError(f"{self.name}: nothing can be polled: " + ("; ".join(reasons) or "the map has no registers"))

    def close(self) -> None:
        """Close the adapter."""
        if self._adapter is not None:
            adapter, self._adapter = self._adapter, None
            try:
                adapter.close()
            except OSError:  # it is gone already
                return

    def _find_way(self, read: Read) -> None:
        assert self._adapter is not None  # noqa: S101 - opened before
        way = self._adapter.way(read, with_pec=wants_pec(read, self._sends_pec.get(read.address)))
        if way is None:
            self._unread[read.name] = "the adapter offers no transfer that reads it"
        elif read.selector is not None and not self._adapter.can_write():
            self._unread[read.name] = "the adapter cannot write its selector"
        else:
            self._ways[read.name] = way

    def _find_pec(self, read: Read) -> None:
        """Find out whether a device sends its optional PEC: a read that goes through with one says yes, several false ones say no."""
        if read.pec is not Pec.OPTIONAL or read.address in self._sends_pec or read.selector is not None:
            return
        assert self._adapter is not None  # noqa: S101
        way = self._adapter.way(read, with_pec=True)
        if way is None:
            return
        for _ in range(PEC_TRIALS):
            try:
                parts = way.call()
            except OSError as error:
                if WORDS.get(error.errno or 0) != BAD_PEC:
                    return  # not known: it is away, or lacks this register
                continue
            if not way.sees_pec or _is_right(parts):
                self._sends_pec[read.address] = True
                return
        self._sends_pec[read.address] = False

    def run(self, until: Stop) -> None:
        """Poll until told to stop; leave a ``failure`` where the adapter did not come back in time."""
        try:
            self._run(until)
        except BusError as error:
            self.failure = error
        finally:
            self.close()

    def _run(self, until: Stop) -> None:
        clock, offset = self._clock, self._anchor.offset_ns
        groups = self.plan.groups
        schedule = Schedule([group.period_ns for group in groups], clock.monotonic_ns())
        while not until.is_set:
            now = clock.monotonic_ns()
            self.horizon_ns = now + offset
            wait_ns = schedule.next_due_ns - now
            if wait_ns > 0:
                clock.wait(min(wait_ns / 1e9, STEP_S))
                continue
            index = schedule.take(now)
            for read in groups[index].reads:
                self.counts[read.name].missed = schedule.missed[index]
                way = self._ways.get(read.name)
                if way is not None and not self._turn(way):
                    self._lost(until)
                    break

    def _turn(self, way: Way) -> bool:
        """Read one register, with its retries; return False where the adapter is gone."""
        counts, failed = self.counts[way.read.name], self._failed_turns
        asked: tuple[int | str, ...] = (way.read.address, way.read.name)
        is_given_up = bool(failed) and max(failed.get(one, 0) for one in asked) >= GIVEN_UP_AFTER
        tries = 1 if is_given_up else 1 + RETRIES
        for attempt in range(1, tries + 1):
            if attempt > 1:
                counts.retries += 1
            selector = way.read.selector
            word = self._read(way, attempt) if selector is None else self._select(way, selector, attempt)
            if not word:
                counts.good += 1
                if failed:
                    for one in asked:
                        failed.pop(one, None)
                return True
            counts.fail(word)
            if word == "adapter":
                return False
            if word == "unsupported":
                self._ways.pop(way.read.name, None)
                self._unread[way.read.name] = "the adapter says that it cannot do this transfer"
                if not self._ways:
                    raise BusError(f"{self.name}: the adapter can do none of the transfers that the map asks for")
                return True
        for one in asked:
            failed[one] = failed.get(one, 0) + 1
        return True

    def _read(self, way: Way, attempt: int) -> str:
        """Make one attempt and record it; return "" or the word of what went wrong."""
        clock, offset = self._clock, self._anchor.offset_ns
        start = clock.monotonic_ns()
        try:
            parts = way.call()
        except OSError as error:
            return self._failed(error, (way.asked,), start, attempt)
        transfer = Transfer(start + offset, parts, clock.monotonic_ns() + offset, None, way.flags, self.label)
        self.heard.append(transfer if attempt == 1 else Tried(transfer, attempt=attempt))
        return BAD_PEC if way.sees_pec and not _is_right(parts) else ""

    def _select(self, way: Way, selector: Selector, attempt: int) -> str:
        """Write the selector that the user has permitted, then read."""
        assert self._adapter is not None  # noqa: S101
        assert self._permit is not None  # noqa: S101 - without one the plan has no such register
        clock, offset = self._clock, self._anchor.offset_ns
        start = clock.monotonic_ns()
        try:
            parts = self._adapter.write_selector(selector, self._permit, with_pec=way.sees_pec or bool(way.flags & Flag.PEC_BY_ADAPTER))
        except OSError as error:
            return self._failed(error, (bytes([selector.address << 1, selector.command]),), start, attempt)
        flags = Flag.SENT_HERE | way.flags
        self.heard.append(Transfer(start + offset, parts, clock.monotonic_ns() + offset, NO_BYTE, flags, self.label))
        return self._read(way, attempt)

    def _failed(self, error: OSError, parts: Parts, start: int, attempt: int) -> str:
        """Record what a failed attempt was, as far as the adapter tells."""
        code = error.errno or 0
        word = WORDS.get(code, "bus") if self._is_there() else "adapter"
        times = start + self._anchor.offset_ns, self._clock.monotonic_ns() + self._anchor.offset_ns
        name = errors.errorcode.get(code, str(code))
        flags = Flag(0)
        nack: int | None = None
        if word == NACK:
            parts, nack = (parts[0][:1],), 0
        elif word == BAD_PEC:
            address = parts[0][0] | 1
            parts, flags = (parts[0], bytes([address])) if len(parts[0]) > 1 else parts, Flag.PEC_BY_ADAPTER
        transfer = Transfer(times[0], parts, times[1], nack, flags, self.label)
        self.heard.append(Tried(transfer, "" if word == NACK else word, name, attempt))
        return word

    def _lost(self, until: Stop) -> None:
        """Wait for an adapter that is gone. BusError: it did not come back in time."""
        self.close()
        now = self._clock.monotonic_ns()
        deadline = now + self._wait_ns
        self.heard.append(Event(now + self._anchor.offset_ns, GONE, self.label))
        while not until.is_set:
            now = self._clock.monotonic_ns()
            self.horizon_ns = now + self._anchor.offset_ns
            if self._is_there():
                try:
                    self._ways.clear()
                    self.open()
                except (BusError, OSError):
                    self.close()
                else:
                    self.heard.append(Event(self._clock.monotonic_ns() + self._anchor.offset_ns, BACK, self.label))
                    return
            if now >= deadline:
                raise BusError(f"{self.name}: the adapter is gone and did not come back within {self._wait_ns / 1e9:g} s")
            self._clock.wait(STEP_S)


def _is_right(parts: Parts) -> bool:
    """Return whether the last byte is the PEC of all before it."""
    wire = b"".join(parts)
    return _pec(wire[:-1]) == wire[-1]
