"""Frames against cantools, an independent decoder: random databases of its own, both byte orders, signed, float, multiplexed; and the
reference parser against the column plan on random traffic of a rack."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from cantools.database.can import Database, Message, Signal
from cantools.database.conversion import BaseConversion
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from regcheck.codec.columns import STATUSES, Check, FieldId, MessageColumns
from regcheck.codec.frame_routes import FrameRoutes
from regcheck.codec.framing import Fault
from regcheck.codec.parser import MessageParser
from regcheck.codec.plan import ColumnPlan, decoded_to_the_end, survey_states
from regcheck.codec.readings import Reading
from regcheck.codec.states import States
from regcheck.device_map.compile import load_map
from regcheck.device_map.frames import message_ids
from regcheck.device_map.model import RegisterMap, Status
from regcheck.traffic.batch import Flag
from regcheck.traffic.frames import Frame
from tests.codec.can_frames import BECK, MS, batches_of, map_of
from tests.properties.cantools_maps import map_text, numbers_of, of_columns, same

CANTOOLS = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
FACTORS = ("1", "0.1", "0.25", "0.001", "-0.5", "3", "0.0125")
OFFSETS = ("0", "-40", "273.15", "0.05")


@dataclass(frozen=True)
class Place:
    """A signal as both describe it: ``start`` in cantools' numbering, the most significant bit of a big-endian one."""

    start: int
    width: int
    is_big: bool

    def bits(self) -> set[int]:
        """Return the bits that it takes, by number, counted here without either library."""
        if not self.is_big:
            return set(range(self.start, self.start + self.width))
        position = self.start // 8 * 8 + 7 - self.start % 8
        return {at // 8 * 8 + 7 - at % 8 for at in range(position, position + self.width)}


def number(text: str) -> float:
    """Return a number as cantools wants it: whole ones as integers."""
    return float(text) if "." in text else int(text)


@st.composite
def signals(draw: st.DrawFn, /, size: int, taken: set[int], prefix: str, most: int, **keys: Any) -> list[Signal]:
    """Return signals side by side, of no bits that are taken."""
    found: list[Signal] = []
    for index in range(draw(st.integers(1, most))):
        is_float = draw(st.integers(0, 5)) == 0 and size >= 4
        width = draw(st.sampled_from([16, 32, 64] if size >= 8 else [16, 32])) if is_float else draw(st.integers(1, min(64, 8 * size)))
        place = Place(draw(st.integers(0, 8 * size - 1)), width, draw(st.booleans()))
        if max(place.bits()) >= 8 * size or place.bits() & taken:
            continue
        taken |= place.bits()
        factor, offset = ("1", "0") if is_float else (draw(st.sampled_from(FACTORS)), draw(st.sampled_from(OFFSETS)))
        found.append(
            Signal(
                f"{prefix}{index}",
                place.start,
                width,
                "big_endian" if place.is_big else "little_endian",
                is_signed=not is_float and width > 1 and draw(st.booleans()),
                conversion=BaseConversion.factory(number(factor), number(offset), None, is_float),
                **keys,
            )
        )
    return found


@st.composite
def databases(draw: st.DrawFn) -> Database:
    """Return a database of a few messages, some of them FD frames, some with a multiplexer."""
    messages = []
    for index in range(draw(st.integers(1, 3))):
        size = draw(st.sampled_from([1, 3, 8, 8, 8, 12, 64]))
        taken: set[int] = set()
        every: list[Signal] = []
        if size > 2 and draw(st.booleans()):
            every.append(Signal("page", 0, 3, is_multiplexer=True))
            taken |= {0, 1, 2}
            fixed = draw(signals(size, taken, "fixed", 2))
            for page in draw(st.sets(st.integers(0, 7), min_size=1, max_size=3)):
                keys: dict[str, Any] = {"multiplexer_ids": [page], "multiplexer_signal": "page"}
                own = set(taken)
                has_inner = not own & {3, 4} and draw(st.integers(0, 2)) == 0
                own |= {3, 4} if has_inner else set()
                every += draw(signals(size, own, f"page{page}_", 3, **keys))
                if has_inner:
                    inner = f"inner{page}"
                    every.append(Signal(inner, 3, 2, is_multiplexer=True, **keys))
                    for value in draw(st.sets(st.integers(0, 3), min_size=1, max_size=2)):
                        inside: dict[str, Any] = {"multiplexer_ids": [value], "multiplexer_signal": inner}
                        every += draw(signals(size, set(own), f"inner{page}_{value}_", 2, **inside))
            every += fixed
        else:
            every += draw(signals(size, taken, "signal", 6))
        if every:
            extended = draw(st.booleans())
            messages.append(Message(0x100 + index, f"message{index}", size, every, is_extended_frame=extended, is_fd=size > 8, strict=True))
    assume(messages)
    return Database(messages)


def unknown_page(message: Message, payload: bytes) -> set[str] | None:
    """Return None where a payload's pages are all known, else the fields that its page has in spite of an unknown inner one."""
    selected = {"page": payload[0] & 7} | {one.name: payload[0] >> 3 & 3 for one in message.signals if one.name.startswith("inner")}
    found: set[str] = set()
    selector = "page"
    while True:
        pages = {page for one in message.signals if one.multiplexer_signal == selector for page in one.multiplexer_ids or ()}
        if not pages:
            return None
        if selected[selector] not in pages:
            return found
        mine = [one for one in message.signals if one.multiplexer_signal == selector and selected[selector] in (one.multiplexer_ids or ())]
        found |= {one.name for one in mine}
        inner = [one.name for one in mine if one.is_multiplexer]
        if not inner:
            return None
        (selector,) = inner


@CANTOOLS
@given(databases(), st.data())
def test_random_databases_decode_as_cantools_does(database: Database, data: st.DataObject) -> None:
    register_map = map_of(map_text(database.messages))
    sent: list[tuple[Message, bytes]] = []
    for message in database.messages:
        payloads = st.lists(st.binary(min_size=message.length, max_size=message.length), min_size=1, max_size=6)
        sent += [(message, payload) for payload in data.draw(payloads)]
    flags = {True: Flag.FD, False: Flag(0)}
    frames = [Frame(at * MS, one.frame_id, payload, one.is_extended_frame, flags[one.is_fd]) for at, (one, payload) in enumerate(sent)]
    (batch,) = batches_of(frames)
    decoded = ColumnPlan(register_map).decode(batch)
    found = of_columns(decoded.messages)
    for at, (message, payload) in enumerate(sent):
        signals_of = {one.name: one for one in message.signals}
        lost = unknown_page(message, payload)
        if lost is not None:  # cantools refuses it; then only what is there whatever the page is to come out
            assert set(found[at]) == {one.name for one in message.signals if not one.multiplexer_ids} | lost
            continue
        raw = numbers_of(message, payload, scaling=False)
        value = numbers_of(message, payload)
        assert set(found[at]) == set(value)
        parser = MessageParser(register_map, next(one for one in register_map.messages if one.name == message.name))
        exact = {one.field: one for one in parser.parse(payload)}
        for name in value:
            is_float = signals_of[name].is_float
            assert same(found[at][name], raw[name], value[name], is_float=is_float), (name, payload.hex(), found[at][name], raw[name])
            if exact[name].status is Status.GOOD:
                assert exact[name].number == found[at][name][2]


@CANTOOLS
@given(databases(), st.data())
def test_what_is_built_reads_the_same_in_cantools(database: Database, data: st.DataObject) -> None:
    register_map = map_of(map_text(database.messages))
    for message in database.messages:
        payload = data.draw(st.binary(min_size=message.length, max_size=message.length))
        if unknown_page(message, payload) is not None:
            continue
        parser = MessageParser(register_map, next(one for one in register_map.messages if one.name == message.name))
        readings = parser.parse(payload)
        if any(one.status is not Status.GOOD for one in readings):
            continue
        built = parser.build({one.field: one.value for one in readings if one.value is not None})
        assert numbers_of(message, built, scaling=False) == numbers_of(message, payload, scaling=False)


# the reference parser against the column plan

BUSES = {"string_a": "can0", "string_b": "can1"}
SMALL = st.one_of(st.sampled_from([0, 1, 2, 3, 0x10, 0x11, 0x20, 0x30, 0x40, 0x7F, 0xC8, 0xFE, 0xFF]), st.integers(0, 255))
MOVES = st.tuples(
    st.sampled_from([0, 1, 1, 1, 2, 0xE, 0xF]),  # which of a rack's frames
    st.integers(1, 2),
    st.sampled_from(["can0", "can0", "can1"]),
    st.lists(SMALL, min_size=0, max_size=8).map(bytes),
    st.integers(1, 150),  # ms since the one before
    st.booleans(),  # whether it is as long as it should be, and protected
)


def given_of(states: States, instance: str, numbers: Mapping[str, int], time_ns: int) -> dict[str, Fraction]:
    found = {}
    scoped = states.of(instance, numbers)
    for path in scoped.timelines:
        exact = scoped.at(path, np.array([time_ns]))
        value = exact.values[exact.codes[0]]
        if value is not None:
            found[path] = value
    return found


def column_row(columns: MessageColumns, index: int) -> dict[FieldId, tuple[object, ...]]:
    found: dict[FieldId, tuple[object, ...]] = {}
    for key, column in columns.fields.items():
        at = index if column.rows is None else int(np.searchsorted(column.rows, index))
        if column.rows is not None and (at >= len(column.rows) or column.rows[at] != index):
            continue
        status = STATUSES[column.status[at]]
        held = status is not Status.ABSENT and (column.held is None or bool(column.held[at]))
        meaning = column.meanings[column.meaning[at]] if column.meanings else None
        good = status is Status.GOOD
        value = meaning.exact(int(column.raw[at])) if good and column.texts is None and meaning is not None else None
        text = column.texts[at] if good and column.texts is not None else None
        found[key] = int(column.raw[at]) if held else None, status, value, text
    return found


def reading_row(readings: Sequence[Reading]) -> dict[FieldId, tuple[object, ...]]:
    return {
        one.id: (one.raw, one.status, one.value, one.text if one.value is None and one.status is Status.GOOD else None) for one in readings
    }


def without_time(register_map: RegisterMap) -> RegisterMap:
    """Return the rack's map without its one `for`, which takes a past that the parser is not given."""
    text = BECK.read_text(encoding="utf-8").replace("state = closed for 200 ms", "state = closed")
    assert register_map is not None
    body = text.split("frames:\n", 1)
    return map_of(body[1].split("\nvalues:")[0] + "\n", body[0].split("\n", 2)[2])


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(st.lists(MOVES, min_size=1, max_size=30), st.integers(1, 30))
def test_parser_and_plan_agree_on_a_rack(moves: list[tuple[int, int, str, bytes, int, bool]], size: int) -> None:
    register_map = without_time(load_map(BECK))
    state = register_map.messages[0]
    frames: list[Frame] = []
    time_ns = 0
    for which, rack, bus, payload, step, whole in moves:
        time_ns += step * MS
        if whole and which in (0, 1):
            payload = payload.ljust(8, b"\1")
        if whole and which == 0:
            payload = MessageParser(register_map, state, numbers={"rack": rack}).build({}, base=payload)
        frames.append(Frame(time_ns, 0x200 + 16 * rack + which, payload, bus=bus))
    states = survey_states(register_map, lambda: batches_of(frames, size), buses=BUSES)
    assert {path: one.time.tolist() for path, one in states.timelines.items()} == {
        path: one.time.tolist() for path, one in survey_states(register_map, lambda: batches_of(frames), buses=BUSES).timelines.items()
    }
    numbers = {known.instance: known.numbers for one in register_map.messages for known in message_ids(register_map, one)}
    count = 0
    for decoded in decoded_to_the_end(ColumnPlan(register_map, states, buses=BUSES), batches_of(frames, size)):
        for columns in decoded.messages:
            own = numbers[columns.instance]
            parser = MessageParser(register_map, columns.message, numbers=own, instance=columns.instance)
            for at, index in enumerate(columns.index.tolist()):
                known = given_of(states, columns.instance, own, int(columns.time[at]))
                parsed = parser.parse_frame(decoded.batch.message(index), known)
                assert column_row(columns, at) == reading_row(parsed.readings)
                assert (Check(columns.check[at]), Fault(columns.fault[at])) == (parsed.check, parsed.fault)
                assert int(columns.layout[at]) == parsed.layout
                count += 1
    assert count == len(frames)


def test_routes_are_the_ids_of_the_map() -> None:
    register_map = load_map(BECK)
    routes = FrameRoutes(register_map, [register_map.messages[0]], States(), {}, fitted={"rack": (2,)}, buses=BUSES)
    found = {id for id in range(0x800) if routes.find(8 << 41 | id << 8, ("can1",)) >= 0}
    assert found == {0x220}
