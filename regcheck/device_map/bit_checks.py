"""What lint says of bits: those that overlap or overhang, that no field claims, and what a check covers."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from regcheck.device_map.exclusion import excludes
from regcheck.device_map.model import Field, Layout, Message, TransferKind
from regcheck.device_map.places import bit_numbers
from regcheck.device_map.protection import PROFILES
from regcheck.errors import Place, Problem, Severity

LARGEST_BLOCK = 32
"""Bytes of a block where the map does not say: System Management Bus Specification 2.0, clause 5.5.7."""

LARGEST_CLASSIC, LARGEST_FD = 8, 64
"""Data bytes of a classic and of an FD frame: ISO 11898-1."""

LARGEST_GROUP = 1785
"""Data bytes that J1939 transport carries: 255 packets of 7 (SAE J1939-21; from memory of it)."""


def longest(message: Message) -> int | None:
    """Return the bytes that a message can have at most behind those that `after` skips; None where a transport or a block says no more."""
    if message.kind != "frame" or message.carrier is not None:
        return None
    most = LARGEST_GROUP if message.pgn is not None else LARGEST_FD if message.fd else LARGEST_CLASSIC
    return max(most - message.after, 0)


def _reference_lengths(message: Message, layout: Layout | None) -> tuple[int, ...]:
    """Payload lengths at which the places of a message are laid out: its shortest and longest, where it says."""
    length = layout.length if layout is not None and layout.length is not None else message.length
    if length is not None and length.high is not None:
        return tuple(sorted({length.low, length.high}))
    most = longest(message)
    return (LARGEST_BLOCK if most is None else most,)


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


def check_bits(message: Message, layout: Layout | None, *, is_whole: bool) -> Iterator[Problem]:
    """Give the bits of a message, or of one layout of it, that overlap, overhang or, where no field is missing, belong to none."""
    fields = message.fields + (layout.fields if layout else ())
    own = {id(field) for field in (layout.fields if layout else fields)}
    stated = layout.length if layout is not None and layout.length is not None else message.length
    fixed = stated is not None and stated.high is not None
    bounded = fixed or longest(message) is not None
    taken = _protected(message)
    lengths = _reference_lengths(message, layout)
    for length in lengths:
        claimed: dict[int, Field] = {}
        faults: list[Problem] = []
        for field in fields:
            found = _field_bits(message, field, length, claimed, may_overhang=not bounded or length < lengths[-1])
            found += _in_protection(message, field, length, taken)
            faults += found if id(field) in own else []
        yield from faults
        free = [bit for bit in range(8 * length) if bit not in claimed and bit not in taken]
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
            skipped = f" behind the {message.after} that `after` skips" if message.after else ""
            hint = f"bits are numbered from 0; the message has {length} byte{'' if length == 1 else 's'}{skipped}"
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


def _protected(message: Message) -> frozenset[int]:
    """Return the bits that a frame's end-to-end protection takes."""
    return frozenset(PROFILES[message.protect.profile].bits(message.protect.mode)) if message.protect is not None else frozenset()


def _in_protection(message: Message, field: Field, length: int, taken: frozenset[int]) -> list[Problem]:
    """Return the first bit of a field that the protection has; its CRC and its counter may be fields, each as a whole."""
    if message.protect is None:
        return []
    profile = PROFILES[message.protect.profile]
    for bits in element_bits(field, length):
        shared = sorted(taken & set(bits))
        if shared and set(bits) not in (set(profile.crc_bits), set(profile.counter_bits)):
            text = f"'{field.name}' claims bit {shared[0]} (byte {shared[0] // 8}), which the protection of '{message.name}' takes"
            runs = f"its CRC is {_runs(list(profile.crc_bits))}, its counter {_runs(list(profile.counter_bits))}"
            return [Problem(_place_key(field), text, runs)]
    return []


def _is_counted(field: Field, bit: int, length: int) -> bool:
    """Return whether a bit belongs to an element after the first of an array that another field counts."""
    if field.each is None or field.each.last is None or field.each.last.constant() is not None:
        return False
    return bit not in bit_numbers(field.where, length)


def _carrier(message: Message) -> str:
    if message.transfer in (TransferKind.BLOCK, TransferKind.BLOCK_PROCESS_CALL):
        return f"this {message.transfer.value}"
    if message.transfer:
        return f"a {message.transfer.value} transfer"
    if message.carrier is None and message.pgn is None and message.length is None:
        return "an FD frame" if message.fd else "a classic frame"
    return "a frame of this length"


def _runs(numbers: list[int]) -> str:
    runs: list[list[int]] = []
    for number in numbers:
        if runs and runs[-1][1] == number - 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ("bits " if len(numbers) > 1 else "bit ") + ", ".join(str(low) if low == high else f"{low}..{high}" for low, high in runs)


def _place_key(field: Field) -> Place:
    return next((field.given_keys[key] for key in ("bits", "bytes", "bit", "msb", "lsb") if key in field.given_keys), field.place)


def check_layouts(message: Message) -> Iterator[Problem]:
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
        common = {id(field) for field in one.fields} & {id(field) for field in other.fields}  # of the layout that both stand inside
        for field in other.fields:
            if field.name in shared and field.unit != shared[field.name].unit:
                yield Problem(
                    field.place,
                    f"'{field.name}' has the unit {field.unit or 'none'} here and {shared[field.name].unit or 'none'} in another layout",
                    "one name is one field: make the units agree, or rename",
                )
        if not excludes(one.when, other.when):
            length = max(*_reference_lengths(message, one), *_reference_lengths(message, other))
            taken = {bit for field in one.fields if id(field) not in common for bits in element_bits(field, length) for bit in bits}
            for field in other.fields:
                if id(field) not in common and any(bit in taken for bits in element_bits(field, length) for bit in bits):
                    yield Problem(
                        other.place,
                        f"this layout and that of line {one.place.line} may hold together, and both claim bits of '{field.name}'",
                        "make their conditions exclude each other",
                    )
                    break


def check_cover(message: Message) -> Iterator[Problem]:
    """Give the CRCs and checksums that cover bytes beyond their message, or themselves."""
    for layout in (None, *message.layouts):
        fields = layout.fields if layout is not None else message.fields
        for field in (field for field in fields if field.check is not None):
            key = next((key for key in ("over", "crc", "checksum") if key in field.given_keys), "")
            place = field.given_keys.get(key, field.place)
            for length in _reference_lengths(message, layout):
                over = bit_numbers(field.check.over, length) if field.check is not None else ()
                if over and (max(over) >= 8 * length or min(over) < 0):
                    text = f"'{field.name}' covers byte {max(over) // 8 if max(over) >= 8 * length else min(over) // 8}"
                    yield Problem(place, f"{text}, but '{message.name}' has {length} byte{'' if length == 1 else 's'}")
                    break
                if set(over) & set(bit_numbers(field.where, length)):
                    yield Problem(place, f"'{field.name}' covers itself", "name the other bytes, such as over: bytes 0..last - 1")
                    break
