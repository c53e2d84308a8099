"""``error / limit`` in few columns: a unit prefix and as many digits as fit, and never a rounding that turns the verdict."""

from __future__ import annotations

import math
from collections.abc import Iterator
from decimal import ROUND_HALF_UP, Context, Decimal

from regcheck.checks.finding import Strip

# SI Brochure, 9th edition, table 7: prefixes in steps of 1000.
_PREFIXES = {"p": -12, "n": -9, "u": -6, "µ": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9}
_SCALED = ("V", "A", "W", "J", "Ah", "Wh", "Hz", "s", "ohm", "Ω", "F")
# An error is a difference: of two Celsius temperatures it is in kelvin (SI Brochure 2.3.1).
_ERROR_UNITS = {"percent": "%", "degC": "K", "°C": "K"}
_EXACT = Context(prec=60)


def error_unit(unit: str) -> str:
    """Return the unit of a difference of two values of a unit, as it is printed."""
    return _ERROR_UNITS.get(unit, unit)


def error_and_limit(strip: Strip, width: int = 14) -> str:
    """Return ``+11.8 mV / 10``, at most ``width`` (14 or more) columns; the limit is the one on the error's side, without sign and unit.

    All digits are kept where they fit, if need be under another unit prefix. Rounded digits keep the order of error and limit
    (beyond, equal, within); where that takes more room the unit goes, then the limit.
    """
    unit = error_unit(strip.unit)
    bound = strip.high if strip.worst >= 0 else -strip.low
    if math.isnan(strip.worst) or math.isnan(bound):
        raise ValueError(f"an error strip needs numbers, {strip} has none")
    if math.isinf(strip.worst):
        return _short_error(strip.worst, unit, width)
    error, limit = _decimal(strip.worst), None if math.isinf(bound) else _decimal(bound)
    for text in _forms(error, limit, unit):
        if len(text) <= width:
            return text
    return _short_error(strip.worst, unit, width)


def error_alone(value: float, unit: str, width: int) -> str:
    """Return ``-14.0 mV``: all digits, else three significant ones, at most ``width`` columns; empty where nothing fits."""
    error = _decimal(value)
    for shift, prefixed in _prefixed(error, error_unit(unit)):
        scaled = error.scaleb(shift, _EXACT)
        for shown in (scaled, _rounded(scaled, max(0, 2 - scaled.adjusted()))):
            text = f"{_signed(shown)} {prefixed}".rstrip()
            if len(text) <= width:
                return text
    return ""


def _forms(error: Decimal, limit: Decimal | None, unit: str) -> Iterator[str]:
    """Yield forms of both numbers, the best first: exact in the unit, exact under a prefix, rounded, rounded without the unit."""
    units = list(_prefixed(limit or error, unit))
    for shift, shown_unit in units:
        yield _joined(error.scaleb(shift, _EXACT), None if limit is None else limit.scaleb(shift, _EXACT), shown_unit)
    for shift, shown_unit in (*reversed(units), (0, "")):
        scaled = error.scaleb(shift, _EXACT)
        scaled_limit = None if limit is None else limit.scaleb(shift, _EXACT)
        for error_decimals, limit_decimals in _decimal_pairs():
            rounded = _rounded(scaled, error_decimals)
            rounded_limit = None if scaled_limit is None else _rounded(scaled_limit, limit_decimals)
            if _same_order(scaled, scaled_limit, rounded, rounded_limit):
                yield _joined(rounded, rounded_limit, shown_unit)


def _decimal_pairs() -> list[tuple[int, int]]:
    pairs = [(error, limit) for error in range(7) for limit in range(7)]
    return sorted(pairs, key=lambda pair: (-(pair[0] + pair[1]), abs(pair[0] - pair[1]), -pair[0]))


def _same_order(error: Decimal, limit: Decimal | None, rounded: Decimal, rounded_limit: Decimal | None) -> bool:
    if error and not rounded:
        return False
    if limit is None or rounded_limit is None:
        return True
    return abs(error).compare(limit) == abs(rounded).compare(rounded_limit) and bool(limit) == bool(rounded_limit)


def _prefixed(leading: Decimal, unit: str) -> Iterator[tuple[int, str]]:
    """Yield the unit as it is, then the prefix that brings ``leading`` into 1..1000 where the unit takes prefixes.

    Each comes with the power of ten that a number is to be multiplied by.
    """
    yield 0, unit
    base = next((base for base in _SCALED if unit.endswith(base) and unit[: -len(base)] in _PREFIXES), None)
    if base is None or not leading:
        return
    exponent = _PREFIXES[unit[: -len(base)]]
    wanted = 3 * ((leading.adjusted() + exponent) // 3)
    prefix = next((name for name, power in _PREFIXES.items() if power == wanted), None)
    if prefix is not None and wanted != exponent:
        yield exponent - wanted, prefix + base


def _joined(error: Decimal, limit: Decimal | None, unit: str) -> str:
    return f"{_signed(error)}{' ' if unit else ''}{unit} / {'none' if limit is None else _plain(limit)}"


def _signed(value: Decimal) -> str:
    return f"+{_plain(value)}" if value > 0 else _plain(value)


def _decimal(value: float) -> Decimal:
    return Decimal(repr(float(value)))  # the shortest digits that give the double back: those that the check printed


def _rounded(value: Decimal, decimals: int) -> Decimal:
    if value.adjusted() + decimals > 40:
        return value
    return value.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_UP, context=_EXACT)


def _plain(value: Decimal) -> str:
    text = format(value, "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _short_error(worst: float, unit: str, width: int) -> str:
    with_unit = f"{worst:+.3g} {unit}".rstrip()
    return with_unit if len(with_unit) <= width else f"{worst:+.3g}"
