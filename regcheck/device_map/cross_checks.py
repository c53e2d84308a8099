"""What lint looks for once a map can be read: bits that overlap or overhang, commands twice, limits that cannot hold, names unknown."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from itertools import combinations
from typing import Literal

from regcheck.device_map.binding import bind
from regcheck.device_map.exclusion import excludes
from regcheck.device_map.expression_tree import Call, Expression, Name
from regcheck.device_map.expressions import SENSORS, ExpressionError
from regcheck.device_map.fields import in_unit
from regcheck.device_map.limits import Term
from regcheck.device_map.model import (
    FIXED_BYTES,
    WORDY_TYPES,
    AlarmLevel,
    Field,
    FieldType,
    Layout,
    Length,
    Message,
    RegisterMap,
    Rule,
    TransferKind,
)
from regcheck.device_map.numbers import format_fraction
from regcheck.device_map.places import bit_numbers
from regcheck.device_map.scope import MapScope, UnknownNameError
from regcheck.device_map.units import Unit
from regcheck.device_map.words import nearest
from regcheck.errors import Place, Problem, Severity

Wanted = Unit | Literal["condition", "any"] | None

LARGEST_BLOCK = 32
"""Bytes of a block where the map does not say: System Management Bus Specification 2.0, clause 5.5.7."""


def cross_check(register_map: RegisterMap, broken: set[str], *, is_whole: bool) -> list[Problem]:
    """Return every fault and note that takes more than one key to see.

    ``broken`` names what is missing for another fault's sake; ``is_whole`` says that no fault was found before.
    """
    problems: list[Problem] = []
    problems += _commands(register_map)
    for message in register_map.messages:
        for layout in (None, *message.layouts):
            problems += _bits(message, layout, is_whole=is_whole)
        problems += _layout_pairs(message)
        for field in message.all_fields():
            problems += _limits(field)
            problems += _own_words(message, field)
            problems += _expressions(register_map, message, field, broken)
        problems += _message_expressions(register_map, message, broken)
        if message.holds and register_map.message(message.holds) is None and message.holds not in broken:
            problems.append(
                Problem(message.given_keys.get("holds", message.place), f"`holds` names '{message.holds}', which the map does not have")
            )
    problems += _rules(register_map, broken)
    return problems


def _commands(register_map: RegisterMap) -> Iterator[Problem]:
    """Two registers with one command and direction, unless `through` or the address tells them apart."""
    taken: dict[tuple[object, ...], Message] = {}
    for message in register_map.messages:
        if message.transfer is TransferKind.RECEIVE_BYTE:
            keys: list[tuple[object, ...]] = [(message.address, None, "read", None)]
        else:
            selector = (message.through.write, message.through.word) if message.through else None
            keys = [
                (message.to if message.to is not None else message.address, message.command, way, selector)
                for way in sorted(message.access)
            ]
        for key in keys:
            other = taken.setdefault(key, message)
            if other is not message:
                command = "receive byte" if message.command is None else f"command 0x{message.command:02X}"
                at = f"line {other.place.line}" if other.place.file == message.place.file else str(other.place)
                yield Problem(
                    next((message.given_keys[key] for key in ("command", "through") if key in message.given_keys), message.place),
                    f"{command} is '{other.name}' already ({at}), for the same direction",
                    "`through` tells indirect registers apart",
                )
                break


def _reference_lengths(message: Message, layout: Layout | None) -> tuple[int, ...]:
    """Payload lengths at which the places of a message are laid out: its shortest and longest, where it says."""
    length = layout.length if layout is not None and layout.length is not None else message.length
    if length is None:
        return (LARGEST_BLOCK,)
    if length.high is not None:
        return tuple(sorted({length.low, length.high}))
    return (LARGEST_BLOCK,)


def element_bits(field: Field, length: int) -> list[tuple[int, ...]]:
    """Return the bit numbers of every element of a field that fits in ``length`` bytes (of a single field: one entry)."""
    if field.each is None or not field.each.step:
        return [bit_numbers(field.where, length)]
    last = field.each.last.constant() if field.each.last is not None else None
    elements = []
    for index in range(4096):
        if last is not None and field.each.first + index > last:
            break
        bits = bit_numbers(field.where, length, index * field.each.step)
        if last is None and (not bits or max(bits) >= 8 * length):
            break
        elements.append(bits)
    return elements


def _bits(message: Message, layout: Layout | None, *, is_whole: bool) -> Iterator[Problem]:
    """Give the bits of a message, or of one layout of it, that overlap, overhang or, where no field is missing, belong to none."""
    fields = message.fields + (layout.fields if layout else ())
    own = {id(field) for field in (layout.fields if layout else fields)}
    stated = layout.length if layout is not None and layout.length is not None else message.length
    fixed = stated is not None and stated.high is not None
    lengths = _reference_lengths(message, layout)
    for length in lengths:
        claimed: dict[int, Field] = {}
        faults: list[Problem] = []
        for field in fields:
            found = _field_bits(message, field, length, claimed, may_overhang=not fixed or length < lengths[-1])
            faults += found if id(field) in own else []
        yield from faults
        free = [bit for bit in range(8 * length) if bit not in claimed]
        if free and fields and fixed and is_whole and not faults and layout is None and not message.layouts:
            yield Problem(
                message.place,
                f"no field of '{message.name}' claims {_runs(free)}",
                "reserved: 0 on a field would check them",
                Severity.NOTE,
            )


def _field_bits(message: Message, field: Field, length: int, claimed: dict[int, Field], *, may_overhang: bool) -> list[Problem]:
    """Claim a field's bits in a payload of ``length`` bytes; return the first that lies outside of it, and the first of another field."""
    outside: Problem | None = None
    shared: Problem | None = None
    counted = field.each is not None and field.each.last is not None and field.each.last.constant() is None
    for element, bits in enumerate(element_bits(field, length)):
        if bits and not outside and not may_overhang and (max(bits) >= 8 * length or min(bits) < 0):
            which = f"'{field.name}'" if field.each is None else f"element {field.each.first + element} of '{field.name}'"
            text = f"{which} takes bit {max(bits)}, but {_carrier(message)} ends at bit {8 * length - 1}"
            hint = f"bits are numbered from 0; the message has {length} byte{'' if length == 1 else 's'}"
            if min(bits) < 0:
                text, hint = f"{which} starts {-(min(bits) // 8)} byte before the message", "is it the right end, and the right width?"
            outside = Problem(_place_key(field), text, hint)
        for bit in bits:
            other = claimed.setdefault(bit, field)
            # how far an array reaches that another field counts is not known here: only its first element is sure
            unsure = (counted and element) or _is_counted(other, bit, length)
            if other is not field and not shared and not unsure and other.name not in field.overlaps and field.name not in other.overlaps:
                shared = Problem(
                    _place_key(field),
                    f"'{field.name}' and '{other.name}' both claim bit {bit} (byte {bit // 8})",
                    f"if the datasheet means it, write overlaps: {other.name}",
                )
    return [problem for problem in (outside, shared) if problem]


def _is_counted(field: Field, bit: int, length: int) -> bool:
    """Return whether a bit belongs to an element after the first of an array that another field counts."""
    if field.each is None or field.each.last is None or field.each.last.constant() is not None:
        return False
    return bit not in bit_numbers(field.where, length)


def _carrier(message: Message) -> str:
    if message.transfer in (TransferKind.BLOCK, TransferKind.BLOCK_PROCESS_CALL):
        return f"this {message.transfer.value}"
    return f"a {message.transfer.value} transfer" if message.transfer else "a frame of this length"


def _runs(numbers: list[int]) -> str:
    runs: list[list[int]] = []
    for number in numbers:
        if runs and runs[-1][1] == number - 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ("bits " if len(numbers) > 1 else "bit ") + ", ".join(str(low) if low == high else f"{low}..{high}" for low, high in runs)


def _own_words(message: Message, field: Field) -> Iterator[Problem]:
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


def _place_key(field: Field) -> Place:
    return next((field.given_keys[key] for key in ("bits", "bytes", "bit", "msb", "lsb") if key in field.given_keys), field.place)


def _layout_pairs(message: Message) -> Iterator[Problem]:
    """Layouts whose conditions may hold together must not claim the same bits; one name in several layouts is one field."""
    always = {field.name: field for field in message.fields}
    for layout in message.layouts:
        for field in layout.fields:
            if field.name in always:
                at = always[field.name].place.line
                yield Problem(
                    field.place,
                    f"'{field.name}' is a field of '{message.name}' already (line {at})",
                    "a layout adds fields; choose another name",
                )
    for one, other in combinations(message.layouts, 2):
        shared = {field.name: field for field in one.fields}
        for field in other.fields:
            if field.name in shared and field.unit != shared[field.name].unit:
                yield Problem(
                    field.place,
                    f"'{field.name}' has the unit {field.unit or 'none'} here and {shared[field.name].unit or 'none'} in another layout",
                    "one name is one field: make the units agree, or rename",
                )
        if not excludes(one.when, other.when):
            length = max(*_reference_lengths(message, one), *_reference_lengths(message, other))
            taken = {bit for field in one.fields for bits in element_bits(field, length) for bit in bits}
            for field in other.fields:
                if any(bit in taken for bits in element_bits(field, length) for bit in bits):
                    yield Problem(
                        other.place,
                        f"this layout and that of line {one.place.line} may hold together, and both claim bits of '{field.name}'",
                        "make their conditions exclude each other",
                    )
                    break


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


def _limits(field: Field) -> Iterator[Problem]:
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


def bind_problem(
    register_map: RegisterMap,
    message: Message | None,
    expression: Expression,
    wanted: Wanted,
    place: Place,
    broken: set[str],
    local_names: Mapping[str, Unit | None] | None = None,
) -> Problem | None:
    """Return what is wrong with an expression's names, units and labels; nothing where a name is missing for another fault's sake."""
    try:
        bind(expression, MapScope(register_map, message, local_names), wanted, allow_temporal=True)
    except ExpressionError as error:
        mentioned = {part for name in expression.names() for part in name.parts}
        at = expression.place if expression.place.line else place
        return None if broken & mentioned else Problem(at, error.problem, f"in '{expression.text}'")
    return None


def _expressions(register_map: RegisterMap, message: Message, field: Field, broken: set[str]) -> Iterator[Problem]:
    local_names: dict[str, Unit | None] = {"applied": field.unit, "reported": field.unit}
    if field.each is not None and field.each.variable:
        local_names[field.each.variable] = None
    at = field.given_keys.get
    checks: list[tuple[Expression | None, Wanted, str]] = []
    for meaning in field.meanings:
        key = "meanings" if len(field.meanings) > 1 else "scale"
        checks += [
            (meaning.when, "condition", "meanings"),
            (meaning.scale, meaning.unit, key),
            (meaning.offset, meaning.unit, "offset"),
            (meaning.convert, meaning.unit, "convert"),
        ]
        checks += [(value, None, name) for name, value in meaning.parameters.items()]
    checks += [
        (field.negative_when, "condition", "negative_when"),
        (field.valid_when, "condition", "valid_when"),
        (field.fitted, None, "fitted"),
    ]
    if field.each is not None:
        checks += [(field.each.last, None, "each"), (field.each.number, None, "number")]
    if isinstance(field.must_be, Expression):
        checks.append((field.must_be, None, "must_be"))
    checks += [(case.when, "condition", "accuracy") for case in field.accuracy]
    checks += [(case.when, "condition", "range") for case in field.range]
    for expression, wanted, key in checks:
        if expression is not None:
            problem = bind_problem(register_map, message, expression, wanted, at(key, field.place), broken, local_names)
            if problem:
                yield problem
    yield from _limit_units(register_map, message, field, broken)


def _limit_units(register_map: RegisterMap, message: Message, field: Field, broken: set[str]) -> Iterator[Problem]:
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


def _message_expressions(register_map: RegisterMap, message: Message, broken: set[str]) -> Iterator[Problem]:
    lengths: list[tuple[Length | None, Place]] = [(message.length, message.given_keys.get("length", message.place))]
    for layout in message.layouts:
        lengths.append((layout.length, layout.place))
        problem = bind_problem(register_map, message, layout.when, "condition", layout.place, broken)
        if problem:
            yield problem
    for length, place in lengths:
        if length is not None and length.expression is not None:
            problem = bind_problem(register_map, message, length.expression, None, place, broken)
            if problem:
                yield problem
    for example in message.examples:
        for name, (_, place) in example.values.items():
            bare = name.partition("[")[0]
            if not any(field.name == bare for field in message.all_fields()) and bare not in broken:
                yield Problem(place, f"the example names '{name}', which is no field of '{message.name}'")


def _rules(register_map: RegisterMap, broken: set[str]) -> Iterator[Problem]:
    """Give the faults of a map's rules and joined values: names that it does not have, units that do not fit, labels unknown."""
    for rule in register_map.rules:
        conditions: list[tuple[Expression | None, Wanted, Place]] = [
            (rule.when, "condition", rule.place),
            (rule.require, "condition", rule.place),
            (rule.alarm, "any", rule.place),
            (rule.which, "any", rule.place),
        ]
        for level in rule.levels:
            conditions += [(level.set, "condition", level.place), (level.clear, "condition", level.place)]
            yield from _level(register_map, rule, level, broken)
        for expression, wanted, place in conditions:
            problem = None if expression is None else bind_problem(register_map, None, expression, wanted, place, broken)
            if problem:
                yield problem
    names = [field.path for message in register_map.messages for field in message.all_fields()]
    names += [field.name for message in register_map.messages for field in message.all_fields()]
    for joined in register_map.values.values():
        if joined.name in names:
            yield Problem(joined.place, f"'{joined.name}' is a field already", "choose another name for the joined value")
        for part in joined.join:
            if part not in names and part not in broken:
                near = nearest(part, names)
                yield Problem(
                    joined.place, f"'{joined.name}' joins '{part}', which the map does not have", f"did you mean '{near}'?" if near else ""
                )


def _level(register_map: RegisterMap, rule: Rule, level: AlarmLevel, broken: set[str]) -> Iterator[Problem]:
    if level.latched_until and register_map.message(level.latched_until) is None and level.latched_until not in broken:
        yield Problem(level.place, f"`latched_until` names '{level.latched_until}', which the map does not have")
    if rule.alarm is not None and isinstance(rule.alarm.root, Name):
        try:
            labels = MapScope(register_map).labels_of(rule.alarm.root)
        except UnknownNameError:
            return
        if labels and level.state not in labels:
            near = nearest(level.state, list(labels))
            yield Problem(
                level.place,
                f"'{level.state}' is no label of {rule.alarm.text}",
                f"did you mean '{near}'?" if near else "labels: " + ", ".join(labels),
            )
