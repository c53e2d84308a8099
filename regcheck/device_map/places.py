"""Where a field's bits are in a message, for any payload length: bit n is bit n mod 8 of byte n div 8."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Order(StrEnum):
    """Byte order: which end of a number stands first on the wire."""

    LITTLE = "little"
    BIG = "big"


@dataclass(frozen=True, slots=True)
class ByteNumber:
    """A byte's number: counted from the start, or from the last byte (``last - 1`` is ``from_last=True, number=-1``)."""

    number: int
    from_last: bool = False

    def at(self, length: int) -> int:
        """Return the number in a payload of ``length`` bytes; it may lie outside of it."""
        return length - 1 + self.number if self.from_last else self.number

    def __str__(self) -> str:
        if not self.from_last:
            return str(self.number)
        return "last" if self.number == 0 else f"last - {-self.number}"


@dataclass(frozen=True, slots=True)
class BytesPlace:
    """Whole bytes ``first`` to ``last``, in order of transmission."""

    first: ByteNumber
    last: ByteNumber
    order: Order = Order.LITTLE


@dataclass(frozen=True, slots=True)
class BitsPlace:
    """Bits by number, least significant first; a run of ``bits`` is little-endian whatever the order says."""

    numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class EndPlace:
    """``width`` bits from a named end: ``anchor`` is the bit number of the most (or least) significant bit.

    A big-endian value runs on from bit 0 of a byte to bit 7 of the next one, most significant bit first.
    """

    anchor: int
    width: int
    order: Order
    most_significant: bool


BitPlace = BytesPlace | BitsPlace | EndPlace


def transmitted(bit: int) -> int:
    """Return a bit's position in order of transmission, most significant bit of each byte first. It is its own inverse."""
    return bit // 8 * 8 + 7 - bit % 8


def is_big(place: BitPlace) -> bool:
    """Return whether a repeated place walks in the order of transmission."""
    return not isinstance(place, BitsPlace) and place.order is Order.BIG


def bit_numbers(place: BitPlace, length: int, step: int = 0) -> tuple[int, ...]:
    """Return the bit numbers of a place in a payload of ``length`` bytes, least significant first, ``step`` bits further on.

    Numbers may lie outside the payload, or below 0; an empty tuple means that ``last`` stands before the first byte.
    """
    if isinstance(place, BytesPlace):
        numbers = range(place.first.at(length), place.last.at(length) + 1)
        if place.order is Order.BIG:
            numbers = numbers[::-1]
        bits = [8 * byte + bit for byte in numbers for bit in range(8)]
    elif isinstance(place, BitsPlace):
        bits = list(place.numbers)
    elif place.order is Order.LITTLE:
        first = place.anchor - place.width + 1 if place.most_significant else place.anchor
        bits = list(range(first, first + place.width))
    else:
        end = transmitted(place.anchor)
        first = end if place.most_significant else end - place.width + 1
        bits = [transmitted(position) for position in range(first, first + place.width)][::-1]
    if step and is_big(place):
        return tuple(transmitted(transmitted(bit) + step) for bit in bits)
    return tuple(bit + step for bit in bits)


def place_width(place: BitPlace) -> int | None:
    """Return the width in bits, None where it hangs on the payload's length."""
    if isinstance(place, BitsPlace):
        return len(place.numbers)
    if isinstance(place, EndPlace):
        return place.width
    if place.first.from_last != place.last.from_last:
        return None
    return 8 * (place.last.number - place.first.number + 1)
