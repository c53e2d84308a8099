"""The fast decoder: every message of a batch told apart by its key and decoded by column."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.columns import MessageColumns
from regcheck.codec.formulas import Sensors
from regcheck.codec.framing import FAULT_TEXT, REFUSED, Framed, frame_rows
from regcheck.codec.message_plan import MessagePlan
from regcheck.codec.states import NO_STATES, States, selector_path, selector_states, state_levels, state_paths, state_pieces
from regcheck.device_map.model import Length, Message, RegisterMap, TransferKind
from regcheck.device_map.sensors import SENSORS
from regcheck.traffic.batch import Batch, Kind, MessageKey

SMBUS_KEY = (1 << 48) - 1
"""The part of a message key that a map knows: all but the bus."""


class Unexplained(IntEnum):
    """Why a message gives no reading."""

    ADDRESS_REFUSED = 1  # nobody acknowledged the address
    OTHER_DEVICE = 2  # an address that the map does not have
    UNKNOWN_COMMAND = 3  # the map has the address, but not this command
    WRONG_DIRECTION = 4  # the map's command, written where it can only be read, or the reverse
    UNKNOWN_SELECTOR = 5  # an indirect read of a word that the map does not have
    QUICK = 6
    STRAY = 7  # no whole transfer


UNEXPLAINED_TEXT: dict[Unexplained, str] = {
    Unexplained.ADDRESS_REFUSED: "nobody acknowledged the address",
    Unexplained.OTHER_DEVICE: "they went to an address that the map does not have",
    Unexplained.UNKNOWN_COMMAND: "the map does not have their command",
    Unexplained.WRONG_DIRECTION: "the map has their command for the other direction only",
    Unexplained.UNKNOWN_SELECTOR: "the map does not have the word that selected them",
    Unexplained.QUICK: "quick commands carry no data",
    Unexplained.STRAY: "they were no whole transfers",
}
"""How a person is told."""


@dataclass(frozen=True, slots=True, eq=False)
class DecodedBatch:
    """One ``batch`` decoded. ``unexplained`` i8[m] are indexes of the batch, ``why`` u1[m] as in Unexplained.

    ``selectors`` are the writes that prepare indirect reads, where no register of the map is that write; they give no readings.
    """

    batch: Batch
    messages: tuple[MessageColumns, ...]
    selectors: tuple[MessageColumns, ...]
    unexplained: NDArray[np.int64]
    why: NDArray[np.uint8]

    def without_reading(self) -> dict[str, int]:
        """Return how many messages gave no reading, by the reason in words."""
        reasons = {UNEXPLAINED_TEXT[Unexplained(code)]: int((self.why == code).sum()) for code in np.unique(self.why).tolist()}
        for columns in self.messages:
            for fault in REFUSED:
                text = FAULT_TEXT[fault]
                reasons[text] = reasons.get(text, 0) + int((columns.fault == fault).sum())
        return {reason: count for reason, count in reasons.items() if count}


@dataclass(frozen=True, slots=True, eq=False)
class _Route:
    """One key of the bus: the registers that it may mean (several only for indirect reads), the direction."""

    plans: tuple[MessagePlan, ...]
    written: bool
    selector: bool = False


class ColumnPlan:
    """Decodes batches by column.

    ``states`` are the capture's (``survey_states``): without them what hangs on other messages is unselected. ``only`` names the messages
    to decode (None: all); the others are left aside as if they had not been there.
    """

    def __init__(
        self, register_map: RegisterMap, states: States = NO_STATES, *, sensors: Sensors | None = None, only: frozenset[str] | None = None
    ) -> None:
        self.register_map, self.states = register_map, states
        self._routes: dict[int, _Route] = {}
        self._commands: set[tuple[int, int]] = set()
        self._addresses: set[int] = set()
        selectors: dict[str, Message] = {}
        for message in register_map.messages:
            if message.kind != "register":
                continue
            plan = MessagePlan(register_map, message, SENSORS if sensors is None else sensors)
            for key, written in message_keys(message):
                self._note(key)
                route = self._routes.get(key, _Route((), written))
                self._routes[key] = replace(route, plans=(*route.plans, plan))
            if message.through is not None:
                selectors.setdefault(selector_path(message), selector_message(message))
        self.selector_keys: dict[str, int] = {}
        for path, message in selectors.items():
            key = next(key for key, _ in message_keys(message))
            self._note(key)
            self.selector_keys[path] = key
            self._routes.setdefault(key, _Route((MessagePlan(register_map, message, {}),), True, selector=True))
        if only is not None:
            self._routes = {key: route for key, route in self._routes.items() if self._is_wanted(key, route, only)}
        self._keys = np.array(sorted(self._routes), np.uint64)
        self._ordered = [self._routes[int(key)] for key in self._keys]

    def _is_wanted(self, key: int, route: _Route, only: frozenset[str]) -> bool:
        """Whether a route is decoded: a wanted message's, or one that sets a selector or uses it up."""
        indirect = key in self.selector_keys.values() or any(plan.message.through is not None for plan in route.plans)
        return indirect or any(plan.message.name in only for plan in route.plans)

    def _note(self, key: int) -> None:
        known = MessageKey.unpack(key)
        self._addresses.add(known.number)
        self._commands.add((known.number, known.command))

    def decode(self, batch: Batch) -> DecodedBatch:
        """Return a batch's messages as columns, and what no register explains."""
        keys = batch.key & np.uint64(SMBUS_KEY)
        if len(self._keys) and len(keys):
            at = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1).astype(np.uint16)
            at[self._keys[at] != keys] = len(self._keys)
        else:
            at = np.full(len(keys), len(self._keys), np.uint16)
        order = np.argsort(at, kind="stable")
        ends = np.cumsum(np.bincount(at, minlength=len(self._keys) + 1))
        messages: list[MessageColumns] = []
        selectors: list[MessageColumns] = []
        lost: list[NDArray[np.int64]] = []
        for number, route in enumerate(self._ordered):
            rows = order[ends[number - 1] if number else 0 : ends[number]]
            if not len(rows):
                continue
            if any(plan.message.through is not None for plan in route.plans):
                found, unknown = self._indirect(batch, rows, route)
                messages += found
                lost.append(unknown)
                continue
            (plan, *_) = route.plans
            framed = frame_rows(batch, rows, plan.message, written=route.written)
            (selectors if route.selector else messages).append(plan.decode(batch, framed, self.states, written=route.written))
        names = {message.name: index for index, message in enumerate(self.register_map.messages)}
        messages.sort(key=lambda one: (names[one.message.name], one.written))
        rest = order[ends[len(self._keys) - 1] if len(self._keys) else 0 :]
        unknown = np.concatenate(lost) if lost else rest[:0]
        why = np.concatenate([self._reasons(keys[rest]), np.full(len(unknown), Unexplained.UNKNOWN_SELECTOR, np.uint8)])
        unexplained = np.concatenate([rest, unknown])
        place = np.argsort(unexplained, kind="stable")
        return DecodedBatch(batch, tuple(messages), tuple(selectors), unexplained[place], why[place])

    def _indirect(self, batch: Batch, rows: NDArray[np.int64], route: _Route) -> tuple[list[MessageColumns], NDArray[np.int64]]:
        """Return the registers that share one command read, told apart by the word last written; the rows of other words."""
        times = batch.time[rows]
        chosen = np.full(len(rows), -1, np.int64)
        selected = np.zeros(len(rows), np.bool_)
        unknown = np.zeros(len(rows), np.bool_)
        for number, plan in enumerate(route.plans):
            through = plan.message.through
            if through is None:
                continue
            timeline = self.states.timelines.get(selector_path(plan.message))
            if timeline is not None:
                word = timeline.at(times, before=True)
                mine = np.array([value == through.word for value in word.values])[word.codes]
                chosen[mine & (chosen < 0)] = number
                selected |= mine if through.within_ns is None else mine & (timeline.age(times) <= through.within_ns)
                unknown |= np.array([value is not None for value in word.values])[word.codes]
        unknown &= chosen < 0
        chosen[(chosen < 0) & ~unknown] = next(number for number, plan in enumerate(route.plans) if plan.message.through is not None)
        found = []
        for number, plan in enumerate(route.plans):
            here = np.flatnonzero(chosen == number)
            if len(here):
                framed = frame_rows(batch, rows[here], plan.message, written=route.written)
                found.append(plan.decode(batch, framed, self.states, written=route.written, selected=selected[here]))
        return found, rows[unknown]

    def selectors_of(self, batch: Batch) -> States:
        """Return what a batch's writes and reads do to the selectors of indirect reads."""
        keys = batch.key & np.uint64(SMBUS_KEY)
        writes, reads = {}, []
        for path, key in self.selector_keys.items():
            rows = np.flatnonzero(keys == key)
            framed = frame_rows(batch, rows, self._routes[key].plans[0].message, written=True)
            writes[path] = framed, payload_words(batch, framed), batch.time[rows]
        for key, route in self._routes.items():
            rows = np.flatnonzero(keys == key) if not route.written else np.zeros(0, np.int64)
            for path in sorted({selector_path(plan.message) for plan in route.plans if plan.message.through is not None}):
                plans = [plan for plan in route.plans if plan.message.through is not None and selector_path(plan.message) == path]
                for sticky, message in {bool(plan.message.through and plan.message.through.sticky): plan.message for plan in plans}.items():
                    if not sticky:
                        reads.append((message, frame_rows(batch, rows, message), batch.time[rows]))
        return selector_states(writes, reads)

    def _reasons(self, keys: NDArray[np.uint64]) -> NDArray[np.uint8]:
        out = np.empty(len(keys), np.uint8)
        different, index = np.unique(keys, return_inverse=True)
        reasons = np.array([int(self._reason(int(key))) for key in different] or [0], np.uint8)
        out[:] = reasons[index]
        return out

    def _reason(self, key: int) -> Unexplained:
        known = MessageKey.unpack(key)
        if known.kind is Kind.REFUSED:
            return Unexplained.ADDRESS_REFUSED
        if known.kind is Kind.STRAY:
            return Unexplained.STRAY
        if known.number not in self._addresses:
            return Unexplained.OTHER_DEVICE
        if known.kind is Kind.QUICK:
            return Unexplained.QUICK
        return Unexplained.WRONG_DIRECTION if (known.number, known.command) in self._commands else Unexplained.UNKNOWN_COMMAND


def message_keys(message: Message) -> list[tuple[int, bool]]:
    """Return the keys that a register has on the bus, and whether each is a write."""
    if message.kind != "register":
        return []
    address = message.to if message.to is not None else message.address
    if address is None:
        return []
    keys = []
    if message.transfer is TransferKind.RECEIVE_BYTE:
        return [(MessageKey(Kind.RECEIVE, address).pack(), False)]
    if "read" in message.access:
        keys.append((MessageKey(Kind.READ, address, message.command or 0).pack(), False))
    if "write" in message.access:
        keys.append((MessageKey(Kind.WRITE, address, message.command or 0).pack(), True))
    return keys


def selector_message(message: Message) -> Message:
    """Return the write that prepares an indirect read, as a register of its own, named by its path."""
    assert message.through is not None  # noqa: S101 - asked for such registers alone
    return replace(
        message,
        name=selector_path(message),
        fields=(),
        layouts=(),
        length=Length(2, 2),
        transfer=TransferKind.WORD,
        command=message.through.write,
        access=frozenset({"write"}),
        through=None,
        examples=(),
    )


def payload_words(batch: Batch, framed: Framed) -> NDArray[np.int64]:
    """Return the first two payload bytes of each row as a word, low byte first; -1 where they did not come."""
    whole = framed.came >= 2
    first = np.where(whole, framed.first, 0)
    if not len(batch.data):
        return np.full(len(first), -1, np.int64)
    low = batch.data.take(first, mode="clip").astype(np.int64)
    high = batch.data.take(first + 1, mode="clip").astype(np.int64)
    return np.where(whole, low | high << 8, -1)


def survey_states(
    register_map: RegisterMap, batches: Callable[[], Iterable[Batch]], *, sensors: Sensors | None = None, also: frozenset[str] = frozenset()
) -> States:
    """Return the states of one capture. ``batches`` opens it anew for each pass: one for the selectors, one for each level of state.

    Only the messages that carry state are decoded; ``also`` are paths of fields that something else hangs on (a limit).
    """
    states = NO_STATES
    if any(message.through is not None for message in register_map.messages):
        states = survey_selectors(register_map, batches())
    wanted = state_paths(register_map) | also
    for level in state_levels(register_map, also):
        plan = ColumnPlan(register_map, states, sensors=sensors, only=level)
        found = NO_STATES
        for batch in batches():
            decoded = plan.decode(batch)
            found = found.then(state_pieces([one for one in decoded.messages if one.message.name in level], wanted))
        states = States({**states.timelines, **found.timelines})
    return states


def survey_selectors(register_map: RegisterMap, batches: Iterable[Batch]) -> States:
    """Return the timelines of the words that indirect reads are selected by."""
    plan = ColumnPlan(register_map, only=frozenset())
    states = NO_STATES
    for batch in batches:
        states = states.then(plan.selectors_of(batch))
    return states
