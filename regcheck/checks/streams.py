"""Messages that follow each other: what one device sends under one id on one bus, and where the recorder lost some of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.accumulator import Spot
from regcheck.codec.columns import MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.exact_columns import distinct
from regcheck.codec.plan import SMBUS_KEY
from regcheck.device_map.model import Message
from regcheck.traffic.batch import Batch, Kind, MessageKey
from regcheck.traffic.frames import RAW_DLC_NOTE
from regcheck.traffic.transport_iso_tp import TOO_LONG
from regcheck.traffic.transports import BEGUN_BEFORE, ENDED_BY_CAPTURE, IMPOSSIBLE, INCOMPLETE, NO_BEGINNING

TRANSPORT_NOTES = (INCOMPLETE, NO_BEGINNING, BEGUN_BEFORE, IMPOSSIBLE, ENDED_BY_CAPTURE, TOO_LONG)
NOTHING_LOST = frozenset({"time goes backwards", "frame out of order", RAW_DLC_NOTE, *TRANSPORT_NOTES})
"""Kinds of complaints after which every frame is still there (a transport's are of frames that were recorded); any other may hide one."""

Stretch = tuple[int, int]
"""An unbroken stretch of time: which capture, and its epoch."""


@dataclass(frozen=True, slots=True, order=True)
class Stream:
    """What comes in a row: one message of one instance, on one bus, under one key (an id, or a register's address and command)."""

    message: str
    instance: str
    bus: str
    key: int

    @property
    def name(self) -> str:
        """The key as it is said: an id in hexadecimal, eight digits where it is a 29-bit one."""
        return id_text(self.key)


def id_text(key: int) -> str:
    """Return a key in words: a frame's id (three digits, or eight where it has 29 bits), or a register's address and command."""
    known = MessageKey.unpack(key)
    if known.kind is Kind.FRAME:
        return f"0x{known.number:0{8 if known.extended else 3}X}"
    return f"0x{known.number:02X} command 0x{known.command:02X}"


def streams_of(batch: DecodedBatch, columns: MessageColumns) -> Iterator[tuple[Stream, NDArray[np.int64]]]:
    """Give each stream that a message's columns hold, and its rows in order of time."""
    keys = batch.batch.key[columns.index]
    found, codes = distinct(keys)
    for number, key in enumerate(found.tolist()):
        rows = np.flatnonzero(codes == number)
        bus = batch.batch.buses[key >> 48]
        yield Stream(columns.message.name, columns.instance, bus, key & SMBUS_KEY), rows


def is_judged(columns: MessageColumns) -> bool:
    """Return whether the device answers for these messages: not the host's frames, nor its writes of what it also reads."""
    return bool(len(columns.time)) and is_from_device(columns.message) and not (columns.written and "read" in columns.message.access)


def is_from_device(message: Message) -> bool:
    """Return whether the device under test sends a message."""
    return message.sender != "host"


def spot_at(columns: MessageColumns, row: int, source: int) -> Spot:
    """Return where one message of a column stands."""
    return Spot(int(columns.time[row]), source, int(columns.place[row]))


@dataclass(frozen=True, slots=True, eq=False)
class Losses:
    """Where in one batch the recorder lost something: sorted places i8[k]; from ``open_from`` to the batch's end it may be anywhere."""

    places: NDArray[np.int64]
    open_from: int | None = None

    @classmethod
    def of(cls, batch: Batch) -> Losses:
        """Return the losses that a batch complains of; where their places are too many to know, they may lie anywhere behind the last."""
        places: list[int] = []
        open_from: list[int] = []
        for kind, number in batch.complained.items():
            if kind in NOTHING_LOST:
                continue
            known = batch.complained_at.get(kind)
            if known is not None:
                places += known
                continue
            own = [each.place.line or each.place.offset for each in batch.complaints if each.kind == kind]
            places += own
            if number > len(own):
                open_from.append(max(own, default=int(np.iinfo(np.int64).min)))
        return cls(np.array(sorted(places), np.int64), min(open_from, default=None))

    def __bool__(self) -> bool:
        return bool(len(self.places)) or self.open_from is not None

    def with_more(self, other: Losses) -> Losses:
        """Return both together."""
        known = [one for one in (self.open_from, other.open_from) if one is not None]
        return Losses(np.sort(np.concatenate([self.places, other.places])), min(known, default=None))

    def beyond(self, place: int) -> Losses:
        """Return the losses after a place: a reader complains as it reads, often ahead of the messages that it has handed over."""
        return Losses(self.places[self.places > place], self.open_from if self.open_from is not None and self.open_from > place else None)

    def between(self, earlier: NDArray[np.int64], later: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return for each pair of places whether something may have been lost between them, bool[n]."""
        low, high = np.minimum(earlier, later), np.maximum(earlier, later)
        found = np.searchsorted(self.places, high, side="right") > np.searchsorted(self.places, low, side="left")
        return found if self.open_from is None else np.asarray(found | (high > self.open_from))

    def before(self, place: int) -> bool:
        """Return whether something was lost before a place of this batch."""
        return bool(len(self.places) and int(self.places[0]) <= place) or (self.open_from is not None and place > self.open_from)

    def after(self, place: int) -> bool:
        """Return whether something was lost after a place, or anywhere in the batch where it lies in an earlier one."""
        return bool(len(self.places) and int(self.places[-1]) >= place) or self.open_from is not None


NO_LOSS = Losses(np.zeros(0, np.int64))


@dataclass(slots=True)
class Horizon:
    """One unbroken stretch: when the bus was first and last known, since when each device was heard, whether anything was lost."""

    begin_ns: int
    end_ns: int
    lossy: bool = False
    heard: dict[tuple[str, str], int] = field(default_factory=dict)

    def then(self, later: Horizon) -> None:
        """Take a later part of the same stretch."""
        self.begin_ns, self.end_ns = min(self.begin_ns, later.begin_ns), max(self.end_ns, later.end_ns)
        self.lossy |= later.lossy
        for key, time_ns in later.heard.items():
            self.heard[key] = min(time_ns, self.heard.get(key, time_ns))

    def hear(self, bus: str, instance: str, time_ns: int) -> None:
        """Note that a device sent something."""
        key = (bus, instance)
        self.heard[key] = min(time_ns, self.heard.get(key, time_ns))

    def heard_since(self, instance: str, bus: str | None = None) -> int | None:
        """Return when a device was first heard; instance "" is any of them, bus None any bus; None where it never was."""
        times = [time for (where, who), time in self.heard.items() if bus in (None, where) and instance in ("", who)]
        return min(times, default=None)


class Horizons:
    """The stretches that a check has seen, in order."""

    def __init__(self) -> None:
        self.stretches: dict[Stretch, Horizon] = {}
        self._latest: Stretch | None = None
        self._ahead = NO_LOSS

    def update(self, batch: DecodedBatch, source: int) -> tuple[Stretch, Losses, bool]:
        """Take the next batch; return the stretch that it belongs to, what was lost there, and whether something was lost in it before."""
        one = batch.batch
        stretch = (source, one.epoch)
        losses = Losses.of(one)
        if stretch == self._latest:
            losses = losses.with_more(self._ahead)
        self._ahead = losses.beyond(int(one.place.max(initial=-1)))
        horizon = Horizon(one.begin_ns, one.end_ns, bool(losses))
        for columns in batch.messages:
            if is_judged(columns) and len(one.buses) == 1:
                horizon.hear(one.buses[0], columns.instance, int(columns.time[0]))
            elif is_judged(columns):
                buses = batch.batch.key[columns.index] >> np.uint64(48)
                for number in np.unique(buses).tolist():
                    horizon.hear(one.buses[number], columns.instance, int(columns.time[np.argmax(buses == number)]))
        was_lossy = False
        if stretch in self.stretches:
            was_lossy = self.stretches[stretch].lossy
            self.stretches[stretch].then(horizon)
        else:
            self.stretches[stretch] = horizon
        self._latest = stretch
        return stretch, losses, was_lossy

    def tick(self, end_ns: int) -> None:
        """Learn that the bus was silent up to ``end_ns`` of the stretch seen last."""
        if self._latest is not None:
            horizon = self.stretches[self._latest]
            horizon.end_ns = max(horizon.end_ns, end_ns)

    def then(self, later: Horizons) -> None:
        """Take later stretches; the first of them may go on with the last one here."""
        for stretch, horizon in later.stretches.items():
            mine = self.stretches.setdefault(stretch, Horizon(horizon.begin_ns, horizon.end_ns))
            mine.then(horizon)
        if later._latest is not None:
            self._latest, self._ahead = later._latest, later._ahead
