"""One message taken apart for a report: every byte, its bits, whose they are, and what was read from them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from regcheck.checks.evidence_messages import WireMessage
from regcheck.codec.checksums import pec
from regcheck.codec.framing import COUNTED
from regcheck.codec.readings import Row, time_text
from regcheck.device_map.model import Field, Pec
from regcheck.report.show_bits import BitLetters, letters_of, place_text
from regcheck.traffic.batch import Kind

MOST_BYTES = 64
MOST_READINGS = 24


@dataclass(frozen=True, slots=True)
class LegendRow:
    """One reading of a message: the letter of its bits, where they are, the raw code, and what it says."""

    letter: str
    field: str
    place: str
    raw: str
    says: str


@dataclass(frozen=True, slots=True)
class TakenApart:
    """A message for a reader: one line of what it is, the letter map as text, the readings beside it."""

    head: str
    lines: tuple[str, ...]
    legend: tuple[LegendRow, ...]
    more: int


def take_apart(wire: WireMessage) -> TakenApart:
    """Return a message's bytes with their bits and letters."""
    begin, end = wire.payload
    fields = _fields(wire)
    letters = letters_of(fields, end - begin) if fields and end > begin else None
    lines = list(_lines(wire, letters))
    shown = wire.readings[:MOST_READINGS]
    legend = tuple(_legend(row, letters, fields) for row in shown)
    return TakenApart(_head(wire), tuple(lines), legend, len(wire.readings) - len(shown))


def _fields(wire: WireMessage) -> list[Field]:
    """Return the fields to draw: those that were read, where a message has several layouts."""
    if wire.message is None:
        return []
    read = {row.field.partition("[")[0] for row in wire.readings}
    every = list(wire.message.all_fields())
    return [item for item in every if item.name in read] or every


def _head(wire: WireMessage) -> str:
    name = f"{wire.instance}." if wire.instance else ""
    what = f"{name}{wire.message.name}" if wire.message is not None else "a message that the map does not explain"
    where = f" on {wire.bus}" if wire.bus else ""
    if wire.key.kind is Kind.FRAME:
        size = f"id {wire.key.number:#0{10 if wire.key.extended else 5}x}, {len(wire.data)} bytes"
        return f"{what}: {size}{where}, at {time_text(wire.time_ns)} s"
    return f"{what}: {len(wire.data)} bytes{where}, at {time_text(wire.time_ns)} s"


def _roles(wire: WireMessage) -> Iterator[tuple[str, str]]:
    """Give what each byte is, and a note: addresses, command, count, payload, PEC."""
    begin, end = wire.payload
    is_frame = wire.key.kind is Kind.FRAME
    message = wire.message
    counted = message is not None and message.transfer in COUNTED
    for index, byte in enumerate(wire.data):
        if is_frame or message is None:
            yield f"byte {index}", ""
        elif begin <= index < end:
            yield f"byte {index - begin}", ""
        elif index in {0, wire.split}:
            yield "address", f"{byte >> 1:#04x}, {'read' if byte & 1 else 'write'}"
        elif index == 1 and wire.key.kind is not Kind.RECEIVE:
            yield "command", f"{byte:#04x}"
        elif counted and index == begin - 1:
            yield "count", f"{byte} bytes follow"
        elif index == len(wire.data) - 1 and index >= end and message.pec is not Pec.NEVER:
            wanted = pec(wire.data[:-1])
            yield "PEC", "right" if wanted == byte else f"wrong: {wanted:02x} is right"
        else:
            yield "sent" if index < begin else "beyond", ""


def _lines(wire: WireMessage, letters: BitLetters | None) -> Iterator[str]:
    begin, end = wire.payload
    roles = list(_roles(wire))
    width = max([len(name) for name, _ in roles] or [0])
    yield f"{'':{width}}  hex  76543210"
    for index, (name, note) in enumerate(roles[:MOST_BYTES]):
        byte = wire.data[index]
        shown = f"{name:{width}}  {byte:02x}   {byte:08b}"
        own = index - begin
        if letters is not None and begin <= index < end:
            cells = [letters.at.get((own, bit), ".") for bit in range(7, -1, -1)]
            wide = max(map(len, cells))
            yield f"{shown}  {''.join(cell.ljust(wide) for cell in cells)}".rstrip()
            tops = [("^" if (own, bit) in letters.tops else "").ljust(wide) for bit in range(7, -1, -1)]
            if any(top.strip() for top in tops):
                yield f"{'':{width}}{'':17}{''.join(tops)}".rstrip()
        else:
            yield f"{shown}  {note}".rstrip()
    if len(roles) > MOST_BYTES:
        yield f"and {len(roles) - MOST_BYTES} bytes more"


def _legend(row: Row, letters: BitLetters | None, fields: Sequence[Field]) -> LegendRow:
    name = row.field.partition("[")[0]
    item = next((one for one in fields if one.name == name), None)
    place = "" if item is None or item.each is not None else place_text(item.where)
    value = f"{row.value} {row.unit or ''}".strip() if row.value is not None else ""
    text = f"“{row.text}”" if row.text is not None else ""
    status = "" if row.status == "good" else row.status.replace("_", " ")
    return LegendRow(
        letters.names.get(name, "") if letters is not None else "",
        row.field,
        place,
        "" if row.raw is None else str(row.raw),
        ", ".join(part for part in (value, text, status) if part),
    )
