"""What lint says of a field's limits: ranges that cannot be reached, accuracies that cannot hold, units that do not fit."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from regcheck.device_map.expression_tree import Call
from regcheck.device_map.expressions import SENSORS
from regcheck.device_map.fields import in_unit
from regcheck.device_map.limits import Term
from regcheck.device_map.model import FIXED_BYTES, WORDY_TYPES, Field, FieldType, Message, RegisterMap, TransferKind
from regcheck.device_map.numbers import format_fraction
from regcheck.device_map.places import bit_numbers
from regcheck.device_map.scope import MapScope, UnknownNameError
from regcheck.device_map.words import nearest
from regcheck.errors import Problem


def check_own_words(message: Message, field: Field) -> Iterator[Problem]:
    """Give what a field says of its neighbours, its sensor and its limits that cannot be."""
    names = [other.name for other in message.all_fields()]
    at = field.given_keys.get
    for name in field.overlaps:
        if name not in names:
            near = nearest(name, names)
            hint = f"did you mean '{near}'?" if near else ""
            yield Problem(at("overlaps", field.place), f"`overlaps` names '{name}', which is no field of '{message.name}'", hint)
    if field.sensor is not None and not (isinstance(field.sensor.root, Call) and field.sensor.root.function in SENSORS):
        yield Problem(at("sensor", field.place), f"'{field.sensor.text}' is no sensor's curve", "such as ntc(r25 = 10 kohm, beta = 3435 K)")
    for term in (*field.granularity.low, *field.granularity.high) if field.granularity is not None else ():
        if term.kind == "absolute":
            try:
                in_unit((term.amount, term.unit), field.unit, difference=True)
            except ValueError as error:
                yield Problem(at("granularity", field.place), f"the granularity of '{field.name}': {error}")
                break
    for limit in (case.item for case in field.accuracy if case.item is not None):
        total, sensor = _absolute(limit.high, field), _absolute(limit.sensor, field)
        if total is not None and sensor is not None and limit.sensor and sensor >= total:
            text = f"the sensor's part of the accuracy of '{field.name}' leaves nothing for the board"
            yield Problem(at("accuracy", field.place), text, "`of which sensor` is less than the whole")


def reachable(field: Field) -> tuple[Fraction, Fraction] | None:
    """Return the lowest and highest value that a field's raw type can give, None where that hangs on other fields or is no number."""
    meaning = field.meanings[0]
    length = FIXED_BYTES.get(TransferKind.WORD, 2)
    width = len(bit_numbers(field.where, length))
    if len(field.meanings) > 1 or meaning.points or meaning.convert or meaning.type in WORDY_TYPES:
        return None
    if meaning.type is FieldType.UNSIGNED:
        low, high = 0, (1 << width) - 1
    elif meaning.type is FieldType.SIGNED:
        low, high = -(1 << (width - 1)), (1 << (width - 1)) - 1
    elif meaning.type is FieldType.SIGN_MAGNITUDE:
        low, high = -((1 << (width - 1)) - 1), (1 << (width - 1)) - 1
    elif meaning.type is FieldType.BCD:
        low, high = 0, 10 ** (width // 4) - 1
    else:
        return None
    numbers = [meaning.scale.constant(), meaning.offset.constant(), meaning.zero.constant()]
    if None in numbers:
        return None
    scale, offset, zero = (number or Fraction(0) for number in numbers)
    ends = sorted(((low - zero) * scale + offset, (high - zero) * scale + offset))
    return ends[0], ends[1]


def check_limits(field: Field) -> Iterator[Problem]:
    """Give ranges beyond what the raw value reaches, and accuracies finer than half a step."""
    ends = reachable(field)
    scale = field.meanings[0].scale.constant()
    unit = f" {field.unit}" if field.unit else ""
    if ends is not None and scale is not None and field.negative_when is None:
        step = abs(scale)
        for case in field.range:
            span = case.item
            if span is None:
                continue
            for word, wanted, beyond in (
                ("starts", span.low, span.low < ends[0] - step / 2),
                ("ends", span.high, span.high > ends[1] + step / 2),
            ):
                if beyond:
                    reach = f"its raw values reach only {format_fraction(ends[0])} to {format_fraction(ends[1])}{unit}"
                    text = f"the range of '{field.name}' {word} at {format_fraction(wanted)}{unit}, but {reach}"
                    yield Problem(field.given_keys.get("range", field.place), text, "is the scale, the sign or the width right?")
    if (
        scale is not None
        and not field.meanings[0].points
        and field.meanings[0].convert is None
        and field.type in (FieldType.UNSIGNED, FieldType.SIGNED, FieldType.SIGN_MAGNITUDE)
    ):
        limits = [case.item for case in field.accuracy if case.item is not None]
        for limit in limits:
            low, high = _absolute(limit.low, field), _absolute(limit.high, field)
            # a device that truncates may err by a whole step, but to one side only; a mean may be finer than a step
            if low is None or high is None or limit.of == "mean" or not 0 < low + high < abs(scale):
                continue
            count = f"{format_fraction(abs(scale))}{unit} a count"
            if low == high:
                text = f"the accuracy of '{field.name}', {format_fraction(high)}{unit}, is finer than half a step of the field ({count})"
            else:
                sides = f"-{format_fraction(low)} .. +{format_fraction(high)}{unit}"
                text = f"the accuracy of '{field.name}', {sides}, is narrower than a step of the field ({count})"
            yield Problem(field.given_keys.get("accuracy", field.place), text, "rounding alone takes half a step")


def _absolute(terms: tuple[Term, ...], field: Field) -> Fraction | None:
    """Return the sum of terms that are all plain quantities, in the field's unit; None where one hangs on a reading."""
    total = Fraction(0)
    for term in terms:
        if term.kind != "absolute":
            return None
        try:
            total += abs(in_unit((term.amount, term.unit), field.unit, difference=True))
        except ValueError:
            return None
    return total


def check_limit_units(register_map: RegisterMap, message: Message, field: Field, broken: set[str]) -> Iterator[Problem]:
    """Give terms of an accuracy whose unit does not fit, or that name a field which is not there."""
    place = field.given_keys.get("accuracy", field.place)
    for case in field.accuracy:
        if case.item is None:
            continue
        for term in (*case.item.low, *case.item.high, *case.item.sensor):
            if term.kind == "absolute":
                try:
                    in_unit((term.amount, term.unit), field.unit, difference=True)
                except ValueError as error:
                    yield Problem(place, f"the accuracy of '{field.name}': {error}")
                    break
            elif term.kind == "field" and term.field is not None:
                try:
                    MapScope(register_map, message).resolve(term.field)
                except UnknownNameError as error:
                    if not broken & set(term.field.parts):
                        yield Problem(place, f"the accuracy of '{field.name}': {error}")
                    break
            elif term.kind == "range" and not field.range:
                yield Problem(place, f"the accuracy of '{field.name}' is a share of its range, but it has no `range`", "write the range")
                break
