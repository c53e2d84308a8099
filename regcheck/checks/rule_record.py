"""The readings that a map's rules name, kept in order: a rule pairs readings of several messages, which no sum of one pass can do.

Of each named field the record keeps raw codes, statuses and times (of a message once for all of its fields), in the smallest
integers that hold them; everything else of a capture goes by. So merging is putting one after the other, and associative.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.rule_names import Wanted
from regcheck.checks.streams import Losses, Stretch
from regcheck.codec.columns import NO_READING, STATUSES, FieldColumn, FieldId, ResolvedMeaning
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.forms import field_width
from regcheck.codec.number_formats import version_number
from regcheck.codec.states import split_instance
from regcheck.device_map.model import WORDY_TYPES, Field, FieldType, JoinedValue, RegisterMap, Status
from regcheck.device_map.units import Unit, convert

Times = NDArray[np.int64]

GOOD = STATUSES.index(Status.GOOD)
NOT_FITTED = STATUSES.index(Status.NOT_FITTED)
_NOTHING = (NO_READING, STATUSES.index(Status.ABSENT), STATUSES.index(Status.BAD_CHECK))
"""Statuses of what is no reading at all, or of a message that was damaged on its way."""


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """Readings of one field in one batch: ``rows`` of its message (None: all), raw, status, meaning."""

    column: Field
    width: int
    rows: NDArray[np.int32] | None
    raw: NDArray[Any]
    status: NDArray[np.uint8]
    meaning: NDArray[Any]
    meanings: tuple[ResolvedMeaning, ...]
    held: NDArray[np.bool_] | None


@dataclass(frozen=True, slots=True, eq=False)
class Messages:
    """Messages of one name of one device in one batch: start, end, place, and the fields that were kept."""

    message: str
    instance: str
    written: bool
    time: Times
    end: Times
    place: Times
    fields: Mapping[FieldId, Kept]


def _smallest(codes: NDArray[Any]) -> NDArray[Any]:
    if codes.dtype.kind == "u" and codes.dtype.itemsize == 8:
        return codes
    low, high = int(codes.min(initial=0)), int(codes.max(initial=0))
    if high >= 1 << 32:
        return codes
    return codes.astype(np.result_type(np.min_scalar_type(low), np.min_scalar_type(high)) if low < 0 else np.min_scalar_type(high))


def _kept(column: FieldColumn, length: int) -> Kept:
    rows = None if column.rows is None else column.rows.astype(np.int32)
    width = field_width(column.field, length)
    return Kept(column.field, width, rows, _smallest(column.raw), column.status, _smallest(column.meaning), column.meanings, column.held)


class RuleRecord:
    """An accumulator of what the rules of a map name, by unbroken stretch of time."""

    def __init__(self, register_map: RegisterMap, source: int) -> None:
        self.register_map, self.source = register_map, source
        self.wanted = Wanted.of(register_map)
        self.parts: dict[Stretch, list[Messages]] = {}
        self.horizons: dict[Stretch, tuple[int, int]] = {}
        self.lossy: set[Stretch] = set()

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        if not self.wanted.messages:
            return
        one = batch.batch
        stretch = (self.source, one.epoch)
        self._extend(stretch, one.begin_ns, one.end_ns)
        if Losses.of(one):
            self.lossy.add(stretch)
        parts = self.parts.setdefault(stretch, [])
        for columns in batch.messages:
            name = columns.message.name
            if name not in self.wanted.messages or not len(columns.time):
                continue
            set_by_host = columns.written and "read" in columns.message.access
            fields = self.wanted.states if set_by_host else self.wanted.fields
            length = int(columns.length.max(initial=0))
            kept = {
                id: _kept(column, length)
                for id, column in columns.fields.items()
                if (id.message, id.field) in fields and (column.field.type not in WORDY_TYPES or column.field.type in _NUMBERED)
            }
            arrays = columns.time.copy(), columns.end.copy(), columns.place.copy()
            parts.append(Messages(name, columns.instance, columns.written, *arrays, kept))

    def _extend(self, stretch: Stretch, begin_ns: int, end_ns: int) -> None:
        begin, end = self.horizons.get(stretch, (begin_ns, end_ns))
        self.horizons[stretch] = min(begin, begin_ns), max(end, end_ns)

    def tick(self, end_ns: int) -> None:
        """Learn that the bus was silent up to ``end_ns`` of the stretch seen last."""
        if self.horizons:
            self._extend(next(reversed(self.horizons)), end_ns, end_ns)

    def then(self, later: RuleRecord) -> None:
        """Take what a later record holds."""
        self.lossy |= later.lossy
        for stretch, (begin, end) in later.horizons.items():
            self._extend(stretch, begin, end)
            self.parts.setdefault(stretch, []).extend(later.parts.get(stretch, ()))

    def books(self) -> list[Book]:
        """Return each stretch with its readings put in order."""
        return [
            Book(self.register_map, stretch, horizon, self.parts[stretch], lossy=stretch in self.lossy)
            for stretch, horizon in self.horizons.items()
        ]


_NUMBERED = frozenset({FieldType.VERSION, FieldType.DATE, FieldType.UNIX_TIME})


@dataclass(frozen=True, eq=False)
class Series:
    """All readings of one field in one stretch, in order of time, without what is no reading; ``gather`` gives ``end`` and ``place``."""

    id: FieldId
    unit: Unit | None
    time: Times
    raw: NDArray[Any]
    status: NDArray[np.uint8]
    meaning: NDArray[Any]
    meanings: tuple[ResolvedMeaning, ...]
    gather: Callable[[str], Times]
    is_raw: bool = False
    version_width: int = 0

    @cached_property
    def end(self) -> Times:
        """Return when each message ended, ns."""
        return self.gather("end")

    @cached_property
    def place(self) -> Times:
        """Return where each message stands in its capture."""
        return self.gather("place")

    def _factors(self, meaning: ResolvedMeaning) -> tuple[Fraction, Fraction] | None:
        """Return what turns a meaning's unit into the field's: factor and offset; None where they do not fit."""
        if meaning.unit == self.unit:
            return Fraction(1), Fraction(0)
        if meaning.unit is None or self.unit is None or not meaning.unit.fits(self.unit):
            return None
        offset = convert(Fraction(0), meaning.unit, self.unit)
        return convert(Fraction(1), meaning.unit, self.unit) - offset, offset

    @cached_property
    def values(self) -> NDArray[np.float64]:
        """Return float64[n] in the field's unit, NaN where the reading is not good."""
        out = np.full(len(self.raw), np.nan)
        good = self.status == GOOD
        if self.is_raw:
            return np.where(good, self.raw.astype(np.float64), np.nan)
        if self.version_width:
            return np.array([float(version_number(int(code), self.version_width)) for code in self.raw]).reshape(out.shape)
        for number, meaning in enumerate(self.meanings):
            mask = good & (self.meaning == number)
            factors = self._factors(meaning)
            if mask.any() and factors is not None:
                codes = self.raw[mask]
                found = meaning.values(codes if codes.dtype == np.uint64 else codes.astype(np.int64))
                out[mask] = found if factors == (Fraction(1), Fraction(0)) else found * float(factors[0]) + float(factors[1])
        return out

    @cached_property
    def raws(self) -> NDArray[np.float64]:
        """Return the raw codes of all readings, whatever their status."""
        return self.raw.astype(np.float64)

    def exact(self, rows: Times, *, raw: bool = False) -> NDArray[Any]:
        """Return exact values of some readings, an array of Fractions, NaN where not good."""
        out = np.empty(len(rows), object)
        for place, row in enumerate(rows.tolist()):
            code = int(self.raw[row])
            if raw or (self.is_raw and self.status[row] == GOOD):
                out[place] = Fraction(code)
            elif self.status[row] != GOOD or not np.isfinite(self.values[row]):
                out[place] = np.nan
            elif self.version_width:
                out[place] = Fraction(version_number(code, self.version_width))
            else:
                meaning = self.meanings[int(self.meaning[row])]
                factor, offset = self._factors(meaning) or (Fraction(1), Fraction(0))
                out[place] = meaning.exact(code) * factor + offset
        return out


class Book:
    """One unbroken stretch of a capture: the series of each field, the times of each message; ``lossy``: the recorder lost something."""

    def __init__(
        self, register_map: RegisterMap, stretch: Stretch, horizon: tuple[int, int], parts: Sequence[Messages], *, lossy: bool = False
    ) -> None:
        self.lossy = lossy
        self.register_map, self.stretch, self.horizon, self.parts = register_map, stretch, horizon, parts
        self.by_id: dict[FieldId, list[tuple[Messages, Kept]]] = {}
        for part in parts:
            for id, kept in part.fields.items():
                self.by_id.setdefault(id, []).append((part, kept))
        self._series: dict[FieldId, Series | None] = {}
        self._joined: dict[tuple[str, str], Series | None] = {}

    def instances(self, messages: set[str]) -> list[str]:
        """Return the devices that some messages come from, each at its longest name; one with an empty name where there are none."""
        return whole_instances([part.instance for part in self.parts if part.message in messages]) or [""]

    def elements(self, message: str, name: str, instance: str) -> list[int]:
        """Return the elements of an array that were seen fitted, ascending."""
        return [one for one in self.element_numbers(message, name, instance) if self._is_fitted(message, name, one, instance)]

    def element_numbers(self, message: str, name: str, instance: str) -> list[int]:
        """Return the elements of an array that were seen at all, ascending."""
        ids = [id for id in self.by_id if (id.message, id.field) == (message, name) and _belongs(id.instance, instance)]
        return sorted({id.element for id in ids if id.element is not None})

    def _is_fitted(self, message: str, name: str, element: int, instance: str) -> bool:
        found = self.series(message, name, element, instance)
        return found is not None and bool((found.status != NOT_FITTED).any())

    def series(self, message: str, name: str, element: int | None, instance: str) -> Series | None:
        """Return the readings of a field as a device sees it: its own, or what no other device's is."""
        ids = [
            id for id in self.by_id if (id.message, id.field, id.element) == (message, name, element) and _belongs(id.instance, instance)
        ]
        if not ids:
            return None
        id = max(ids, key=lambda one: len(one.instance))
        if id not in self._series:
            self._series[id] = _series(id, self.by_id[id])
        return self._series[id]

    def message_times(self, message: str, instance: str) -> tuple[Times, Times, Times]:
        """Return start, end and place of every message of a name, in order."""
        own = [part for part in self.parts if part.message == message and _belongs(part.instance, instance)]
        empty = [np.zeros(0, np.int64)]
        time, end, place = (np.concatenate(empty + [getattr(part, key) for part in own]) for key in ("time", "end", "place"))
        order = np.argsort(time, kind="stable")
        return time[order], end[order], place[order]

    def joined(self, value: JoinedValue, instance: str) -> Series | None:
        """Return the readings of a value that takes several messages; None where it is no number, or a part never came."""
        key = (value.name, instance)
        if key not in self._joined:
            self._joined[key] = self._join(value, instance)
        return self._joined[key]

    def _join(self, value: JoinedValue, instance: str) -> Series | None:
        fields = [self.register_map.find_fields(tuple(part.split("."))) for part in value.join]
        parts = [self.series(found[0].message, found[0].name, None, instance) if found else None for found in fields]
        meaning = value.meanings[0]
        numbers = [one.constant() for one in (meaning.scale, meaning.offset, meaning.zero)]
        if meaning.type not in (FieldType.UNSIGNED, FieldType.SIGNED) or None in numbers or not parts:
            return None
        known = [part for part in parts if part is not None]
        widths = [self.by_id[part.id][0][1].width for part in known]
        if len(known) < len(parts) or sum(widths) > 63:
            return None
        scale, offset, zero = (number for number in numbers if number is not None)
        order = np.lexsort(
            (np.concatenate([np.full(len(part.time), n) for n, part in enumerate(known)]), np.concatenate([p.time for p in known]))
        )
        owner = np.concatenate([np.full(len(part.time), number) for number, part in enumerate(known)])[order]
        row = np.concatenate([np.arange(len(part.time)) for part in known])[order]
        latest: dict[int, int] = {}
        out: list[tuple[int, int, int, int, int]] = []
        for which, at in zip(owner.tolist(), row.tolist(), strict=True):
            latest[which] = at
            times = [int(known[one].time[at]) for one, at in latest.items()]
            if len(latest) < len(known) or max(times) - min(times) > value.within_ns:
                continue
            raw, good = 0, True
            for number, (part, width) in enumerate(zip(known, widths, strict=True)):
                raw = raw << width | int(part.raw[latest[number]]) & (1 << width) - 1
                good &= bool(part.status[latest[number]] == GOOD)
            if meaning.type is FieldType.SIGNED and raw >> sum(widths) - 1:
                raw -= 1 << sum(widths)
            last = known[which]
            out.append(
                (int(last.time[at]), int(last.end[at]), int(last.place[at]), raw, GOOD if good else STATUSES.index(Status.DEVICE_ERROR))
            )
            latest.clear()
        time, end, place, codes, status = np.array(out, np.int64).reshape(-1, 5).T
        resolved = ResolvedMeaning(meaning, meaning.unit, True, scale, offset - zero * scale, None, abs(scale))
        id = FieldId(value.name, value.name, None, instance)
        late = {"end": end, "place": place}
        return Series(id, meaning.unit, time, codes, status.astype(np.uint8), np.zeros(len(time), np.int64), (resolved,), late.__getitem__)


def whole_instances(instances: Sequence[str]) -> list[str]:
    """Return each device at its longest name: a group that another one stands in is no device of its own."""
    found = dict.fromkeys(instances)
    return [one for one in found if one and not any(other != one and _belongs(one, other) for other in found)]


def _belongs(instance: str, device: str) -> bool:
    """Return whether what ``instance`` says is said of ``device``: of itself, of a group that it stands in, or of none in particular."""
    own = set(filter(None, split_instance(device + ".")[0].split("."))) if device else set()
    return not instance or set(instance.split(".")) <= own


def _series(id: FieldId, parts: Sequence[tuple[Messages, Kept]]) -> Series:
    meanings: list[ResolvedMeaning] = []
    numbers: dict[int, int] = {}
    columns: list[tuple[NDArray[Any], ...]] = []
    chosen: list[tuple[Messages, NDArray[Any]]] = []
    for part, kept in parts:
        table = []
        for meaning in kept.meanings:
            if builtin_id(meaning) not in numbers:
                numbers[builtin_id(meaning)] = len(meanings)
                meanings.append(meaning)
            table.append(numbers[builtin_id(meaning)])
        there = ~np.isin(kept.status, _NOTHING)
        there = there if kept.held is None else there & kept.held
        rows = np.flatnonzero(there) if kept.rows is None else kept.rows[there]
        chosen.append((part, rows))
        codes = np.array(table or [0], np.uint16)[kept.meaning[there]] if table else np.zeros(len(rows), np.uint16)
        columns.append((part.time[rows], kept.raw[there], kept.status[there], codes))
    time, raw, status, codes = (np.concatenate(own) for own in zip(*columns, strict=True))
    order = np.argsort(time, kind="stable")

    def gather(key: str) -> Times:
        return np.asarray(np.concatenate([getattr(part, key)[rows] for part, rows in chosen])[order], np.int64)

    item, width = parts[0][1].column, parts[0][1].width
    is_raw = bool(item.names) or item.type in (FieldType.DATE, FieldType.UNIX_TIME)
    version = width if item.type is FieldType.VERSION else 0
    unit = None if is_raw else item.unit
    return Series(id, unit, time[order], raw[order], status[order], codes[order], tuple(meanings), gather, is_raw, version)


builtin_id = id
"""Python's own: ``id`` names a field here."""
