"""The messages that evidence points at, byte for byte: fetched again from the captures once the findings are known."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from regcheck.checks.finding import Finding, Verdict
from regcheck.codec.columns import MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.framing import frame_rows
from regcheck.codec.readings import Row, ordered_fields, row_of
from regcheck.device_map.model import Message
from regcheck.traffic.batch import Batch, MessageKey

MOST_MESSAGES = 4096
"""Messages that are kept; those of what failed come first."""


@dataclass(frozen=True, slots=True)
class WireMessage:
    """One message as it was on the bus: every byte (addresses and PEC of a transfer, too), and the readings that it gave.

    ``message`` is the map's, None where the map explains nothing; ``payload`` says which of the bytes are the payload;
    ``split`` is the index of a transfer's second address byte (0: none); ``instance`` which of several devices it is of.
    """

    time_ns: int
    key: MessageKey
    bus: str
    data: bytes
    split: int
    message: Message | None = None
    instance: str = ""
    payload: tuple[int, int] = (0, 0)
    written: bool = False
    readings: tuple[Row, ...] = ()


def spots(evidence: Any) -> Iterator[tuple[int, int]]:
    """Give the capture and place of every message that evidence names, in its order."""
    if isinstance(evidence, Mapping):
        source, place = evidence.get("capture"), evidence.get("place")
        if isinstance(source, int) and isinstance(place, int):
            yield source, place
        for value in evidence.values():
            yield from spots(value)
    elif isinstance(evidence, Sequence) and not isinstance(evidence, str):
        for value in evidence:
            yield from spots(value)


def chief_spot(finding: Finding) -> tuple[int, int] | None:
    """Return the message that shows a finding best: the worst one, of a range the one farther out, else the first that is named."""
    evidence = finding.evidence
    if finding.requirement.kind == "range" and {"lowest", "highest", "range_low", "range_high"} <= set(evidence):
        below, above = evidence["range_low"] - evidence["lowest"]["value"], evidence["highest"]["value"] - evidence["range_high"]
        return next(spots(evidence["lowest" if below > above else "highest"]), None)
    return next(spots(evidence.get("worst")), None) or next(spots(evidence), None)


def wanted_spots(findings: Iterable[Finding]) -> dict[int, list[int]]:
    """Return the places of each capture whose messages are to be fetched: one a finding, those of what failed first."""
    order = {Verdict.FAIL: 0, Verdict.UNDECIDED: 1, Verdict.PASS: 2, Verdict.UNTESTED: 3}
    found = [spot for one in sorted(findings, key=lambda one: order[one.verdict]) if (spot := chief_spot(one)) is not None]
    places: dict[int, list[int]] = {}
    for source, place in list(dict.fromkeys(found))[:MOST_MESSAGES]:
        places.setdefault(source, []).append(place)
    return places


def fetch_messages(batches: Iterable[DecodedBatch], source: int, places: Sequence[int]) -> dict[tuple[int, int], WireMessage]:
    """Return one capture's messages at some places, taken apart."""
    wanted = np.unique(np.array(places, np.int64))
    found: dict[tuple[int, int], WireMessage] = {}
    for decoded in batches:
        batch = decoded.batch
        rows = np.flatnonzero(np.isin(batch.place, wanted))
        if not len(rows):
            continue
        plain = {int(row): _plain(batch, int(row)) for row in rows}
        for columns in decoded.messages:
            for at in np.flatnonzero(np.isin(columns.index, rows)).tolist():
                index = int(columns.index[at])
                plain[index] = _explained(batch, columns, at, plain[index])
        for row in rows.tolist():
            key = (source, int(batch.place[row]))
            # of a frame and the message that it began, the one that the map knows
            if key not in found or found[key].message is None:
                found[key] = plain[row]
    return found


def _plain(batch: Batch, row: int) -> WireMessage:
    key = MessageKey.unpack(int(batch.key[row]))
    bus = batch.buses[key.bus] if key.bus < len(batch.buses) else ""
    return WireMessage(int(batch.time[row]), key, bus, batch.message(row), int(batch.split[row]))


def _explained(batch: Batch, columns: MessageColumns, at: int, wire: WireMessage) -> WireMessage:
    message = columns.message
    payload = (0, len(wire.data))
    if message.kind == "register":
        framed = frame_rows(batch, columns.index[at : at + 1], message, written=columns.written)
        begin = int(framed.first[0]) - int(batch.start[columns.index[at]])
        payload = (begin, begin + int(framed.came[0]))
    readings = tuple(one for id in ordered_fields(columns.fields) if (one := row_of(columns, id, at, wire.bus)) is not None)
    return WireMessage(
        wire.time_ns, wire.key, wire.bus, wire.data, wire.split, message, columns.instance, payload, columns.written, readings
    )
