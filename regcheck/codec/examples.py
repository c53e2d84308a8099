"""A map's examples proved: what comes out of their bytes, and whether the same bytes go back in."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from regcheck.codec.builder import RawCode, Value
from regcheck.codec.checksums import pec
from regcheck.codec.columns import Check
from regcheck.codec.end_to_end import counter_field, guard_of
from regcheck.codec.formulas import Sensors
from regcheck.codec.framing import FAULT_TEXT, Fault, frame_transfer
from regcheck.codec.number_formats import exact_decimal, version_number
from regcheck.codec.parser import MessageParser, ParsedTransfer, split_index
from regcheck.codec.readings import Reading, number_text
from regcheck.device_map.expression_tree import Name, Number
from regcheck.device_map.expressions import ExpressionError, parse_expression
from regcheck.device_map.limits import parse_quantity
from regcheck.device_map.model import WORDY_TYPES, Example, Field, FieldType, Message, RegisterMap, Status, TransferKind
from regcheck.device_map.numbers import as_fraction
from regcheck.device_map.scope import MapScope, UnknownNameError
from regcheck.device_map.sensors import SENSORS
from regcheck.device_map.units import Unit, UnitError, convert
from regcheck.errors import EncodeError, Place, Problem


def prove_examples(register_map: RegisterMap, sensors: Sensors = SENSORS) -> list[Problem]:
    """Return what is wrong with the map's examples: each value that does not come out, each payload that cannot be built again."""
    problems: list[Problem] = []
    for message in register_map.messages:
        for example in message.examples:
            numbers = {name: number for name, number in example.numbers.items() if isinstance(number, int)}
            try:
                parser = MessageParser(register_map, message, sensors, numbers=numbers)
            except ExpressionError:
                break  # a formula that does not fit the map is lint's to report; nothing can be decoded by it
            if message.protect is None or guard_of(message, numbers) is not None:  # else lint asks for the number of its instance
                problems += _prove(register_map, parser, example)
    return problems


def _prove(register_map: RegisterMap, parser: MessageParser, example: Example) -> list[Problem]:
    problems: list[Problem] = []
    given: dict[str, Fraction] = {}
    for name, text in example.given.items():
        try:
            path, value = given_value(register_map, parser.message, name, text)
            given[path] = value
        except (UnknownNameError, ValueError) as error:
            problems.append(Problem(example.place, f"`given: {name} = {text}` is not understood: {error.args[0] if error.args else error}"))
    if problems:
        return problems
    if example.is_transfer:
        found = parser.parse_transfer(example.data, given)
        problems += _transfer_problems(parser.message, found, example)
        readings, payload = found.readings, _payload(parser.message, example.data)
    else:
        payload = example.data[parser.message.after :]
        decoded = parser.decode(payload, given)
        readings = decoded.readings
        if not example.data.startswith(parser.message.begins):
            begins, shown = parser.message.begins, example.data[: len(parser.message.begins)]
            text = f"this example begins with {shown.hex(' ').upper() or 'nothing'}; '{parser.message.name}' begins with"
            problems.append(Problem(example.place, f"{text} {begins.hex(' ').upper()}"))
        if not decoded.length_good or len(example.data) < parser.message.after:
            problems.append(
                Problem(
                    example.place,
                    f"this example has {_count(len(payload))}, which is not the length that the map gives '{parser.message.name}'",
                    f"`length` does not count the {_count(parser.message.after)} that `after` skips" if parser.message.after else "",
                )
            )
        if decoded.check_good is False:
            problems.append(Problem(example.place, "the check in this example does not hold over its bytes"))
    for name, (text, place) in example.values.items():
        problem = _compare(name, text, place, readings, parser.message)
        if problem is not None:
            problems.append(problem)
    return problems or _build_again(parser, example, readings, payload, given)


def _count(number: int) -> str:
    return f"{number} byte" + ("" if number == 1 else "s")


def _payload(message: Message, wire: bytes) -> bytes:
    split = split_index(message, wire)
    return frame_transfer(message, wire, split, written=split == 0 and message.transfer is not TransferKind.RECEIVE_BYTE).payload


def _transfer_problems(message: Message, found: ParsedTransfer, example: Example) -> list[Problem]:
    wire, problems = example.data, []
    address = message.to if message.to is not None else message.address
    if not wire or wire[0] >> 1 != address:
        is_seven = bool(wire) and wire[0] == address
        hint = "the first byte is the address in 8-bit form, with the direction as its last bit" if is_seven else ""
        return [
            Problem(
                example.place,
                f"this transfer starts with {wire[:1].hex().upper() or 'nothing'}; expected {_address(address)} of '{message.name}'",
                hint,
            )
        ]
    if message.command is not None and wire[1:2] != bytes([message.command]):
        return [
            Problem(
                example.place,
                f"this transfer has the command {wire[1:2].hex().upper() or 'missing'}; '{message.name}' has {message.command:02X}",
            )
        ]
    if found.check is Check.BAD:
        problems.append(
            Problem(
                example.place,
                f"this transfer ends with the PEC {wire[-1]:02X}, but its bytes give {pec(wire[:-1]):02X}",
                "or a check inside its payload does not hold",
            )
        )
    if found.check is Check.MISSING:
        problems.append(
            Problem(
                example.place,
                f"this transfer has no PEC, which '{message.name}' requires; its bytes give {pec(wire):02X}",
                "a transfer form has every byte on the wire",
            )
        )
    if found.fault is not Fault.NONE:
        problems.append(
            Problem(
                example.place,
                f"this transfer is not what '{message.name}' takes: {FAULT_TEXT[found.fault]}",
                "" if message.transfer is None else f"its transfer is {message.transfer.value}",
            )
        )
    return problems


def _address(address: int | None) -> str:
    return "the address" if address is None else f"{address << 1:02X} or {address << 1 | 1:02X}, the address {address:#04x} in 8-bit form,"


def given_value(register_map: RegisterMap, message: Message, name: str, text: str) -> tuple[str, Fraction]:
    """Return path and value of one `given` of an example: a label, a version, a number in the field's unit or with its own.

    Raises UnknownNameError or ValueError.
    """
    root = parse_expression(name).root
    if not isinstance(root, Name):
        raise ValueError(f"'{name}' names no field; expected such as specification.ip_scale")
    field = MapScope(register_map, message).resolve(root)
    if field is None:
        return ".".join(root.parts), as_fraction(text)
    index = f"[{root.index.value}]" if isinstance(root.index, Number) else ""
    for raw, label in field.names.items():
        if label == text:
            return field.path + index, Fraction(raw)
    if field.type is FieldType.VERSION:
        parts = [int(part) for part in text.removeprefix("v").split(".")]
        return field.path + index, version_number(int.from_bytes(bytes(parts), "big"), 8 * len(parts)) if len(parts) > 1 else Fraction(
            256 * parts[0]
        )
    value, unit = quantity_text(text, field.unit)
    return field.path + index, value if unit is None or field.unit is None else convert(value, unit, field.unit)


def quantity_text(text: str, unit: Unit | None) -> tuple[Fraction, Unit | None]:
    """Return number and unit of a text such as ``25.05 degC``; a bare number has ``unit``. Raises ValueError where the units do not fit."""
    try:
        return as_fraction(text), unit
    except ValueError:
        if unit is None:
            raise
    return parse_quantity(text, unit)


def _shown(reading: Reading) -> str:
    if reading.value is not None:
        number = exact_decimal(reading.value) if reading.number is None else number_text(reading.number)
        unit = f" {reading.unit}" if reading.unit is not None else ""
        return f"{number}{unit}" + (f" ({reading.text})" if reading.text else "")
    if reading.status is Status.GOOD:
        return f"'{reading.text}'"
    word = reading.status.value.replace("_", " ")
    return f"{word}" + (f" ('{reading.text}')" if reading.text and reading.text != word else "")


def _fields(message: Message) -> list[Field]:
    """Return every field that a message is read as, the counter of its protection too."""
    counter = counter_field(message)
    return [*message.all_fields(), *([counter] if counter is not None else [])]


def _compare(name: str, text: str, place: Place, readings: tuple[Reading, ...], message: Message) -> Problem | None:
    named = {one.field if one.element is None else f"{one.field}[{one.element}]": one for one in readings}
    reading = named.get(name)
    if reading is None:
        came = ", ".join(named) or "nothing"
        return Problem(place, f"'{name}' does not come out of this example of '{message.name}'; what comes is {came}")
    field = next(one for one in _fields(message) if one.name == reading.field)
    try:
        good = _agrees(text, reading, field)
    except (ValueError, UnitError) as error:
        return Problem(place, f"the value of '{name}' is not understood: {error}", f"{_shown(reading)} comes out")
    return None if good else Problem(place, f"'{name}' comes out as {_shown(reading)}; expected {text}")


def _agrees(text: str, reading: Reading, field: Field) -> bool:
    if reading.status is not Status.GOOD:
        return text in (reading.text, reading.status.value, reading.status.value.replace("_", " "))
    if field.type is FieldType.BYTES:
        return text.replace(" ", "").upper() == (reading.text or "").replace(" ", "")
    if field.type is FieldType.VERSION:
        return text.removeprefix("v") == (reading.text or "").removeprefix("v")
    if field.type in WORDY_TYPES:
        return text == reading.text
    if reading.text is not None and text == reading.text:
        return True
    if text in field.names.values():
        return False
    if any(code.word == text for code in field.codes):
        return False
    assert reading.value is not None  # noqa: S101 - a good reading of a number has one
    expected, unit = quantity_text(text, reading.unit)
    found = reading.value
    if unit is not None and reading.unit is not None:
        found = convert(found, reading.unit, unit)
    if found == expected:
        return True
    exact = not field.meanings[0].points and field.meanings[0].convert is None and field.type not in (FieldType.FLOAT,)
    digits = text.split()[0].lower().partition("e")[0].partition(".")[2]
    return (not exact or ("." in exact_decimal(found) and _endless(found))) and abs(found - expected) <= Fraction(1, 2 * 10 ** len(digits))


def _endless(value: Fraction) -> bool:
    rest = value.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    return rest != 1


def _build_again(
    parser: MessageParser, example: Example, readings: tuple[Reading, ...], payload: bytes, given: Mapping[str, Fraction]
) -> list[Problem]:
    """Return what is wrong where the readings, built into a payload again, do not read the same."""
    message = parser.message
    if message.transfer is TransferKind.SEND_BYTE or any(
        one.status in (Status.ABSENT, Status.UNSELECTED, Status.BAD_CHECK) for one in readings
    ):
        return []
    checked = {one.name for one in message.all_fields() if one.check is not None}
    kinds = {one.name: one.type for one in _fields(message)}
    values: dict[str, Value] = {}
    for one in readings:
        key = one.field if one.element is None else f"{one.field}[{one.element}]"
        if one.field in checked or (one.status is not Status.GOOD and one.bits is None):
            continue
        if one.status is not Status.GOOD or one.value is None:
            words = kinds[one.field] in (FieldType.TEXT, FieldType.BYTES)
            values[key] = one.text or "" if words else RawCode(one.bits or 0)
        else:
            values[key] = one.value
    try:
        built = parser.build(values, given, length=len(payload), base=payload)
    except EncodeError as error:
        return [Problem(example.place, f"this example cannot be built from its own values: {error}")]
    again = parser.parse(built, given)
    for before, after in zip(readings, again, strict=True):
        if (before.value, before.text, before.status) != (after.value, after.text, after.status):
            return [
                Problem(
                    example.place,
                    f"'{before.id}' reads {_shown(before)}, but built from that value again it reads {_shown(after)}",
                    "the field's places or meanings overlap",
                )
            ]
    return []
