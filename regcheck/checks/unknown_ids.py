"""Ids on a CAN bus that no frame of the map explains, and ids of fitted devices that never came.

A CAN frame does not say who sent it, so an id that the map lacks proves nothing against the device: it may be another node's. It is listed,
and the requirement stays untested. Two things are told for sure: what the recorder sent itself is not the device's, and
what comes under a J1939 source address of the map is (SAE J1939-81: a source address belongs to one node), and is a fail.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.accumulator import Count, Spot
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.streams import id_text, is_from_device, streams_of
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.exact_columns import distinct
from regcheck.codec.plan import SMBUS_KEY
from regcheck.codec.unexplained import Unexplained
from regcheck.device_map.frames import Fitted, FrameId, GroupId, group_of, message_ids
from regcheck.device_map.model import Message, RegisterMap
from regcheck.traffic.batch import Flag, Kind, MessageKey

TRANSPORT_PGNS = (0xEC00, 0xEB00)
"""Connection management and data transfer of J1939-21's transport."""

LONGEST_SINGLE = 8

ELSEWHERE = {
    int(Unexplained.OTHER_BUS): "the map has this id on another bus",
    int(Unexplained.NOT_FITTED): "it is the id of a device that the trial does not say is fitted",
}
"""Ids that the map has, but not of a device on this bus."""

SHOWN = 16
"""Unknown ids that a finding lists, the most frequent first."""


@dataclass(frozen=True, slots=True)
class KnownFrame:
    """One way in which a frame of the map is known on the bus: its message, and an id or a parameter group of one device."""

    message: Message
    id: FrameId | GroupId

    @property
    def key(self) -> int | None:
        """The packed key without the bus; None where the map knows a group, not an id."""
        return None if isinstance(self.id, GroupId) else MessageKey(Kind.FRAME, self.id.id, extended=self.id.extended).pack()

    def explains(self, known: MessageKey) -> bool:
        """Return whether a key may be this frame's, or that of a part of it: a segment, what asks for it, a transport's packet."""
        if isinstance(self.id, FrameId):
            return known.extended == self.id.extended and known.number in (self.id.id, self.id.asked_by)
        if not known.extended:
            return False
        is_carried = group_of(known.number)[0] in TRANSPORT_PGNS and _is_long(self.message)
        return self.id.matches(known.number) or (is_carried and self.id.source in (None, known.number & 0xFF))


def _is_long(message: Message) -> bool:
    length = message.length
    return length is None or length.expression is not None or length.high is None or length.high > LONGEST_SINGLE


def known_frames(register_map: RegisterMap, fitted: Fitted | None = None) -> list[KnownFrame]:
    """Return every frame of a map as it is known on the bus; ``fitted`` as the trial says it (default: all instances)."""
    frames = [message for message in register_map.messages if message.kind == "frame"]
    return [KnownFrame(message, id) for message in frames for id in message_ids(register_map, message, fitted)]


def required_frames(register_map: RegisterMap, fitted: Fitted | None) -> list[KnownFrame]:
    """Return the frames of devices that are known to be there: where nothing says what is fitted, those that have no instances."""
    return [one for one in known_frames(register_map, fitted) if fitted is not None or not one.id.instance]


def required_instances(register_map: RegisterMap, fitted: Fitted | None) -> dict[str, tuple[str, ...]]:
    """Return for each message the instances that must come: what `CadenceCheck` takes as fitted."""
    found: dict[str, tuple[str, ...]] = {}
    for one in required_frames(register_map, fitted):
        found[one.message.name] = tuple(dict.fromkeys((*found.get(one.message.name, ()), one.id.instance)))
    return found


@dataclass(slots=True)
class BusTally:
    """What came on one bus: ``explained`` frames, unknown ids, frames that the recorder sent itself, remote and error frames."""

    explained: int = 0
    unknown: dict[int, Count] = field(default_factory=dict)
    elsewhere: dict[int, str] = field(default_factory=dict)
    sent_here: int = 0
    remote: int = 0
    errors: int = 0

    def then(self, later: BusTally) -> None:
        """Add a later tally."""
        self.explained += later.explained
        self.sent_here += later.sent_here
        self.remote += later.remote
        self.errors += later.errors
        self.elsewhere = later.elsewhere | self.elsewhere
        for key, count in later.unknown.items():
            self.unknown.setdefault(key, Count()).then(count)


class UnknownCheck:
    """Unknown ids of every bus, and ids of fitted devices that never came.

    ``fitted`` names the values of an axis that the trial says are there; None where nothing says so.
    """

    def __init__(self, register_map: RegisterMap, source: int, fitted: Fitted | None = None) -> None:
        self.register_map, self.source = register_map, source
        self.known = known_frames(register_map)
        self.required = required_frames(register_map, fitted)
        here = [one for one in known_frames(register_map, fitted) if is_from_device(one.message)]
        self.sources = {one.id.source for one in here if isinstance(one.id, GroupId)} - {None}
        self.buses: dict[str, BusTally] = {}
        self.seen: set[tuple[str, str, int]] = set()
        self._explained: dict[int, bool] = {}

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        one = batch.batch
        for columns in batch.messages:
            if columns.message.kind == "frame" and len(columns.time):
                for stream, rows in streams_of(batch, columns):
                    self.buses.setdefault(stream.bus, BusTally()).explained += len(rows)
                    self.seen.add((stream.message, stream.instance, stream.key))
        frames = (one.key[batch.unexplained] >> np.uint64(41) & np.uint64(0x7F)) == Kind.FRAME
        rows, why = batch.unexplained[frames], batch.why[frames]
        flags = one.flags[rows]
        kinds = [(flags & flag) != 0 for flag in (Flag.ERROR, Flag.REMOTE, Flag.SENT_HERE)]
        for number in np.unique(one.key[rows] >> np.uint64(48)).tolist():
            tally = self.buses.setdefault(one.buses[number], BusTally())
            left = (one.key[rows] >> np.uint64(48)) == number
            for name, mask in zip(("errors", "remote", "sent_here"), kinds, strict=True):
                setattr(tally, name, getattr(tally, name) + int((left & mask).sum()))
                left = left & ~mask
            self._unknown(tally, batch, rows[left], why[left])

    def _unknown(self, tally: BusTally, batch: DecodedBatch, rows: NDArray[np.int64], why: NDArray[np.uint8]) -> None:
        keys, codes = distinct(batch.batch.key[rows] & np.uint64(SMBUS_KEY))
        for number, key in enumerate(keys.tolist()):
            own = np.flatnonzero(codes == number)
            reason = int(why[own[0]])
            if reason not in ELSEWHERE and self._is_explained(key):
                tally.explained += len(own)
                continue
            first = rows[own[0]]
            spot = Spot(int(batch.batch.time[first]), self.source, int(batch.batch.place[first]))
            tally.unknown.setdefault(key, Count()).add(len(own), spot)
            if reason in ELSEWHERE:
                tally.elsewhere.setdefault(key, ELSEWHERE[reason])

    def _is_explained(self, key: int) -> bool:
        """Whether an id is of the map though its frame gave no reading: a segment, a flow control, a message not put together."""
        if key not in self._explained:
            self._explained[key] = any(one.explains(MessageKey.unpack(key)) for one in self.known)
        return self._explained[key]

    def tick(self, end_ns: int) -> None:
        """Silence changes nothing here."""

    def then(self, later: UnknownCheck) -> None:
        """Take all that a later check of the same map has seen."""
        for bus, tally in later.buses.items():
            self.buses.setdefault(bus, BusTally()).then(tally)
        self.seen |= later.seen

    def findings(self, *, closed: bool) -> Sequence[Finding]:  # noqa: ARG002 - what was seen is final at any time
        """Return a finding for each bus; one where the map has frames and no bus was seen."""
        buses = self.buses or ({"": BusTally()} if self.known else {})
        return [self._finding(bus, tally, is_only=len(buses) == 1) for bus, tally in sorted(buses.items())]

    def _never_came(self) -> Iterator[str]:
        seen = {(message, instance) for message, instance, _ in self.seen}
        for one in self.required:
            name, instance = one.message.name, one.id.instance
            if not is_from_device(one.message) or one.message.optional:
                continue
            what = f"{instance}.{name}" if instance else name
            if (name, instance) not in seen:
                yield what
            elif one.message.each is not None and one.key is not None and (name, instance, one.key) not in self.seen:
                yield f"{what} {id_text(one.key)}"

    def _finding(self, bus: str, tally: BusTally, *, is_only: bool) -> Finding:
        name = "bus" if is_only else bus or "bus"
        if is_only and any(one.kind == "register" for one in self.register_map.messages):
            name = "can"
        requirement = Requirement("unknown", name)
        ordered = sorted(tally.unknown.items(), key=lambda pair: (-pair[1].number, pair[0]))
        strange = sum(count.number for _, count in ordered)
        evidence: dict[str, Any] = {
            "bus": bus or None,
            "frames": tally.explained + strange + tally.sent_here + tally.remote + tally.errors,
            "explained": tally.explained,
            "unknown": strange,
            "unknown_ids": len(ordered),
            "ids": [self._entry(tally, key, count) for key, count in ordered[:SHOWN]],
        }
        more = {"sent_by_recorder": tally.sent_here, "remote_frames": tally.remote, "error_frames": tally.errors}
        evidence |= {key: number for key, number in more.items() if number}
        never = list(dict.fromkeys(self._never_came()))
        if never:
            evidence["never_came"] = never
        if not tally.explained and not strange:
            says, remedy = "no frame of this device is in the capture", "is it the right capture, and the right map?"
            return Finding(requirement, Verdict.UNTESTED, says, "no_frame", remedy, evidence)
        own = [key for key, _ in ordered if self._is_own(key)]
        if own:
            evidence["from_own_source"] = [id_text(key) for key in own[:SHOWN]]
            says = f"the device sends {len(own)} ids under its own source address that the map does not explain: {_listed(own)}"
            return Finding(requirement, Verdict.FAIL, says, evidence=evidence)
        if ordered:
            says = f"{strange} frames of {len(ordered)} ids are not explained by the map: {_listed([key for key, _ in ordered])}"
            remedy = "add them to the map where they are the device's, or record without the other nodes"
            return Finding(requirement, Verdict.UNTESTED, says, "sender_not_known", remedy, evidence)
        return Finding(requirement, Verdict.PASS, f"the map explains all {tally.explained} frames", evidence=evidence)

    def _entry(self, tally: BusTally, key: int, count: Count) -> dict[str, Any]:
        first = count.first.as_json() if count.first else None
        return {"id": id_text(key), "count": count.number, "first": first} | self._note(tally, key)

    def _note(self, tally: BusTally, key: int) -> dict[str, str]:
        """Say what the map has of an id that it does not explain: another bus, another device, the same number in the other size."""
        if key in tally.elsewhere:
            return {"note": tally.elsewhere[key]}
        known = MessageKey.unpack(key)
        other = replace(known, extended=not known.extended).pack()
        named = next((one.message.name for one in self.known if one.key == other), None)
        return {} if named is None else {"note": f"the map has this number as the {'11' if known.extended else '29'}-bit id of {named}"}

    def _is_own(self, key: int) -> bool:
        known = MessageKey.unpack(key)
        return known.extended and known.number & 0xFF in self.sources


def _listed(keys: Sequence[int]) -> str:
    return ", ".join(id_text(key) for key in keys[:4]) + (f" and {len(keys) - 4} more" if len(keys) > 4 else "")
