"""Numbers as findings print them: for evidence without binary dust, for sentences without exponents."""

from __future__ import annotations

import re


def plain(value: float, digits: int = 9) -> float:
    """Return a float for evidence: ``digits`` significant digits, so that no binary dust is printed."""
    return float(f"{value:.{digits}g}")


def worded(value: float, unit: str, digits: int = 4, *, signed: bool = False, apart: bool = False) -> str:
    """Return a quantity for a sentence: ``digits`` significant digits, and a whole number with all of its own.

    A ``signed`` quantity, or one said to be ``apart``, is a difference: of temperatures in degC it is in K.

    >>> worded(20001.0, "mV"), worded(19006.4, "mV"), worded(0.00012345, "A", signed=True)
    ('20001 mV', '19006 mV', '+0.0001234 A')
    """
    size = abs(value)
    short = f"{value:{'+' if signed else ''}.{digits}g}"
    if 10**digits <= size < 1e15 or (size < 1e15 and size >= 1 and value == round(value)):
        short = f"{value:{'+' if signed else ''}.0f}"
    if unit == "degC" and (signed or apart):
        unit = "K"  # SI Brochure, 9th edition, 2.3.1
    return short + (f" {unit}" if unit else "")


def slug(name: str) -> str:
    """Return a name as it stands in an id: lower case, everything but letters and digits to one dash."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")


def times(number: int) -> str:
    """Return how often: once, or a number of times."""
    return "once" if number == 1 else f"{number} times"


def lasted(time_ns: int) -> str:
    """Return a duration for a sentence: milliseconds below ten seconds, else seconds.

    >>> lasted(302_000_000), lasted(61_500_000_000)
    ('302 ms', '61.5 s')
    """
    return worded(time_ns / 1e6, "ms", 6) if abs(time_ns) < 10**10 else worded(time_ns / 1e9, "s", 6)
