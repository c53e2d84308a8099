"""The fast decoder: every message of a batch told apart by its key and decoded by column."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.carried import Transport, no_messages, transports_of, with_carried
from regcheck.codec.columns import MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.formulas import Sensors
from regcheck.codec.frame_routes import Buses, FrameRoutes
from regcheck.codec.framing import Framed, frame_rows
from regcheck.codec.message_plan import MessagePlan
from regcheck.codec.routing import Router, by_route
from regcheck.codec.states import NO_STATES, States, selector_path, selector_states, state_levels, state_paths, state_pieces
from regcheck.codec.unexplained import Unexplained
from regcheck.device_map.frames import Fitted
from regcheck.device_map.model import Length, Message, RegisterMap, TransferKind
from regcheck.device_map.sensors import SENSORS
from regcheck.traffic.batch import Batch, Flag, Kind, MessageKey
from regcheck.traffic.transports import UnderWay

SMBUS_KEY = (1 << 48) - 1
"""The part of a message key that a map knows: all but the bus."""


@dataclass(frozen=True, slots=True, eq=False)
class _Route:
    """One key of the bus: the registers that it may mean (several only for indirect reads), the direction."""

    plans: tuple[MessagePlan, ...]
    written: bool
    selector: bool = False


class ColumnPlan:
    """Decodes the batches of one pass over a capture by column, in order: messages in parts are put together on the way.

    ``states`` are the capture's (``survey_states``): without them what hangs on other messages is unselected. ``only`` names the messages
    to decode (None: all); the others are left aside as if they had not been there. ``fitted`` says which of several like devices there are
    (None: all), ``buses`` what the capture calls the map's buses. ``file`` and ``by_line`` are for the places of complaints.
    """

    def __init__(
        self,
        register_map: RegisterMap,
        states: States = NO_STATES,
        *,
        sensors: Sensors | None = None,
        only: frozenset[str] | None = None,
        fitted: Fitted | None = None,
        buses: Buses | None = None,
        file: str = "",
        by_line: bool = True,
    ) -> None:
        self.register_map, self.states = register_map, states
        self._routes: dict[int, _Route] = {}
        self._commands: set[tuple[int, int]] = set()
        self._addresses: set[int] = set()
        sensors = SENSORS if sensors is None else sensors
        selectors: dict[str, Message] = {}
        for message in register_map.messages:
            if message.kind != "register":
                continue
            plan = MessagePlan(register_map, message, sensors)
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
        self._ordered = list(self._routes.values())
        self._numbers = {key: number for number, key in enumerate(self._routes)}
        frames = [one for one in register_map.messages if one.kind == "frame" and (only is None or one.name in only)]
        whole = [message for message in frames if message.carrier is None]
        self._frames = FrameRoutes(register_map, whole, states, sensors, fitted=fitted, buses=buses or {})
        self._router = Router(self._find)
        self._transports = transports_of(
            register_map, frames, states, sensors, fitted=fitted, buses=buses or {}, file=file, by_line=by_line
        )

    def _is_wanted(self, key: int, route: _Route, only: frozenset[str]) -> bool:
        """Whether a route is decoded: a wanted message's, or one that sets a selector or uses it up."""
        indirect = key in self.selector_keys.values() or any(plan.message.through is not None for plan in route.plans)
        return indirect or any(plan.message.name in only for plan in route.plans)

    def _note(self, key: int) -> None:
        known = MessageKey.unpack(key)
        self._addresses.add(known.number)
        self._commands.add((known.number, known.command))

    def _find(self, key: int, buses: tuple[str, ...]) -> int:
        """Return the number of a key's route, those of frames behind those of registers, or minus one less than why it has none."""
        if MessageKey.unpack(key).kind is Kind.FRAME:
            number = self._frames.find(key, buses)
            return number if number < 0 else number + len(self._ordered)
        return self._numbers.get(key & SMBUS_KEY, -1 - self._reason(key & SMBUS_KEY))

    def decode(self, batch: Batch) -> DecodedBatch:
        """Return a batch's messages as columns, and what neither register nor frame explains."""
        routes = self._router.routes(batch)
        for flag, why in ((Flag.REMOTE, Unexplained.REMOTE), (Flag.ERROR, Unexplained.ERROR)):
            flagged = (batch.flags & np.uint16(flag)) != 0
            if flagged.any():
                routes[flagged] = -1 - why
        messages: list[tuple[int, MessageColumns]] = []
        selectors: list[MessageColumns] = []
        lost: list[tuple[NDArray[np.int64], int]] = []
        for number, rows in by_route(routes):
            if number < 0:
                lost.append((rows, -1 - number))
            elif number >= len(self._ordered):
                found, rest = self._frames.decode(batch, rows, number - len(self._ordered))
                messages += found
                lost.append((rest, Unexplained.OTHER_BEGINNING))
            else:
                route = self._ordered[number]
                known, unknown = self._registers(batch, rows, route)
                lost.append((unknown, Unexplained.UNKNOWN_SELECTOR))
                if route.selector:
                    selectors += known
                else:
                    messages += [(0, columns) for columns in known]
        whole, shift = [], len(batch)
        for transport in self._transports:
            carried = transport.update(batch)
            whole.append(carried.batch)
            lost = [(rows[~carried.is_used[rows]], why) for rows, why in lost]
            self._carried(transport, carried.batch, shift, messages, lost)
            shift += len(carried.batch)
        return self._decoded(with_carried(batch, whole), messages, selectors, lost)

    def lead(self, batches: Iterable[Batch]) -> tuple[UnderWay, ...]:
        """Return what each transport finds under way after some batches, of which nothing is decoded; none where there is no transport."""
        for batch in batches if self._transports else ():
            for transport in self._transports:
                transport.update(batch)
        return self.under_way()

    @property
    def has_transports(self) -> bool:
        """Whether messages in parts are put together: a pass that begins in the middle should read a lead first."""
        return bool(self._transports)

    def under_way(self) -> tuple[UnderWay, ...]:
        """Return what each transport has under way."""
        return tuple(transport.reassembler.under_way() for transport in self._transports)

    def resume(self, epoch: int, under_way: Sequence[UnderWay]) -> None:
        """Begin in the middle of a capture, before any batch."""
        for transport, one in zip(self._transports, under_way, strict=True):
            transport.reassembler.resume(epoch, one)

    def finish(self) -> DecodedBatch | None:
        """Return what the end of a capture leaves of messages in parts, and what it cuts; None where there is nothing to be told."""
        whole = [transport.reassembler.finish().batch for transport in self._transports]
        if not any(len(one) or one.complained for one in whole):
            return None
        messages: list[tuple[int, MessageColumns]] = []
        lost: list[tuple[NDArray[np.int64], int]] = []
        shift = 0
        for transport, batch in zip(self._transports, whole, strict=True):
            self._carried(transport, batch, shift, messages, lost)
            shift += len(batch)
        return self._decoded(with_carried(no_messages(whole[0]), whole), messages, [], lost)

    def _carried(
        self,
        transport: Transport,
        batch: Batch,
        shift: int,
        messages: list[tuple[int, MessageColumns]],
        lost: list[tuple[NDArray[np.int64], int]],
    ) -> None:
        """Decode messages that were put together; ``shift`` is where they stand behind the frames."""
        for number, rows in by_route(transport.router.routes(batch)):
            rest, why = rows, -1 - number
            if number >= 0:
                found, rest = transport.routes.decode(batch, rows, number)
                messages += [(order, replace(columns, index=columns.index + shift)) for order, columns in found]
                why = Unexplained.OTHER_BEGINNING
            lost.append((rest + shift, why))

    def _decoded(
        self,
        batch: Batch,
        messages: list[tuple[int, MessageColumns]],
        selectors: list[MessageColumns],
        lost: list[tuple[NDArray[np.int64], int]],
    ) -> DecodedBatch:
        names = {message.name: index for index, message in enumerate(self.register_map.messages)}
        messages.sort(key=lambda one: (names[one[1].message.name], one[0], one[1].written))
        unexplained = np.concatenate([rows for rows, _ in lost] or [np.zeros(0, np.int64)])
        why = np.concatenate([np.full(len(rows), code, np.uint8) for rows, code in lost] or [np.zeros(0, np.uint8)])
        place = np.argsort(unexplained, kind="stable")
        return DecodedBatch(batch, tuple(columns for _, columns in messages), tuple(selectors), unexplained[place], why[place])

    def _registers(self, batch: Batch, rows: NDArray[np.int64], route: _Route) -> tuple[list[MessageColumns], NDArray[np.int64]]:
        """Return the transfers of one key, and the rows of words that no indirect read of the map has."""
        if any(plan.message.through is not None for plan in route.plans):
            return self._indirect(batch, rows, route)
        (plan, *_) = route.plans
        framed = frame_rows(batch, rows, plan.message, written=route.written)
        return [plan.decode(batch, framed, self.states, written=route.written)], rows[:0]

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


@dataclass(slots=True)
class StateSurvey:
    """What the messages of one level say of the states that are wanted: an accumulator over a capture, or a stretch of it."""

    level: frozenset[str]
    wanted: frozenset[str]
    states: States = NO_STATES

    def update(self, decoded: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        self.states = self.states.then(state_pieces([one for one in decoded.messages if one.message.name in self.level], self.wanted))

    def then(self, later: StateSurvey) -> None:
        """Take what a later stretch said."""
        self.states = self.states.then(later.states)


@dataclass(slots=True)
class SelectorSurvey:
    """The words that indirect reads are selected by: an accumulator over a capture, or a stretch of it."""

    plan: ColumnPlan
    states: States = NO_STATES

    def update(self, decoded: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        self.states = self.states.then(self.plan.selectors_of(decoded.batch))

    def then(self, later: SelectorSurvey) -> None:
        """Take what a later stretch said."""
        self.states = self.states.then(later.states)


Survey = StateSurvey | SelectorSurvey


@dataclass(frozen=True, slots=True)
class SurveyPass:
    """One pass over a capture that learns states: ``decoder`` and ``new`` make what it takes; it can be sent to another process."""

    register_map: RegisterMap
    states: States
    level: frozenset[str] | None  # None: the selectors
    wanted: frozenset[str] = frozenset()
    sensors: Sensors | None = None
    fitted: Fitted | None = None
    buses: Buses | None = None

    def decoder(self) -> ColumnPlan:
        """Return the decoder of the messages that carry state."""
        only = self.level or frozenset()
        return ColumnPlan(self.register_map, self.states, sensors=self.sensors, only=only, fitted=self.fitted, buses=self.buses)

    def new(self) -> Survey:
        """Return an accumulator that has seen nothing."""
        return SelectorSurvey(self.decoder()) if self.level is None else StateSurvey(self.level, self.wanted)


def survey_states(
    register_map: RegisterMap,
    batches: Callable[[], Iterable[Batch]],
    *,
    sensors: Sensors | None = None,
    also: frozenset[str] = frozenset(),
    fitted: Fitted | None = None,
    buses: Buses | None = None,
    fold: Callable[[SurveyPass], Survey] | None = None,
) -> States:
    """Return the states of one capture. ``batches`` opens it anew for each pass: one for the selectors, one for each level of state.

    Only the messages that carry state are decoded; ``also`` are paths of fields that something else hangs on (a limit).
    ``fitted`` and ``buses`` are as in ColumnPlan. ``fold`` makes a pass in another way than from ``batches``.
    """

    def in_order(one: SurveyPass) -> Survey:
        found = one.new()
        for decoded in decoded_to_the_end(one.decoder(), batches()):
            found.update(decoded)
        return found

    make = fold or in_order
    states = NO_STATES
    if any(message.through is not None for message in register_map.messages):
        states = make(SurveyPass(register_map, states, None)).states
    wanted = state_paths(register_map) | also
    for level in state_levels(register_map, also):
        found = make(SurveyPass(register_map, states, level, wanted, sensors, fitted, buses)).states
        states = States({**states.timelines, **found.timelines})
    return states


def decoded_to_the_end(plan: ColumnPlan, batches: Iterable[Batch]) -> Iterator[DecodedBatch]:
    """Give the batches of one pass decoded, and last what its end leaves of messages in parts."""
    for batch in batches:
        yield plan.decode(batch)
    rest = plan.finish()
    if rest is not None:
        yield rest
