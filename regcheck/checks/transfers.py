"""How messages were framed: refusals, wrong lengths, packet error codes, transfers that no register explains."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.accumulator import Count, Spot
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.codec.columns import Check, MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.framing import FAULT_TEXT, NOT_WHOLE, Fault
from regcheck.device_map.model import Message, Pec, RegisterMap
from regcheck.traffic.batch import Complaint, Kind, MessageKey
from regcheck.traffic.build import COMPLAINTS_IN_FULL

LENGTH_FAULTS = frozenset({Fault.COUNT_ILLEGAL, Fault.COUNT_DISAGREES, Fault.TOO_FEW, Fault.TOO_MANY, Fault.LENGTH})
"""Faults of a message's length; every other one is a fault of its framing."""


MOST_TOLD = 20
"""Complaints that a run keeps in words."""


@dataclass(slots=True)
class MessageTally:
    """What became of one message's transfers or frames."""

    count: int = 0
    faults: dict[int, Count] = field(default_factory=dict)
    checks: dict[int, Count] = field(default_factory=dict)
    lengths: dict[int, int] = field(default_factory=dict)

    def then(self, later: MessageTally) -> None:
        """Add a later tally."""
        self.count += later.count
        for mine, theirs in ((self.faults, later.faults), (self.checks, later.checks)):
            for code, count in theirs.items():
                mine.setdefault(code, Count()).then(count)
        for length, number in later.lengths.items():
            self.lengths[length] = self.lengths.get(length, 0) + number


def _count_codes(counts: dict[int, Count], codes: NDArray[np.uint8], parts: Sequence[MessageColumns], source: int) -> None:
    """Count the codes of one message's transfers in a batch; ``parts``, its reads and writes, come together: the first counts."""
    time, place, index = (np.concatenate([getattr(part, name) for part in parts]) for name in ("time", "place", "index"))
    for code in np.flatnonzero(np.bincount(codes, minlength=1)).tolist():
        rows = np.flatnonzero(codes == code)
        first = int(rows[index[rows].argmin()])
        counts.setdefault(code, Count()).add(len(rows), Spot(int(time[first]), source, int(place[first])))


class TransferCheck:
    """The framing of every message of a map, and what else was on the bus."""

    def __init__(self, register_map: RegisterMap, source: int) -> None:
        self.register_map, self.source = register_map, source
        self.messages: dict[tuple[str, str], MessageTally] = {}  # by message and instance
        self.has_registers = any(message.kind == "register" for message in register_map.messages)
        self.unexplained: dict[int, Count] = {}
        self.refused: dict[int, Count] = {}
        self.stray = Count()
        self.cut = 0
        self.others: dict[int, int] = {}
        self.complaints: dict[str, int] = {}
        self._told: list[Complaint] = []

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        together: dict[tuple[str, str], list[MessageColumns]] = {}
        for columns in batch.messages:
            if len(columns.time):
                together.setdefault((columns.message.name, columns.instance), []).append(columns)
        for key, parts in together.items():
            tally = self.messages.setdefault(key, MessageTally())
            tally.count += sum(len(part.time) for part in parts)
            fault, check, length = (np.concatenate([getattr(part, name) for part in parts]) for name in ("fault", "check", "length"))
            _count_codes(tally.faults, fault, parts, self.source)
            _count_codes(tally.checks, check, parts, self.source)
            values, counts = np.unique(length[fault == Fault.LENGTH], return_counts=True)
            for value, number in zip(values.tolist(), counts.tolist(), strict=True):
                tally.lengths[value] = tally.lengths.get(value, 0) + number
        own = {message.address if message.to is None else message.to for message in self.register_map.messages}
        source = batch.batch
        wires = batch.unexplained[source.key[batch.unexplained] >> np.uint64(41) & np.uint64(0x7F) != Kind.FRAME]  # frames: UnknownCheck
        cut = (source.flags[wires] & NOT_WHOLE) != 0
        self.cut += int(cut.sum())
        rows = wires[~cut]
        keys, at, numbers = np.unique(source.key[rows], return_index=True, return_counts=True)
        order = np.argsort(at)  # keys by their first message: several of them may be counted as one
        for key, first, number in zip(keys[order].tolist(), rows[at[order]].tolist(), numbers[order].tolist(), strict=True):
            found = MessageKey.unpack(key)
            spot = Spot(int(source.time[first]), self.source, int(source.place[first]))
            if found.kind is Kind.STRAY:
                self.stray.add(number, spot)
            elif found.number not in own:
                self.others[found.number] = self.others.get(found.number, 0) + number
            elif found.kind is Kind.REFUSED:
                self.refused.setdefault(found.number, Count()).add(number, spot)
            else:
                self.unexplained.setdefault(key & ((1 << 48) - 1), Count()).add(number, spot)
        for kind, number in source.complained.items():
            self.complaints[kind] = self.complaints.get(kind, 0) + number
        self._tell(source.complaints)

    def tick(self, end_ns: int) -> None:
        """Silence changes nothing here."""

    def then(self, later: TransferCheck) -> None:
        """Take all that a later check of the same map has seen."""
        for name, tally in later.messages.items():
            self.messages.setdefault(name, MessageTally()).then(tally)
        for mine, theirs in ((self.unexplained, later.unexplained), (self.refused, later.refused)):
            for key, count in theirs.items():
                mine.setdefault(key, Count()).then(count)
        self.stray.then(later.stray)
        self.cut += later.cut
        for address, number in later.others.items():
            self.others[address] = self.others.get(address, 0) + number
        for kind, number in later.complaints.items():
            self.complaints[kind] = self.complaints.get(kind, 0) + number
        self._tell(later._told)

    def _tell(self, complaints: Iterable[Complaint]) -> None:
        """Keep the first few complaints of each kind in each file: as many as any batch tells in full, so that no cut of batches shows."""
        for one in complaints:
            alike = sum(kept.kind == one.kind and kept.place.file == one.place.file for kept in self._told)
            if alike < COMPLAINTS_IN_FULL:
                self._told.append(one)

    @property
    def first_complaints(self) -> list[str]:
        """The first complaints, a line each, in order of place."""
        return [f"{one.place}: {one.text}" for one in sorted(self._told, key=lambda one: (one.place, one.kind))[:MOST_TOLD]]

    def findings(self, *, closed: bool) -> Sequence[Finding]:  # noqa: ARG002 - what was seen is final at any time
        """Return the findings of the bus as a whole, then framing, length and PEC of every message in the order of the map."""
        found = [self._bus(), self._unknown()] if self.has_registers else []
        for message in self.register_map.messages:
            for instance in sorted(instance for name, instance in self.messages if name == message.name) or [""]:
                tally = self.messages.get((message.name, instance), MessageTally())
                # a controller frames a CAN message: only one put together from several can be framed wrongly
                if message.kind == "register" or set(tally.faults) - LENGTH_FAULTS - {Fault.NONE}:
                    found.append(_framing(message, instance, tally))
                found.append(_length(message, instance, tally))
                if message.kind == "register" and message.pec is not Pec.NEVER:
                    found.append(_pec(message, instance, tally))
        return found

    def _transfers(self) -> int:
        registers = {message.name for message in self.register_map.messages if message.kind == "register"}
        return sum(tally.count for (name, _), tally in self.messages.items() if name in registers)

    def _bus(self) -> Finding:
        requirement = Requirement("framing", "bus")
        total = self._transfers()
        cut = self.cut + sum(tally.faults.get(Fault.CUT, Count()).number for tally in self.messages.values())
        refused = sum(count.number for count in self.refused.values())
        unexplained = sum(count.number for count in self.unexplained.values())
        evidence: dict[str, Any] = {
            "transfers": total + refused + unexplained + self.stray.number,
            "refused": refused,
            "unexplained": unexplained,
            "no_smbus_transfer": self.stray.number,
            "cut_by_the_recording": cut,
            "to_other_addresses": {f"{address:#04x}": number for address, number in sorted(self.others.items())},
            "complaints": dict(sorted(self.complaints.items())),
        }
        wrong = []
        if refused:
            firsts = [count for count in self.refused.values() if count.first is not None]
            evidence["first_refused"] = _spot(
                min(firsts, key=lambda count: (count.first.source, count.first.place) if count.first else (0, 0))
            )
            wrong.append(f"{refused} transfers were refused at the device's address")
        if self.stray.number:
            evidence["first_stray"] = _spot(self.stray)
            wrong.append(f"{self.stray.number} were no SMBus transfers")
        if wrong:
            return Finding(requirement, Verdict.FAIL, " and ".join(wrong), evidence=evidence)
        if not total:
            says = "no transfer of this device is in the capture" + (
                f"; there were {sum(self.others.values())} to other addresses" if self.others else ""
            )
            return Finding(
                requirement, Verdict.UNTESTED, says, "no_transfer", "is it the right capture, and the right address in the map?", evidence
            )
        return Finding(requirement, Verdict.PASS, f"all {total} transfers were answered and well formed as a whole", evidence=evidence)

    def _unknown(self) -> Finding:
        requirement = Requirement("unknown", "bus")
        total = self._transfers()
        if not self.unexplained and not total:
            return Finding(
                requirement,
                Verdict.UNTESTED,
                "no transfer of this device is in the capture",
                "no_transfer",
                "is it the right capture, and the right address in the map?",
                {"transfers": []},
            )
        if not self.unexplained:
            return Finding(requirement, Verdict.PASS, f"the map explains all {total} transfers", evidence={"transfers": []})
        listed = []
        for key, count in sorted(self.unexplained.items()):
            found = MessageKey.unpack(key)
            what = {Kind.WRITE: "write to", Kind.READ: "read of", Kind.RECEIVE: "receive byte from", Kind.QUICK: "quick command to"}.get(
                found.kind, "transfer of"
            )
            command = "" if found.kind in (Kind.RECEIVE, Kind.QUICK) else f" command {found.command:#04x}"
            listed.append(
                {"what": f"{what} {found.number:#04x}{command}", "count": count.number}
                | ({"first": count.first.as_json()} if count.first else {})
            )
        says = (
            f"the map does not explain {sum(count.number for count in self.unexplained.values())} transfers: "
            + ", ".join(str(entry["what"]) for entry in listed[:4])
            + (f" and {len(listed) - 4} more kinds" if len(listed) > 4 else "")
        )
        return Finding(requirement, Verdict.FAIL, says, evidence={"transfers": listed})


def _spot(count: Count) -> dict[str, Any] | None:
    return count.first.as_json() if count.first else None


def _never_seen(requirement: Requirement, message: Message) -> Finding:
    if message.kind == "frame":
        return Finding(requirement, Verdict.UNTESTED, f"{requirement.path} never came", "not_seen", "have it sent", {"frames": 0})
    way = "sent" if message.to is not None else "read" if "read" in message.access else "written"
    return Finding(
        requirement,
        Verdict.UNTESTED,
        f"{message.name} was never {way} in the capture",
        "not_seen",
        f"have the host {'wait for' if way == 'sent' else way[:4] if way == 'read' else 'write'} it",
        {"transfers": 0},
    )


def _faults(requirement: Requirement, message: Message, tally: MessageTally, chosen: frozenset[Fault] | None, right: str) -> Finding:
    if not tally.count:
        return _never_seen(requirement, message)
    counts = {
        Fault(code): count
        for code, count in tally.faults.items()
        if code not in (Fault.NONE, Fault.CUT) and ((Fault(code) in LENGTH_FAULTS) == (chosen is not None))
    }
    what = "frames" if message.kind == "frame" else "transfers"
    evidence: dict[str, Any] = {what: tally.count, "wrong": sum(count.number for count in counts.values())}
    if not counts:
        return Finding(requirement, Verdict.PASS, f"{requirement.path} {right} in all {tally.count} {what}", evidence=evidence)
    ordered = sorted(counts.items(), key=lambda pair: (-pair[1].number, pair[0]))
    evidence["faults"] = [{"what": FAULT_TEXT[fault], "count": count.number, "first": _spot(count)} for fault, count in ordered]
    if Fault.LENGTH in counts:
        evidence["lengths"] = [{"bytes": length, "count": number} for length, number in sorted(tally.lengths.items())]
    fault, count = ordered[0]
    return Finding(
        requirement, Verdict.FAIL, f"{requirement.path}: {FAULT_TEXT[fault]}, {count.number} of {tally.count} {what}", evidence=evidence
    )


def _framing(message: Message, instance: str, tally: MessageTally) -> Finding:
    return _faults(Requirement("framing", message.name, instance=instance, place=message.place), message, tally, None, "was well framed")


def _length(message: Message, instance: str, tally: MessageTally) -> Finding:
    return _faults(
        Requirement("length", message.name, instance=instance, place=message.given_keys.get("length", message.place)),
        message,
        tally,
        LENGTH_FAULTS,
        "had the right number of bytes",
    )


def _pec(message: Message, instance: str, tally: MessageTally) -> Finding:
    requirement = Requirement("pec", message.name, instance=instance, place=message.given_keys.get("pec", message.place))
    if not tally.count:
        return _never_seen(requirement, message)
    number = {code: tally.checks.get(code, Count()) for code in Check}
    good, bad, missing = number[Check.GOOD].number, number[Check.BAD].number, number[Check.MISSING].number
    evidence: dict[str, Any] = {
        "transfers": tally.count,
        "good": good,
        "bad": bad,
        "missing": missing,
        "none_sent": number[Check.NONE].number,
        "not_seen": number[Check.UNKNOWN].number,
    }
    if bad or missing:
        what = [
            f"{count} of {tally.count} PECs are wrong" if word == "bad" else f"the PEC is missing in {count} of {tally.count}"
            for word, count in (("bad", bad), ("missing", missing))
            if count
        ]
        evidence |= {
            f"first_{word}": _spot(count)
            for word, count in (("bad", number[Check.BAD]), ("missing", number[Check.MISSING]))
            if count.number
        }
        return Finding(requirement, Verdict.FAIL, f"{message.name}: " + " and ".join(what), evidence=evidence)
    if not good:
        return Finding(
            requirement,
            Verdict.UNTESTED,
            f"{message.name} was never sent with a PEC",
            "no_pec",
            "let the host ask for the PEC byte",
            evidence,
        )
    return Finding(requirement, Verdict.PASS, f"all {good} PECs of {message.name} are right", evidence=evidence)
