"""The small texts that a map is written in, each read by one function: places, codes, labels, lengths, words.

Each takes a node of the YAML loader and raises ValueError with one plain sentence: what was found, what was expected.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from collections.abc import Mapping as MappingType
from enum import StrEnum
from itertools import pairwise
from typing import TypeVar

from regcheck.device_map.expression_tree import Expression
from regcheck.device_map.expressions import ExpressionError, parse_expression
from regcheck.device_map.limits import parse_time_ns
from regcheck.device_map.model import FIXED_BYTES, Code, FieldType, Status, TransferKind
from regcheck.device_map.numbers import as_bool, as_fraction, as_hex_bytes, as_integer, as_text
from regcheck.device_map.places import BitsPlace, ByteNumber
from regcheck.device_map.words import nearest
from regcheck.device_map.yaml_source import Mapping, Node, Scalar, Sequence

E = TypeVar("E", bound=StrEnum)
T = TypeVar("T")

_INTEGER = r"(?:0[xX][0-9A-Fa-f]+|[0-9]+)"
_BYTE = rf"(?:{_INTEGER}|last(?:\s*-\s*{_INTEGER})?)"
_RANGE = re.compile(rf"^\s*({_INTEGER})\s*(?:\.\.\s*({_INTEGER}))?\s*$")
_BYTES = re.compile(rf"^\s*({_BYTE})\s*(?:\.\.\s*({_BYTE}))?\s*$")
_END = re.compile(rf"^\s*byte\s+({_INTEGER})\s+bit\s+([0-9]+)\s*$")
_STEP = re.compile(rf"^\s*({_INTEGER})\s+(bits?|bytes?)\s*$")
_BIT_RATE = re.compile(r"^\s*[0-9]+(?:\.[0-9]+)?\s*[kM]?bit/s\s*$")

MOST_INSTANCES = 4096
"""Like devices, or frames of one `each`: more than any bus holds, few enough to go through one by one."""

KNOWN_CODES: MappingType[str, Status] = {
    "not available": Status.NOT_AVAILABLE,
    "not fitted": Status.NOT_FITTED,
    "error": Status.DEVICE_ERROR,
}
"""Words of `codes` that have a status of their own; every other word is special."""


def sentence(error: Exception) -> str:
    """Return what an error says in one line; an expression's also holds its text and a caret, for those who show it alone."""
    return error.problem if isinstance(error, ExpressionError) else str(error)


def scalar(node: Node, expected: str) -> Scalar:
    """Return the node as a scalar, or say that ``expected`` belongs here."""
    if isinstance(node, Scalar):
        return node
    raise ValueError(f"{'a mapping' if isinstance(node, Mapping) else 'a list'} stands here; expected {expected}")


def text(node: Node) -> str:
    """Return a text as typed."""
    return as_text(scalar(node, "a text"))


def truth(node: Node) -> bool:
    """Return `true` or `false`."""
    return as_bool(scalar(node, "true or false"))


def integer(low: int, high: int, what: str) -> Callable[[Node], int]:
    """Return a reader of whole numbers from ``low`` to ``high``."""

    def read(node: Node) -> int:
        number = as_integer(scalar(node, what))
        if not low <= number <= high:
            if high > 99 and high & (high + 1) == 0:  # bytes, words, addresses
                raise ValueError(f"{number} (0x{number:X}) is no {what}; expected 0x{low:02X} .. 0x{high:02X}")
            raise ValueError(f"{number} is no {what}; expected {low} .. {high}")
        return number

    return read


def word_of(enum: type[E], what: str) -> Callable[[Node], E]:
    """Return a reader of one of an enumeration's words."""

    def read(node: Node) -> E:
        found = text(node)
        for member in enum:
            if member.value == found:
                return member
        raise ValueError(unknown(found, [member.value for member in enum], what))

    return read


def unknown(found: str, known: list[str], what: str) -> str:
    """Say that a word is not known, with the nearest one or all of them."""
    near = nearest(found, known)
    return f"'{found}' is no {what}" + (f"; did you mean '{near}'?" if near else "; expected " + ", ".join(known) if known else "")


def hex_bytes(node: Node) -> bytes:
    """Return bytes written as hex pairs."""
    return as_hex_bytes(scalar(node, "bytes as hex pairs, such as A6 0B"))


def one_or_list(node: Node, read: Callable[[Node], T]) -> tuple[T, ...]:
    """Read a node, or each of a list's items."""
    if isinstance(node, Sequence) and not node:
        raise ValueError("the list is empty; write an item, or take the key out")
    return tuple(read(item) for item in node) if isinstance(node, Sequence) else (read(node),)


def number_range(node: Node, what: str = "a number or a range such as 0x10..0x1F") -> tuple[int, int]:
    """Return first and last of `7` or `0x10..0x1F`, both included."""
    found = scalar(node, what)
    match = _RANGE.match(found)
    if not match:
        raise ValueError(f"'{found}' was found; expected {what}")
    first = int(match[1], 0)
    last = first if match[2] is None else int(match[2], 0)
    if last < first:
        raise ValueError(f"the range {found} runs backwards; expected {last}..{first}")
    return first, last


def _byte_number(found: str) -> ByteNumber:
    if not found.startswith("last"):
        return ByteNumber(int(found, 0))
    back = found.partition("-")[2].strip()
    return ByteNumber(-int(back, 0) if back else 0, from_last=True)


def byte_span(node: Node) -> tuple[ByteNumber, ByteNumber]:
    """Return first and last of `2`, `2..3`, `4..last`, `last - 1`."""
    found = scalar(node, "byte numbers")
    match = _BYTES.match(found)
    if not match:
        raise ValueError(f"'{found}' names no bytes; expected byte numbers from 0, such as 2, 2..3, 4..last or last - 1")
    first, last = _byte_number(match[1]), _byte_number(match[2] or match[1])
    if first.from_last == last.from_last and last.number < first.number:
        raise ValueError(
            f"the bytes {found} run backwards; they are numbered as transmitted, and `order: big` says that the high byte is first"
        )
    return first, last


def one_bit(node: Node) -> BitsPlace:
    """Return the place of `bit: 15`."""
    found = scalar(node, "one bit number")
    if ".." in found:
        raise ValueError(f"'{found}' is a run of bits; write `bits: {found}`")
    return BitsPlace((as_integer(found),))


def many_bits(node: Node) -> BitsPlace:
    """Return the place of `bits: 8..15` or `bits: [16..31, 37..39]`, least significant first."""
    if isinstance(node, Scalar) and ".." not in node:
        raise ValueError(f"`bits: {node}` names one bit: bit: {node}, or bits: {node}..{int(node, 0) + 7 if node.isdigit() else 'N'}?")
    numbers: list[int] = []
    for first, last in one_or_list(node, lambda item: number_range(item, "bit numbers such as 8..15")):
        numbers += range(first, last + 1)
    twice = sorted({number for number in numbers if numbers.count(number) > 1})
    if twice:
        raise ValueError(f"bit {twice[0]} stands twice in the list")
    return BitsPlace(tuple(numbers))


def end_bit(node: Node) -> int:
    """Return the bit number of `byte 1 bit 7`."""
    found = scalar(node, "an end such as byte 1 bit 7")
    match = _END.match(found)
    if not match or int(match[2]) > 7:
        raise ValueError(f"'{found}' names no bit; expected an end such as byte 1 bit 7 (bits 0 to 7, 7 the most significant)")
    return 8 * int(match[1], 0) + int(match[2])


def step_bits(node: Node) -> int:
    """Return the bits of `12 bits` or `2 bytes`."""
    found = scalar(node, "a step such as 12 bits")
    match = _STEP.match(found)
    if not match or not int(match[1], 0):
        raise ValueError(f"'{found}' is no step; expected such as 12 bits or 2 bytes")
    return int(match[1], 0) * (8 if match[2].startswith("byte") else 1)


def period_ns(found: str) -> int:
    """Return a time above 0 in whole nanoseconds."""
    time = parse_time_ns(found)
    if not time:
        raise ValueError(f"'{found}' leaves no time; expected such as 250 ms")
    return time


def byte_count(node: Node) -> int:
    """Return the bytes of `3 bytes`."""
    found = scalar(node, "a number of bytes such as 3 bytes")
    match = _STEP.match(found)
    if not match or not match[2].startswith("byte"):
        raise ValueError(f"'{found}' is no number of bytes; expected such as 3 bytes")
    return int(match[1], 0)


def bit_rate(node: Node) -> str:
    """Return a bit rate as typed, such as `250 kbit/s`."""
    found = scalar(node, "a bit rate such as 250 kbit/s")
    if not _BIT_RATE.match(found):
        raise ValueError(f"'{found}' is no bit rate; expected such as 250 kbit/s or 1 Mbit/s")
    return str(found)


def axis(node: Node) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """Return the numbers of `1..8` or `[1, 2, 5]`, or the buses of `{bus: [a, b]}`; the other tuple is empty."""
    if isinstance(node, Mapping):
        buses = node.get(Scalar("bus"))
        if len(node) != 1 or buses is None:
            raise ValueError("like devices are written {rack: 1..8}, like buses {string: {bus: [a, b]}}")
        names = one_or_list(buses, text)
        if len(set(names)) < len(names):
            raise ValueError(f"the bus '{next(name for name in names if names.count(name) > 1)}' stands twice")
        return (), names
    numbers = [
        number
        for first, last in one_or_list(node, lambda item: number_range(item, "numbers such as 1..8"))
        for number in range(first, last + 1)
    ]
    if len(numbers) > MOST_INSTANCES:
        raise ValueError(f"{len(numbers)} like devices were found; expected at most {MOST_INSTANCES}")
    if len(set(numbers)) < len(numbers):
        raise ValueError(f"the number {next(number for number in numbers if numbers.count(number) > 1)} stands twice")
    return tuple(numbers), ()


def codes(node: Node) -> tuple[Code, ...]:
    """Return the codes of `{0xFFFF: not available, 0xFF00..0xFFFE: error}`."""
    if not isinstance(node, Mapping):
        raise ValueError("codes are written {0xFFFF: not available, 0xFF00..0xFFFE: error}")
    found = []
    for key, value in node.items():
        first, last = number_range(key, "a raw value or a range of them")
        word = text(value)
        if not word:
            raise ValueError(f"the code {key} has no word; expected such as not available, error, not fitted, open, short")
        found.append(Code(first, last, KNOWN_CODES.get(word, Status.SPECIAL), word))
    for one in found:
        for other in found:
            if one is not other and one.first <= other.first <= one.last:
                raise ValueError(f"the codes '{one.word}' and '{other.word}' both claim {other.first:#x}")
    return tuple(found)


def labels(node: Node) -> dict[int, str]:
    """Return labels keyed by raw value, of `{0: idle, 1: charge}`."""
    if not isinstance(node, Mapping):
        raise ValueError("names are written {0: idle, 1: charge}, or by the name of a list under the map's own `names`")
    found = {as_integer(key): text(value) for key, value in node.items()}
    values = list(found.values())
    for word in values:
        if values.count(word) > 1:
            raise ValueError(f"the label '{word}' stands for two raw values")
    return found


def field_type(node: Node) -> FieldType:
    """Return a field's type."""
    return word_of(FieldType, "type")(node)


def transfer(node: Node) -> tuple[TransferKind, int]:
    """Return a register's transfer, and the bytes of a plain read (`6 bytes`), 0 for the others."""
    found = scalar(node, "a transfer")
    match = _STEP.match(found)
    if match and match[2].startswith("byte"):
        if not int(match[1], 0):
            raise ValueError("a read of 0 bytes carries nothing; expected such as `6 bytes`")
        return TransferKind.PLAIN, int(match[1], 0)
    words = [kind.value for kind in TransferKind if kind is not TransferKind.PLAIN]
    if found not in words:
        raise ValueError(unknown(found, words, "transfer") + "; a plain read without a count is written such as `6 bytes`")
    return TransferKind(found), FIXED_BYTES.get(TransferKind(found), 0)


def access(node: Node) -> frozenset[str]:
    """Return a register's access: `[read]`, `[write]` or both."""
    words = one_or_list(node, text)
    for word in words:
        if word not in ("read", "write"):
            raise ValueError(unknown(word, ["read", "write"], "access"))
    return frozenset(words)


def expression(node: Node) -> Expression:
    """Return a formula or condition."""
    return parse_expression(scalar(node, "a number or an expression"))


def table(node: Node) -> tuple[tuple[Scalar, Scalar], ...]:
    """Return the scalar pairs of `[[0, 120], [128, 25]]`."""
    if not isinstance(node, Sequence) or len(node) < 2:
        raise ValueError("points are a list of at least two [raw, value] pairs")
    pairs = []
    for item in node:
        if not isinstance(item, Sequence) or len(item) != 2:
            raise ValueError("each point is one [raw, value] pair")
        pairs.append((scalar(item[0], "a raw value"), scalar(item[1], "a value")))
    for (before, _), (after, _) in pairwise(pairs):
        if as_fraction(after) <= as_fraction(before):
            raise ValueError(f"the raw values of points rise; {after} stands after {before}")
    return tuple(pairs)


def mapping(node: Node) -> Mapping:
    """Return the node as a mapping."""
    if not isinstance(node, Mapping):
        raise ValueError(f"{'a list' if isinstance(node, Sequence) else repr(str(node))} stands here; expected a mapping in braces")
    return node
