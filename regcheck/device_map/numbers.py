"""Scalars to exact numbers: the YAML 1.2 core schema (YAML 1.2.2, clause 10.3.2), from the text as typed."""

from __future__ import annotations

import re
from fractions import Fraction

INTEGER = re.compile(r"[-+]?[0-9]+|0[xX][0-9a-fA-F]+|0o[0-7]+")
DECIMAL = re.compile(r"([-+]?)(\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE]([-+]?[0-9]+))?")
_RATIO = re.compile(r"([-+]?[0-9]+)\s*/\s*([0-9]+)")
_PAIRS = re.compile(r"(?:[0-9a-fA-F]{2}\s*)*")

MOST_DIGITS = 300
"""Longest number and largest power of ten that are read: a slip such as 1e999999999 must not fill the memory."""


def as_integer(scalar: str) -> int:
    """Return a whole number: decimal, 0x, 0o.

    Raises ValueError with one sentence: not a whole number, too long, or a leading zero (octal to some readers, decimal to others).
    """
    if not INTEGER.fullmatch(scalar):
        raise ValueError(f"'{scalar}' is no whole number; expected digits, such as 11, or 0x0B{_yaml_hint(scalar)}")
    if len(scalar) > MOST_DIGITS:
        raise ValueError(f"a number of {len(scalar)} digits was found; expected at most {MOST_DIGITS}")
    digits = scalar.lstrip("+-")
    if len(digits) > 1 and digits[0] == "0" and digits.isdigit():
        raise ValueError(
            f"'{scalar}' starts with a zero, which some read as octal; write {scalar[: -len(digits)]}{int(digits)} or 0o{digits}"
        )
    return int(scalar, 0)


def as_fraction(scalar: str) -> Fraction:
    """Return a number exactly as typed: 0.1, 1e3, 0x10, 1/16; raises ValueError with one sentence."""
    if INTEGER.fullmatch(scalar):
        return Fraction(as_integer(scalar))
    if len(scalar) > MOST_DIGITS:
        raise ValueError(f"a number of {len(scalar)} digits was found; expected at most {MOST_DIGITS}")
    match = DECIMAL.fullmatch(scalar)
    if match:
        if match[3] and (len(match[3]) > 5 or abs(int(match[3])) > MOST_DIGITS):
            raise ValueError(f"'{scalar}' has a power of ten beyond {MOST_DIGITS}")
        return Fraction(scalar)
    ratio = _RATIO.fullmatch(scalar)
    if ratio:
        if not int(ratio[2]):
            raise ValueError(f"'{scalar}' divides by zero")
        return Fraction(int(ratio[1]), int(ratio[2]))
    raise ValueError(f"'{scalar}' is no number; expected such as 12, 0.1, 1e3, 1/16 or 0x10{_yaml_hint(scalar)}")


def _yaml_hint(scalar: str) -> str:
    if re.fullmatch(r"[-+]?[0-9]+,[0-9]+", scalar):
        return " (the decimal sign is a point)"
    if re.fullmatch(r"[-+]?[0-9][0-9_']*[_'][0-9_']*[0-9]", scalar):
        return " (digits are not grouped)"
    if re.fullmatch(r"[0-9A-Fa-f]+[hH]|[0-9]*[A-Fa-f][0-9A-Fa-f]*|\$[0-9A-Fa-f]+", scalar):
        return f" (a hexadecimal number starts with 0x: 0x{scalar.strip('$hH')})"
    return ""


def as_hex_bytes(scalar: str) -> bytes:
    """Return bytes written as hex pairs in order of transmission, such as ``A6 0B``; raises ValueError with one sentence."""
    if scalar[:2] in ("0x", "0X"):
        raise ValueError(f"'{scalar}' is a number; expected bytes as hex pairs in order of transmission, such as A6 0B")
    if not _PAIRS.fullmatch(scalar):
        raise ValueError(f"'{scalar}' is no list of hex pairs; expected two digits a byte in order of transmission, such as A6 0B")
    return bytes.fromhex(scalar)


def as_text(scalar: str) -> str:
    """Return a text as typed: ``firmware: 1.10`` gives ``1.10``, ``board: 0017`` gives ``0017``."""
    return str(scalar)


def as_bool(scalar: str) -> bool:
    """Return ``true`` or ``false``, the only two words for it; raises ValueError with one sentence."""
    if scalar not in ("true", "false") or getattr(scalar, "quoted", False):
        raise ValueError(f"'{scalar}' was found; expected true or false" + (", without quotes" if scalar in ("true", "false") else ""))
    return scalar == "true"


def format_fraction(number: Fraction) -> str:
    """Return the exact decimal where it is finite, else ``n/d``: ``1/16`` gives ``0.0625``, ``1/3`` gives ``1/3``."""
    twos = fives = 0
    rest = number.denominator
    while rest % 2 == 0:
        rest, twos = rest // 2, twos + 1
    while rest % 5 == 0:
        rest, fives = rest // 5, fives + 1
    if rest != 1:
        return f"{number.numerator}/{number.denominator}"
    places = max(twos, fives)
    if not places:
        return str(number.numerator)
    digits = str(abs(number.numerator) * 10**places // number.denominator).rjust(places + 1, "0")
    return ("-" if number < 0 else "") + f"{digits[:-places]}.{digits[-places:]}"
