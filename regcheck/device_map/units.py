"""Units of the trade, exactly: a table of them here (no import needed to lint a map), every other one by pint.

Factors are exact by definition: the SI units with their prefixes and the units accepted beside them (SI brochure, 9th edition, tables 2, 4,
7 and 8; ISO 80000-1), bit and byte (IEC 80000-13), from memory of these documents; tests hold each entry equal to pint.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, TypeAlias

from regcheck.device_map.words import nearest

if TYPE_CHECKING:
    import pint

Dimension: TypeAlias = tuple[tuple[str, int], ...]
Lookup: TypeAlias = "Callable[[str], Unit | None]"


class UnitError(ValueError):
    """A unit that nobody knows, or one that does not fit."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: value in coherent SI units = number x factor + offset (the offset only for a point on a temperature scale).

    ``symbol`` is plain ASCII as we print it (mV, mohm, degC, percent); ``dimension`` is pairs (base, power), sorted by base. Bases are
    m, kg, s, A, K, mol, cd, and beside the SI bit and turn (one revolution).
    """

    symbol: str
    factor: Fraction
    offset: Fraction = Fraction(0)
    dimension: Dimension = ()

    def fits(self, other: Unit) -> bool:
        """Return whether both measure the same thing."""
        return self.dimension == other.dimension

    def times(self, other: Unit) -> Unit:
        """Return the product; temperatures count as differences in it."""
        if not other.dimension and other.factor == 1:
            return self.as_difference()
        if not self.dimension and self.factor == 1:
            return other.as_difference()
        return Unit(f"{self.symbol}*{other.symbol}", self.factor * other.factor, Fraction(0), _merge(self.dimension, other.dimension, 1))

    def per(self, other: Unit) -> Unit:
        """Return the quotient; temperatures count as differences in it."""
        if not other.dimension and other.factor == 1:
            return self.as_difference()
        flipped = other.symbol.translate(_FLIP)
        return Unit(f"{self.symbol}/{flipped}", self.factor / other.factor, Fraction(0), _merge(self.dimension, other.dimension, -1))

    def power(self, exponent: int) -> Unit:
        """Return the power."""
        if exponent == 1:
            return self.as_difference()
        symbol = (
            "1" if exponent == 0 else re.sub(r"([*/]|^)([^*/]+)", lambda match: f"{match[1]}{_raised(match[2], exponent)}", self.symbol)
        )
        dimension = tuple((base, power * exponent) for base, power in self.dimension) if exponent else ()
        return Unit(symbol, self.factor**exponent, Fraction(0), dimension)

    def as_difference(self) -> Unit:
        """Return the unit of a difference: the same without an offset."""
        return self if not self.offset else Unit(self.symbol, self.factor, Fraction(0), self.dimension)

    def __str__(self) -> str:
        return self.symbol


DIMENSIONLESS = Unit("1", Fraction(1))

_FLIP = str.maketrans("*/", "/*")


def _raised(atom: str, exponent: int) -> str:
    name, _, power = atom.partition("^")
    return f"{name}^{int(power or 1) * exponent}" if name != "1" else name


def _merge(one: Dimension, other: Dimension, sign: int) -> Dimension:
    powers = dict(one)
    for base, power in other:
        powers[base] = powers.get(base, 0) + sign * power
    return tuple(sorted((base, power) for base, power in powers.items() if power))


def _dimension(text: str) -> Dimension:
    return tuple(sorted((part.rstrip("-0123456789"), int(part[len(part.rstrip("-0123456789")) :] or 1)) for part in text.split()))


_PREFIXES = {"p": -12, "n": -9, "u": -6, "m": -3, "c": -2, "k": 3, "M": 6, "G": 9}

# symbol, prefixes that the trade uses with it, factor, dimension
_DEFINITIONS: tuple[tuple[str, str, Fraction | int, str], ...] = (
    ("V", "numkM", 1, "kg m2 s-3 A-1"),
    ("A", "pnumk", 1, "A"),
    ("ohm", "umkMG", 1, "kg m2 s-3 A-2"),
    ("W", "numkMG", 1, "kg m2 s-3"),
    ("VA", "mkM", 1, "kg m2 s-3"),
    ("var", "mkM", 1, "kg m2 s-3"),
    ("J", "mkM", 1, "kg m2 s-2"),
    ("F", "pnum", 1, "kg-1 m-2 s4 A2"),
    ("H", "num", 1, "kg m2 s-2 A-2"),
    ("S", "num", 1, "kg-1 m-2 s3 A2"),
    ("T", "num", 1, "kg s-2 A-1"),
    ("N", "mk", 1, "kg m s-2"),
    ("Pa", "mkM", 1, "kg m-1 s-2"),
    ("bar", "mk", 100_000, "kg m-1 s-2"),
    ("Hz", "mkMG", 1, "s-1"),
    ("m", "numck", 1, "m"),
    ("g", "umk", Fraction(1, 1000), "kg"),
    ("K", "um", 1, "K"),
    ("s", "pnum", 1, "s"),
    ("min", "", 60, "s"),
    ("h", "", 3600, "s"),
    ("d", "", 86_400, "s"),
    ("Ah", "umk", 3600, "A s"),
    ("Wh", "umkMG", 3600, "kg m2 s-2"),
    ("mol", "m", 1, "mol"),
    ("bit", "kMG", 1, "bit"),
    ("byte", "kMG", 8, "bit"),
    ("rpm", "", Fraction(1, 60), "turn s-1"),
    ("percent", "", Fraction(1, 100), ""),
    ("ppm", "", Fraction(1, 1_000_000), ""),
    ("degC", "", 1, "K"),
    ("degF", "", Fraction(5, 9), "K"),
)
_OFFSETS = {"degC": Fraction("273.15"), "degF": Fraction("459.67") * Fraction(5, 9)}
_ALIASES = {
    "%": "percent", "°C": "degC", "℃": "degC", "°F": "degF", "℉": "degF", "Ohm": "ohm", "ohms": "ohm",
    "hour": "h", "hours": "h", "hr": "h", "minute": "min", "minutes": "min", "second": "s", "seconds": "s", "sec": "s",
    "day": "d", "days": "d",
    "volt": "V", "ampere": "A", "kelvin": "K", "hertz": "Hz", "watt": "W", "bits": "bit", "bytes": "byte",
}  # fmt: skip
_REFUSED = {"C": "'C' may be coulomb or degree Celsius; write degC, or A*s"}


def _table() -> dict[str, Unit]:
    table = {"1": DIMENSIONLESS}
    for symbol, prefixes, factor, text in _DEFINITIONS:
        dimension = _dimension(text)
        table[symbol] = Unit(symbol, Fraction(factor), _OFFSETS.get(symbol, Fraction(0)), dimension)
        for prefix in prefixes:
            table[prefix + symbol] = Unit(prefix + symbol, factor * Fraction(10) ** _PREFIXES[prefix], Fraction(0), dimension)
    return table


TABLE = _table()
"""The trade's units by canonical symbol."""

_MARKS = str.maketrans({"µ": "u", "μ": "u", "Ω": "ohm", "\u2126": "ohm", "·": "*", "²": "^2", "³": "^3"})
_ATOM = r"(?:[A-Za-z][A-Za-z_]*|%|°[CF]|℃|℉|1)"
_COMPOUND = re.compile(rf"({_ATOM})(?:\^(-?[0-9]))?((?:\s*[*/]\s*{_ATOM}(?:\^-?[0-9])?)*)")
_PART = re.compile(rf"\s*([*/])\s*({_ATOM})(?:\^(-?[0-9]))?")


def known_unit(text: str) -> Unit | None:
    """Return the unit of a text by the table alone, compounds such as ``mV/s`` included; None if the table lacks it."""
    text = text.translate(_MARKS)
    found = TABLE.get(text) or TABLE.get(_ALIASES.get(text, ""))
    return found or _compound(text, lambda atom: TABLE.get(atom) or TABLE.get(_ALIASES.get(atom, "")))


def _compound(text: str, look_up: Lookup) -> Unit | None:
    match = _COMPOUND.fullmatch(text)
    if not match:
        return None
    first = look_up(match[1])
    if first is None:
        return None
    unit = first.power(int(match[2])) if match[2] else first
    for operator, atom, power in _PART.findall(match[3]):
        other = look_up(atom)
        if other is None:
            return None
        other = other.power(int(power)) if power else other
        unit = unit.times(other) if operator == "*" else unit.per(other)
    return unit


@lru_cache(maxsize=1024)
def parse_unit(text: str) -> Unit:
    """Return the unit of a text such as mV, °C, kbit/s, mohm/K, A*h, %; raise UnitError with the nearest known unit."""
    text = text.strip()
    if text in _REFUSED:
        raise UnitError(_REFUSED[text])
    found = known_unit(text) or (_compound(text.translate(_MARKS), _look_up_pint) if len(text) <= 40 else None)
    if found is None:
        near = nearest(text.translate(_MARKS), [*TABLE, *_ALIASES])
        raise UnitError(
            f"'{text}' is no known unit"
            + (f"; did you mean {near}?" if near else "; expected such as mV, mohm, degC, percent, mAh, kbit/s")
        )
    return found


_PINT_BASES = {"meter": "m", "kilogram": "kg", "second": "s", "ampere": "A", "kelvin": "K", "mole": "mol", "candela": "cd", "bit": "bit"}
_PINT_NUMBERS = frozenset({"radian", "count", "dimensionless"})


def _look_up_pint(atom: str) -> Unit | None:
    """Return a unit by pint; a single letter that the table lacks is one of pint's constants of nature, and no unit of the trade."""
    known = known_unit(atom)
    if known is not None or len(atom) < 2 or atom in _REFUSED:
        return known
    import pint

    try:
        parsed = _registry().parse_units(atom)
        factor, base = _registry().get_base_units(parsed)
    except (pint.UndefinedUnitError, pint.DefinitionSyntaxError, pint.OffsetUnitCalculusError):
        return None
    powers = {str(name): Fraction(str(power)) for name, power in base._units.items() if str(name) not in _PINT_NUMBERS}
    if any(name not in _PINT_BASES or power.denominator != 1 for name, power in powers.items()):
        return None
    zero = _registry().Quantity(Fraction(0), parsed).to_base_units().magnitude
    dimension = tuple(sorted((_PINT_BASES[name], int(power)) for name, power in powers.items()))
    return Unit(atom, Fraction(str(factor)), Fraction(str(zero)), dimension)


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Fraction]:
    import pint

    return pint.UnitRegistry(non_int_type=Fraction)


def convert(value: Fraction, source: Unit, target: Unit, difference: bool = False) -> Fraction:
    """Return a value of one unit in another one, exactly: a point on a temperature scale, or a ``difference``; raise UnitError."""
    if not source.fits(target):
        raise UnitError(f"{source} cannot be given in {target}")
    if difference:
        return value * source.factor / target.factor
    return (value * source.factor + source.offset - target.offset) / target.factor
