"""A message made ready for decoding: its formulas bound, its meanings resolvable. Both decoders start from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from dataclasses import field as dataclass_field
from fractions import Fraction
from functools import cached_property, partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.columns import ResolvedMeaning
from regcheck.codec.end_to_end import counter_field
from regcheck.codec.formulas import Condition, Lookup, Naming, Quantity, Sensors, condition, conversion, quantity
from regcheck.codec.number_formats import CURVED_TYPES, code_values, raw_reach, sign_extend
from regcheck.device_map.expression_tree import Expression
from regcheck.device_map.model import Field, FieldType, Layout, Length, Meaning, Message, RegisterMap
from regcheck.device_map.places import bit_numbers, place_width

TABLE_BITS = 16
"""Up to this width the values of a curved meaning are computed once for every code."""

MOST_ELEMENTS = 4096
"""Elements of an array in one message; a count beyond it is no count."""


@dataclass(frozen=True, slots=True, eq=False)
class MeaningForm:
    """One meaning of a field: its condition, and what its scale, zero, offset and parameters ask for."""

    field: Field
    meaning: Meaning
    width: int
    when: Condition | None
    numbers: Mapping[str, Quantity]
    convert: Quantity | None
    variables: tuple[str, ...]
    resolved: dict[tuple[object, ...], ResolvedMeaning | None] = dataclass_field(default_factory=dict)

    def resolve(self, lookup: Lookup, *, negative: bool = False) -> ResolvedMeaning | None:
        """Return the meaning with its parameters; None where one is not known, or a scale is 0. One object for the same parameters."""
        key = (negative, *(lookup(variable) for variable in self.variables))
        if key not in self.resolved:
            self.resolved[key] = None if None in key else self._resolve(lookup, negative)
        return self.resolved[key]

    def _resolve(self, lookup: Lookup, negative: bool) -> ResolvedMeaning | None:
        meaning, unit = self.meaning, self.meaning.unit
        numbers = {name: number.value(lookup) for name, number in self.numbers.items()}
        known = {name: number for name, number in numbers.items() if number is not None}
        if len(known) < len(numbers):
            return None
        sign = -1 if negative else 1
        scale, offset = known["scale"], known["offset"]
        if meaning.type in (FieldType.ULINEAR16, FieldType.SLINEAR16):  # PMBus 1.3 part II, clause 8.3: V x 2^N
            if known["exponent"].denominator != 1 or abs(known["exponent"]) > 1023:
                return None
            scale *= Fraction(2) ** int(known["exponent"])
        elif meaning.type is FieldType.DIRECT:  # clause 7.4: X = (Y x 10^-R - b) / m
            if not known["m"] or known["R"].denominator != 1 or abs(known["R"]) > 99:
                return None
            offset -= scale * known["b"] / known["m"]
            scale *= Fraction(10) ** -int(known["R"]) / known["m"]
        if self.field.raised == 0:
            scale, offset = -scale, offset + scale
        offset -= known["zero"] * scale
        if not scale:
            return None
        scale, offset = sign * scale, sign * offset
        if self.convert is not None:
            fixed = {variable: lookup(variable) for variable in self.convert.variables if variable != "raw"}
            converted = partial(_by_formula, self.convert, fixed, sign)
            return self._curved(ResolvedMeaning(meaning, unit, False, convert=converted, step=Fraction(0)))
        if meaning.points:
            lines = partial(on_lines, points=meaning.points, sign=sign)
            return self._curved(ResolvedMeaning(meaning, unit, False, convert=lines, step=Fraction(0)))
        if meaning.type in CURVED_TYPES:
            line = ResolvedMeaning(meaning, unit, True, scale, offset)
            return ResolvedMeaning(meaning, unit, False, scale, offset, partial(_by_code, self.width, line), Fraction(0))
        return ResolvedMeaning(meaning, unit, True, scale, offset, None, abs(scale))

    def _curved(self, resolved: ResolvedMeaning) -> ResolvedMeaning:
        """Return the meaning with its values in a table, where there are few codes: one mechanism for one code and for many."""
        if self.width > TABLE_BITS:
            return resolved
        low, high = raw_reach(self.meaning.type, self.width)
        assert resolved.convert is not None  # noqa: S101 - a curved meaning has one
        table = resolved.convert(np.arange(low, high + 1))
        return replace(resolved, convert=partial(_by_table, table, low))


# Conversions are functions of a module with what they know bound to them: readings go from one process to another.


def _by_table(table: NDArray[np.float64], low: int, raw: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.asarray(table[raw - low])


def _by_formula(formula: Quantity, fixed: Mapping[str, Fraction | None], sign: int, raw: NDArray[np.int64]) -> NDArray[np.float64]:
    return sign * formula.column(raw, fixed.__getitem__)


def _by_code(width: int, line: ResolvedMeaning, raw: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the values of codes of a curved type, whose numbers lie on a straight line."""
    meaning = line.meaning
    number = code_values(meaning.type, width)(raw)
    if line.scale == 1 and line.offset == 0:
        return np.where(np.isfinite(number), number, np.nan)
    if meaning.type is FieldType.LINEAR11:  # a straight line for each of its 32 exponents
        out = np.empty(raw.shape, np.float64)
        for exponent in np.unique(raw >> 11).tolist():
            here = raw >> 11 == exponent
            step = line.scale * Fraction(2) ** sign_extend(exponent, 5)
            out[here] = ResolvedMeaning(meaning, line.unit, True, step, line.offset).values((raw[here] & 0x7FF ^ 0x400) - 0x400)
        return out
    return np.array([nearest_float(one, line.scale, line.offset) for one in number.tolist()], np.float64)


def nearest_float(number: float, scale: Fraction, offset: Fraction) -> float:
    """Return number x scale + offset, rounded once; NaN where the number is none, or the result is beyond what a float64 holds."""
    if not math.isfinite(number):
        return math.nan
    try:
        return float(Fraction(number) * scale + offset)
    except OverflowError:
        return math.nan


def on_lines(raw: NDArray[np.int64], points: tuple[tuple[Fraction, Fraction], ...], sign: int = 1) -> NDArray[np.float64]:
    """Return values on straight lines between (raw, value) points, each the float64 nearest to the exact one; NaN outside them."""
    out = np.full(raw.shape, np.nan)
    ordered = sorted(points)
    for (left, low), (right, high) in pairwise(ordered):
        inside = (raw >= -(-left.numerator // left.denominator)) & (raw <= right.numerator // right.denominator)
        slope = (high - low) / (right - left)
        if inside.any():
            line = ResolvedMeaning(_NO_MEANING, None, True, sign * slope, sign * (low - slope * left))
            out[inside] = line.values(raw[inside])
    return out


_NO_MEANING: Meaning = None  # type: ignore[assignment]  # a line of its own needs no meaning to give values


def _no_variable(_: str) -> None:
    """Know nothing."""


@dataclass(frozen=True, eq=False)
class FieldForm:
    """One field made ready: ``last`` and ``number`` of its elements, conditions bound."""

    field: Field
    meanings: tuple[MeaningForm, ...]
    negative_when: Condition | None
    valid_when: Condition | None
    last: Quantity | None
    number: Quantity | None
    is_fixed: bool
    asks_raw: bool

    @cached_property
    def is_plain(self) -> bool:
        """Whether every number that comes is a good reading by the only meaning, a straight line."""
        worded = self.field.type in (FieldType.DATE, FieldType.UNIX_TIME, FieldType.VERSION, FieldType.FLOAT)
        constant = self.constant
        return constant is not None and constant.convert is None and self.valid_when is None and not self.field.codes and not worded

    @cached_property
    def constant(self) -> ResolvedMeaning | None:
        """The only meaning, where it asks for nothing; None where it has to be looked for."""
        return self.meanings[0].resolve(_no_variable) if self.is_fixed else None

    @property
    def is_array(self) -> bool:
        """Whether its readings have numbers."""
        return self.field.each is not None


@dataclass(frozen=True, slots=True, eq=False)
class LayoutForm:
    """One layout made ready. Where ``asks_own``, its condition names fields of its own: it stood inside another layout, which has them."""

    when: Condition
    fields: tuple[FieldForm, ...]
    length: Length | None
    length_value: Quantity | None
    asks_own: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class MessageForm:
    """One message made ready."""

    register_map: RegisterMap
    message: Message
    fields: tuple[FieldForm, ...]
    layouts: tuple[LayoutForm, ...]
    length_value: Quantity | None
    must_be: Mapping[str, Quantity]

    def named(self, layout: int) -> Mapping[str, FieldForm]:
        """Return the fields in force by name: those always there, then those of layout ``layout`` (-1: none)."""
        fields = self.fields if layout < 0 else (*self.fields, *self.layouts[layout].fields)
        return {form.field.name: form for form in fields}

    def length_of(self, layout: int) -> tuple[Length | None, Quantity | None]:
        """Return what a payload's length must be while layout ``layout`` is in force."""
        if layout >= 0 and self.layouts[layout].length is not None:
            return self.layouts[layout].length, self.layouts[layout].length_value
        return self.message.length, self.length_value

    def variables(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return every variable that decoding the message may ask for, and those whose past a `for` asks for."""
        forms = [*self.fields, *(form for layout in self.layouts for form in layout.fields)]
        conditions = [layout.when for layout in self.layouts]
        numbers = [self.length_value, *(layout.length_value for layout in self.layouts)]
        asked: list[str] = []
        for form in forms:
            conditions += [one for one in (form.negative_when, form.valid_when) if one is not None]
            numbers += [form.last, form.number]
            for meaning in form.meanings:
                asked += meaning.variables
                if meaning.when is not None:
                    conditions.append(meaning.when)
        asked += [variable for number in numbers if number is not None for variable in number.variables]
        past: list[str] = []
        for each in conditions:
            timed = {variable for variable, _, _ in each.lasting}
            asked += [variable for variable in each.variables if variable not in timed]
            past += [variable for _, inner, _ in each.lasting for variable in inner.variables]
        return tuple(dict.fromkeys(asked)), tuple(dict.fromkeys(past))


def field_width(field: Field, declared: int) -> int:
    """Return a field's width in bits in a payload of ``declared`` bytes."""
    width = place_width(field.where)
    return len(bit_numbers(field.where, declared)) if width is None else width


def _meaning_form(field: Field, meaning: Meaning, naming: Naming, timed: bool) -> MeaningForm:
    unit = meaning.unit
    numbers = {
        "scale": quantity(meaning.scale, naming, unit),
        "offset": quantity(meaning.offset, naming, unit),
        "zero": quantity(meaning.zero, naming),
    } | {name: quantity(expression, naming) for name, expression in meaning.parameters.items()}
    if meaning.type is FieldType.DIRECT:
        numbers.setdefault("R", Quantity("0", (), Fraction(0)))
    convert = conversion(meaning.convert, naming, unit) if meaning.convert is not None else None
    asked = [variable for number in numbers.values() for variable in number.variables]
    asked += [variable for variable in (convert.variables if convert is not None else ()) if variable != "raw"]
    when = condition(meaning.when, naming, timed=timed) if meaning.when is not None else None
    return MeaningForm(field, meaning, place_width(field.where) or 0, when, numbers, convert, tuple(dict.fromkeys(asked)))


def field_form(field: Field, naming: Naming, *, timed: bool = False) -> FieldForm:
    """Return a field made ready. Raises ExpressionError where a formula does not fit the map."""
    if field.each is not None and field.each.variable:
        naming = replace(naming, local_names=(*naming.local_names, field.each.variable))
    meanings = tuple(_meaning_form(field, meaning, naming, timed) for meaning in field.meanings)
    each = field.each
    negative_when = condition(field.negative_when, naming, timed=timed) if field.negative_when is not None else None
    valid_when = condition(field.valid_when, naming, timed=timed) if field.valid_when is not None else None
    fixed = len(meanings) == 1 and meanings[0].when is None and not meanings[0].variables and field.negative_when is None
    return FieldForm(
        field,
        meanings,
        negative_when,
        valid_when,
        quantity(each.last, naming) if each is not None and each.last is not None else None,
        quantity(each.number, naming) if each is not None and each.number is not None else None,
        fixed,
        "raw" in _asked(meanings, negative_when, valid_when),
    )


def _asked(meanings: tuple[MeaningForm, ...], *conditions: Condition | None) -> set[str]:
    asked = {variable for meaning in meanings for variable in meaning.variables}
    every = [*conditions, *(meaning.when for meaning in meanings)]
    return asked | {variable for one in every if one is not None for variable in one.variables}


def _length_value(length: Length | None, naming: Naming) -> Quantity | None:
    return quantity(length.expression, naming) if length is not None and length.expression is not None else None


def _layout_form(layout: Layout, naming: Naming, timed: bool) -> LayoutForm:
    when = condition(layout.when, naming, timed=timed)
    asked = {*when.variables, *(variable for _, inner, _ in when.lasting for variable in inner.variables)}
    fixed = {field.name for field in naming.message.fields}
    own = {field.name for field in layout.fields} - fixed
    asks_own = any(variable[1:].partition("#")[0].partition("[")[0] in own for variable in asked if variable.startswith("."))
    fields = tuple(field_form(field, naming, timed=timed) for field in layout.fields)
    return LayoutForm(when, fields, layout.length, _length_value(layout.length, naming), asks_own)


def message_form(register_map: RegisterMap, message: Message, sensors: Sensors, *, timed: bool = False) -> MessageForm:
    """Return a message made ready; with ``timed``, conditions keep their `for`. Raises ExpressionError.

    A protection's counter is a field like others: the last one of those that are always there.
    """
    naming = Naming(register_map, message, (), sensors)
    layouts = tuple(_layout_form(layout, naming, timed) for layout in message.layouts)
    counter = counter_field(message)
    every = message.fields if counter is None else (*message.fields, counter)
    fields = tuple(field_form(field, naming, timed=timed) for field in every)
    must_be = {field.name: quantity(field.must_be, naming) for field in message.all_fields() if isinstance(field.must_be, Expression)}
    return MessageForm(register_map, message, fields, layouts, _length_value(message.length, naming), must_be)
