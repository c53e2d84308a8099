"""A register map as text, as the datasheet would say it: every command with its limits, or one message with all that is known of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from regcheck.device_map.expression_tree import Expression
from regcheck.device_map.model import WORDY_TYPES, Example, Field, FieldType, JoinedValue, Length, Meaning, Message, Pec, RegisterMap
from regcheck.device_map.places import EndPlace, Order, place_width
from regcheck.device_map.words import nearest
from regcheck.errors import UsageError
from regcheck.report.show_bits import bit_map, place_text, repeats_text
from regcheck.report.show_frames import (
    axis_text,
    check_text,
    frame_facts,
    frame_length,
    frame_notes,
    id_text,
    layout_groups,
    numbers_text,
    protection_fields,
)
from regcheck.report.show_words import (
    access_text,
    accuracy_text,
    bare_scale,
    cadence_text,
    cases_text,
    codes_text,
    formula,
    labels_text,
    length_text,
    limit_text,
    range_text,
    raw_text,
    time_text,
    unit_text,
)
from regcheck.report.words import cell_width, pad, printable, wrap

WIDTH = 79
_COLUMNS = (("code", 10), ("name", 22), ("rw", 2), ("transfer", 11), ("unit", 7), ("scale", 5), ("range", 13), ("accuracy", 8))
_LABEL_WIDTH = 13


@dataclass(frozen=True, slots=True)
class _Row:
    """One line of the table, by column; what does not fit its column stands below it, with the column's name."""

    cells: dict[str, str]
    below: tuple[tuple[str, str], ...] = ()
    indent: int = 0


def show_map(register_map: RegisterMap, *, ascii: bool = False) -> list[str]:
    """Return the whole map as lines of at most 79 columns: a head, then every message with its fields, in order of command.

    With ``ascii`` nothing but ASCII is in them. Messages that the device itself sends to others come last.
    """
    lines = _head(register_map, ascii)
    ordered = sorted(
        register_map.messages,
        key=lambda message: (message.kind == "frame", message.to is not None, message.command is None, message.command or 0),
    )
    rows = [row for message in ordered for row in _message_rows(message)]
    widths = _widths(rows)
    lines += ["", " ".join(pad(name, widths[name]) for name in widths).rstrip()]
    for row in rows:
        lines += _table_lines(row, widths, ascii)
    lines += _listed("values", register_map.values, ascii)
    return lines + _listed("rules", [rule.name for rule in register_map.rules], ascii)


def _listed(what: str, names: Iterable[str], ascii_only: bool) -> list[str]:
    said = "; ".join(names)
    return ["", *_told(what, said, ascii_only)] if said else []


def _head(register_map: RegisterMap, ascii_only: bool) -> list[str]:
    lines = wrap(
        f"{register_map.title}: {register_map.name}" if register_map.title != register_map.name else register_map.name,
        WIDTH,
        ascii_only=ascii_only,
    )
    addresses = list(
        dict.fromkeys(message.address for message in register_map.messages if message.address is not None and message.to is None)
    )
    registers = [message for message in register_map.messages if message.kind == "register"]
    pecs = list(dict.fromkeys(message.pec for message in registers if message.to is None))
    bus = [f"SMBus address {' and '.join(f'0x{address:02X}' for address in addresses)}"] if addresses else []
    bus += [f"PEC {' or '.join(pecs)} (see each message)" if len(pecs) > 1 else f"PEC {pec}" for pec in pecs[:1]]
    speed = register_map.speed
    lines += _told("source", register_map.source, ascii_only)
    lines += _told("bus", ", ".join([*bus, *([speed] if speed else [])]), ascii_only)
    if any(message.kind == "frame" for message in register_map.messages):
        data = f"{register_map.data_bitrate} for FD data" if register_map.data_bitrate else ""
        lines += _told("bus", ", ".join(filter(None, ("CAN", register_map.bitrate, data))), ascii_only)
    lines += _told("instances", "; ".join(map(axis_text, register_map.instances)), ascii_only)
    return lines + _told("builds on", ", ".join(PurePath(file).name for file in register_map.files[:-1]), ascii_only)


def _told(label: str, text: str, ascii_only: bool, indent: int = 2, width: int = WIDTH) -> list[str]:
    """Return a labelled text, its further lines hanging under the first; nothing for an empty one."""
    if not text:
        return []
    room = indent + max(_LABEL_WIDTH, len(label) + 1)
    parts = wrap(text, width - room, ascii_only=ascii_only)
    return [" " * indent + pad(label, room - indent) + parts[0], *(" " * room + part for part in parts[1:])]


# the table


def _taken(row: _Row, name: str) -> int:
    return cell_width(row.cells.get(name, "")) + (row.indent if name == "name" else 0)


def _widths(rows: Sequence[_Row]) -> dict[str, int]:
    """Return the columns' widths: no wider than what stands in them, and where room is left, wide enough for the next longer cells."""
    used = [(name, cap) for name, cap in _COLUMNS if any(row.cells.get(name) for row in rows)]
    taken = {name: [_taken(row, name) for row in rows] for name, _ in used}
    widths = {name: max(len(name), *(width for width in taken[name] if width <= cap), 0) for name, cap in used}
    for name in ("range", "name", "transfer", "accuracy", "scale"):
        for width in sorted(set(taken.get(name, ()))):
            if width > widths[name] and sum(widths.values()) + len(widths) - 1 + width - widths[name] <= WIDTH:
                widths[name] = width
    return widths


def _message_rows(message: Message) -> Iterator[_Row]:
    if message.kind == "frame":
        yield from _frame_rows(message)
        return
    code = "" if message.command is None else f"0x{message.command:02X}"
    ways = "".join(way[0] for way in ("read", "write") if way in message.access)
    transfer = "" if message.transfer is None else f"{message.plain_bytes} bytes" if message.plain_bytes else message.transfer.value
    cells = {"code": code, "name": message.name, "rw": ways, "transfer": transfer}
    below = []
    if message.through is not None:
        below.append(("through", f"word {message.through.word:#06x} written to 0x{message.through.write:02X}"))
    if message.to is not None:
        below.append(("to", f"address 0x{message.to:02X}, sent by the device"))
    fields = list(message.all_fields())
    if len(fields) == 1 and fields[0].name == message.name and not message.layouts:
        value_cells, value_below = _value(fields[0])
        if any(key in fields[0].given_keys for key in ("bytes", "bit", "bits", "msb", "lsb")):
            below.append(("place", place_text(fields[0].where)))
        if repeats_text(fields[0]):
            below.append(("each", repeats_text(fields[0])))
        yield _Row(cells | value_cells, (*below, *value_below))
        return
    yield _Row(cells, tuple(below))
    yield from _all_field_rows(message)


def _frame_rows(message: Message) -> Iterator[_Row]:
    known = id_text(message)
    fits = message.id is not None and cell_width(known) <= dict(_COLUMNS)["code"]
    cells = {"code": known if fits else "", "name": message.name, "rw": "w" if message.sender else "r", "transfer": frame_length(message)}
    below = [] if fits else [("id" if message.id is not None else "", known)]
    if message.each is not None:
        below.append(("each", f"{message.each.variable} {message.each.first}..{message.each.last}"))
    yield _Row(cells, (*below, *frame_notes(message)))
    yield from _all_field_rows(message)


def _all_field_rows(message: Message) -> Iterator[_Row]:
    yield from _field_rows(message.fields, 2)
    for when, fields in layout_groups(message):
        yield _Row({}, (("while", f"{when}:"),))
        yield from _field_rows(fields, 4)


def _field_rows(fields: Sequence[Field], indent: int) -> Iterator[_Row]:
    for field in fields:
        cells, below = _value(field)
        place = place_text(field.where)
        repeats = repeats_text(field)
        fits = len(place) <= dict(_COLUMNS)["transfer"]
        notes = [] if fits else [("place", place)]
        if repeats:
            notes.append(("each", repeats))
        yield _Row({"name": field.name, "transfer": place if fits else ""} | cells, (*notes, *below), indent)


def _value(field: Field) -> tuple[dict[str, str], list[tuple[str, str]]]:
    """Return unit, scale, range and accuracy of a field by column, and what does not go into a column."""
    one = field.meanings[0]
    cells: dict[str, str] = {}
    below: list[tuple[str, str]] = []
    if len(field.meanings) > 1 or one.when is not None:
        below += [("value", _meaning_text(meaning)) for meaning in field.meanings]
    else:
        cells["unit"] = one.type.value if one.type in WORDY_TYPES else str(one.unit or "")
        if one.type not in (*WORDY_TYPES, FieldType.UNSIGNED):
            below.append(("type", one.type.value))
        cells["scale"] = bare_scale(one)
        if not cells["scale"] and (said := formula(one)):
            below.append(("value", said))
    span = range_text(field)
    if len(field.range) == 1 and field.range[0].when is None and field.range[0].item is not None and "(" not in span:
        cells["range"] = span.removesuffix(unit_text(field.unit))
    elif span:
        below.append(("range", span))
    cells["accuracy"] = accuracy_text(field)
    return cells, below


def _table_lines(row: _Row, widths: dict[str, int], ascii_only: bool) -> list[str]:
    """Return a row; a name that is too long has a line of its own, any other cell that is too long stands below with its column's name."""
    cells = {name: printable(row.cells.get(name, ""), ascii_only=ascii_only) for name in widths}
    cells["name"] = " " * row.indent + cells["name"]
    below = [(name, cells[name]) for name in widths if name != "name" and cell_width(cells[name]) > widths[name]]
    for name, _ in below:
        cells[name] = ""
    texts = []
    if cell_width(cells["name"]) > widths["name"]:
        texts.append(" ".join(pad(cells[name], widths[name]) for name in widths if name == "code") + " " + cells["name"])
        cells["name"] = cells["code"] = ""
    line = " ".join(pad(cells[name], widths[name]) for name in widths).rstrip()
    texts += [line] if line else []
    at = widths.get("code", 0) + 3 + row.indent
    order = [name for name, _ in _COLUMNS]
    told = sorted([*row.below, *below], key=lambda pair: order.index(pair[0]) if pair[0] in order else -1)
    for label, text in told:
        parts = wrap(f"{label} {text}".strip(), WIDTH - at - 2, ascii_only=ascii_only)
        texts += [" " * at + parts[0], *(" " * (at + 2) + part for part in parts[1:])]
    return texts


# one message


def show_message(register_map: RegisterMap, name: str, *, ascii: bool = False) -> list[str]:
    """Return all that the map says of ``name`` as lines of at most 79 columns, with its bits as a letter map.

    ``name`` is a message, ``message.field``, a field that the map has once, or a joined value.
    Raises UsageError for any other, with the nearest word.
    """
    message, wanted = _find(register_map, name)
    if message is None:
        return _joined_lines(register_map.values[name], ascii)
    lines = wrap(f"{message.name}, a {message.kind} of {register_map.title}", WIDTH, ascii_only=ascii)
    for label, text in frame_facts(register_map, message) if message.kind == "frame" else ():
        lines += _told(label, text, ascii)
    for label, text in _message_facts(message):
        lines += _told(label, text, ascii)
    common = (*protection_fields(message), *message.fields)
    parts: list[tuple[str, tuple[Field, ...], Length | None]] = [("", common, message.length)]
    if message.layouts:
        parts = [(one.when.text, (*common, *one.fields), one.length or message.length) for one in message.layouts]
    for when, fields, length in parts:
        if wanted and not any(field.name in wanted for field in fields):
            continue
        lines += ["", f"bits while {printable(when, ascii_only=ascii)}:" if when else "bits:"]
        lines += bit_map(fields, length, width=WIDTH, ascii_only=ascii) if fields else ["  no data bytes"]
    groups = [("", message.fields), *layout_groups(message)]
    for when, fields in groups:
        for field in fields:
            if not wanted or field.name in wanted:
                lines += ["", printable(field.name, ascii_only=ascii), *_told("while", when, ascii)]
                for label, text in _field_facts(field):
                    lines += _told(label, text, ascii)
    return lines


def _find(register_map: RegisterMap, name: str) -> tuple[Message | None, frozenset[str]]:
    """Return the message that a name means and the fields asked for (none: all of them)."""
    found = register_map.message(name)
    if found is not None:
        return found, frozenset()
    if name in register_map.values:
        return None, frozenset()
    fields = register_map.find_fields(tuple(name.partition("[")[0].split("."))) if name.count(".") < 2 else []
    messages = list(dict.fromkeys(field.message for field in fields))
    if len(messages) > 1:
        raise UsageError(f"'{name}' is a field of {' and of '.join(messages)}; say which, such as {messages[0]}.{name}")
    if messages:
        return register_map.message(messages[0]), frozenset(field.name for field in fields)
    known = [message.name for message in register_map.messages] + list(register_map.values)
    known += [field.path for message in register_map.messages for field in message.all_fields()]
    known += [field.name for message in register_map.messages for field in message.all_fields()]
    near = nearest(name, dict.fromkeys(known))
    raise UsageError(f"{register_map.file} has no message or field '{name}'" + (f"; did you mean '{near}'?" if near else ""))


def _meaning_text(meaning: Meaning) -> str:
    """Return one way to read a field: unit, formula, and when it holds."""
    said = [str(meaning.unit) if meaning.unit is not None else "", formula(meaning)]
    if meaning.type in WORDY_TYPES:
        said.insert(0, meaning.type.value)
    text = ", ".join(filter(None, said)) or "raw"
    return text + (f", when {meaning.when.text}" if meaning.when is not None else "")


def _message_facts(message: Message) -> Iterator[tuple[str, str]]:
    if message.through is not None:
        through = message.through
        once = ", which stays selected" if through.sticky else ""
        soon = f" within {time_text(through.within_ns)}" if through.within_ns is not None else ""
        yield (
            "through",
            f"word 0x{through.word:04X} written to command 0x{through.write:02X}{once}, then command 0x{through.then:02X} read{soon}",
        )
    elif message.command is not None:
        yield "command", f"0x{message.command:02X}"
    if message.transfer is not None:
        yield "transfer", f"{message.plain_bytes} bytes, without a count" if message.plain_bytes else message.transfer.value
    if message.length is not None:
        yield "length", length_text(message.length)
    if message.kind == "register":
        yield from _register_facts(message)
    yield "see", message.see
    yield "note", message.note
    for example in message.examples:
        yield "example", _example_text(example)


def _register_facts(message: Message) -> Iterator[tuple[str, str]]:
    yield "access", access_text(message)
    if message.to is not None:
        yield "to", f"address 0x{message.to:02X}, sent by the device itself"
    elif message.address is not None:
        yield "address", f"0x{message.address:02X}"
    yield "PEC", {Pec.REQUIRED: "required", Pec.OPTIONAL: "optional", Pec.NEVER: "never sent"}[message.pec]
    yield "byte order", message.order.value if message.order is not Order.LITTLE else ""
    yield "poll", f"every {time_text(message.poll_ns)}" if message.poll_ns else ""
    yield "comes", cases_text(message.every, cadence_text) if message.every else ""
    yield "holds", f"{message.holds}: reading this freezes it" if message.holds else ""


def _example_text(example: Example) -> str:
    what = "on the wire " if example.is_transfer else ""
    given = " and ".join(f"{name} = {value}" for name, value in example.given.items())
    values = ", ".join(f"{name} {text}" for name, (text, _) in example.values.items())
    return f"{numbers_text(example)}{what}{example.data.hex(' ').upper()} gives {values or 'what the map says'}" + (
        f", given {given}" if given else ""
    )


def _field_facts(field: Field) -> Iterator[tuple[str, str]]:
    """Give everything that the map says of a field, label and text; a text may be empty."""
    width = place_width(field.where)
    yield (
        "place",
        place_text(field.where)
        + (f", {width} bit{'' if width == 1 else 's'}" if width is not None and not isinstance(field.where, EndPlace) else ""),
    )
    yield "each", repeats_text(field)
    yield "type", ", ".join(dict.fromkeys(meaning.type.value for meaning in field.meanings))
    if len(field.meanings) == 1 and field.meanings[0].when is None:
        yield "unit", str(field.unit or "")
        yield "value", formula(field.meanings[0])
    else:
        for meaning in field.meanings:
            yield "value", _meaning_text(meaning)
    if field.type is FieldType.TEXT:
        yield "characters", field.characters + ("" if field.pad is None else f", 0x{field.pad:02X} stripped from the end")
    yield "positive", field.positive
    yield "negative", f"when {field.negative_when.text}" if field.negative_when is not None else ""
    yield "range", range_text(field)
    yield "accuracy", accuracy_text(field)
    yield "codes", codes_text(field.codes, field)
    yield "names", labels_text(field.names)
    yield "reserved", f"always reads {raw_text(field.reserved, field)}" if field.reserved is not None else ""
    if isinstance(field.must_be, Expression):
        yield "must be", field.must_be.text
    else:
        yield "must be", " or ".join(raw_text(raw, field) for raw in field.must_be)
    yield "raised", f"when {field.raised}" if field.raised is not None else ""
    yield "fitted", field.fitted.text if field.fitted is not None else ""
    yield "valid when", field.valid_when.text if field.valid_when is not None else ""
    yield "granularity", limit_text(field.granularity, field.unit) if field.granularity is not None else ""
    yield "update", f"every {time_text(field.update_ns)}" if field.update_ns else ""
    yield "filter", f"first order, {time_text(field.filter_ns)}" if field.filter_ns else ""
    yield "averages", f"over {time_text(field.averages_ns)}" if field.averages_ns else ""
    yield "sensor", field.sensor.text if field.sensor is not None else ""
    if field.check is not None:
        before = f", after {field.check.before.hex(' ').upper()}" if field.check.before else ""
        yield "check", f"{check_text(field.check)} over {place_text(field.check.over)}{before}"
    yield "counter", f"{field.counter[0]}..{field.counter[1]}, then again" if field.counter is not None else ""
    yield "overlaps", ", ".join(field.overlaps)
    if field.message != field.name:  # a one-field register's own are told with the register
        yield "see", field.see
        yield "note", field.note


def _joined_lines(value: JoinedValue, ascii_only: bool) -> list[str]:
    lines = wrap(f"{value.name}, a value of several messages", WIDTH, ascii_only=ascii_only)
    lines += _told("joins", f"{', '.join(value.join)} (most significant first)", ascii_only)
    lines += _told("within", time_text(value.within_ns) if value.within_ns else "", ascii_only)
    for meaning in value.meanings:
        lines += _told("value", _meaning_text(meaning), ascii_only)
    return lines
