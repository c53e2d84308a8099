"""What a map says of a value by itself: its range, bits that are reserved, values that must be."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.accumulator import Count, Spot
from regcheck.checks.decision import raw_limits
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.wording import plain, worded
from regcheck.codec.columns import FieldColumn, FieldId, MessageColumns, ResolvedMeaning
from regcheck.codec.decoded import DecodedBatch
from regcheck.device_map.model import Field, RegisterMap, Span
from regcheck.device_map.numbers import format_fraction

T = TypeVar("T")

SHOWN = 8
"""Distinct wrong raw values that evidence lists."""


def rows_of(columns: MessageColumns, column: FieldColumn) -> NDArray[np.int64]:
    """Return the indexes of the messages that carry a column's readings."""
    return np.arange(len(columns.time)) if column.rows is None else column.rows


@dataclass(slots=True)
class Extreme:
    """The lowest or highest value seen, and where."""

    value: Fraction
    spot: Spot


@dataclass(slots=True)
class RangeTally:
    """Good readings of one field against its range."""

    count: int = 0
    outside: Count = field(default_factory=Count)
    lowest: Extreme | None = None
    highest: Extreme | None = None

    def then(self, later: RangeTally) -> None:
        """Add a later tally."""
        self.count += later.count
        self.outside.then(later.outside)
        if later.lowest is not None and (self.lowest is None or later.lowest.value < self.lowest.value):
            self.lowest = later.lowest
        if later.highest is not None and (self.highest is None or later.highest.value > self.highest.value):
            self.highest = later.highest


@dataclass(slots=True)
class RawTally:
    """Raw values of one field that had to be some of a few."""

    count: int = 0
    wrong: Count = field(default_factory=Count)
    values: dict[int, int] = field(default_factory=dict)

    def then(self, later: RawTally) -> None:
        """Add a later tally."""
        self.count += later.count
        self.wrong.then(later.wrong)
        for value, count in later.values.items():
            self.values[value] = self.values.get(value, 0) + count


def _span(item: Field) -> Span | None:
    """Return a field's range where it does not hang on a condition."""
    return item.range[0].item if item.range and item.range[0].when is None else None


def _wanted(item: Field) -> tuple[str, tuple[int, ...]] | None:
    if item.reserved is not None:
        return "reserved", (item.reserved,)
    return ("constant", item.must_be) if isinstance(item.must_be, tuple) and item.must_be else None


class ValueCheck:
    """Ranges, reserved bits and constants of every field of a map."""

    def __init__(self, register_map: RegisterMap, driven: frozenset[FieldId], source: int) -> None:
        self.register_map, self.driven, self.source = register_map, driven, source
        self.ranges: dict[FieldId, RangeTally] = {}
        self.raws: dict[FieldId, RawTally] = {}

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        for columns in batch.messages:
            if columns.written and "read" in columns.message.access:
                continue
            for id, column in columns.fields.items():
                rows = rows_of(columns, column)
                if _span(column.field) is not None:
                    self._range(self.ranges.setdefault(id, RangeTally()), columns, column, rows, column.status == 0)
                wanted = _wanted(column.field)
                if wanted is not None:
                    self._raw(self.raws.setdefault(id, RawTally()), columns, column, rows, column.status == 0, wanted[1])

    def _range(
        self, tally: RangeTally, columns: MessageColumns, column: FieldColumn, rows: NDArray[np.int64], good: NDArray[np.bool_]
    ) -> None:
        span = _span(column.field)
        assert span is not None  # noqa: S101 - the caller asked
        if column.plain and self._stays_within(tally, column, span):
            return
        beyond = np.zeros(len(column.raw), np.bool_)
        ends: list[tuple[int, Extreme]] = []
        for index, meaning in enumerate(column.meanings):
            own = np.flatnonzero(good & (column.meaning == index))
            if not len(own) or meaning.unit != column.field.unit:
                continue
            raw = column.raw[own]
            outside, key = _outside(raw, meaning, span)
            tally.count += len(own)
            beyond[own[outside]] = True
            low, high = (int(at) for at in (key.argmin(), key.argmax()))
            ends += [(int(own[at]), Extreme(meaning.exact(int(raw[at])), self._at(columns, int(rows[own[at]])))) for at in (low, high)]
        tally.outside.add(int(beyond.sum()), self._spot(columns, rows[np.flatnonzero(beyond)][:1]))
        for _, end in sorted(ends, key=lambda one: one[0]):  # of equal ones the first, whatever their meanings
            tally.then(RangeTally(lowest=end, highest=end))

    def _stays_within(self, tally: RangeTally, column: FieldColumn, span: Span) -> bool:
        """Count plain readings that lie no farther out than those seen before them; False where they may, or are of another kind."""
        (meaning, *_), seen = column.meanings, (tally.lowest, tally.highest)
        if not meaning.linear or not meaning.scale or meaning.unit != column.field.unit or seen[0] is None or seen[1] is None:
            return False
        ends = sorted(meaning.exact(int(end)) for end in (column.raw.min(), column.raw.max()))
        if ends[0] < max(span.low, seen[0].value) or ends[1] > min(span.high, seen[1].value):
            return False
        tally.count += len(column.raw)
        return True

    def _raw(
        self,
        tally: RawTally,
        columns: MessageColumns,
        column: FieldColumn,
        rows: NDArray[np.int64],
        good: NDArray[np.bool_],
        wanted: tuple[int, ...],
    ) -> None:
        own = np.flatnonzero(good)
        raw = column.bits[own]
        wrong = ~np.isin(raw, np.array(wanted, np.uint64))
        tally.count += len(own)
        tally.wrong.add(int(wrong.sum()), self._spot(columns, rows[own[wrong]][:1]))
        values, counts = np.unique(raw[wrong], return_counts=True)
        for value, count in zip(values.tolist(), counts.tolist(), strict=True):
            tally.values[value] = tally.values.get(value, 0) + count

    def _spot(self, columns: MessageColumns, row: NDArray[np.int64]) -> Spot | None:
        return self._at(columns, int(row[0])) if len(row) else None

    def _at(self, columns: MessageColumns, row: int) -> Spot:
        return Spot(int(columns.time[row]), self.source, int(columns.place[row]))

    def tick(self, end_ns: int) -> None:
        """Silence changes nothing here."""

    def then(self, later: ValueCheck) -> None:
        """Take all that a later check of the same map has seen."""
        for id, tally in later.ranges.items():
            self.ranges.setdefault(id, RangeTally()).then(tally)
        for id, raws in later.raws.items():
            self.raws.setdefault(id, RawTally()).then(raws)

    def findings(self, *, closed: bool) -> Sequence[Finding]:  # noqa: ARG002 - what was seen is final at any time
        """Return a finding for every field with a range, reserved bits or a constant, in the order of the map."""
        return list(self._findings())

    def _findings(self) -> Iterator[Finding]:
        done: set[tuple[str, str]] = set()  # a field of several layouts is one field
        for message in self.register_map.messages:
            if "read" not in message.access and message.to is None and not message.fields:
                continue
            for item in message.all_fields():
                if (item.message, item.name) in done:
                    continue
                done.add((item.message, item.name))
                span, wanted = _span(item), _wanted(item)
                if span is not None:
                    yield from (
                        _range_finding(item, span, id, tally) for id, tally in tallies_of(self.ranges, item, self.driven, RangeTally())
                    )
                if wanted is not None:
                    yield from (_raw_finding(item, wanted, id, tally) for id, tally in tallies_of(self.raws, item, self.driven, RawTally()))


def _elements(item: Field, driven: frozenset[FieldId]) -> list[FieldId]:
    """Return the elements that an array must have whatever the capture holds: those that the map fixes, or that the bench drives."""
    each = item.each
    if each is None or not each.step:
        return [] if each is not None else [FieldId(item.message, item.name)]
    last = each.last.constant() if each.last is not None else None
    if last is not None and each.number is None:
        return [FieldId(item.message, item.name, element) for element in range(each.first, int(last) + 1)]
    return [id for id in driven if (id.message, id.field) == (item.message, item.name)]


def tallies_of(tallies: Mapping[FieldId, T], item: Field, driven: frozenset[FieldId], empty: T) -> list[tuple[FieldId, T]]:
    """Return the tallies of a field's elements, in order; ids hang on the traffic only where nothing else tells the elements."""
    found = {id: tally for id, tally in tallies.items() if (id.message, id.field) == (item.message, item.name)}
    for id in _elements(item, driven):
        if not any((other.element, other.field) == (id.element, id.field) for other in found):
            found[id] = empty
    return sorted(found.items(), key=lambda pair: (pair[0].instance, pair[0].element or 0)) or [(FieldId(item.message, item.name), empty)]


def _outside(raw: NDArray[np.int64], meaning: ResolvedMeaning, span: Span) -> tuple[NDArray[np.bool_], NDArray[Any]]:
    """Return which raw values lie outside, by integers where the meaning is linear, and a key that rises with the value."""
    if meaning.linear and meaning.scale:
        low, high = raw_limits(span.low, span.high, meaning.scale, meaning.offset)
        return (raw < low) | (raw > high), raw if meaning.scale > 0 else -raw
    values = meaning.values(raw)
    return (values < float(span.low)) | (values > float(span.high)), values


def value_requirement(kind: str, item: Field, id: FieldId, key: str) -> Requirement:
    """Return what one key of a field requires of one of its elements."""
    return Requirement(kind, item.message, item.name, id.element, id.instance, item.given_keys.get(key, item.place))


def never_read(requirement: Requirement) -> Finding:
    """Return the finding of what was never read with a good value."""
    return Finding(
        requirement,
        Verdict.UNTESTED,
        f"{requirement.path} was never read with a good value",
        "no_reading",
        "read it in the capture",
        {"readings": 0},
    )


def _range_finding(item: Field, span: Span, id: FieldId, tally: RangeTally) -> Finding:
    requirement, unit = value_requirement("range", item, id, "range"), str(item.unit or "")
    if tally.lowest is None or tally.highest is None:
        return never_read(requirement)
    low, high = tally.lowest, tally.highest
    evidence = {
        "unit": unit or None,
        "readings": tally.count,
        "outside": tally.outside.number,
        "range_low": plain(float(span.low)),
        "range_high": plain(float(span.high)),
        "lowest": {"value": plain(float(low.value))} | low.spot.as_json(),
        "highest": {"value": plain(float(high.value))} | high.spot.as_json(),
    }
    limits = f"{format_fraction(span.low)} .. {format_fraction(span.high)}" + (f" {unit}" if unit else "")
    seen = f"{worded(float(low.value), unit, 6)} to {worded(float(high.value), unit, 6)}"
    beyond = f"{tally.outside.number} of {tally.count} readings"
    if not tally.outside.number:
        return Finding(
            requirement,
            Verdict.PASS,
            f"{requirement.path} stayed within {limits}: {seen} in {tally.count} readings",
            evidence=evidence,
        )
    far = low if span.low - low.value > high.value - span.high else high
    return Finding(
        requirement,
        Verdict.FAIL,
        f"{requirement.path} left its range {limits}: {worded(float(far.value), unit, 6)} was reported, {beyond} lie outside",
        evidence=evidence,
    )


def _raw_finding(item: Field, wanted: tuple[str, tuple[int, ...]], id: FieldId, tally: RawTally) -> Finding:
    kind, values = wanted
    requirement = value_requirement(kind, item, id, "reserved" if kind == "reserved" else "must_be")
    if not tally.count:
        return never_read(requirement)
    shown = " or ".join(f"{value:#x}" for value in values)
    evidence: dict[str, Any] = {"readings": tally.count, "wrong": tally.wrong.number, "expected": list(values)}
    what = "is reserved and reads" if kind == "reserved" else "must be"
    if not tally.wrong.number:
        return Finding(requirement, Verdict.PASS, f"{requirement.path} always read {shown}, in {tally.count} readings", evidence=evidence)
    common = sorted(tally.values.items(), key=lambda pair: (-pair[1], pair[0]))[:SHOWN]
    evidence |= {
        "found": [{"raw": value, "count": count} for value, count in common],
        "first": tally.wrong.first.as_json() if tally.wrong.first else None,
    }
    return Finding(
        requirement,
        Verdict.FAIL,
        f"{requirement.path} {what} {shown}, but read {common[0][0]:#x} in {tally.wrong.number} of {tally.count} readings",
        evidence=evidence,
    )
