"""What a device said last, over time: the state that other messages' meanings, scales and layouts hang on."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import combinations as combinations_of

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.columns import STATUSES, FieldColumn, MessageColumns
from regcheck.codec.exact_columns import Exact, combinations, distinct
from regcheck.codec.forms import field_width, message_form
from regcheck.codec.formulas import Condition
from regcheck.codec.framing import Fault, Framed
from regcheck.codec.payload import known_number
from regcheck.device_map.model import Message, RegisterMap, Status

SELECTOR = "selector {write:#04x} of {address:#04x}"
"""The path of the word that was last written to an indirect read's selector."""


EVER = -(1 << 62)
"""Since when a device's own numbers hold: before any time of a capture, in ns."""


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """One variable over time: from ``time[i]`` ns on it was ``numbers[value[i]]``, or not known.

    ``time`` i8[m] ascending; ``value`` i8[m]; ``known`` bool[m]. Of entries alike it holds the first and the last, with ``every`` each
    (a selector grows old): between the last of one value and the first of the next nobody knows when it changed.
    """

    time: NDArray[np.int64]
    value: NDArray[np.int64]
    known: NDArray[np.bool_]
    numbers: tuple[Fraction, ...]
    every: bool = False

    def then(self, later: Timeline) -> Timeline:
        """Return both, one after the other. ``later`` may start before this one ends: a message in parts counts from its first one."""
        numbers = (*self.numbers, *later.numbers)
        time = np.concatenate([self.time, later.time])
        value = np.concatenate([self.value, later.value + len(self.numbers)])
        known = np.concatenate([self.known, later.known])
        if len(self.time) and len(later.time) and later.time[0] < self.time[-1]:
            order = np.argsort(time, kind="stable")
            time, value, known = time[order], value[order], known[order]
        return changes(time, value, known, numbers, every=self.every)

    def at(self, times: NDArray[np.int64], *, before: bool = False, following: bool = False) -> Exact:
        """Return its value at or before (with ``before``: strictly before) each time, exact.

        With ``following`` its value at the next entry at or after each time, where there is one that is known.
        """
        if not len(self.time):
            return Exact.constant(None, len(times))
        if self.time[-1] == EVER:
            return Exact.constant(self.numbers[0], len(times))
        place = np.searchsorted(self.time, times, side="left" if before else "right") - 1
        if following:
            after = np.minimum(np.searchsorted(self.time, times, side="left"), len(self.time) - 1)
            place = np.where(self.known[after], after, place)
        seen = place >= 0
        here = np.maximum(place, 0)
        known = seen & self.known[here]
        return Exact(np.where(known, self.value[here], len(self.numbers)), (*self.numbers, None))

    def age(self, times: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return how long before each time its latest entry was, in ns; the largest integer where there is none."""
        never = np.iinfo(np.int64).max
        place = np.searchsorted(self.time, times, side="left") - 1
        return np.where(place < 0, never, times - self.time[np.maximum(place, 0)]) if len(self.time) else np.full(len(times), never)


def changes(
    time: NDArray[np.int64], value: NDArray[np.int64], known: NDArray[np.bool_], numbers: tuple[Fraction, ...], *, every: bool = False
) -> Timeline:
    """Return a timeline of the first and last entries of each run of equal numbers; of several entries at one time the last one counts.

    With ``every``, the entries between them are kept too.
    """
    unique = tuple(dict.fromkeys(numbers))
    index = {number: at for at, number in enumerate(unique)}
    table = np.array([index[number] for number in numbers] or [0], np.int64)
    value = np.where(known, table[np.where(known, value, 0)], -1)
    last = np.append(time[1:] != time[:-1], True) if len(time) else np.zeros(0, np.bool_)
    time, value = time[last], value[last]
    differs = np.append(True, (value[1:] != value[:-1]) | every)[: len(value)]
    differs |= np.append(differs[1:], True)[: len(value)]
    time, value = time[differs], value[differs]
    used, codes = distinct(value[value >= 0])
    out = np.zeros(len(value), np.int64)
    out[value >= 0] = codes
    return Timeline(time, out, value >= 0, tuple(unique[int(one)] for one in used), every)


@dataclass(frozen=True, slots=True, eq=False)
class States:
    """The timelines of a capture by variable: a field's path (``message.field``, ``[n]`` for an element, ``#raw``), or a selector's.

    What one of several like devices says stands under its instance: ``rack[3].message.field``; ``of`` is how that device sees it all.
    """

    timelines: Mapping[str, Timeline] = field(default_factory=dict)

    def at(self, path: str, times: NDArray[np.int64], *, before: bool = False, following: bool = False) -> Exact:
        """Return the latest value at or before each time; None where none was seen yet or the last one was not good.

        With ``following`` the next value, as in Timeline.
        """
        found = self.timelines.get(path)
        return Exact.constant(None, len(times)) if found is None else found.at(times, before=before, following=following)

    def of(self, instance: str, numbers: Mapping[str, int] | None = None) -> States:
        """Return what messages of one device hang on, by paths without an instance: its own state, and what no other device's is.

        ``numbers`` are its instance numbers, by name.
        """
        mine = {f"{part}.": len(part) for part in _parts(instance)}
        longest: dict[str, tuple[int, Timeline]] = {}
        for path, timeline in self.timelines.items():
            whose, plain = split_instance(path)
            if (not whose or whose in mine) and len(whose) >= longest.get(plain, (0, timeline))[0]:
                longest[plain] = len(whose), timeline
        found = {path: timeline for path, (_, timeline) in longest.items()}
        for name, number in (numbers or {}).items():
            always = np.array([EVER]), np.zeros(1, np.int64), np.ones(1, np.bool_)
            found[name] = Timeline(*always, (Fraction(number),))
        return States(found)

    def then(self, later: States) -> States:
        """Return these states followed by those of a later stretch."""
        merged = dict(self.timelines)
        for path, timeline in later.timelines.items():
            merged[path] = merged[path].then(timeline) if path in merged else timeline
        return States(merged)

    def has_lasted(
        self, condition: Condition, duration_ns: int, times: NDArray[np.int64], message: Message, *, following: bool = False
    ) -> Exact:
        """Return whether a condition has held for a duration at each time: 1, 0, or not known. Only what was seen counts.

        With ``following`` it must hold at the next entry as well.
        """
        paths = [absolute(variable, message) for variable in condition.variables]
        pieces = [self.timelines[path].time for path in paths if path in self.timelines]
        if not pieces:
            return Exact.constant(None, len(times))
        moments = np.unique(np.concatenate(pieces))
        codes, rows = combinations([self.at(path, moments) for path in paths], len(moments))
        truth = np.array([condition.verdict(row) for row in rows], np.int64)[codes]
        starts = np.append(True, (truth[1:] == 1) & (truth[:-1] != 1))[: len(truth)]
        since = np.maximum.accumulate(np.where(starts, moments, np.iinfo(np.int64).min))
        place = np.searchsorted(moments, times, side="right") - 1
        here = np.maximum(place, 0)
        lasted = (truth[here] == 1) & (times - since[here] >= duration_ns)
        if following:
            after = np.minimum(np.searchsorted(moments, times, side="left"), len(moments) - 1)
            lasted &= truth[after] != 0
        return Exact(np.where((place < 0) | (truth[here] < 0), 2, lasted.astype(np.int64)), (Fraction(0), Fraction(1), None))


NO_STATES = States()
"""Nothing is known of any other message."""


def split_instance(path: str) -> tuple[str, str]:
    """Return the instance that a path begins with, up to its last dot, and the path without it.

    >>> split_instance("string[a].rack[3].rack_state.state"), split_instance("rack_cells.balancing[3]")
    (('string[a].rack[3].', 'rack_state.state'), ('', 'rack_cells.balancing[3]'))
    """
    found = _INSTANCE.match(path)
    assert found is not None  # noqa: S101 - it matches nothing, too
    return found[0], path[found.end() :]


_INSTANCE = re.compile(r"(?:\w+\[[^\]]*\]\.)*")


def _parts(instance: str) -> list[str]:
    """Return an instance and every shorter one that it belongs to, such as ``string[a]`` of ``string[a].rack[3]``."""
    names = re.findall(r"\w+\[[^\]]*\]", instance)
    return [".".join(some) for size in range(1, len(names) + 1) for some in combinations_of(names, size)]


def absolute(variable: str, message: Message) -> str:
    """Return the path under which a message's own field is kept as state; another variable is itself."""
    if not variable.startswith("."):
        return variable
    name, mark, rest = _split(variable[1:])
    return (name if name == message.name else f"{message.name}.{name}") + mark + rest


def _split(text: str) -> tuple[str, str, str]:
    at = min((text.find(mark) for mark in "[#" if mark in text), default=len(text))
    return text[:at], "", text[at:]


def selector_path(message: Message) -> str:
    """Return the path of the selector that a `through` register is read by."""
    assert message.through is not None  # noqa: S101 - asked for such registers alone
    return SELECTOR.format(write=message.through.write, address=message.address or 0)


def state_paths(register_map: RegisterMap) -> frozenset[str]:
    """Return the variables that carry state: what meanings, scales, layouts and validity of other messages ask for, and each `for`."""
    return frozenset(path for paths in _asked(register_map).values() for path in paths)


def _asked(register_map: RegisterMap) -> dict[str, frozenset[str]]:
    """Return for each message the state that it asks for."""
    asked: dict[str, frozenset[str]] = {}
    for message in register_map.messages:
        plain, past = message_form(register_map, message, {}, timed=True).variables()
        fields = {name for name in plain if not name.startswith(".") and register_map.find_fields(tuple(_split(name)[0].split(".")))}
        local = {"raw", "length", "last"} | {one.each.variable for one in message.all_fields() if one.each is not None}
        paths = {name for name in fields if name not in local} | {absolute(name, message) for name in past}
        asked[message.name] = frozenset(paths) | (frozenset([selector_path(message)]) if message.through else frozenset())
    return asked


def state_levels(register_map: RegisterMap, also: frozenset[str] = frozenset()) -> tuple[frozenset[str], ...]:
    """Return the messages that carry state in the order in which they can be decoded: each level asks only for those before it.

    Messages that hang on each other stand in the last level; what they ask of each other is then not known.
    """
    asked = _asked(register_map)
    wanted = state_paths(register_map) | also
    carriers = {message.name: {path for path in wanted if _owner(register_map, path) == message.name} for message in register_map.messages}
    left = {name for name, paths in carriers.items() if paths}
    levels: list[frozenset[str]] = []
    while left:
        ready = frozenset(
            name
            for name in left
            if not any(_owner(register_map, path) in left for path in asked[name] if _owner(register_map, path) != name)
        )
        levels.append(ready or frozenset(left))
        left -= levels[-1]
    return tuple(levels)


def _owner(register_map: RegisterMap, path: str) -> str:
    found = register_map.find_fields(tuple(_split(path)[0].split(".")))
    return found[0].message if found else ""


def state_pieces(columns: Iterable[MessageColumns], wanted: frozenset[str]) -> States:
    """Return what decoded messages say of the wanted variables, reads and acknowledged writes alike.

    A reading that is not good makes its variable not known; so does a write that was refused or has a bad PEC.
    A refused read changes nothing.
    """
    events: dict[str, list[_Events]] = {}
    for one in columns:
        for key, column in one.fields.items():
            name = key.field if key.field == key.message else f"{key.message}.{key.field}"
            path = name if key.element is None else f"{name}[{key.element}]"
            for view in ("", "#raw"):
                if path + view in wanted:
                    events.setdefault(_whose(one.instance, path + view), []).append(_seen(one, column, view))
        refused = one.time[np.isin(one.fault, _REFUSED)] if one.written else one.time[:0]
        if len(refused):
            own = {each.path for each in one.message.all_fields()}
            for path in sorted(path for path in wanted if _split(path)[0] in own):
                events.setdefault(_whose(one.instance, path), []).append(_lost(refused))
    return States({path: _joined(found) for path, found in events.items()})


def _whose(instance: str, path: str) -> str:
    return f"{instance}.{path}" if instance else path


_REFUSED = [Fault.ADDRESS_REFUSED, Fault.COMMAND_REFUSED, Fault.DATA_REFUSED]

_Events = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_], tuple[Fraction, ...]]
"""What was learnt of one variable: times, indexes of numbers, whether known, the numbers. Not yet changes alone: others come between."""


def _lost(time: NDArray[np.int64]) -> _Events:
    return time, np.zeros(len(time), np.int64), np.zeros(len(time), np.bool_), (Fraction(0),)


def column_numbers(column: FieldColumn, declared: int) -> Exact:
    """Return what each row of a column is worth in a condition, exact; None where it is not good or outside its range."""
    width = field_width(column.field, declared)
    good = column.status == 0
    codes, rows = combinations([Exact.of_integers(column.raw), Exact.of_integers(column.meaning)], len(column.raw))
    values: list[Fraction | None] = []
    for raw, meaning in rows:
        assert raw is not None  # noqa: S101 - codes are numbers
        assert meaning is not None  # noqa: S101
        known = column.meanings[int(meaning)] if column.meanings else None
        values.append(None if known is None else known_number(column.field, width, int(raw), known))
    return Exact(np.where(good, codes, len(values)), (*values, None))


def _seen(columns: MessageColumns, column: FieldColumn, view: str) -> _Events:
    rows = np.arange(len(columns.time)) if column.rows is None else column.rows
    if view:
        held = column.status != STATUSES.index(Status.ABSENT)
        held &= column.status != STATUSES.index(Status.BAD_CHECK)
        numbers = Exact.of_integers(column.raw, held if column.held is None else held & column.held)
    else:
        numbers = column_numbers(column, int(columns.length.max(initial=0)))
    known = np.array([value is not None for value in numbers.values] or [False])[numbers.codes]
    return columns.time[rows], numbers.codes, known, tuple(value if value is not None else Fraction(0) for value in numbers.values)


def _joined(events: list[_Events], *, every: bool = False) -> Timeline:
    """Return events of one variable, from reads and writes or from several layouts, in order of time."""
    offsets = np.cumsum([0] + [len(numbers) for _, _, _, numbers in events])
    time = np.concatenate([one for one, _, _, _ in events])
    value = np.concatenate([one + offset for (_, one, _, _), offset in zip(events, offsets, strict=False)])
    known = np.concatenate([one for _, _, one, _ in events])
    order = np.argsort(time, kind="stable")
    return changes(time[order], value[order], known[order], tuple(number for _, _, _, numbers in events for number in numbers), every=every)


def selector_states(
    writes: Mapping[str, tuple[Framed, NDArray[np.int64], NDArray[np.int64]]], reads: Iterable[tuple[Message, Framed, NDArray[np.int64]]]
) -> States:
    """Return the selectors' timelines: an acknowledged write of a word sets one.

    A bad PEC, a lost ACK or a read through it makes it not known.

    ``writes`` by the selector's path: its frames, their words i8[n] and times i8[n]; ``reads`` are those of a register, and their times.
    A read that was refused, or is of a sticky register, uses nothing up.
    """
    events: dict[str, list[_Events]] = {}
    for path, (framed, words, time) in writes.items():
        good = framed.verified & (framed.fault == Fault.NONE) & (words >= 0)
        different, codes = distinct(words)
        events.setdefault(path, []).append((time, codes, good, tuple(Fraction(int(word)) for word in different)))
    for message, framed, time in reads:
        if message.through is not None and not message.through.sticky:
            events.setdefault(selector_path(message), []).append(_lost(time[~framed.refused]))
    return States({path: _joined(found, every=True) for path, found in events.items()})
