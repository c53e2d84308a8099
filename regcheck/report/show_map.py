"""A register map as text, as the datasheet would say it: every command with its limits, or one message with all that is known of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from regcheck.device_map.merge import child, with_base
from regcheck.device_map.model import WORDY_TYPES, Example, Field, JoinedValue, Meaning, Message, Pec, RegisterMap
from regcheck.device_map.words import nearest
from regcheck.errors import SourceError, UsageError
from regcheck.report.show_bits import bit_map, place_text, repeats_text
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
_COLUMNS = (("code", 4), ("name", 23), ("rw", 2), ("transfer", 9), ("unit", 7), ("scale", 6), ("range", 13), ("accuracy", 8))
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
    ordered = sorted(register_map.messages, key=lambda message: (message.to is not None, message.command is None, message.command or 0))
    rows = [row for message in ordered for row in _message_rows(message, register_map)]
    used = [(name, cap) for name, cap in _COLUMNS if any(row.cells.get(name) for row in rows)]
    widths = {name: max(len(name), *(width for row in rows if (width := _taken(row, name)) <= cap), 0) for name, cap in used}
    lines += ["", " ".join(pad(name, widths[name]) for name in widths).rstrip()]
    for row in rows:
        lines += _table_lines(row, widths, ascii)
    lines += _listed("values", register_map.values, ascii)
    return lines + _listed("rules", [rule.name for rule in register_map.rules], ascii)


def _listed(what: str, names: Sequence[str] | dict[str, JoinedValue] | object, ascii_only: bool) -> list[str]:
    said = "; ".join(names) if isinstance(names, list | dict) else ""
    return ["", *_told(what, said, ascii_only)] if said else []


def _head(register_map: RegisterMap, ascii_only: bool) -> list[str]:
    lines = wrap(f"{register_map.title}: {register_map.name}" if register_map.title != register_map.name else register_map.name, WIDTH, ascii_only=ascii_only)
    addresses = list(dict.fromkeys(message.address for message in register_map.messages if message.address is not None and message.to is None))
    pecs = list(dict.fromkeys(message.pec for message in register_map.messages if message.to is None))
    bus = [f"SMBus address {' and '.join(f'0x{address:02X}' for address in addresses)}"] if addresses else []
    bus += [f"PEC {' or '.join(pecs)} (see each message)" if len(pecs) > 1 else f"PEC {pec}" for pec in pecs[:1]]
    speed = _speed(register_map)
    lines += _told("source", register_map.source, ascii_only)
    lines += _told("bus", ", ".join([*bus, *([speed] if speed else [])]), ascii_only)
    return lines + _told("builds on", ", ".join(PurePath(file).name for file in register_map.files[:-1]), ascii_only)


def _speed(register_map: RegisterMap) -> str:
    """Return the bus speed, which only the file's head has; nothing where the file is not there any more."""
    try:
        node, _ = with_base(PurePathLike(register_map.file))
    except SourceError:
        return ""
    speed = child(child(node, "smbus"), "speed")
    return speed if isinstance(speed, str) else ""


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


def _message_rows(message: Message, register_map: RegisterMap) -> Iterator[_Row]:
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
        yield _Row(cells | value_cells, (*below, *value_below))
        return
    yield _Row(cells, tuple(below))
    yield from _field_rows(message.fields, 2)
    for layout in message.layouts:
        yield _Row({}, (("", f"while {layout.when.text}:"),), 2)
        yield from _field_rows(layout.fields, 4)


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

    ``name`` is a message, ``message.field``, a field that the map has once, or a joined value. Raises UsageError for any other, with the nearest.
    """
    message, wanted = _find(register_map, name)
    if message is None:
        return _joined_lines(register_map.values[name], ascii)
    lines = wrap(f"{message.name}, a {message.kind} of {register_map.title}", WIDTH, ascii_only=ascii)
    for label, text in _message_facts(message):
        lines += _told(label, text, ascii)
    parts = [("", message.fields, message.length)] if message.fields or not message.layouts else []
    for layout in message.layouts:
        parts.append((layout.when.text, (*message.fields, *layout.fields), layout.length or message.length))
    for when, fields, length in parts:
        if wanted and not any(field.name in wanted for field in fields):
            continue
        lines += ["", f"bits while {printable(when, ascii_only=ascii)}:" if when else "bits:"]
        lines += bit_map(fields, length, width=WIDTH, ascii_only=ascii) if fields else ["  no data bytes"]
    told: set[tuple[str, tuple[Meaning, ...]]] = set()
    for field in message.all_fields():
        if wanted and field.name not in wanted:
            continue
        if (field.name, field.meanings) in told if _hashable(field) else False:
            continue
        lines += ["", printable(field.name, ascii_only=ascii)]
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
