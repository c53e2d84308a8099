"""Numbers as findings print them: for evidence without binary dust, for sentences without exponents."""

from __future__ import annotations


def plain(value: float, digits: int = 9) -> float:
    """Return a float for evidence: ``digits`` significant digits, so that no binary dust is printed."""
    return float(f"{value:.{digits}g}")


def worded(value: float, unit: str, digits: int = 4, *, signed: bool = False) -> str:
    """Return a quantity for a sentence: ``digits`` significant digits, and a whole number with all of its own.

    >>> worded(20001.0, "mV"), worded(19006.4, "mV"), worded(0.00012345, "A", signed=True)
    ('20001 mV', '19006 mV', '+0.0001234 A')
    """
    size = abs(value)
    short = f"{value:{'+' if signed else ''}.{digits}g}"
    if 10**digits <= size < 1e15 or (size < 1e15 and size >= 1 and value == round(value)):
        short = f"{value:{'+' if signed else ''}.0f}"
    return short + (f" {unit}" if unit else "")
