"""Exact conversion between decimal text and integer nanoseconds: no time ever passes through a float."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_EVEN, Decimal, localcontext

NS_LIMIT = 1 << 62
"""Times at or beyond plus or minus this many nanoseconds (146 years) are refused, so that sums and differences stay in 64 bits."""

FS_PER_NS = 1_000_000

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


def parse_time(text: str, power: int = 9) -> int:
    """Return the nanoseconds of decimal ``text``, whose unit is 10**``power`` ns (9: seconds, 0: nanoseconds).

    Digits beyond a nanosecond are rounded half-even. ValueError: no decimal number, or beyond ``NS_LIMIT``.

    >>> parse_time("12.345678901"), parse_time("1.5e-3"), parse_time("2.5", 0)
    (12345678901, 1500000, 2)
    """
    whole, _, part = text.partition(".")
    digits = whole + part
    if digits.isdecimal() and len(part) <= power and len(digits) < 25 and text.isascii():
        return _bounded(int(digits) * 10 ** (power - len(part)), text)
    if len(text) > 400 or not _NUMBER.fullmatch(text):
        raise ValueError(f"{text[:40]!r} is no decimal number")
    with localcontext(prec=1500):
        return _bounded(int(Decimal(text).scaleb(power).quantize(Decimal(1), rounding=ROUND_HALF_EVEN)), text)


def _bounded(nanoseconds: int, text: str) -> int:
    if not -NS_LIMIT < nanoseconds < NS_LIMIT:
        raise ValueError(f"{text[:40]!r} is beyond the times that can be held")
    return nanoseconds


def format_seconds(nanoseconds: int) -> str:
    """Return ``nanoseconds`` as seconds in decimal text, exactly, with nine places.

    >>> format_seconds(12345678901), format_seconds(-5)
    ('12.345678901', '-0.000000005')
    """
    whole, part = divmod(abs(nanoseconds), 1_000_000_000)
    return f"{'-' if nanoseconds < 0 else ''}{whole}.{part:09d}"


def round_ratio(value: int, numerator: int, denominator: int) -> int:
    """Return value * numerator / denominator, rounded half-even in integers."""
    quotient, rest = divmod(value * numerator, denominator)
    return quotient + (2 * rest > denominator or (2 * rest == denominator and quotient & 1 == 1))
