"""Raw bits to numbers and back: one scalar form, exact, and one form for columns, equal to it.

``bits`` is the code on the wire as an unsigned integer; ``raw`` is what it says after its type: the sign applied, decimal digits read.
Float and linear11 codes have no integer of their own, so their ``raw`` is the code; ``code_values`` makes numbers of them.
"""

from __future__ import annotations

import datetime
import struct
from collections.abc import Callable
from fractions import Fraction
from typing import cast

import numpy as np
from numpy.typing import NDArray

from regcheck.device_map.model import FieldType
from regcheck.errors import EncodeError

SIGNED_TYPES = frozenset({FieldType.SIGNED, FieldType.SLINEAR16, FieldType.DIRECT})
"""Types whose code is a two's complement number of the field's own width."""

CURVED_TYPES = frozenset({FieldType.FLOAT, FieldType.LINEAR11})
"""Types whose value is no straight line of the code."""

_STRUCT = {16: "<e", 32: "<f", 64: "<d"}
_FLOAT_DTYPE = {16: np.float16, 32: np.float32, 64: np.float64}
_UINT_DTYPE = {16: np.uint16, 32: np.uint32, 64: np.uint64}


def sign_extend(bits: int, width: int) -> int:
    """Return a two's complement code of ``width`` bits as a signed number."""
    return bits - (1 << width) if bits >> (width - 1) & 1 else bits


def sign_magnitude(bits: int, width: int) -> int:
    """Return the number whose top bit is the sign and whose other bits are the magnitude."""
    magnitude = bits & ((1 << (width - 1)) - 1)
    return -magnitude if bits >> (width - 1) & 1 else magnitude


def decimal_digits(bits: int, width: int) -> int | None:
    """Return a binary coded decimal number, four bits a digit, most significant first; None where a nibble is over 9."""
    number = 0
    for shift in range(width - 4, -1, -4):
        digit = bits >> shift & 0xF
        if digit > 9:
            return None
        number = number * 10 + digit
    return number


def typed_raw(kind: FieldType, bits: int, width: int) -> int | None:
    """Return the raw value of a code after its type; None where the code is no number (bcd)."""
    if kind in SIGNED_TYPES:
        return sign_extend(bits, width)
    if kind is FieldType.SIGN_MAGNITUDE:
        return sign_magnitude(bits, width)
    if kind is FieldType.BCD:
        return decimal_digits(bits, width)
    return bits


def typed_raw_column(kind: FieldType, bits: NDArray[np.uint64], width: int) -> tuple[NDArray[np.int64], NDArray[np.bool_] | None]:
    """Return raw values after their type, i8[n] (u8[n] where 64 bits have no sign), and which are numbers (None: all)."""
    if kind in SIGNED_TYPES:
        unused = np.int64(64 - width)
        return bits.view(np.int64) << unused >> unused, None
    if kind is FieldType.SIGN_MAGNITUDE:
        magnitude = (bits & np.uint64((1 << (width - 1)) - 1)).view(np.int64)
        return np.where(bits >> np.uint64(width - 1), -magnitude, magnitude), None
    if kind is FieldType.BCD:
        number = np.zeros(bits.shape, np.int64)
        good = np.ones(bits.shape, np.bool_)
        for shift in range(width - 4, -1, -4):
            digit = (bits >> np.uint64(shift) & np.uint64(0xF)).view(np.int64)
            good &= digit <= 9
            number = number * 10 + digit
        return np.where(good, number, 0), good
    # 64 bits without a sign keep their own type: as signed ones the upper half of them would turn negative
    return (cast("NDArray[np.int64]", bits), None) if width == 64 else (bits.view(np.int64), None)


def typed_bits(kind: FieldType, raw: int, width: int) -> int | None:
    """Return the code of a raw value; None where it does not fit into ``width`` bits."""
    low, high = raw_reach(kind, width)
    if not low <= raw <= high:
        return None
    if kind is FieldType.SIGN_MAGNITUDE:
        return raw if raw >= 0 else 1 << (width - 1) | -raw
    if kind is FieldType.BCD:
        return int(str(raw), 16)
    return raw & ((1 << width) - 1)


def raw_reach(kind: FieldType, width: int) -> tuple[int, int]:
    """Return the lowest and highest raw value of a type in ``width`` bits."""
    if kind in SIGNED_TYPES:
        return -(1 << (width - 1)), (1 << (width - 1)) - 1
    if kind is FieldType.SIGN_MAGNITUDE:
        return -(1 << (width - 1)) + 1, (1 << (width - 1)) - 1
    if kind is FieldType.BCD:
        return 0, 10 ** (width // 4) - 1
    return 0, (1 << width) - 1


def float_of(bits: int, width: int) -> float:
    """Return the IEEE 754 binary16, binary32 or binary64 number of a code (it may be NaN or infinite)."""
    return float(struct.unpack(_STRUCT[width], bits.to_bytes(width // 8, "little"))[0])


def linear11(bits: int) -> Fraction:
    """Return Y x 2^N exactly: N the signed upper 5 bits, Y the signed lower 11 (PMBus 1.3 part II, clause 7.3)."""
    return sign_extend(bits & 0x7FF, 11) * Fraction(2) ** sign_extend(bits >> 11, 5)


def linear11_code(value: Fraction) -> int | None:
    """Return the finest LINEAR11 code of a value, the nearest one; None where it is out of reach."""
    for exponent in range(-16, 16):
        mantissa = nearest_integer(value / Fraction(2) ** exponent)
        if -1024 <= mantissa <= 1023:
            return (exponent & 0x1F) << 11 | mantissa & 0x7FF
    return None


def code_values(kind: FieldType, width: int) -> Callable[[NDArray[np.int64]], NDArray[np.float64]]:
    """Return what turns raw codes (i8[n] or u8[n]) of a float or linear11 field into float64[n], exactly."""
    if kind is FieldType.LINEAR11:

        def linear(raw: NDArray[np.int64]) -> NDArray[np.float64]:
            mantissa = (raw & 0x7FF ^ 0x400) - 0x400
            exponent = (raw >> 11 ^ 0x10) - 0x10
            return np.asarray(np.ldexp(mantissa.astype(np.float64), exponent), np.float64)

        return linear

    def ieee(raw: NDArray[np.int64]) -> NDArray[np.float64]:
        with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN like others here
            return raw.astype(_UINT_DTYPE[width]).view(_FLOAT_DTYPE[width]).astype(np.float64)

    return ieee


def nearest_integer(value: Fraction) -> int:
    """Return the nearest whole number, a half away from zero, as C's ``lround`` has it: 52.8 / 0.025 is 2112, 2.5 is 3, -2.5 is -3."""
    doubled = abs(value) * 2
    nearest = (doubled.numerator + doubled.denominator) // (2 * doubled.denominator)
    return nearest if value >= 0 else -nearest


def encode_linear(kind: FieldType, width: int, value: Fraction, scale: Fraction, offset: Fraction, *, name: str, unit: str = "") -> int:
    """Return the raw value nearest to ``value`` = raw x scale + offset.

    Raises EncodeError, with the reachable range, where no code of ``width`` bits is that far; nothing is clamped.
    """
    raw = nearest_integer((value - offset) / scale)
    low, high = raw_reach(kind, width)
    if not low <= raw <= high:
        ends = sorted((low * scale + offset, high * scale + offset))
        raise out_of_reach(name, value, ends[0], ends[1], unit)
    return raw


def out_of_reach(name: str, value: Fraction, low: Fraction, high: Fraction, unit: str = "") -> EncodeError:
    """Return the error that says how far a field's codes reach."""
    tail = f" {unit}" if unit else ""
    return EncodeError(
        f"{exact_decimal(value)}{tail} does not fit '{name}', whose codes reach from {exact_decimal(low)} to {exact_decimal(high)}{tail}"
    )


def encode_float(width: int, value: Fraction, *, name: str) -> int:
    """Return the IEEE 754 code nearest to a value; raise EncodeError where it overflows."""
    try:
        return int.from_bytes(struct.pack(_STRUCT[width], float(value)), "little")
    except OverflowError:
        largest = {16: 65504.0, 32: 3.4028234663852886e38, 64: 1.7976931348623157e308}[width]
        raise EncodeError(
            f"{float(value):g} does not fit '{name}', a float of {width} bits, which reaches from {-largest:g} to {largest:g}"
        ) from None


def packed_date(bits: int) -> datetime.date | None:
    """Return the date of a 16-bit code, (year - 1980) x 512 + month x 32 + day; None where there is no such day.

    Smart Battery Data Specification 1.1, clause 5.1.27 (numbering from memory). 1980-00-00 is no date.

    >>> packed_date(0x5D79)
    datetime.date(2026, 11, 25)
    """
    try:
        return datetime.date(1980 + (bits >> 9), bits >> 5 & 0xF, bits & 0x1F)
    except ValueError:
        return None


def packed_date_code(date: datetime.date, *, name: str) -> int:
    """Return the 16-bit code of a date; raise EncodeError outside 1980 .. 2107."""
    if not 1980 <= date.year <= 2107:
        raise EncodeError(f"{date.isoformat()} does not fit '{name}', whose dates reach from 1980-01-01 to 2107-12-31")
    return (date.year - 1980) << 9 | date.month << 5 | date.day


def unix_time_text(seconds: int) -> str | None:
    """Return seconds of the epoch as an ISO 8601 text in UTC; None beyond the year 9999."""
    try:
        moment = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC) + datetime.timedelta(seconds=seconds)
    except OverflowError:
        return None
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ") if moment.year >= 1000 else None


def version_parts(raw: int, width: int) -> tuple[int, ...]:
    """Return the parts of a version, the major one first: the bytes, or both nibbles of a single byte."""
    if width == 8:
        return raw >> 4, raw & 0xF
    return tuple(raw.to_bytes(width // 8, "big"))


def version_text(raw: int, width: int) -> str:
    """Return a version as maps write it: v1.9."""
    return "v" + ".".join(map(str, version_parts(raw, width)))


def version_number(raw: int, width: int) -> Fraction:
    """Return what versions are compared by: major x 256 + minor, further parts behind the point."""
    parts = version_parts(raw, width)
    return sum((Fraction(part, 256**index) for index, part in enumerate(parts)), Fraction(0)) * 256


def exact_decimal(value: Fraction) -> str:
    """Return a number as a decimal, exactly where one of finite length is, else the float64 nearest to it.

    >>> exact_decimal(Fraction(2974, 10)), exact_decimal(Fraction(1, 3)), exact_decimal(Fraction(-1500))
    ('297.4', '0.3333333333333333', '-1500')
    """
    denominator, twos, fives = value.denominator, 0, 0
    while denominator % 2 == 0:
        denominator, twos = denominator // 2, twos + 1
    while denominator % 5 == 0:
        denominator, fives = denominator // 5, fives + 1
    places = max(twos, fives)
    if denominator != 1 or places > 40:
        return repr(float(value))
    digits = str(abs(value.numerator) * 10**places // value.denominator).rjust(places + 1, "0")
    sign = "-" if value < 0 else ""
    return sign + (digits if not places else f"{digits[:-places]}.{digits[-places:]}")
