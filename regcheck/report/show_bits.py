"""A message's bits as a letter map: a row a byte, a letter a field, `^` under each most significant bit, a legend beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from itertools import groupby, zip_longest

from regcheck.device_map.model import Field, FieldType, Length
from regcheck.device_map.places import BitPlace, BitsPlace, BytesPlace, Order, bit_numbers, is_big, place_width
from regcheck.report.words import pad, wrap

FREE = "."
"""Bits that no field claims."""

_LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
_OPEN_ELEMENTS = 2  # drawn of an array whose end hangs on the message
_MOST_ELEMENTS = 256
_ALIKE_ROWS = 8  # from so many rows on, the middle ones of a run are left out
_GUTTER = 4


def letter(index: int) -> str:
    """Return the letter of the field of that index: a..z, A..Z, then aa, ab and so on."""
    count = len(_LETTERS)
    return _LETTERS[index] if index < count else _LETTERS[index // count - 1] + _LETTERS[index % count]


def place_text(place: BitPlace) -> str:
    """Return a place as the map's author would write it: ``bytes 2..3, big-endian``."""
    if isinstance(place, BytesPlace):
        if place.first == place.last:
            return f"byte {place.first}"
        return f"bytes {place.first}..{place.last}" + (", big-endian" if place.order is Order.BIG else "")
    if isinstance(place, BitsPlace):
        runs = _runs(place.numbers)
        return ("bit " if len(place.numbers) == 1 else "bits ") + ", ".join(runs)
    end = "msb" if place.most_significant else "lsb"
    return f"{end} at byte {place.anchor // 8} bit {place.anchor % 8}, {place.width} bits, {place.order.value}-endian"


def _runs(numbers: Sequence[int]) -> list[str]:
    """Return scattered bit numbers in their order, as typed: ``16..31``, ``37..39``."""
    runs = [[number for _, number in group] for _, group in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0])]
    return [str(run[0]) if len(run) == 1 else f"{run[0]}..{run[-1]}" for run in runs]


def repeats_text(field: Field) -> str:
    """Return how an array's place repeats: ``cell 1..cell_count, 2 bytes apart``; empty for a field of one element."""
    each = field.each
    if each is None:
        return ""
    numbered = f"number {each.number.text}" if each.number is not None else ""
    if not each.step:
        return f"one element a message, {numbered}" if numbered else ""
    count, unit = (each.step // 8, "byte") if each.step % 8 == 0 else (each.step, "bit")
    end = f"{each.first} to the end" if each.last is None else f"{each.first}..{each.last}"
    walk = " in order of transmission" if is_big(field.where) and each.step % 8 else ""
    return ", ".join(filter(None, (f"{each.variable} {end}, {count} {unit}{'' if count == 1 else 's'} apart{walk}", numbered)))


@dataclass(slots=True)
class _Drawing:
    """Letters by (byte, bit): bytes from the start count from 0, those from the end from -1 (`last`) down."""

    cells: dict[tuple[int, int], str] = dataclass_field(default_factory=dict)
    carets: set[tuple[int, int]] = dataclass_field(default_factory=set)
    shared: dict[str, set[str]] = dataclass_field(default_factory=dict)
    bytes: list[int] = dataclass_field(default_factory=list)
    gap_after: int | None = None


def bit_map(fields: Sequence[Field], length: Length | None, *, width: int = 79, ascii_only: bool = False) -> list[str]:
    """Return the letter map of ``fields`` in a payload, with its legend; bytes counted from 0, bit 7 on the left.

    ``length`` is that of the message or of the layout drawn, None where any count is taken; a mark stands for rows left out.
    """
    if not fields:
        return ["  no field claims any bit"]
    total = length.high if length is not None and length.expression is None else None
    names = {name: letter(index) for index, name in enumerate(dict.fromkeys(field.name for field in fields))}
    drawing = _draw(fields, names, total)
    rows = _rows(drawing, max(map(len, names.values())), ascii_only=ascii_only)
    legend_at = max(map(len, rows)) + _GUTTER
    legend: list[str] = []
    for field in fields:
        name = names[field.name]
        told = [f"{field.name}: {place_text(field.where)}", repeats_text(field)]
        others = sorted(drawing.shared.get(field.name, ()))
        told.append(f"shares bits with {', '.join(others)}" if others else "")
        parts = wrap("; ".join(filter(None, told)), width - legend_at - len(name) - 2, ascii_only=ascii_only)
        legend += [f"{name}  {parts[0]}", *(" " * (len(name) + 2) + part for part in parts[1:])]
    if FREE in drawing.cells.values():
        legend.append(f"{FREE}  no field")
    return [f"{pad(left, legend_at)}{right}".rstrip() for left, right in zip_longest(rows, legend, fillvalue="")]


def _runs_on(field: Field) -> bool:
    """Say whether a field, or an array of it, reaches as far as the message goes."""
    if isinstance(field.where, BytesPlace) and place_width(field.where) is None:
        return True
    return field.each is not None and bool(field.each.step) and (field.each.last is None or field.each.last.constant() is None)


def _count(field: Field) -> int:
    """Return how many elements are drawn of a field in a message of open length."""
    if field.each is None or not field.each.step:
        return 1
    last = None if field.each.last is None else field.each.last.constant()
    return _OPEN_ELEMENTS if last is None else min(int(last) - field.each.first + 1, _MOST_ELEMENTS)


def _named_bytes(fields: Sequence[Field]) -> tuple[int, int]:
    """Return how many bytes from the start, and how many from the end, the fields name."""
    front = back = 0
    for field in fields:
        place = field.where
        ends = (place.first, place.last) if isinstance(place, BytesPlace) else ()
        front = max([front, *(end.number + 1 for end in ends if not end.from_last)])
        back = max([back, *(1 - end.number for end in ends if end.from_last)])
        if not any(end.from_last for end in ends):
            for index in range(_count(field)):
                front = max(front, max(bit_numbers(place, 0, index * _step(field)), default=-1) // 8 + 1)
    return front, back


def _step(field: Field) -> int:
    return field.each.step if field.each is not None else 0


def _draw(fields: Sequence[Field], names: dict[str, str], total: int | None) -> _Drawing:
    drawing = _Drawing()
    front, back = _named_bytes(fields) if total is None else (total, 0)
    # a payload of open length is drawn as what is named from its start, one byte that stands for all between, what is named from its end
    length = front + 1 + back if total is None else total
    if total is None and (back or any(map(_runs_on, fields))):
        drawing.gap_after = front - 1
    drawing.bytes = [*range(front), *range(-back, 0)]
    owner: dict[tuple[int, int], str] = {}
    for field in fields:
        count = _MOST_ELEMENTS if _step(field) and total is not None and _runs_on(field) else _count(field)
        for index in range(count):
            bits = bit_numbers(field.where, length, index * _step(field))
            if not bits or max(bits) >= 8 * length or min(bits) < 0:
                break
            places = [
                (bit // 8 if bit // 8 <= front - 1 else bit // 8 - length, bit % 8)
                for bit in bits
                if total is not None or bit // 8 != front
            ]
            for place in places:
                other = owner.setdefault(place, field.name)
                drawing.cells.setdefault(place, names[field.name])
                if other != field.name:
                    drawing.shared.setdefault(field.name, set()).add(other)
                    drawing.shared.setdefault(other, set()).add(field.name)
            wordy = field.type in (FieldType.TEXT, FieldType.BYTES)
            drawing.carets.add((min(bits) // 8, 7) if wordy else places[-1])
    for byte in drawing.bytes:
        for bit in range(8):
            drawing.cells.setdefault((byte, bit), FREE)
    return drawing


def _rows(drawing: _Drawing, cell: int, *, ascii_only: bool) -> list[str]:
    label_width = max((len(_label(byte)) for byte in drawing.bytes), default=0)

    def row(label: str, cells: Sequence[str]) -> str:
        return f"  {label.ljust(label_width)}  {' '.join(one.ljust(cell) for one in cells)}".rstrip()

    mark = "~" if ascii_only else "…"
    left_out = row("", [mark] * 8)
    rows = [row("", list("76543210"))]
    if drawing.gap_after == -1:
        rows.append(left_out)

    def alike(byte: int) -> tuple[str, int]:
        letters = {drawing.cells[byte, bit] for bit in range(8)}
        marked = any((byte, bit) in drawing.carets for bit in range(8))
        return (letters.pop(), -1) if len(letters) == 1 and not marked and byte >= 0 else ("", byte)

    for _, group in groupby(drawing.bytes, key=alike):
        run = list(group)
        shortened = len(run) >= _ALIKE_ROWS
        for byte in [run[0], run[-1]] if shortened else run:
            rows.append(row(_label(byte), [drawing.cells[byte, bit] for bit in range(7, -1, -1)]))
            carets = ["^" if (byte, bit) in drawing.carets else "" for bit in range(7, -1, -1)]
            if any(carets):
                rows.append(row("", carets))
            if byte == drawing.gap_after or (shortened and byte == run[0]):
                rows.append(left_out)
    return rows


def _label(byte: int) -> str:
    if byte >= 0:
        return f"byte {byte}"
    return "last" if byte == -1 else f"last - {-1 - byte}"


@dataclass(frozen=True, slots=True)
class BitLetters:
    """Which field claims each bit of one message: a letter at (byte, bit), ``tops`` the most significant bits, letters by field name."""

    at: Mapping[tuple[int, int], str]
    tops: frozenset[tuple[int, int]]
    names: Mapping[str, str]


def letters_of(fields: Sequence[Field], length: int) -> BitLetters:
    """Return the letters of ``fields`` in a payload of ``length`` bytes, those of ``bit_map``."""
    names = {name: letter(index) for index, name in enumerate(dict.fromkeys(field.name for field in fields))}
    drawing = _draw(fields, names, length)
    return BitLetters(drawing.cells, frozenset(drawing.carets), names)
