"""Values that take several messages (`values`), put together from readings in order of time.

The parts of one value are the latest ones, all of messages within its `within` of each other; it stands at the time of the last
of them, and each reading serves once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from regcheck.codec.number_formats import exact_decimal, float_of, typed_raw
from regcheck.codec.readings import Row, number_text
from regcheck.device_map.model import Field, FieldType, JoinedValue, RegisterMap, Status
from regcheck.device_map.places import place_width

_INTEGERS = (FieldType.UNSIGNED, FieldType.SIGNED, FieldType.SIGN_MAGNITUDE, FieldType.BCD)


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """One joined value: its parts by name, their widths in bits, most significant first; its numbers where it is one."""

    value: JoinedValue
    parts: tuple[Field, ...]
    widths: tuple[int, ...]
    numbers: tuple[Fraction, Fraction]

    @property
    def is_text(self) -> bool:
        return self.value.meanings[0].type in (FieldType.TEXT, FieldType.BYTES)


def _plan(register_map: RegisterMap, value: JoinedValue) -> _Plan | None:
    """Return how a value is put together; None where this version cannot: another type, or parts of no fixed width."""
    found = [register_map.find_fields(tuple(part.split("."))) for part in value.join]
    meaning = value.meanings[0]
    constants = [one.constant() for one in (meaning.scale, meaning.offset, meaning.zero)]
    widths = [place_width(fields[0].where) if fields else None for fields in found]
    scale, offset, zero = constants
    is_text = meaning.type in (FieldType.TEXT, FieldType.BYTES)
    if not all(found) or scale is None or offset is None or zero is None or len(value.meanings) > 1:
        return None
    if not is_text and (
        meaning.type not in (*_INTEGERS, FieldType.FLOAT) or meaning.points or meaning.convert is not None or None in widths
    ):
        return None
    return _Plan(value, tuple(one[0] for one in found), tuple(width or 0 for width in widths), (scale, offset - zero * scale))


@dataclass(slots=True)
class Joiner:
    """Puts the joined values of one capture together, reading by reading."""

    register_map: RegisterMap
    _latest: dict[tuple[str, str | None, str, str], dict[int, Row]] = field(default_factory=dict)
    _time_ns: int | None = None
    _parts: dict[tuple[str, str], list[tuple[_Plan, int]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for value in self.register_map.values.values():
            plan = _plan(self.register_map, value)
            for number, part in enumerate(plan.parts if plan is not None else ()):
                if plan is not None:
                    self._parts.setdefault((part.message, part.name), []).append((plan, number))

    def rows(self, rows: Iterable[Row]) -> Iterator[Row]:
        """Give readings in order, and behind the last part of each joined value that value."""
        for row in rows:
            yield row
            if self._parts:
                yield from self._take(row)

    def _take(self, row: Row) -> Iterator[Row]:
        if self._time_ns is not None and row.time_ns < self._time_ns:
            self._latest.clear()  # time goes backwards: another stretch
        self._time_ns = row.time_ns
        name, bracket, element = row.field.partition("[")
        if row.status in (Status.ABSENT.value, Status.BAD_CHECK.value):
            return
        for plan, number in self._parts.get((row.message, name), ()):
            key = (plan.value.name, row.instance, row.bus, bracket + element)
            latest = self._latest.setdefault(key, {})
            latest[number] = row
            times = [one.time_ns for one in latest.values()]
            if len(latest) == len(plan.parts) and max(times) - min(times) <= plan.value.within_ns:
                yield _joined(plan, latest, row, bracket + element)
                latest.clear()


def _text(part: Row, width: int) -> str:
    """Return what a part of a text says: its own text, or the characters of a number, the most significant first."""
    if part.raw is None or part.text is not None:
        return part.text or ""
    return (part.raw & (1 << width) - 1).to_bytes(-(-width // 8), "big").decode("latin-1")


def _joined(plan: _Plan, latest: Mapping[int, Row], last: Row, element: str) -> Row:
    value, meaning = plan.value, plan.value.meanings[0]
    parts = [latest[number] for number in range(len(plan.parts))]
    unit = meaning.unit.symbol if meaning.unit is not None else None
    bad = next((part.status for part in parts if part.status != Status.GOOD.value), None)
    raw: int | None = None
    said: str | None = None
    text: str | None = None
    if plan.is_text:
        text = "".join(_text(part, width) for part, width in zip(parts, plan.widths, strict=True)) if bad is None else None
        text = text.rstrip(chr(value.pad)) if text is not None and value.pad is not None else text
    elif all(part.raw is not None for part in parts):
        bits = 0
        for part, width in zip(parts, plan.widths, strict=True):
            bits = bits << width | (part.raw or 0) & (1 << width) - 1
        scale, offset = plan.numbers
        if meaning.type is FieldType.FLOAT:
            raw, number = bits, float_of(bits, sum(plan.widths))
            bad = bad or (None if math.isfinite(number) else Status.NOT_AVAILABLE.value)
            said = number_text(float(Fraction(number) * scale + offset)) if bad is None else None
        else:
            raw = typed_raw(meaning.type, bits, sum(plan.widths))
            said = exact_decimal(raw * scale + offset) if bad is None and raw is not None else None
        bad = bad or (None if raw is not None else Status.DEVICE_ERROR.value)
    status = bad or Status.GOOD.value
    return Row(last.time_ns, last.bus, last.instance, value.name, value.name + element, raw, said, unit, status, text)
