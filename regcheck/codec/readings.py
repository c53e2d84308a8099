"""Readings one by one: what the parser returns, and the rows that machines read."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from regcheck.codec.columns import NO_READING, STATUSES, FieldColumn, FieldId, MessageColumns, ResolvedMeaning
from regcheck.codec.number_formats import exact_decimal
from regcheck.device_map.model import WORDY_TYPES, Field, Status
from regcheck.device_map.units import Unit
from regcheck.traffic.batch import Batch

if TYPE_CHECKING:
    from regcheck.codec.decoded import DecodedBatch

UNLABELLED = "unlabelled"
"""Text of a value that has no label though its field has labels."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One field's value in one message.

    ``raw`` is the integer after the field's type (None for texts, bytes, and what is absent), ``bits`` the code on the wire.
    Only good readings have a ``value``, exact where the meaning is linear, and ``number``, the float64 nearest to it.
    ``text`` is a label, a coded word, or what a text, date or version says.
    """

    message: str
    field: str
    element: int | None
    instance: str
    raw: int | None
    bits: int | None
    value: Fraction | None
    number: float | None
    unit: Unit | None
    status: Status
    text: str | None

    @property
    def id(self) -> FieldId:
        """Return which field of which device it is."""
        return FieldId(self.message, self.field, self.element, self.instance)


def time_text(time_ns: int) -> str:
    """Return integer nanoseconds as seconds, exactly, without needless zeros.

    >>> time_text(1_500_000_000), time_text(-250_000_000), time_text(3)
    ('1.5', '-0.25', '0.000000003')
    """
    whole, part = divmod(abs(time_ns), 1_000_000_000)
    sign = "-" if time_ns < 0 else ""
    return f"{sign}{whole}" + (f".{part:09d}".rstrip("0") if part else "")


def label_text(field: Field, bits: int) -> str | None:
    """Return the label of a good code; None where the field has none at all."""
    return field.names.get(bits, UNLABELLED) if field.names else None


def shown_unit(field: Field, status: Status, meaning: ResolvedMeaning | None) -> Unit | None:
    """Return the unit to show: that of the only meaning, or of the one in force where a value was looked for."""
    if len(field.meanings) == 1:
        return field.meanings[0].unit
    return meaning.unit if meaning is not None and status in (Status.GOOD, Status.NOT_VALID) else None


@dataclass(frozen=True, slots=True)
class Row:
    """A reading of a batch, as ``decode`` prints it; keys and order are those of the JSON lines.

    ``value`` is a decimal text, exact; ``time_ns`` integer nanoseconds.
    """

    time_ns: int
    bus: str
    instance: str | None
    message: str
    field: str
    raw: int | None
    value: str | None
    unit: str | None
    status: str
    text: str | None

    def json(self) -> str:
        """Return the row as one JSON line, numbers printed exactly."""

        def string(text: str | None) -> str:
            return "null" if text is None else json.dumps(text, ensure_ascii=False)

        raw = "null" if self.raw is None else str(self.raw)
        return (
            f'{{"time": {time_text(self.time_ns)}, "bus": {string(self.bus)}, "instance": {string(self.instance)}, '
            f'"message": {string(self.message)}, "field": {string(self.field)}, "raw": {raw}, "value": {self.value or "null"}, '
            f'"unit": {string(self.unit)}, "status": "{self.status}", "text": {string(self.text)}}}'
        )


def number_text(number: float) -> str:
    """Return a float64 in its shortest form, whole numbers without a point."""
    return str(int(number)) if number.is_integer() and abs(number) < 1e16 else repr(number)


@lru_cache(maxsize=1 << 16)
def _linear_text(raw: int, scale: Fraction, offset: Fraction) -> str:
    return exact_decimal(raw * scale + offset)


def _cell(column: FieldColumn, row: int) -> tuple[int | None, str | None, str | None, Status, str | None]:
    """Return raw, value, unit, status and text of one row of a column."""
    field, status = column.field, STATUSES[column.status[row]]
    wordy = column.texts is not None
    held = status is not Status.ABSENT and (column.held is None or bool(column.held[row]))
    raw = int(column.raw[row]) if held else None
    meaning = column.meanings[column.meaning[row]] if column.meanings else None
    unit = shown_unit(field, status, meaning)
    text: str | None = None
    if column.code[row] and status not in (Status.ABSENT, Status.BAD_CHECK):
        text = field.codes[column.code[row] - 1].word
    elif column.texts is not None and status is Status.GOOD:
        text = column.texts[row]
    elif status is Status.GOOD:
        text = label_text(field, int(column.bits[row]))
    value = None
    if status is Status.GOOD and not wordy and meaning is not None:
        code = int(column.raw[row])
        value = _linear_text(code, meaning.scale, meaning.offset) if meaning.linear else number_text(float(meaning.exact(code)))
    return raw, value, unit.symbol if unit is not None else None, status, text


def row_of(columns: MessageColumns, id: FieldId, message: int, bus: str) -> Row | None:
    """Return one field's reading in the message of that number in the columns; None where the message does not carry it."""
    column = columns.fields[id]
    row = message
    if column.rows is not None:
        found = int(np.searchsorted(column.rows, message))
        if found == len(column.rows) or column.rows[found] != message:
            return None
        row = found
    if column.status[row] == NO_READING:
        return None
    raw, value, unit, status, text = _cell(column, row)
    field = id.field if id.element is None else f"{id.field}[{id.element}]"
    return Row(int(columns.time[message]), bus, id.instance or None, id.message, field, raw, value, unit, status.value, text)


def rows(batch: Batch, decoded: DecodedBatch) -> Iterator[Row]:
    """Give a batch's readings in order of time; within a message in order of the map, elements by number."""
    keyed: list[tuple[int, int, int]] = []
    for number, columns in enumerate(decoded.messages):
        keyed += [(int(time), int(index), number) for time, index in zip(columns.time, columns.index, strict=True)]
    orders = [ordered_fields(columns.fields) for columns in decoded.messages]
    places: list[dict[FieldId, dict[int, int] | None]] = [
        {
            key: None if column.rows is None else {int(row): at for at, row in enumerate(column.rows)}
            for key, column in columns.fields.items()
        }
        for columns in decoded.messages
    ]
    seen = [0] * len(decoded.messages)
    for time, index, number in sorted(keyed, key=lambda one: one[:2]):
        columns = decoded.messages[number]
        at = seen[number]
        seen[number] += 1
        bus = batch.buses[int(batch.key[index]) >> 48]
        for key in orders[number]:
            where = places[number][key]
            row = at if where is None else where.get(at)
            if row is None:
                continue
            raw, value, unit, status, text = _cell(columns.fields[key], row)
            field = key.field if key.element is None else f"{key.field}[{key.element}]"
            yield Row(time, bus, key.instance or None, key.message, field, raw, value, unit, status.value, text)


def ordered_fields(fields: Mapping[FieldId, FieldColumn]) -> list[FieldId]:
    """Return the fields of a message in order of the map, elements by number; the plan gives its columns in order of the map."""
    places: dict[str, int] = {}
    for key in fields:
        places.setdefault(key.field, len(places))
    return sorted(fields, key=lambda key: (places[key.field], -1 if key.element is None else key.element))


__all__ = ["UNLABELLED", "WORDY_TYPES", "Reading", "Row", "label_text", "ordered_fields", "row_of", "rows", "shown_unit", "time_text"]
