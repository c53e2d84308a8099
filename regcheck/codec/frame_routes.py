"""Which frame of which device an id on a bus is: an `id` before a `pgn`, and among alike ids the one whose first bytes are there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.columns import MessageColumns
from regcheck.codec.end_to_end import Guard, guard_of
from regcheck.codec.formulas import Sensors
from regcheck.codec.frame_payloads import begin_so, framed_payloads
from regcheck.codec.message_plan import MessagePlan
from regcheck.codec.states import States
from regcheck.codec.unexplained import Unexplained
from regcheck.device_map.frames import Fitted, FrameId, GroupId, message_ids
from regcheck.device_map.model import Message, RegisterMap
from regcheck.traffic.batch import Batch, MessageKey

Buses = Mapping[str, str]
"""Which of a capture's buses a bus of the map is, by the map's name; a name that is missing is the capture's own."""

LARGEST_FRAME = 8
"""Bytes of a frame of SAE J1939; a longer message comes by transport."""


def may_be_long(message: Message) -> bool:
    """Return whether a message with a `pgn` may be longer than a frame."""
    lengths = [message.length, *(layout.length for layout in message.layouts if layout.length is not None)]
    return message.pgn is not None and any(
        length is None or length.expression is not None or length.high is None or length.high + message.after > LARGEST_FRAME
        for length in lengths
    )


@dataclass(frozen=True, slots=True, eq=False)
class FrameRoute:
    """One frame of one device: ``order`` is its place among all of the map's."""

    plan: MessagePlan
    order: int
    known: FrameId | GroupId
    states: States
    guard: Guard | None

    def decode(self, batch: Batch, rows: NDArray[np.int64]) -> MessageColumns:
        """Return the columns of frames ``rows`` i8[n] of a batch."""
        framed = framed_payloads(batch, rows, self.plan.message)
        return self.plan.decode(batch, framed, self.states, instance=self.known.instance, guard=self.guard)


def map_buses(register_map: RegisterMap) -> frozenset[str]:
    """Return the names of every bus that the map's frames are on."""
    names = {bus for axis in register_map.instances for bus in axis.buses}
    axes = {axis.name for axis in register_map.instances if axis.buses}
    return frozenset(names | {message.bus for message in register_map.messages if message.kind == "frame" and message.bus} - axes)


class FrameRoutes:
    """The frames of a map, found by id. ``carried``: those that come in parts, as they are once put together."""

    def __init__(
        self,
        register_map: RegisterMap,
        messages: Sequence[Message],
        states: States,
        sensors: Sensors,
        *,
        fitted: Fitted | None,
        buses: Buses,
    ) -> None:
        self._buses, self._named = buses, map_buses(register_map)
        self._by_id: dict[tuple[bool, int, int], list[FrameRoute]] = {}
        self._by_group: dict[int, list[FrameRoute]] = {}
        self._not_fitted: set[tuple[bool, int, int]] = set()
        self._groups_not_fitted: list[GroupId] = []
        self.routes: list[tuple[FrameRoute, ...]] = []
        self._numbers: dict[tuple[int, ...], int] = {}
        seen: dict[tuple[str, tuple[tuple[str, int], ...]], States] = {}
        order = 0
        for message in messages:
            plan = MessagePlan(register_map, message, sensors)
            for known in message_ids(register_map, message, fitted):
                device = known.instance, tuple(known.numbers.items())
                if device not in seen:
                    seen[device] = states.of(known.instance, known.numbers)
                self._add(FrameRoute(plan, order, known, seen[device], guard_of(message, known.numbers)))
                order += 1
            for known in message_ids(register_map, message):
                if isinstance(known, GroupId):
                    self._groups_not_fitted.append(known)
                else:
                    self._not_fitted.add(_id_key(known, message))

    def _add(self, route: FrameRoute) -> None:
        if isinstance(route.known, GroupId):
            self._by_group.setdefault(route.known.pgn, []).append(route)
        else:
            self._by_id.setdefault(_id_key(route.known, route.plan.message), []).append(route)

    def find(self, key: int, buses: tuple[str, ...]) -> int:
        """Return the number of a frame's route, or minus one less than the reason why it has none."""
        known = MessageKey.unpack(key)
        bus = buses[known.bus]
        own = self._by_id.get((known.extended, known.number, known.command), [])
        groups = [] if not known.extended or known.command else self._of_group(known.number)
        for candidates in (own, groups):
            found = [route for route in candidates if self._is_on(route.known.bus, bus)]
            if found:
                return self._number(found)
        if own or groups:
            return -1 - Unexplained.OTHER_BUS
        if (known.extended, known.number, known.command) in self._not_fitted:
            return -1 - Unexplained.NOT_FITTED
        if known.extended and any(group.matches(known.number) for group in self._groups_not_fitted):
            return -1 - Unexplained.NOT_FITTED
        return -1 - Unexplained.UNKNOWN_ID

    def _of_group(self, id: int) -> list[FrameRoute]:
        from regcheck.device_map.frames import group_of

        pgn, _ = group_of(id)
        return [route for route in self._by_group.get(pgn, []) if isinstance(route.known, GroupId) and route.known.matches(id)]

    def _is_on(self, mapped: str, bus: str) -> bool:
        return not mapped or self._buses.get(mapped, mapped) == bus or (not bus and len(self._named) == 1)

    def _number(self, found: list[FrameRoute]) -> int:
        orders = tuple(route.order for route in found)
        if orders not in self._numbers:
            self._numbers[orders] = len(self.routes)
            self.routes.append(tuple(sorted(found, key=lambda route: -len(route.plan.message.begins))))
        return self._numbers[orders]

    def decode(self, batch: Batch, rows: NDArray[np.int64], number: int) -> tuple[list[tuple[int, MessageColumns]], NDArray[np.int64]]:
        """Return the columns of frames ``rows`` i8[n] with their order, and the rows that begin as none of the route's frames does."""
        found = []
        for route in self.routes[number]:
            begins = route.plan.message.begins
            if not len(rows):
                break
            if begins:
                mine = begin_so(batch, rows, begins)
                here, rows = rows[mine], rows[~mine]
            else:
                here, rows = rows, rows[:0]
            if len(here):
                found.append((route.order, route.decode(batch, here)))
        return found, rows


def _id_key(known: FrameId, message: Message) -> tuple[bool, int, int]:
    address = message.carrier.extended_address if message.carrier is not None else None
    return known.extended, known.id, address or 0
