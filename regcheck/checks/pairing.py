"""Readings paired in time: what each name of an expression was at given instants, and between which values it may have lain.

The partner of an instant is the latest reading no older than its age. Where the next reading differs, the partner may have
changed before the instant: it then counts with both values (verdicts, rule 15).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.admission import is_settling
from regcheck.bench.clock import Clock
from regcheck.bench.curves import window_extremes, window_uncertainty
from regcheck.checks.accuracy import CaptureClock
from regcheck.checks.decision import Z
from regcheck.checks.judge import Judge
from regcheck.checks.rule_names import fitted_count
from regcheck.checks.rule_record import Book, Series
from regcheck.codec.columns import FieldId
from regcheck.device_map.expression_tree import Call, Expression, Name, Node, Number, children
from regcheck.device_map.model import Field, Message, RegisterMap
from regcheck.device_map.scope import MapScope

Times = NDArray[np.int64]
Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

AGE_PERIODS = 1.5
MOST_CORNERS = 5
"""Names that changed are combined each way up to so many; beyond, all of them at their low and all at their high values."""


@dataclass(frozen=True, slots=True, eq=False)
class Driven:
    """What the bench applied to each field, and each capture's clock; without a bench, nothing."""

    judges: Mapping[FieldId, Judge]
    clocks: Sequence[CaptureClock]

    def judge(self, item: Field, element: int | None, instance: str) -> Judge | None:
        """Return the judge of one driven field of a device."""
        found = self.judges.get(FieldId(item.message, item.name, element, instance))
        return found if found is not None else self.judges.get(FieldId(item.message, item.name, element))


NOT_DRIVEN = Driven({}, ())


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """One field at n instants: its value's bounds f8[n], whether it is known bool[n], how old i8[n]; ``rows`` are its readings."""

    low: Array
    high: Array
    known: Flags
    age: Times
    series: Series | None = None
    rows: tuple[Times, Times] | None = None


def default_age_ns(register_map: RegisterMap, item: Field, series: Series | None) -> int:
    """Return how old a partner may be: 1.5 periods of `every` (of its layout's), else of `poll`, else of the median interval seen."""
    message = register_map.message(item.message)
    period = 0
    if message is not None:
        layouts = [layout.every for layout in message.layouts if layout.every and item.name in {one.name for one in layout.fields}]
        cases = [case.item for every in layouts or [message.every] for case in every if case.item is not None]
        period = max((case.period_ns or case.high_ns for case in cases), default=0) or message.poll_ns
    if not period and series is not None and len(series.time) > 1:
        period = int(np.median(np.diff(series.time)))
    return int(AGE_PERIODS * period) if period else int(np.iinfo(np.int64).max)


def optional_names(node: Node, counting: bool = False) -> Iterator[tuple[tuple[str, ...], bool]]:
    """Give every name's parts, and whether count() takes it: what is missing there is left out, not waited for."""
    if isinstance(node, Name):
        yield node.parts, counting
        if node.index is not None:
            yield from optional_names(node.index)
        return
    counting = counting or (isinstance(node, Call) and node.function == "count")
    for child in children(node):
        yield from optional_names(child, counting)


class Evaluation:
    """The names of some bound expressions at instants of one device's stretch.

    ``age_ns`` overrides how old each partner may be; with ``latest`` a partner may be of any age (the state that a condition sees).
    ``since`` i8[n] is from when on each instant asks whether a message was seen.
    """

    def __init__(
        self,
        book: Book,
        instance: str,
        at: Times,
        *,
        age_ns: int | None = None,
        latest: bool = False,
        element: int | None = None,
        bench: Driven = NOT_DRIVEN,
        since: Times | None = None,
    ) -> None:
        self.since = since
        self.means_moved = np.zeros(len(at), np.bool_)
        self.book, self.instance, self.at, self.age_ns, self.latest = book, instance, at, age_ns, latest
        self.element, self.bench = element, bench
        self.scope = MapScope(book.register_map)
        self.counted: set[tuple[str, ...]] = set()
        self.numbers: dict[tuple[str, ...], list[int]] = {}
        self.pairs: dict[tuple[Name, int | None], Pair] = {}

    def take(self, expressions: Sequence[Expression]) -> None:
        """Learn which names stand in count() alone."""
        uses = [use for expression in expressions for use in optional_names(expression.root)]
        self.counted = {parts for parts, counting in uses if counting} - {parts for parts, counting in uses if not counting}

    def field(self, name: Name) -> Field | None:
        """Return the field of a name, None for a joined value."""
        return self.scope.resolve(replace(name, view="", whole=False))

    def series(self, name: Name, element: int | None) -> Series | None:
        """Return the readings of a name's element."""
        item = self.field(name)
        if item is None:
            return self.book.joined(self.book.register_map.values[name.parts[0]], self.instance)
        return self.book.series(item.message, item.name, element, self.instance)

    def is_array(self, name: Name) -> bool:
        """Return whether a name means a field with elements."""
        item = self.field(name)
        return item is not None and (item.each is not None or "number" in item.given_keys)

    def elements(self, name: Name) -> list[int | None]:
        """Return the elements that a whole array has: those fitted by the map where it says so by a number, else those seen."""
        item = self.field(name)
        if item is None or not self.is_array(name):
            return [None]
        if name.parts not in self.numbers:
            last = fitted_count(item)
            constant = None if last is None else last.constant()
            first = item.each.first if item.each is not None and item.each.number is None else 1
            seen = self.book.elements(item.message, item.name, self.instance)
            there = self.book.element_numbers(item.message, item.name, self.instance)
            if constant is None and name.view == "applied":
                seen = sorted(
                    {
                        id.element
                        for id in self.bench.judges
                        if (id.message, id.field) == (item.message, item.name) and id.element is not None
                    }
                )
            wanted = range(first, int(constant) + 1) if constant is not None else ()
            # one that only ever says that it is not fitted is no part of the array, unless the map says that it is
            self.numbers[name.parts] = [n for n in wanted if item.fitted is not None or n in seen or n not in there] if wanted else seen
        return list(self.numbers[name.parts])

    def plain_element(self, name: Name) -> int | None:
        """Return the element that a name without `whole` means: its own number, else the one that is being judged."""
        if isinstance(name.index, Number):
            return int(name.index.value)
        return self.element if self.is_array(name) else None

    def pair(self, name: Name, element: int | None) -> Pair:
        """Return one name at the instants."""
        key = (replace(name, index=None, whole=False), element)
        if key not in self.pairs:
            self.pairs[key] = self._applied(name, element) if name.view == "applied" else self._pair(name, element)
        return self.pairs[key]

    def _pair(self, name: Name, element: int | None) -> Pair:
        count = len(self.at)
        series = self.series(name, element)
        never = np.iinfo(np.int64).max
        if series is None or not len(series.time):
            nothing = np.full(count, np.nan)
            return Pair(nothing, nothing, np.zeros(count, np.bool_), np.full(count, never))
        item = self.field(name)
        values = series.raws if name.view == "raw" else series.values
        if self.latest:
            limit = int(never)
        elif self.age_ns is not None:
            limit = self.age_ns
        else:
            limit = default_age_ns(self.book.register_map, item, series) if item is not None else _own_age(series)
        place = np.searchsorted(series.time, self.at, side="right") - 1
        here = np.maximum(place, 0)
        age = np.where(place >= 0, self.at - series.time[here], never)
        known = (place >= 0) & (age <= limit) & np.isfinite(values[here])
        following = np.minimum(here + 1, len(series.time) - 1)
        if name.parts in self.counted:
            known_next = (series.time[following] - self.at <= limit) & np.isfinite(values[following])
            doubt = (age > 0) & (following != here)
            value = np.where(known, values[here], np.nan)
            return Pair(
                value, np.where(doubt, np.where(known_next, values[following], np.nan), value), known, age, series, (here, following)
            )
        follows = (age > 0) & np.isfinite(values[following]) & known
        following = np.where(follows, following, here)
        swap = values[following] < values[here]
        low, high = np.where(swap, following, here), np.where(swap, here, following)
        return Pair(np.where(known, values[low], np.nan), np.where(known, values[high], np.nan), known, age, series, (low, high))

    def _applied(self, name: Name, element: int | None) -> Pair:
        count, item = len(self.at), self.field(name)
        judge = None if item is None else self.bench.judge(item, element, self.instance)
        source = self.book.stretch[0]
        context = self.bench.clocks[source] if source < len(self.bench.clocks) else CaptureClock(None)
        nothing, ages = np.full(count, np.nan), np.zeros(count, np.int64)
        if judge is None or not isinstance(context.clock, Clock):
            return Pair(nothing, nothing, np.zeros(count, np.bool_), ages)
        start, end, doubt = context.bench_times(self.at, self.at)
        span = start - judge.latency_ns - judge.settle_ns - doubt, end + doubt
        window = window_extremes(judge.curve, *span)
        u_s, u_r = window_uncertainty(judge.curve, *span)
        guard = Z * np.hypot(u_s, u_r)
        return Pair(
            np.where(window.known, window.low - guard, np.nan), np.where(window.known, window.high + guard, np.nan), window.known, ages
        )

    def settling(self, names: Sequence[Name]) -> Flags:
        """Return at which instants some reported value may still be settling after a step of what the bench applies to it."""
        flags = np.zeros(len(self.at), np.bool_)
        source = self.book.stretch[0]
        context = self.bench.clocks[source] if source < len(self.bench.clocks) else CaptureClock(None)
        if not isinstance(context.clock, Clock):
            return flags
        start, end, doubt = context.bench_times(self.at, self.at)
        for name, element in self.asked([name for name in names if name.view not in ("applied", "seen")]):
            item = self.field(name)
            judge = self.bench.judge(item, element, self.instance) if item is not None else None
            if judge is not None:
                flags |= is_settling(judge.curve, start, end, judge.settle_ns + judge.latency_ns, doubt)
        return flags

    def seen(self, name: Name) -> Flags:
        """Return whether a message came before each instant, since `when` holds."""
        message = message_of(self.book, name)
        time, _, _ = self.book.message_times(message.name if message is not None else "", self.instance)
        begin = self.since if self.since is not None else np.full(len(self.at), self.book.horizon[0])
        return np.asarray(np.searchsorted(time, self.at, side="right") > np.searchsorted(time, begin, side="left"))

    def asked(self, names: Sequence[Name]) -> list[tuple[Name, int | None]]:
        """Return every name's elements; of an array whose element an expression names, all of them."""
        found: list[tuple[Name, int | None]] = []
        for name in names:
            if name.view == "seen":
                continue
            if name.whole or (name.index is not None and not isinstance(name.index, Number)):
                found += [(name, element) for element in self.elements(name)]
            else:
                found.append((name, self.plain_element(name)))
        return found

    def known(self, names: Sequence[Name], *, indexed: bool = True) -> Flags:
        """Return at which instants every name is known; without ``indexed`` elements named by an expression are not asked for."""
        flags = np.ones(len(self.at), np.bool_)
        for name, element in self.asked(names):
            if name.parts in self.counted or (not indexed and name.index is not None and not isinstance(name.index, Number)):
                continue
            flags &= self.pair(name, element).known
        return flags

    def moved(self, names: Sequence[Name]) -> Flags:
        """Return at which instants something reported may have changed before, so that it counts with both values."""
        flags = self.means_moved.copy()
        for name, element in self.asked(names):
            pair = self.pair(name, element)
            if pair.series is not None:
                flags |= (pair.low != pair.high) & (np.isfinite(pair.low) | np.isfinite(pair.high))
        return flags

    def missing(self, names: Sequence[Name]) -> list[str]:
        """Return the names that were not known at any instant."""
        asked = [(name, element) for name, element in self.asked(names) if name.parts not in self.counted]
        return [
            ".".join(name.parts) + ("" if element is None else f"[{element}]")
            for name, element in asked
            if not self.pair(name, element).known.any()
        ]

    def corners(self, names: Sequence[Name]) -> list[dict[tuple[tuple[str, ...], str], bool]]:
        """Return each way in which the names that changed may stand: at their low (False) or high values, the plain one first."""
        doubtful: dict[tuple[tuple[str, ...], str], None] = {}
        for name, element in self.asked(names):
            pair = self.pair(name, element)
            if not np.array_equal(pair.low, pair.high, equal_nan=True):
                doubtful[name.parts, name.view] = None
        if self.means_moved.any():
            doubtful[MEANS] = None
        if len(doubtful) > MOST_CORNERS:
            return [dict.fromkeys(doubtful, False), dict.fromkeys(doubtful, True)]
        return [dict(zip(doubtful, ends, strict=True)) for ends in product((False, True), repeat=len(doubtful))]

    def values(self, corner: Mapping[tuple[tuple[str, ...], str], bool], rows: Times | None = None, *, exact: bool = False) -> CornerValues:
        """Return what bound expressions ask: values at one corner, of all instants or some; ``exact``: Fractions."""
        return CornerValues(self, corner, rows, exact)

    def reported_by(self, names: Sequence[Name]) -> dict[str, Pair]:
        """Return the partners by what to call them, for evidence."""
        return {".".join(name.parts) + ("" if e is None else f"[{e}]"): self.pair(name, e) for name, e in self.asked(names)}


MEANS = (("mean()",), "")
"""In a corner: whether means over time stand at their high ends."""


@dataclass(frozen=True, slots=True, eq=False)
class CornerValues:
    """The names of an evaluation at one corner, of all instants or of ``rows``; ``exact``: Fractions."""

    of: Evaluation
    corner: Mapping[tuple[tuple[str, ...], str], bool]
    rows: Times | None
    exact: bool

    def __call__(self, name: Name) -> Any:
        """Return a name's values, a row for each element of a whole array."""
        own = self.of
        if name.view == "seen":
            return self.chosen(own.seen(name))
        if name.whole:
            found = [self.one(name, element) for element in own.elements(name)]
            # no element was ever good: there is no sum of nothing, so the instant is not judged
            return np.stack(found) if found else np.full((1, len(own.at) if self.rows is None else len(self.rows)), np.nan)
        return self.one(name, own.plain_element(name))

    def chosen(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return some values at the rows that are asked for."""
        return values if self.rows is None else np.asarray(values[self.rows])

    def one(self, name: Name, element: int | None) -> NDArray[Any]:
        """Return the values of one element."""
        pair = self.of.pair(name, element)
        is_high = self.corner.get((name.parts, name.view), False)
        plain = self.chosen(pair.high if is_high else pair.low)
        if not self.exact:
            return plain
        if pair.series is None or pair.rows is None:
            return fractions_of(plain)
        out = pair.series.exact(self.chosen(pair.rows[int(is_high)]), raw=name.view == "raw")
        out[~np.isfinite(plain)] = np.nan
        return out


def fractions_of(values: Array) -> NDArray[Any]:
    """Return floats as the fractions that they are, NaN for no number."""
    return np.array([_fraction(value) for value in values.tolist()], object)


def _fraction(value: float) -> Any:
    return Fraction(value) if np.isfinite(value) else value


def _own_age(series: Series) -> int:
    return int(AGE_PERIODS * int(np.median(np.diff(series.time)))) if len(series.time) > 1 else int(np.iinfo(np.int64).max)


def message_of(book: Book, name: Name) -> Message | None:
    """Return the message that none() asks for: a message's own name, or a field's."""
    found = book.register_map.message(name.parts[0])
    if found is not None:
        return found
    fields = book.register_map.find_fields(name.parts)
    return book.register_map.message(fields[0].message) if fields else None
