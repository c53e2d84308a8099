"""One payload decoded exactly, its bits taken out by construct: the reference that the columns are held to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

import numpy as np

from regcheck.codec.checksums import crc_function, inverted_sum
from regcheck.codec.columns import LAYOUT_UNKNOWN, NO_LAYOUT, ResolvedMeaning
from regcheck.codec.construct_types import BitPattern
from regcheck.codec.end_to_end import Guard
from regcheck.codec.forms import MOST_ELEMENTS, FieldForm, MessageForm, field_width
from regcheck.codec.formulas import Lookup
from regcheck.codec.number_formats import float_of, packed_date, typed_raw, unix_time_text, version_number, version_text
from regcheck.codec.readings import Reading, label_text, shown_unit
from regcheck.device_map.model import CheckField, Field, FieldType, Status
from regcheck.device_map.places import BytesPlace, Order, bit_numbers, transmitted

Given = Mapping[str, Fraction | int]
"""What other messages said last, by field path: values in the field's unit, labelled fields by raw value, versions by number."""

STRINGS = frozenset({FieldType.TEXT, FieldType.BYTES})


@dataclass(frozen=True, slots=True)
class Parsed:
    """One payload decoded: readings, the layout in force (-1: none, -2: not known), whether its own checks and its length are right.

    ``check_good`` is None where the message has no check of its own.
    """

    readings: tuple[Reading, ...]
    layout: int
    check_good: bool | None
    length_good: bool


@dataclass(frozen=True, slots=True)
class _Element:
    """One place that is read: a field, the value of its running variable, its number, its bits (None: not in the message)."""

    form: FieldForm
    variable: int | None
    number: int | None
    bits: tuple[int, ...] | None


@lru_cache(maxsize=4096)
def placed_runs(length: int, places: tuple[tuple[int, ...], ...]) -> tuple[BitPattern, tuple[tuple[tuple[int, int], ...], ...]]:
    """Return the construct of a payload, cut wherever a place starts, ends or jumps, and each place as (run, weight) pairs."""
    cuts = {0, 8 * length}
    for bits in places:
        for index, bit in enumerate(bits):
            position = transmitted(bit)
            follows = index + 1 < len(bits) and transmitted(bits[index + 1]) == position - 1
            leads = index > 0 and transmitted(bits[index - 1]) == position + 1
            if not follows:
                cuts.add(position)
            if not leads:
                cuts.add(position + 1)
    starts = sorted(cuts)
    widths = [end - start for start, end in pairwise(starts)]
    run_of = {start: index for index, start in enumerate(starts[:-1])}
    parts = []
    for bits in places:
        # a run's first bit is its most significant one; the whole run belongs to the place, so its last bit stands so much lower
        heads = [(run_of[transmitted(bit)], weight) for weight, bit in enumerate(bits) if transmitted(bit) in run_of]
        parts.append(tuple((run, weight - widths[run] + 1) for run, weight in heads))
    return BitPattern(widths), tuple(parts)


def version_bits(field: Field, bits: int, width: int) -> int:
    """Return a version's code with the major part on top: as transmitted, unless the field itself says its order."""
    is_little = isinstance(field.where, BytesPlace) and field.where.order is Order.LITTLE
    if is_little and "order" not in field.given_keys and width > 8:
        return int.from_bytes(bits.to_bytes(width // 8, "little"), "big")
    return bits


def string_text(field: Field, data: bytes) -> str | None:
    """Return what a text or bytes field says; None where a text holds bytes that are no characters."""
    if field.type is FieldType.BYTES:
        return data.hex(" ").upper()
    if field.pad is not None:
        data = data.rstrip(bytes([field.pad]))
    try:
        return data.decode(field.characters)
    except UnicodeDecodeError:
        return None


def word_text(kind: FieldType, raw: int, width: int) -> str | None:
    """Return what a date, time or version says; None where there is no such day."""
    if kind is FieldType.DATE:
        date = packed_date(raw)
        return None if date is None else date.isoformat()
    if kind is FieldType.UNIX_TIME:
        return unix_time_text(raw)
    return version_text(raw, width)


def in_range(field: Field, value: Fraction) -> bool:
    """Return whether a selector's value lies in its field's unconditional range."""
    return all(case.when is not None or case.item is None or case.item.low <= value <= case.item.high for case in field.range)


def known_number(field: Field, width: int, raw: int, meaning: ResolvedMeaning) -> Fraction | None:
    """Return what a good reading is worth in another's condition; None where it is outside of its range."""
    if field.names:
        return Fraction(raw)
    if field.type is FieldType.VERSION:
        return version_number(raw, width)
    if field.type in (FieldType.DATE, FieldType.UNIX_TIME):
        return Fraction(raw)
    value = meaning.exact(raw)
    return value if in_range(field, value) else None


class _Run:
    """One payload being decoded."""

    def __init__(self, form: MessageForm, payload: bytes, declared: int, given: Given, guard: Guard | None) -> None:
        self.form, self.payload, self.declared, self.given, self.guard = form, payload, declared, given, guard
        self.named: Mapping[str, FieldForm] = form.named(NO_LAYOUT)
        self.memo: dict[str, tuple[Reading, Fraction | None]] = {}
        self.layout = self._layout()
        self.named = form.named(self.layout)

    def _layout(self) -> int:
        known = True
        for index, layout in enumerate(self.form.layouts):
            self.named = self.form.named(index if layout.asks_own else NO_LAYOUT)
            holds = layout.when.holds(self.lookup)
            if layout.asks_own:
                self.memo.clear()  # the same name may stand elsewhere in the next one
            if holds and known:
                return index
            known &= holds is not None
        return NO_LAYOUT if known else LAYOUT_UNKNOWN

    def lookup(self, variable: str) -> Fraction | None:
        if variable == "length":
            return Fraction(len(self.payload))
        if variable == "last":
            return Fraction(self.declared - 1)
        if not variable.startswith("."):
            found = self.given.get(variable)
            return None if found is None else Fraction(found)
        name, _, view = variable[1:].partition("#")
        name, bracket, index = name.partition("[")
        if name not in self.named or self.named[name].is_array != bool(bracket) or self.named[name].number is not None:
            return None
        key = f"{name}{bracket}{index}"
        if key not in self.memo:
            self.memo[key] = _NOTHING  # a condition that asks for itself finds nothing known
            number = int(index[:-1]) if bracket else None
            found_element = next((one for one in self.elements(self.named[name]) if one.number == number and one.bits is not None), None)
            if found_element is not None:
                (reading,) = self.read([found_element])
                self.memo[key] = (reading, self.number_of(found_element, reading))
        reading, value = self.memo[key]
        if view:
            return None if reading.raw is None else Fraction(reading.raw)
        return value

    def number_of(self, element: _Element, reading: Reading) -> Fraction | None:
        field = element.form.field
        if reading.status is not Status.GOOD or reading.raw is None:
            return None
        meaning = self.meaning(element, reading.raw)
        return None if meaning is None else known_number(field, field_width(field, self.declared), reading.raw, meaning)

    def local(self, element: _Element, raw: int | None = None) -> Lookup:
        each = element.form.field.each

        def lookup(variable: str) -> Fraction | None:
            if variable == "raw":
                return None if raw is None else Fraction(raw)
            if each is not None and each.variable and variable == each.variable:
                return None if element.variable is None else Fraction(element.variable)
            return self.lookup(variable)

        return lookup

    def elements(self, form: FieldForm) -> list[_Element]:
        """Return a field's elements; one without a place where its numbers or their count are not known."""
        field, each = form.field, form.field.each
        if each is None:
            return [_Element(form, None, None, self.place(field, 0))]
        unknown = [_Element(form, None, None, None)]
        if not each.variable:
            count = 1
        elif each.last is None:
            count = 0
            while (
                count < MOST_ELEMENTS
                and (bits := bit_numbers(field.where, self.declared, count * each.step))
                and max(bits) < 8 * self.declared
            ):
                count += 1
        else:
            last = None if form.last is None else form.last.value(self.local(unknown[0]))
            if last is None or last.denominator != 1 or last - each.first >= MOST_ELEMENTS:
                return unknown
            count = max(int(last) - each.first + 1, 0)
        found = []
        for index in range(count):
            variable = each.first + index
            number: Fraction | None = Fraction(variable)
            if form.number is not None:
                number = form.number.value(self.local(_Element(form, variable, None, None)))
                if number is None or number.denominator != 1 or number < 0:
                    return unknown
            assert number is not None  # noqa: S101 - the line above gave it
            found.append(_Element(form, variable if each.variable else None, int(number), self.place(field, index * each.step)))
        return sorted(found, key=lambda one: one.number or 0)

    def place(self, field: Field, step: int) -> tuple[int, ...] | None:
        bits = bit_numbers(field.where, self.declared, step)
        whole = bits and min(bits) >= 0 and max(bits) < 8 * len(self.payload)
        return bits if whole else ()

    def read(self, elements: list[_Element]) -> list[Reading]:
        """Return the readings of elements, their bits taken out of the payload by construct."""
        placed = tuple(one.bits for one in elements if one.bits)
        pattern, parts = placed_runs(len(self.payload), placed)
        runs = pattern.parse(self.payload)
        codes = iter([sum(runs[run] << weight for run, weight in part) for part in parts])
        return [self.reading(one, next(codes) if one.bits else None) for one in elements]

    def meaning(self, element: _Element, raw: int) -> ResolvedMeaning | None:
        if element.form.constant is not None:
            return element.form.constant
        lookup = self.local(element, raw)
        negative: bool | None = False
        if element.form.negative_when is not None:
            negative = element.form.negative_when.holds(lookup)
        if negative is None:
            return None
        for form in element.form.meanings:
            holds = True if form.when is None else form.when.holds(lookup)
            if holds is None:
                return None
            if holds:
                return form.resolve(lookup, negative=negative)
        return None

    def reading(self, element: _Element, bits: int | None) -> Reading:
        field = element.form.field

        def made(status: Status, raw: int | None = None, text: str | None = None, meaning: ResolvedMeaning | None = None) -> Reading:
            value = number = None
            if status is Status.GOOD and meaning is not None and raw is not None and field.type not in STRINGS and text_of is None:
                value = meaning.exact(raw)
                number = float(value)
            return Reading(
                field.message,
                field.name,
                element.number,
                "",
                raw,
                bits if raw is not None else None,
                value,
                number,
                shown_unit(field, status, meaning),
                status,
                text,
            )

        text_of: str | None = None
        if element.bits is None:
            return made(Status.UNSELECTED)
        if bits is None:
            return made(Status.ABSENT)
        if field.type in STRINGS:
            return self.string(element, bits, made)
        width = len(element.bits)
        code = next((one for one in field.codes if one.first <= bits <= one.last), None)
        canonical = version_bits(field, bits, width) if field.type is FieldType.VERSION else bits
        raw = typed_raw(field.type, canonical, width)
        if code is not None:
            return made(code.status, raw or 0, code.word)
        if raw is None:
            return made(Status.DEVICE_ERROR, 0)
        if field.type is FieldType.FLOAT:
            number = float_of(bits, width)
            if not np.isfinite(number):
                return made(Status.NOT_AVAILABLE if np.isnan(number) else Status.DEVICE_ERROR, raw)
        if field.type in (FieldType.DATE, FieldType.UNIX_TIME, FieldType.VERSION):
            text_of = word_text(field.type, raw, width)
            if text_of is None:
                return made(Status.DEVICE_ERROR, raw)
        meaning = self.meaning(element, raw)
        if meaning is None:
            return made(Status.UNSELECTED, raw)
        valid = True if element.form.valid_when is None else element.form.valid_when.holds(self.local(element, raw))
        if not valid:
            return made(Status.UNSELECTED if valid is None else Status.NOT_VALID, raw, meaning=meaning)
        if meaning.convert is not None and np.isnan(meaning.convert(np.array([raw]))[0]):
            return made(Status.DEVICE_ERROR, raw)
        text = text_of if text_of is not None else label_text(field, bits)
        return made(Status.GOOD, raw, text, meaning)

    def string(self, element: _Element, bits: int, made: Callable[..., Reading]) -> Reading:
        field = element.form.field
        assert element.bits is not None  # noqa: S101
        first = min(element.bits) // 8
        data = self.payload[first : first + len(element.bits) // 8]
        code = next((one for one in field.codes if one.first <= bits <= one.last), None)
        text = string_text(field, data)
        valid = True if element.form.valid_when is None else element.form.valid_when.holds(self.local(element))
        if code is not None:
            return made(code.status, None, code.word)
        if text is None:
            return made(Status.DEVICE_ERROR)
        if not valid:
            return made(Status.UNSELECTED if valid is None else Status.NOT_VALID)
        return made(Status.GOOD, None, text)

    def check_good(self) -> bool | None:
        """Return whether the message's own checks and its protection hold; False where one is not in it, None where there is none."""
        verdict = None if self.guard is None else self.guard.holds(self.payload)
        if verdict is False:
            return False
        for form in self.named.values():
            field = form.field
            if field.check is None:
                continue
            bits, over = self.place(field, 0), bit_numbers(field.check.over, self.declared)
            if not bits or not over or max(over) >= 8 * len(self.payload):
                return False
            pattern, (part,) = placed_runs(len(self.payload), (bits,))
            runs = pattern.parse(self.payload)
            found = sum(runs[run] << weight for run, weight in part)
            covered = self.payload[min(over) // 8 : max(over) // 8 + 1]
            if found != check_code(field.check, covered, len(bits)):
                return False
            verdict = True
        return verdict

    def length_good(self, readings: list[Reading]) -> bool:
        length, formula = self.form.length_of(self.layout)
        came = len(self.payload)
        if length is None:
            return all(reading.status is not Status.ABSENT for reading in readings)
        if formula is not None:
            value = formula.value(self.lookup)
            return value is None or value == came
        return length.low <= came and (length.high is None or came <= length.high)


_NOTHING: tuple[Reading, Fraction | None] = (Reading("", "", None, "", None, None, None, None, None, Status.UNSELECTED, None), None)


def check_code(check: CheckField, covered: bytes, width: int) -> int:
    """Return what a check field of ``width`` bits must hold over the bytes that it covers."""
    covered = check.before + covered
    return inverted_sum(covered, width) if check.crc is None else crc_function(check.crc)(covered)


def decode_payload(form: MessageForm, payload: bytes, given: Given, *, declared: int, verified: bool, guard: Guard | None = None) -> Parsed:
    """Return the readings of a payload in order of the map, elements by number, and what was found on the way.

    ``guard`` is the protection of the device that sent it.
    """
    run = _Run(form, payload, declared, given, guard)
    elements = [element for one in run.named.values() for element in run.elements(one)]
    if run.layout == LAYOUT_UNKNOWN:
        firsts = {one.field.name: one for layout in reversed(form.layouts) for one in reversed(layout.fields)}
        names = dict.fromkeys(one.field.name for layout in form.layouts for one in layout.fields)
        elements += [_Element(firsts[name], None, None, None) for name in names if name not in run.named]
    readings = run.read(elements)
    good = run.check_good()
    length_good = run.length_good(readings)
    if not verified or good is False:
        pairs = zip(elements, readings, strict=True)
        readings = [spoiled(one, element.form.field) for element, one in pairs if one.status is not Status.ABSENT or one.element is None]
    return Parsed(tuple(readings), run.layout, good, length_good)


def spoiled(reading: Reading, field: Field) -> Reading:
    """Return a reading of a message whose check failed: what was absent stays so, everything else is bad_check."""
    if reading.status is Status.ABSENT:
        return reading
    unit = shown_unit(field, Status.BAD_CHECK, None)
    return replace(reading, value=None, number=None, unit=unit, status=Status.BAD_CHECK, text=None)
