"""Long messages put back together from the CAN frames that carry them: what J1939 transport and ISO-TP have in common.

A reassembler takes the batches of one capture in order. What it hands over depends on the frames alone, never on where batches are cut.
It keeps only the messages that are under way, so that it can run over a capture of any length.
"""

from __future__ import annotations

import copy
from abc import ABC, abstractmethod
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from regcheck.errors import Place
from regcheck.traffic.batch import NO_BYTE, Batch, Complaint, Flag
from regcheck.traffic.build import COMPLAINTS_IN_FULL

LONGEST = 0xFFFF
"""Bytes that a message in a batch can hold; a longer one is announced as too long and passed over."""

INCOMPLETE, NO_BEGINNING, BEGUN_BEFORE = "incomplete message", "packet without a beginning", "message begun before the capture"
IMPOSSIBLE, ENDED_BY_CAPTURE = "impossible transport frame", "message cut by the end of the capture"


@dataclass(frozen=True, slots=True, eq=False)
class Carried:
    """What one batch of frames completed.

    ``batch`` has a row for each whole message, in order of completion: ``time`` is that of its first frame (which may lie before
    ``begin_ns``), ``end`` that of its last, ``place`` the first frame's; the complaints are the transport's alone. ``is_used`` tells
    which rows of the batch of frames belong to the transport (length n of that batch).
    """

    batch: Batch
    is_used: NDArray[np.bool_]


@dataclass(slots=True)
class Session:
    """A message under way. ``deadline_ns``: nothing more of it by then, and it is given up."""

    key: int
    place: int
    time_ns: int
    size: int
    deadline_ns: int
    flags: Flag
    end_ns: int = 0
    data: bytearray = field(default_factory=bytearray)


@dataclass(frozen=True, slots=True)
class UnderWay:
    """What a reassembler knows at one place of a capture: messages under way, names of which a beginning was seen.

    ``doubted`` are names of which a packet came before any beginning, since it began in the middle: whether one was seen earlier counts.
    """

    sessions: Mapping[Hashable, Session] = field(default_factory=dict)
    known: frozenset[Hashable] = frozenset()
    doubted: frozenset[Hashable] = frozenset()


class Reassembler(ABC):
    """The part of a reassembler that knows no protocol: messages under way by name, deadlines, complaints, what is handed over."""

    def __init__(self, file: str = "", *, by_line: bool = True) -> None:
        self._file = file
        self._by_line = by_line
        self._sessions: dict[Hashable, Session] = {}
        self._known: set[Hashable] = set()  # names of which a beginning was seen
        self._doubted: set[Hashable] = set()
        self._is_resumed = False
        self._epoch = 0
        self._buses: tuple[str, ...] = ("",)
        self._source = 0
        self._now_ns = 0
        self._whole: list[Session] = []
        self._complaints: list[Complaint] = []
        self._complained: dict[str, int] = {}

    def resume(self, epoch: int, under_way: UnderWay) -> None:
        """Begin in the middle of a capture."""
        self._epoch, self._is_resumed = epoch, True
        self._sessions, self._known = copy.deepcopy(dict(under_way.sessions)), set(under_way.known)

    def under_way(self) -> UnderWay:
        """Return what is known after the batches so far."""
        return UnderWay(copy.deepcopy(self._sessions), frozenset(self._known), frozenset(self._doubted))

    def update(self, batch: Batch) -> Carried:
        """Take the next batch of frames; return the messages that it completed."""
        if batch.epoch != self._epoch:
            self._give_up_all(INCOMPLETE, "the recorder's clock was set back before it was whole")
            self._known.clear()
            self._is_resumed = False
        self._epoch, self._buses, self._source = batch.epoch, batch.buses, batch.source
        is_used = self._select(batch) & (batch.flags & np.uint16(Flag.REMOTE | Flag.ERROR) == 0)
        for row in np.flatnonzero(is_used).tolist():
            time_ns = int(batch.time[row])
            self._expire(time_ns)
            self._now_ns = time_ns
            self._take(int(batch.key[row]), batch.message(row), time_ns, int(batch.place[row]), Flag(int(batch.flags[row])))
        self._expire(batch.end_ns)
        return Carried(self._handed_over(batch.begin_ns, batch.end_ns), is_used)

    def finish(self) -> Carried:
        """Tell what the end of the capture leaves unfinished; return what needed nothing more but an acknowledgement."""
        self._give_up_all(ENDED_BY_CAPTURE, "the capture ends before it is whole")
        return Carried(self._handed_over(self._now_ns, self._now_ns), np.zeros(0, np.bool_))

    @abstractmethod
    def _select(self, batch: Batch) -> NDArray[np.bool_]:
        """Return which frames belong to the transport."""

    @abstractmethod
    def _take(self, key: int, data: bytes, time_ns: int, place: int, flags: Flag) -> None:
        """Take one frame of the transport; what was due before it has been given up."""

    def _begin(self, name: Hashable, session: Session) -> None:
        self._break_off(name, "another one begins in its place")
        self._known.add(name)
        self._sessions[name] = session

    def _complete(self, name: Hashable) -> None:
        self._whole.append(self._sessions.pop(name))

    def _break_off(self, name: Hashable, text: str, kind: str = INCOMPLETE) -> None:
        """Give up the message ``name``, if there is one: complain, hand nothing over."""
        session = self._sessions.pop(name, None)
        if session is None:
            return
        if len(session.data) >= session.size:
            self._whole.append(session)
        else:
            self._complain(kind, f"a message of {session.size} bytes, {len(session.data)} of them there: {text}", session.place)

    def _stray(self, name: Hashable, text: str, place: int) -> None:
        """Complain about a packet of a message whose beginning is not there."""
        if self._is_resumed and name not in self._known:
            self._doubted.add(name)
        self._complain(NO_BEGINNING if name in self._known else BEGUN_BEFORE, text, place)

    def _expire(self, now_ns: int) -> None:
        late = [(session.deadline_ns, session.place, name) for name, session in self._sessions.items() if session.deadline_ns < now_ns]
        for _, _, name in sorted(late, key=lambda item: item[:2]):
            self._break_off(name, "nothing more came in time")

    def _give_up_all(self, kind: str, text: str) -> None:
        for name in sorted(self._sessions, key=lambda name: self._sessions[name].place):
            self._break_off(name, text, kind)

    def _complain(self, kind: str, text: str, place: int) -> None:
        count = self._complained.get(kind, 0)
        self._complained[kind] = count + 1
        if count < COMPLAINTS_IN_FULL:
            where = Place(self._file, line=place) if self._by_line else Place(self._file, offset=place)
            self._complaints.append(Complaint(where, text, kind))

    def _handed_over(self, begin_ns: int, end_ns: int) -> Batch:
        whole, self._whole = self._whole, []
        start = np.zeros(len(whole) + 1, np.int64)
        np.cumsum([session.size for session in whole], out=start[1:])
        batch = Batch(
            source=self._source,
            epoch=self._epoch,
            begin_ns=begin_ns,
            end_ns=end_ns,
            time=np.array([session.time_ns for session in whole], np.int64),
            end=np.array([session.end_ns for session in whole], np.int64),
            key=np.array([session.key for session in whole], np.uint64),
            flags=np.array([int(session.flags) for session in whole], np.uint16),
            length=np.array([session.size for session in whole], np.uint16),
            place=np.array([session.place for session in whole], np.int64),
            split=np.zeros(len(whole), np.uint16),
            nack=np.full(len(whole), NO_BYTE, np.uint16),
            start=start,
            data=np.frombuffer(b"".join(bytes(session.data[: session.size]) for session in whole), np.uint8),
            buses=self._buses,
            complaints=tuple(self._complaints),
            complained=dict(sorted(self._complained.items())),
        )
        self._complaints, self._complained = [], {}
        return batch
