"""Values to payloads: the parser's other direction, one message at a time. Nothing is clamped or left out in silence."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from regcheck.codec.columns import NO_LAYOUT, ResolvedMeaning
from regcheck.codec.end_to_end import Guard
from regcheck.codec.forms import FieldForm, MessageForm, field_width
from regcheck.codec.formulas import Lookup
from regcheck.codec.framing import fixed_bytes
from regcheck.codec.number_formats import (
    encode_float,
    encode_linear,
    exact_decimal,
    linear11_code,
    out_of_reach,
    packed_date_code,
    raw_reach,
    typed_bits,
    typed_raw,
)
from regcheck.codec.payload import STRINGS, Given, check_code, known_number, placed_runs, version_bits
from regcheck.device_map.model import Field, FieldType
from regcheck.device_map.places import bit_numbers
from regcheck.device_map.protection import PROFILES
from regcheck.errors import EncodeError


@dataclass(frozen=True, slots=True)
class RawCode:
    """A code on the wire, given in place of a value."""

    bits: int


Value = Fraction | int | float | str | bytes | datetime.date | RawCode
"""What a field may be given: a value in its unit; a label or coded word; a text, bytes or date; or the code itself."""


class Builder:
    """Builds payloads of one message. Raises EncodeError where a value does not fit."""

    def __init__(self, form: MessageForm) -> None:
        self.form = form

    def build(
        self,
        values: Mapping[str, Value],
        given: Given | None = None,
        *,
        length: int | None = None,
        base: bytes | None = None,
        guard: Guard | None = None,
        count: int | None = None,
    ) -> bytes:
        """Return the payload that carries ``values``, keyed by field name (``cell_voltage[7]`` for an element).

        A field without a value is what the map says it must be, else 0, or as in ``base``; a check field and ``guard``'s CRC are
        computed. ``length`` in bytes is the map's unless told. Counters without a value stand where ``count`` messages have moved them.
        """
        return _Build(self.form, self._counted(values, count), given or {}, length, base, guard).payload()

    def _counted(self, values: Mapping[str, Value], count: int | None) -> Mapping[str, Value]:
        if count is None:
            return values
        fields = [one.field for one in self.form.fields]
        moved = {field.name: field.counter for field in fields if field.counter is not None and field.name not in values}
        return {**values, **{name: RawCode(first + count % (last - first + 1)) for name, (first, last) in moved.items()}}


class _Build:
    """One payload being built."""

    def __init__(
        self, form: MessageForm, values: Mapping[str, Value], given: Given, length: int | None, base: bytes | None, guard: Guard | None
    ) -> None:
        self.form, self.values, self.given, self.base, self.guard = form, values, given, base, guard
        self.named: Mapping[str, FieldForm] = form.named(NO_LAYOUT)
        self.size = length if length is not None else len(base) if base is not None else 0
        self.busy: set[str] = set()
        layout = next((index for index in range(len(form.layouts)) if self.holds(index)), NO_LAYOUT)
        self.named = form.named(layout)
        for key in values:
            if key.partition("[")[0] not in self.named:
                others = {one.field.name for each in form.layouts for one in each.fields}
                why = "no layout that is in force has it" if key.partition("[")[0] in others else f"'{form.message.name}' has no such field"
                raise EncodeError(f"'{key}' cannot be given: {why}")
        if not self.size:
            self.size = self.length(layout)

    def holds(self, layout: int) -> bool:
        """Return whether a layout is in force."""
        one = self.form.layouts[layout]
        self.named = self.form.named(layout if one.asks_own else NO_LAYOUT)
        return bool(one.when.holds(self.lookup))

    def length(self, layout: int) -> int:
        length, formula = self.form.length_of(layout)
        if formula is not None:
            value = formula.value(self.lookup)
            if value is None or value.denominator != 1 or value < 0:
                raise EncodeError(f"the length of '{self.form.message.name}', {formula.text}, is not known: give the values that it names")
            return int(value)
        if length is not None and length.high == length.low:
            return length.low
        message = self.form.message
        if message.transfer is not None and length is None and message.transfer.value not in ("block", "block process call"):
            return fixed_bytes(message)
        ends = [0 if length is None else length.low]
        for name, one in self.named.items():
            indexes = [self.index(one, key) for key in self.values if key.partition("[")[0] == name] or [0]
            text = self.values.get(name)
            if one.field.type in STRINGS and isinstance(text, str | bytes):
                first = bit_numbers(one.field.where, 1 << 12)
                ends.append(min(first) // 8 + len(self.string(one.field, text)) if first else 0)
            else:
                step = one.field.each.step if one.field.each is not None else 0
                ends += [max(bits, default=-1) // 8 + 1 for index in indexes for bits in (bit_numbers(one.field.where, 1, index * step),)]
        return max(ends)

    def lookup(self, variable: str) -> Fraction | None:
        if variable == "length":
            return Fraction(self.size) if self.size else None
        if variable == "last":
            return Fraction(self.size - 1) if self.size else None
        if not variable.startswith("."):
            found = self.given.get(variable)
            return None if found is None else Fraction(found)
        name, _, view = variable[1:].partition("#")
        field_name = name.partition("[")[0]
        if field_name not in self.named or name in self.busy:
            return None
        one = self.named[field_name]
        if name not in self.values and self.default(one.field) is None:
            return None
        self.busy.add(name)
        try:
            bits, width = self.code(one, name), field_width(one.field, self.size)
            raw = self.raw_of(one.field, bits, width)
            meaning = self.meaning(one, raw)
        finally:
            self.busy.discard(name)
        if view:
            return Fraction(raw)
        return None if meaning is None else known_number(one.field, width, raw, meaning)

    def raw_of(self, field: Field, bits: int, width: int) -> int:
        return typed_raw(field.type, version_bits(field, bits, width) if field.type is FieldType.VERSION else bits, width) or 0

    def default(self, field: Field) -> int | None:
        if field.reserved is not None:
            return field.reserved
        if isinstance(field.must_be, tuple):
            return field.must_be[0] if len(field.must_be) == 1 else None
        quantity = self.form.must_be.get(field.name)
        value = None if quantity is None else quantity.value(self.lookup)
        return None if value is None else int(value)

    def index(self, one: FieldForm, key: str) -> int:
        """Return which place of an array an element's number means."""
        match = re.fullmatch(r"[^\[]*\[(\d+)\]", key)
        each = one.field.each
        if each is None:
            if match:
                raise EncodeError(f"'{key}' cannot be given: '{one.field.name}' is no array")
            return 0
        if match is None:
            raise EncodeError(f"'{key}' is an array: name an element, such as {key}[{each.first}]")
        number = int(match[1])
        if one.number is None:
            return number - each.first
        span = range(1 << 12) if each.variable else range(1)
        for index in span:
            if one.number.value(self.counting(each.variable, each.first + index)) == number:
                return index
            if index * max(each.step, 1) > 1 << 15:
                break
        raise EncodeError(f"'{key}' is not in this message: no element of '{one.field.name}' has the number {number}")

    def counting(self, variable: str, value: int) -> Lookup:
        """Return the lookup in which a running variable has a value."""
        return lambda name: Fraction(value) if name == variable else self.lookup(name)

    def code(self, one: FieldForm, key: str) -> int:
        """Return the code of a field's or element's value."""
        field = one.field
        width = field_width(field, self.size)
        if key not in self.values:
            return self.default(field) or 0
        value = self.values[key]
        if isinstance(value, RawCode):
            if value.bits >> width or value.bits < 0:
                raise EncodeError(f"the code {value.bits:#x} does not fit the {width} bits of '{field.path}'")
            return value.bits
        if isinstance(value, str) and field.type is not FieldType.TEXT:
            for bits, label in field.names.items():
                if label == value:
                    return bits
            for code in field.codes:
                if code.word == value:
                    return code.first
        if field.type is FieldType.DATE:
            date = datetime.date.fromisoformat(value) if isinstance(value, str) else value
            if isinstance(date, datetime.date):
                return packed_date_code(date, name=field.path)
        if field.type is FieldType.VERSION and isinstance(value, str):
            return self.version(field, value, width)
        if field.type is FieldType.UNIX_TIME and isinstance(value, str):
            value = int(datetime.datetime.fromisoformat(value).timestamp())
        if isinstance(value, bytes | str | datetime.date):
            words = [*field.names.values(), *(code.word for code in field.codes)]
            raise EncodeError(f"'{value!s}' is no value of '{field.path}'" + (f"; its words are {', '.join(words)}" if words else ""))
        bits = self.number(one, key, Fraction(value), width)
        clash = next((code for code in field.codes if code.first <= bits <= code.last), None)
        if clash is not None:
            raise EncodeError(f"{exact_decimal(Fraction(value))} would be the code {bits:#x} of '{field.path}', which means '{clash.word}'")
        return bits

    def version(self, field: Field, text: str, width: int) -> int:
        match = re.fullmatch(r"v?(\d+(?:\.\d+)*)", text)
        parts = [int(part) for part in match[1].split(".")] if match else []
        size = 4 if width == 8 else 8
        if len(parts) != max(width // 8, 2 if width == 8 else 1) or any(part >> size for part in parts):
            raise EncodeError(f"'{text}' is no version that fits '{field.path}', such as v1.9")
        number = 0
        for part in parts:
            number = number << size | part
        return version_bits(field, number, width)

    def meaning(self, one: FieldForm, raw: int) -> ResolvedMeaning | None:
        negative = False if one.negative_when is None else one.negative_when.holds(self.lookup)
        if negative is None:
            return None
        for form in one.meanings:
            holds = (
                True
                if form.when is None
                else form.when.holds(lambda variable: Fraction(raw) if variable == "raw" else self.lookup(variable))
            )
            if holds is None:
                return None
            if holds:
                return form.resolve(self.lookup, negative=negative)
        return None

    def number(self, one: FieldForm, key: str, value: Fraction, width: int) -> int:
        """Return the code nearest to a value, under the first meaning whose condition the code then meets."""
        field, refusal = one.field, None
        negative = False if one.negative_when is None else one.negative_when.holds(self.lookup)
        for form in one.meanings:
            resolved = None if negative is None else form.resolve(self.lookup, negative=negative)
            if resolved is None:
                continue
            try:
                raw = self.nearest(resolved, value, width, field)
            except EncodeError as error:
                refusal = refusal or error
                continue
            if self.meaning(one, raw) is resolved:
                bits = typed_bits(field.type, raw, width)
                assert bits is not None  # noqa: S101 - nearest keeps within reach
                return bits
        if refusal is not None:
            raise refusal
        raise EncodeError(
            f"{exact_decimal(value)} cannot be given to '{key}': which meaning is in force is not known, or none of them reaches it"
        )

    def nearest(self, resolved: ResolvedMeaning, value: Fraction, width: int, field: Field) -> int:
        unit = "" if resolved.unit is None else resolved.unit.symbol
        if resolved.linear:
            return encode_linear(field.type, width, value, resolved.scale, resolved.offset, name=field.path, unit=unit)
        if resolved.meaning.convert is None and not resolved.meaning.points:
            bare = (value - resolved.offset) / resolved.scale
            if field.type is FieldType.FLOAT:
                return encode_float(width, bare, name=field.path)
            code = linear11_code(bare)
            if code is None:
                raise out_of_reach(field.path, value, -1024 * Fraction(2**15), 1023 * Fraction(2**15), unit)
            return code
        if width > 24:
            raise EncodeError(f"'{field.path}' has a curve over {width} bits; give its code instead of a value")
        assert resolved.convert is not None  # noqa: S101 - what is not linear has a curve
        low, high = raw_reach(field.type, width)
        every = np.arange(low, high + 1)
        numbers = resolved.convert(every)
        if np.isnan(numbers).all():
            raise EncodeError(f"no code of '{field.path}' gives a value")
        best = int(np.nanargmin(np.abs(numbers - float(value))))
        steps = np.abs(np.diff(numbers))
        beside = steps[max(best - 1, 0) : best + 1]
        slack = np.nanmax(beside) if beside.size and not np.isnan(beside).all() else 0.0
        if abs(numbers[best] - float(value)) > slack / 2 + 1e-12 * abs(float(value)):
            raise out_of_reach(field.path, value, Fraction(float(np.nanmin(numbers))), Fraction(float(np.nanmax(numbers))), unit)
        return int(every[best])

    def string(self, field: Field, value: Value) -> bytes:
        if field.type is FieldType.BYTES:
            if isinstance(value, bytes):
                return value
            if isinstance(value, str) and re.fullmatch(r"(?:[0-9A-Fa-f]{2}\s*)*", value):
                return bytes.fromhex(value)
        elif isinstance(value, str):
            try:
                return value.encode(field.characters)
            except UnicodeEncodeError:
                raise EncodeError(f"'{value}' has characters that {field.characters} lacks; '{field.path}' cannot carry it") from None
        elif isinstance(value, bytes):
            return value
        raise EncodeError(f"{value!r} is no {field.type.value} for '{field.path}'")

    def string_code(self, one: FieldForm, key: str, size: int) -> int:
        field, value = one.field, self.values[key]
        if isinstance(value, RawCode):
            return value.bits
        data = self.string(field, value)
        if len(data) < size and field.pad is not None:
            data += bytes([field.pad]) * (size - len(data))
        if len(data) != size:
            raise EncodeError(
                f"a {field.type.value} of {len(data)} bytes does not fit '{field.path}', which has {size}"
                + ("" if field.pad is not None else " and no pad")
            )
        return int.from_bytes(data, "little")

    def payload(self) -> bytes:
        claimed: list[tuple[tuple[int, ...], int, str]] = []
        checks: list[tuple[Field, tuple[int, ...]]] = []
        for name, one in self.named.items():
            keys = [key for key in self.values if key.partition("[")[0] == name]
            if not keys and not one.is_array and self.default(one.field) is not None:
                keys = [name]
            if one.field.check is not None and not keys:
                checks.append((one.field, bit_numbers(one.field.where, self.size)))
            for key in keys:
                step = one.field.each.step if one.field.each is not None else 0
                bits = bit_numbers(one.field.where, self.size, self.index(one, key) * step)
                if not bits and one.field.type in STRINGS:
                    continue
                if not bits or min(bits) < 0 or max(bits) >= 8 * self.size:
                    raise EncodeError(f"'{key}' does not fit a payload of {self.size} bytes")
                if one.field.type in STRINGS:
                    bits = tuple(sorted(bits))
                    claimed.append((bits, self.string_code(one, key, len(bits) // 8), key))
                else:
                    claimed.append((bits, self.code(one, key), key))
        payload = self.fill(self.base if self.base is not None else bytes(self.size), claimed)
        for field, bits in checks:
            assert field.check is not None  # noqa: S101 - it was collected for it
            over = bit_numbers(field.check.over, self.size)
            if not bits or not over or max(*bits, *over) >= 8 * self.size:
                raise EncodeError(f"the check '{field.path}' does not fit a payload of {self.size} bytes")
            covered = payload[min(over) // 8 : max(over) // 8 + 1]
            payload = self.fill(payload, [(bits, check_code(field.check, covered, len(bits)), field.name)])
        return payload if self.guard is None else self.protected(payload, self.guard)

    def protected(self, payload: bytes, guard: Guard) -> bytes:
        need = PROFILES[guard.profile].header_bytes
        if len(payload) < need:
            raise EncodeError(
                f"the protection of '{self.form.message.name}' does not fit a payload of {len(payload)} bytes; it takes {need}"
            )
        return guard.filled(payload)

    def fill(self, base: bytes, claimed: list[tuple[tuple[int, ...], int, str]]) -> bytes:
        """Return ``base`` with codes laid into it by construct; fields that share bits must agree on them."""
        owner: dict[int, tuple[int, str]] = {}
        for bits, code, key in claimed:
            for weight, bit in enumerate(bits):
                one = code >> weight & 1
                if owner.setdefault(bit, (one, key))[0] != one:
                    raise EncodeError(f"'{key}' and '{owner[bit][1]}' share bit {bit} and want different values in it")
        pattern, parts = placed_runs(self.size, tuple(bits for bits, _, _ in claimed))
        runs = list(pattern.parse(base))
        for (_, code, _), part in zip(claimed, parts, strict=True):
            for run, weight in part:
                runs[run] = code >> weight & ((1 << pattern.widths[run]) - 1)
        return pattern.build(runs)
