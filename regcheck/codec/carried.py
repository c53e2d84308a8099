"""Messages in parts, through one pass over a capture: J1939 transport for each long `pgn`, ISO-TP for each `carrier`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from regcheck.codec.formulas import Sensors
from regcheck.codec.frame_routes import Buses, FrameRoutes, may_be_long
from regcheck.codec.routing import Router
from regcheck.codec.states import States
from regcheck.device_map.frames import Fitted, FrameId, message_ids
from regcheck.device_map.model import Message, RegisterMap
from regcheck.traffic.batch import Batch
from regcheck.traffic.transport_iso_tp import IsoTpLink, IsoTpReassembler
from regcheck.traffic.transport_j1939 import J1939Reassembler
from regcheck.traffic.transports import Carried, Reassembler

_ROWS = ("time", "end", "key", "flags", "length", "place", "split", "nack", "data")


@dataclass(frozen=True, slots=True, eq=False)
class Transport:
    """One transport: what puts its messages together, and which messages of the map they are."""

    reassembler: Reassembler
    routes: FrameRoutes
    router: Router

    def update(self, batch: Batch) -> Carried:
        """Take the next batch of frames; return the messages that it completed."""
        return self.reassembler.update(batch)


def transports_of(
    register_map: RegisterMap,
    messages: Sequence[Message],
    states: States,
    sensors: Sensors,
    *,
    fitted: Fitted | None,
    buses: Buses,
    file: str,
    by_line: bool,
) -> list[Transport]:
    """Return the transports that messages of a map come by, each new: it keeps what is under way in one pass."""
    found = []
    groups = [message for message in messages if may_be_long(message)]
    if groups:
        routes = FrameRoutes(register_map, groups, states, sensors, fitted=fitted, buses=buses)
        found.append(Transport(J1939Reassembler(file, by_line=by_line), routes, Router(routes.find)))
    carriers = [message for message in messages if message.carrier is not None]
    if carriers:
        routes = FrameRoutes(register_map, carriers, states, sensors, fitted=fitted, buses=buses)
        links = iso_tp_links(register_map, carriers, fitted)
        found.append(Transport(IsoTpReassembler(links, file, by_line=by_line), routes, Router(routes.find)))
    return found


def iso_tp_links(register_map: RegisterMap, carriers: Sequence[Message], fitted: Fitted | None = None) -> list[IsoTpLink]:
    """Return the links that carried messages come on, each once, on whichever bus."""
    links: dict[IsoTpLink, None] = {}
    for message in carriers:
        for known in message_ids(register_map, message, fitted):
            if isinstance(known, FrameId) and message.carrier is not None:
                has_address = message.carrier.extended_address is not None
                links[IsoTpLink(known.id, known.asked_by, known.extended, has_address)] = None
    return list(links)


def no_messages(batch: Batch) -> Batch:
    """Return a batch without its messages and complaints."""
    empty: dict[str, Any] = {name: getattr(batch, name)[:0] for name in _ROWS}
    return replace(batch, **empty, start=batch.start[:1], complaints=(), complained={})


def with_carried(batch: Batch, carried: Sequence[Batch]) -> Batch:
    """Return a batch of frames with the messages that it completed behind them, and what their transports complain of."""
    if not any(len(one) or one.complained for one in carried):
        return batch
    every = [batch, *carried]
    ends = np.cumsum([len(one.data) for one in every])
    starts = [one.start[1:] + shift for one, shift in zip(carried, ends[:-1].tolist(), strict=True)]
    complained = dict(batch.complained)
    for one in carried:
        for kind, number in one.complained.items():
            complained[kind] = complained.get(kind, 0) + number
    rows: dict[str, Any] = {name: np.concatenate([getattr(one, name) for one in every]) for name in _ROWS}
    return replace(
        batch,
        **rows,
        start=np.concatenate([batch.start, *starts]),
        complaints=tuple(complaint for one in every for complaint in one.complaints),
        complained=complained,
    )
