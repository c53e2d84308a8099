"""What a frame's datasheet says beside its fields: its ids, who sends it, how it comes, what protects it."""

from __future__ import annotations

from collections.abc import Iterator

from regcheck.device_map.crc_catalogue import CRC_CATALOGUE
from regcheck.device_map.expressions import parse_expression
from regcheck.device_map.frames import FrameId, message_ids
from regcheck.device_map.model import Axis, CheckField, Example, Field, FieldType, Meaning, Message, RegisterMap
from regcheck.device_map.places import BitsPlace
from regcheck.device_map.protection import PROFILES
from regcheck.report.show_words import cadence_text, cases_text, time_text

_MOST_IDS = 4  # listed before and behind the mark that stands for those left out


def axis_text(axis: Axis) -> str:
    """Return what an instance name stands for: ``rack 1..8``, ``string on string_a, string_b``."""
    if axis.buses:
        return f"{axis.name} on {', '.join(axis.buses)}"
    first, last = axis.numbers[0], axis.numbers[-1]
    is_run = list(axis.numbers) == list(range(first, last + 1)) and first != last
    return f"{axis.name} {f'{first}..{last}' if is_run else ', '.join(map(str, axis.numbers))}"


def id_text(message: Message) -> str:
    """Return how a frame is known, as typed: ``0x200 + rack * 16``, ``pgn 0xF004 from 3``."""
    if message.carrier is not None:
        return f"segments on {message.carrier.iso_tp.text}"
    if message.pgn is not None:
        source = f" from {message.source.text}" if message.source is not None else ""
        return f"pgn {message.pgn.text}{source}" + (f" to {message.destination.text}" if message.destination is not None else "")
    return message.id.text if message.id is not None else ""


def ids_text(register_map: RegisterMap, message: Message) -> str:
    """Return the ids that a formula comes to, ``0x210, 0x220, …``; nothing for a single one or a group."""
    ids = list(dict.fromkeys(one.id for one in message_ids(register_map, message) if isinstance(one, FrameId)))
    if len(ids) < 2:
        return ""
    shown = [f"0x{id:X}" for id in ids]
    if len(ids) > 2 * _MOST_IDS:
        shown = [*shown[:_MOST_IDS], "…", *shown[-_MOST_IDS:]]
    return f"{', '.join(shown)} ({len(ids)} ids)"


def frame_length(message: Message) -> str:
    """Return a frame's length in its column: ``8 bytes``, ``2..8 bytes``, ``FD 64 bytes``; nothing where it hangs on fields."""
    length = message.length
    kind = "FD " if message.fd else ""
    if length is None or length.high is None:
        return kind.strip()
    count = f"{length.low}" if length.low == length.high else f"{length.low}..{length.high}"
    return f"{kind}{count} byte{'' if count == '1' else 's'}"


def frame_notes(message: Message) -> list[tuple[str, str]]:
    """Return what stands below a frame's line in the table."""
    notes = [("from", message.sender)]
    notes.append(("", cases_text(message.every, cadence_text) if message.every else ""))
    notes.append(("optional", "need not come" if message.optional else ""))
    notes.append(("begins", message.begins.hex(" ").upper()))
    notes.append(("length", message.length.expression.text if message.length is not None and message.length.expression is not None else ""))
    notes.append(("answers", message.answers.to if message.answers is not None else ""))
    return [(label, text) for label, text in notes if text]


def frame_facts(register_map: RegisterMap, message: Message) -> Iterator[tuple[str, str]]:
    """Give everything that the map says of a frame beside its fields, label and text; a text may be empty."""
    carrier, answers, protect = message.carrier, message.answers, message.protect
    size = "" if message.extended is None else ", 29 bits" if message.extended else ", 11 bits"
    yield "pgn" if message.pgn is not None else "carrier" if carrier is not None else "id", id_text(message).removeprefix("pgn ") + size
    yield "ids", ids_text(register_map, message)
    if message.each is not None:
        yield "each", f"{message.each.variable} {message.each.first}..{message.each.last}"
    if carrier is not None:
        yield "asked by", carrier.asked_by.text if carrier.asked_by is not None else ""
        yield "addressing", f"extended, 0x{carrier.extended_address:02X}" if carrier.extended_address is not None else ""
    yield "begins", f"with {message.begins.hex(' ').upper()}" if message.begins else ""
    yield "after", f"{message.after} byte{'' if message.after == 1 else 's'}, which are not counted" if message.after else ""
    yield "format", "CAN FD" if message.fd else ""
    yield "bus", message.bus
    yield "byte order", message.order.value
    yield "from", message.sender
    yield "comes", cases_text(message.every, cadence_text) if message.every else ""
    yield "late", f"after {time_text(message.late_after_ns)}" if message.late_after_ns is not None else ""
    yield "not before", time_text(message.not_before_ns) if message.not_before_ns is not None else ""
    yield "optional", "need not come" if message.optional else ""
    if answers is not None:
        within = f" within {time_text(answers.within_ns)}" if answers.within_ns is not None else ""
        yield "answers", f"{answers.to}{within}" + (f", with the same {answers.same}" if answers.same else "")
    if protect is not None:
        ids = ", ".join(dict.fromkeys(formula.text for formula in protect.data_ids))
        mode = f", mode {protect.mode}" if protect.profile == "P01" else ""
        yield "protection", f"AUTOSAR E2E {protect.profile}, data id {ids}{mode}"


def protection_fields(message: Message) -> tuple[Field, ...]:
    """Return fields that stand for a protection's bits, but for those that the map has fields for."""
    if message.protect is None:
        return ()
    profile = PROFILES[message.protect.profile]
    one, zero = parse_expression("1"), parse_expression("0")
    plain = Meaning(None, FieldType.UNSIGNED, None, one, zero, zero)
    parts = {"protection's CRC": profile.crc_bits, "protection's counter": profile.counter_bits}
    if message.protect.mode == "nibble":
        parts["protection's data id"] = tuple(sorted(set(profile.bits("nibble")) - set(profile.bits(""))))
    mapped = {frozenset(field.where.numbers) for field in message.all_fields() if isinstance(field.where, BitsPlace)}
    return tuple(
        Field(name, message.name, message.place, BitsPlace(bits), (plain,)) for name, bits in parts.items() if frozenset(bits) not in mapped
    )


def check_text(check: CheckField) -> str:
    """Return what a check field is, with the parameters of a CRC that is not of the catalogue."""
    crc = check.crc
    if crc is None or crc.name in CRC_CATALOGUE:
        return check.method
    mirrored = ", ".join(word for word, is_so in (("refin", crc.refin), ("refout", crc.refout)) if is_so)
    return f"CRC-{crc.width}, poly 0x{crc.poly:X}, init 0x{crc.init:X}, xorout 0x{crc.xorout:X}" + (f", {mirrored}" if mirrored else "")


def numbers_text(example: Example) -> str:
    """Return the instance that an example is of: ``rack 3: ``; nothing where it says none."""
    said = ", ".join(f"{name} {number}" for name, number in example.numbers.items())
    return f"{said}: " if said else ""


def layout_groups(message: Message) -> list[tuple[str, tuple[Field, ...]]]:
    """Return condition and fields of each layout; those of one with layouts inside it stand before what these add."""
    outer = [layout for layout in reversed(message.layouts) if layout.is_rest]
    known: set[int] = set()
    groups = []
    for layout in (*outer, *(layout for layout in message.layouts if not layout.is_rest)):
        groups.append((layout.when.text, tuple(field for field in layout.fields if id(field) not in known)))
        known |= {id(field) for field in layout.fields}
    return groups
