"""Frames in a few lines: maps and decoded columns made by hand, without the codec."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np

from regcheck.codec.columns import STATUSES, Check, FieldColumn, FieldId, MessageColumns, ResolvedMeaning
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.unexplained import Unexplained
from regcheck.device_map.expressions import parse_expression
from regcheck.device_map.limits import Cadence, Conditional, parse_cadence
from regcheck.device_map.model import Each, Field, FieldType, Layout, Meaning, Message, RegisterMap, Status
from regcheck.device_map.places import BitsPlace
from regcheck.device_map.yaml_source import Scalar
from regcheck.errors import Place
from regcheck.traffic.batch import NO_BYTE, Batch, Complaint, Flag, Kind, MessageKey

PLACE = Place("map.yaml", 1)
MS = 1_000_000
SECOND = 1_000_000_000
EXPRESSION = {text: parse_expression(text) for text in ("0", "1")}
MEANING = Meaning(None, FieldType.UNSIGNED, None, EXPRESSION["1"], EXPRESSION["0"], EXPRESSION["0"])


def a_field(name: str, message: str, bits: Sequence[int] = range(8), **keys: Any) -> Field:
    return Field(name, message, PLACE, BitsPlace(tuple(bits)), (MEANING,), **keys)


def every(*cases: str | tuple[str, str]) -> tuple[Conditional[Cadence], ...]:
    """Return a cadence as a map has it: `100 ms`, or cases of (when, is) and a last one; `none` is not judged."""
    pairs = [one if isinstance(one, tuple) else ("", one) for one in cases]
    return tuple(
        Conditional(parse_expression(when) if when else None, None if text == "none" else parse_cadence(Scalar(text)))
        for when, text in pairs
    )


def a_frame(name: str = "state", fields: Sequence[Field] = (), id: str = "0x200", **keys: Any) -> Message:
    return Message(name, PLACE, "frame", tuple(fields), id=parse_expression(id), **keys)


def a_layout(when: str, fields: Sequence[Field], **keys: Any) -> Layout:
    return Layout(parse_expression(when), tuple(fields), None, PLACE, **keys)


def numbered(variable: str, first: int, last: int, number: str) -> Each:
    return Each(variable, first, parse_expression(str(last)), 8, parse_expression(number))


def a_map(*messages: Message, **keys: Any) -> RegisterMap:
    return RegisterMap("map.yaml", "probe", "", "", tuple(messages), **keys)


@dataclass(frozen=True)
class Sent:
    """One frame: ``values`` raw by field (None: a reading that is not good); a ``message`` of "" is what the map does not explain."""

    time_ns: int
    message: str = "state"
    values: Mapping[str, int | None] = field(default_factory=dict)
    instance: str = ""
    id: int = 0x200
    extended: bool = False
    check: Check = Check.NONE
    layout: int = -1
    fault: int = 0
    data: bytes = b""
    bus: int = 0
    flags: Flag = Flag(0)  # noqa: RUF009 (an IntFlag's member, immutable)
    place: int | None = None
    element: int | None = None


@dataclass(frozen=True)
class Part:
    """A stretch of a capture: frames in order of time, what the recorder lost (places), the horizon."""

    sent: tuple[Sent, ...]
    begin_ns: int
    end_ns: int
    epoch: int = 0
    lost: tuple[int, ...] = ()
    source: int = 0


def part(
    *sent: Sent, begin_ns: int | None = None, end_ns: int | None = None, epoch: int = 0, lost: Sequence[int] = (), source: int = 0
) -> Part:
    """Return frames with their places; the horizon is that of the frames unless it is said."""
    placed = tuple(one if one.place is not None else replace(one, place=10 * number + 10) for number, one in enumerate(sent))
    first, last = (placed[0].time_ns, placed[-1].time_ns) if placed else (0, 0)
    return Part(placed, first if begin_ns is None else begin_ns, last if end_ns is None else end_ns, epoch, tuple(lost), source)


def cut(whole: Part, at: Sequence[int]) -> list[Part]:
    """Return a stretch cut before the frames of these numbers; a loss goes to the part in which its place lies."""
    edges = [0, *sorted(at), len(whole.sent)]
    parts: list[Part] = []
    for number, (low, high) in enumerate(pairwise(edges)):
        begin = whole.begin_ns if number == 0 else parts[-1].end_ns
        end = whole.end_ns if number == len(edges) - 2 else whole.sent[high].time_ns if high < len(whole.sent) else whole.end_ns
        low_place = -1 if number == 0 else (whole.sent[low].place or 0) if low < len(whole.sent) else 1 << 40
        high_place = (whole.sent[high].place or 0) if number < len(edges) - 2 and high < len(whole.sent) else 1 << 40
        lost = tuple(one for one in whole.lost if low_place <= one < high_place)
        parts.append(replace(whole, sent=whole.sent[low:high], begin_ns=begin, end_ns=end, lost=lost))
    return parts


def decoded(register_map: RegisterMap, stretch: Part, buses: tuple[str, ...] = ("",)) -> DecodedBatch:
    """Return a stretch as the codec would hand it over."""
    sent = stretch.sent
    count = len(sent)
    lengths = np.array([len(one.data) for one in sent], np.int64)
    batch = Batch(
        source=stretch.source,
        epoch=stretch.epoch,
        begin_ns=stretch.begin_ns,
        end_ns=stretch.end_ns,
        time=np.array([one.time_ns for one in sent], np.int64),
        end=np.array([one.time_ns for one in sent], np.int64),
        key=np.array([MessageKey(Kind.FRAME, one.id, 0, one.extended, one.bus).pack() for one in sent], np.uint64),
        flags=np.array([int(one.flags) for one in sent], np.uint16),
        length=lengths.astype(np.uint16),
        place=np.array([one.place for one in sent], np.int64),
        split=np.zeros(count, np.uint16),
        nack=np.full(count, NO_BYTE, np.uint16),
        start=np.append(0, np.cumsum(lengths)),
        data=np.frombuffer(b"".join(one.data for one in sent), np.uint8),
        buses=buses,
        complaints=tuple(Complaint(Place("memory", line=one), "lost", "damaged line") for one in stretch.lost),
        complained={"damaged line": len(stretch.lost)} if stretch.lost else {},
    )
    messages = []
    for message in register_map.messages:
        for instance in sorted({one.instance for one in sent if one.message == message.name}):
            rows = [number for number, one in enumerate(sent) if (one.message, one.instance) == (message.name, instance)]
            messages.append(columns_of(message, instance, batch, sent, np.array(rows)))
    unexplained = np.array([number for number, one in enumerate(sent) if not one.message], np.int64)
    return DecodedBatch(batch, tuple(messages), (), unexplained, np.full(len(unexplained), Unexplained.STRAY, np.uint8))


def columns_of(message: Message, instance: str, batch: Batch, sent: Sequence[Sent], rows: Any) -> MessageColumns:
    own = [sent[int(row)] for row in rows]
    fields: dict[FieldId, FieldColumn] = {}
    named = {name: a_field(name, message.name) for one in own for name in one.values} | {one.name: one for one in message.all_fields()}
    for item in named.values():
        for element in sorted({one.element for one in own if item.name in one.values}, key=lambda one: -1 if one is None else one):
            at = [number for number, one in enumerate(own) if item.name in one.values and one.element == element]
            values = [own[number].values[item.name] for number in at]
            raw = np.array([value or 0 for value in values], np.int64)
            fields[FieldId(message.name, item.name, element if item.each else None, instance)] = FieldColumn(
                field=item,
                raw=raw,
                bits=raw.astype(np.uint64),
                status=np.array([STATUSES.index(Status.GOOD if value is not None else Status.ABSENT) for value in values], np.uint8),
                meaning=np.zeros(len(at), np.uint32),
                meanings=(ResolvedMeaning(item.meanings[0], None, True),),
                code=np.zeros(len(at), np.uint16),
                rows=None if len(at) == len(own) else np.array(at, np.int64),
            )
    return MessageColumns(
        message=message,
        time=batch.time[rows],
        end=batch.end[rows],
        index=rows.astype(np.int64),
        place=batch.place[rows],
        check=np.array([one.check for one in own], np.uint8),
        fault=np.array([one.fault for one in own], np.uint8),
        length=batch.length[rows],
        fields=fields,
        instance=instance,
        layout=np.array([one.layout for one in own], np.int16),
    )


def fold(make: Callable[[], Any], register_map: RegisterMap, parts: Sequence[Part], buses: tuple[str, ...] = ("",)) -> Any:
    """Return one check that has taken all parts in order."""
    check = make()
    for one in parts:
        check.update(decoded(register_map, one, buses))
        check.tick(one.end_ns)
    return check


def tree(
    make: Callable[[], Any], register_map: RegisterMap, parts: Sequence[Part], splits: Sequence[int], buses: tuple[str, ...] = ("",)
) -> Any:
    """Return the check of parts folded apart and merged, neighbours first, in the order that ``splits`` says."""
    checks = [fold(make, register_map, [one], buses) for one in parts]
    for split in splits:
        if len(checks) > 1:
            at = split % (len(checks) - 1)
            checks[at].then(checks.pop(at + 1))
    while len(checks) > 1:
        checks[0].then(checks.pop(1))
    return checks[0]
