"""What a field's raw values mean beside numbers: codes, labels, counters, checks."""

from __future__ import annotations

from regcheck.device_map import leaves
from regcheck.device_map.author import Author
from regcheck.device_map.model import CheckField, Code, FieldType, Meaning, Status
from regcheck.device_map.places import BytesPlace
from regcheck.device_map.syntax import FieldKeys
from regcheck.device_map.yaml_source import Scalar

J1939_WIDTHS = (2, 8, 16, 24, 32)
"""Bits of the fields that SAE J1939-71, table 1, has code ranges for (from memory of it)."""


def codes_of(entry: FieldKeys, width: int | None, author: Author) -> tuple[Code, ...]:
    """Return the codes of a field, those of J1939 by its width."""
    if entry.codes is None:
        return ()
    if isinstance(entry.codes, str):
        return _j1939_codes(entry.codes, width, author)
    if width is not None:
        for code in entry.codes:
            if code.last >> width:
                ones = (1 << width) - 1
                hint = f"all ones is 0x{ones:X}" if code.last & (code.last + 1) == 0 else f"the largest raw value is 0x{ones:X}"
                author.fault_inside("codes", code.last, f"the code 0x{code.last:X} ('{code.word}') does not fit into {width} bits", hint)
    return entry.codes


def _j1939_codes(word: str, width: int | None, author: Author) -> tuple[Code, ...]:
    """SAE J1939-71, table 1 (from memory of it): the ranges by width."""
    if word != "J1939":
        author.fault("codes", f"'{word}' is no list of codes", "write a mapping of raw values, or J1939")
        return ()
    if width is None or width not in J1939_WIDTHS:
        author.fault("codes", f"J1939 has no code ranges for {width} bits", "it has them for 2, 8, 16, 24 and 32 bits; write the codes out")
        return ()
    return _j1939_ranges(width)


def _j1939_ranges(width: int) -> tuple[Code, ...]:
    if width == 2:
        return (Code(2, 2, Status.DEVICE_ERROR, "error"), Code(3, 3, Status.NOT_AVAILABLE, "not available"))
    low = width - 8
    ranges = (
        (0xFB, 0xFB, Status.SPECIAL, "special"),
        (0xFC, 0xFD, Status.SPECIAL, "reserved"),
        (0xFE, 0xFE, Status.DEVICE_ERROR, "error"),
        (0xFF, 0xFF, Status.NOT_AVAILABLE, "not available"),
    )
    return tuple(Code(first << low, (last << low) | ((1 << low) - 1), status, name) for first, last, status, name in ranges)


def general_codes_of(entry: FieldKeys, meanings: tuple[Meaning, ...], width: int | None) -> tuple[Code, ...]:
    """Return J1939's codes of a number whose width has them; a counter, a check or a constant is no measured number."""
    is_number = all(meaning.type in (FieldType.UNSIGNED, FieldType.SIGNED, FieldType.BCD, FieldType.SIGN_MAGNITUDE) for meaning in meanings)
    others = (entry.counter, entry.checksum, entry.crc, entry.reserved, entry.must_be)
    if width is None or width not in J1939_WIDTHS or not is_number or any(other is not None for other in others):
        return ()
    return _j1939_ranges(width)


def counter_of(entry: FieldKeys, width: int | None, author: Author) -> tuple[int, int] | None:
    """Return first and last count of a counter."""
    if entry.counter is None:
        return None
    first, last = entry.counter
    if first == last:
        author.fault("counter", f"the counter of {first} alone never moves", "write its first and last count, such as 0..14")
    elif width is not None and last >> width:
        author.fault("counter", f"the count {last} does not fit into {width} bits", f"they hold 0..{(1 << width) - 1}")
    return entry.counter


def names_of(entry: FieldKeys, width: int | None, author: Author) -> dict[int, str]:
    """Return a field's labels by raw value, its own or a shared list."""
    if isinstance(entry.names, str):
        if entry.names not in author.shared_names:
            author.fault(
                "names",
                leaves.unknown(entry.names, sorted(author.shared_names), "list of labels"),
                "lists stand under the map's own `names`",
            )
            return {}
        return author.shared_names[entry.names]
    names = entry.names or {}
    wide = [raw for raw in names if width is not None and (raw >> width or raw < 0)]
    if wide:
        author.fault_inside("names", wide[0], f"the raw value {wide[0]} ('{names[wide[0]]}') does not fit into {width} bits")
    return names


def check_of(entry: FieldKeys, width: int | None, author: Author) -> CheckField | None:
    """Return what a CRC or checksum field covers, and how."""
    if entry.checksum is None and entry.crc is None:
        return None
    key = "checksum" if entry.checksum is not None else "crc"
    if entry.checksum not in (None, "inverted sum"):
        author.fault("checksum", f"'{entry.checksum}' is no checksum", "known: inverted sum")
    if entry.over is None:
        author.fault(key, f"what `{key}` covers is not said", "write such as over: bytes 0..last - 1")
        return None
    over = entry.over.removeprefix("bytes").strip()
    try:
        first, last = leaves.byte_span(Scalar(over, author.at("over")))
    except ValueError as error:
        author.fault("over", f"what `{key}` covers is not said: {error}", "write such as over: bytes 0..last - 1")
        return None
    crc = entry.crc
    if crc is None:
        return CheckField(entry.checksum or "", BytesPlace(first, last), entry.before or b"")
    if entry.checksum is not None:
        author.fault("crc", "`crc` stands beside `checksum`", "a field is one of them")
    if width is not None and width != crc.width:
        author.fault("crc", f"{crc.name} has {crc.width} bits; the field has {width}", "is it the right CRC, and the right width?")
    return CheckField(crc.name, BytesPlace(first, last), entry.before or b"", crc)
