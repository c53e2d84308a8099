"""Limits, quantities, times and the one form of conditional values."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Generic, Literal, TypeVar

from regcheck.device_map.expression_tree import Expression, Name
from regcheck.device_map.expressions import parse_expression
from regcheck.device_map.numbers import as_fraction, format_fraction
from regcheck.device_map.units import DIMENSIONLESS, TABLE, Unit, parse_unit
from regcheck.device_map.words import known_list, nearest
from regcheck.device_map.yaml_source import Mapping, Node, Scalar, Sequence

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Term:
    """One term of a limit, never below 0.

    ``amount`` is in ``unit`` (absolute; None: the field's), a share (reading, range, and field: 0.01 is 1 %), or a count of steps (lsb). A
    field's name alone is that field with the amount 1. ``cause`` is what stands in parentheses; ``rectangular`` divides by the root of 3.
    """

    kind: Literal["absolute", "reading", "range", "field", "lsb"]
    amount: Fraction
    unit: Unit | None = None
    field: Name | None = None
    cause: str | None = None
    rectangular: bool = False


@dataclass(frozen=True, slots=True)
class Limit:
    """How far a value may lie below (``low``) and above (``high``), both as sums of magnitudes.

    ``of`` says what is judged: every reading, the mean, or a share of the readings (0.997). ``sensor`` is taken off both sides.
    """

    low: tuple[Term, ...]
    high: tuple[Term, ...]
    of: Literal["readings", "mean"] | Fraction = "readings"
    sensor: tuple[Term, ...] = ()


@dataclass(frozen=True, slots=True)
class Conditional(Generic[T]):
    """A value while ``when`` holds (None: in every other case); ``item`` None is not judged."""

    when: Expression | None
    item: T | None


@dataclass(frozen=True, slots=True)
class Cadence:
    """How often a message comes: ``low_ns`` .. ``high_ns`` between two of them, all 0 for `change` and `request`.

    A ``period`` without a tolerance has ``tolerance_ns`` None and its period as both ends; ``between`` has no period.
    """

    kind: Literal["period", "between", "change", "request"]
    period_ns: int = 0
    tolerance_ns: int | None = None
    low_ns: int = 0
    high_ns: int = 0


_NUMBER = r"[-+]?(?:0[xX][0-9A-Fa-f]+|(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)"
_QUANTITY = re.compile(rf"\s*({_NUMBER})\s*(\S(?:.*\S)?)?\s*")
_NAME = re.compile(r"[A-Za-z_]\w*(?:\.[A-Za-z_]\w*)*(?:\[[^\]]*\])?")
_SHARE = re.compile(r"(\S+)\s+of\s+(\S.*)")
_SENSOR = re.compile(r"\s+of\s+which\s+sensor\s+")
_BOTH_SIDES = re.compile(r"\s*(?:\+/-|±|\+-)\s*")
_PLUS = re.compile(r"\+(?![^(]*\))(?<![0-9][eE]\+)")
_OF = re.compile(rf"({_NUMBER})\s*(%|percent)\s+of\s+readings")


# quantities and times


def parse_quantity(text: str, expects: Unit | None = None) -> tuple[Fraction, Unit]:
    """Return number and unit of ``100 kHz`` or ``-5 degC``; ``expects`` is a unit that it must fit. Raises ValueError.

    Without ``expects`` a plain number is dimensionless.
    """
    match = _QUANTITY.fullmatch(text)
    if not match:
        shown = f"such as 2 {expects}" if expects is not None else "a number with its unit, such as 2 ms"
        raise ValueError(f"'{text}' was found; expected {shown}")
    value = as_fraction(match[1])
    if match[2] is None:
        if expects is not None and expects.dimension:
            raise ValueError(f"'{text}' has no unit; expected such as {text.strip()} {expects}")
        return value, DIMENSIONLESS
    unit = parse_unit(match[2])
    if expects is not None and not unit.fits(expects):
        raise ValueError(f"'{text}' is in {unit}; expected {expects} or another unit of the same kind")
    return value, unit


def _nanoseconds(value: Fraction, unit: Unit, text: str) -> int:
    time = value * unit.factor * 1_000_000_000
    if time < 0:
        raise ValueError(f"'{text}' is below 0; expected a time such as 250 ms")
    if time.denominator != 1:
        raise ValueError(f"'{text}' is finer than a nanosecond; expected whole nanoseconds")
    return int(time)


def parse_time_ns(text: str) -> int:
    """Return a time such as ``250 ms`` in whole nanoseconds, 0 or more; raises ValueError."""
    return _nanoseconds(*parse_quantity(text, TABLE["s"]), text)


def _time_pair(text: str) -> tuple[int, int]:
    """Return both ends of ``2 s .. 3 s`` or ``2 .. 3 s``."""
    first, _, last = text.partition("..")
    high, unit = parse_quantity(last, TABLE["s"])
    low, low_unit = parse_quantity(first)
    if low_unit == DIMENSIONLESS:
        low_unit = unit
    elif not low_unit.fits(TABLE["s"]):
        raise ValueError(f"'{first.strip()}' is in {low_unit}; expected a time")
    pair = _nanoseconds(low, low_unit, first.strip()), _nanoseconds(high, unit, last.strip())
    if pair[0] > pair[1]:
        raise ValueError(f"the range {text.strip()} runs backwards")
    return pair


def parse_time_range_ns(text: str) -> tuple[int, int]:
    """Return (0, high) of ``1 s``, (low, high) of ``2 s .. 3 s`` or ``2 .. 3 s``, in whole nanoseconds; raises ValueError."""
    return _time_pair(text) if ".." in text else (0, parse_time_ns(text))


def parse_cadence(node: Node) -> Cadence:
    """Return a cadence: ``100 ms``, ``100 ms +/- 10 ms``, ``100 ms +/- 5 %``, ``5 s .. 60 s``, change, request; raises ValueError."""
    text = _scalar(node, "a cadence such as 100 ms +/- 10 ms, 5 s .. 60 s, change or request")
    if text == "change":
        return Cadence("change")
    if text == "request":
        return Cadence("request")
    if ".." in text:
        low, high = _time_pair(text)
        if not high:
            raise ValueError(f"'{text}' leaves no time; expected such as 5 s .. 60 s")
        return Cadence("between", low_ns=low, high_ns=high)
    first, *rest = _BOTH_SIDES.split(text, maxsplit=1)
    near = nearest(text, ["change", "request"]) if not re.search("[0-9]", text) else None
    if near:
        raise ValueError(f"'{text}' is no cadence; did you mean {near}?")
    period = parse_time_ns(first)
    if not period:
        raise ValueError(f"'{text}' has a period of 0; expected such as 100 ms")
    if not rest:
        return Cadence("period", period, None, period, period)
    tolerance = _tolerance(rest[0], period)
    if tolerance >= period:
        raise ValueError(f"the tolerance of '{text}' is as long as its period")
    return Cadence("period", period, tolerance, period - tolerance, period + tolerance)


def _tolerance(text: str, period: int) -> int:
    value, unit = parse_quantity(text)
    if unit.dimension or unit == DIMENSIONLESS:
        return parse_time_ns(text)
    return _nanoseconds(value * unit.factor * period / 1_000_000_000, TABLE["s"], text)


def _scalar(node: Node, expected: str) -> str:
    if isinstance(node, Scalar):
        return str(node)
    raise ValueError(f"{'a mapping' if isinstance(node, Mapping) else 'a list'} stands here; expected {expected}")


# limits


def parse_limit(node: Node) -> Limit:
    """Return a limit of accuracy, within or uncertainty; raises ValueError with one sentence.

    ``0.5 % of reading + 20 mA``, ``+/- 10 mV``, ``-0 .. +max_error``, ``3 K of which sensor 1 K``, terms with causes and ``rectangular``
    (``0.3 mV rectangular (each)``), and ``{limit: 3 mV, of: mean}`` or ``of: 99.7 % of readings``.
    """
    if not isinstance(node, Mapping):
        return _limit(_scalar(node, "a limit such as 0.5 % of reading + 20 mA"))
    for key in node:
        if key not in ("limit", "of"):
            near = nearest(key, ("limit", "of"))
            raise ValueError(f"'{key}' is no key of a limit; " + (f"did you mean {near}?" if near else "expected limit and of"))
    if "limit" not in node:
        raise ValueError("the key limit is missing, such as {limit: 3 mV, of: mean}")
    found = _limit(_scalar(node[Scalar("limit")], "a limit such as 3 mV"))
    return replace(found, of=_statistic(_scalar(node[Scalar("of")], "mean or 99.7 % of readings"))) if "of" in node else found


def _statistic(text: str) -> Literal["readings", "mean"] | Fraction:
    if text == "mean":
        return "mean"
    if text == "readings":
        return "readings"
    match = _OF.fullmatch(text.strip())
    share = as_fraction(match[1]) / 100 if match else Fraction(0)
    if not 0 < share <= 1:
        raise ValueError(f"'of: {text}' was found; expected mean, readings, or a share such as 99.7 % of readings")
    return share if share < 1 else "readings"


def _limit(text: str) -> Limit:
    body, *sensor_text = _SENSOR.split(text, maxsplit=1)
    sensor = _sum(sensor_text[0]) if sensor_text else ()
    if ".." not in body:
        terms = _sum(_BOTH_SIDES.sub("", body, count=1) if _BOTH_SIDES.match(body) else body)
        return Limit(terms, terms, sensor=sensor)
    low_text, _, high_text = body.partition("..")
    low_text, high_text = low_text.strip(), high_text.strip()
    if high_text.startswith("-") and high_text.lstrip("-0. ") != "":
        raise ValueError(f"'{high_text}' is below 0; expected a high side such as +10 mV")
    high = _sum(high_text.removeprefix("+"))
    low = _sum(low_text.removeprefix("-"))
    if not low_text.startswith("-") and any(term.amount for term in low):
        raise ValueError(f"'{low_text}' is above 0; expected a low side such as -10 mV")
    if len(low) == len(high) == 1 and low[0].kind == high[0].kind == "absolute" and low[0].unit is None:
        low = (replace(low[0], unit=high[0].unit),)
    return Limit(low, high, sensor=sensor)


def _sum(text: str) -> tuple[Term, ...]:
    return tuple(_term(part.strip(), text) for part in _PLUS.split(text))


def _term(text: str, whole: str) -> Term:
    cause: str | None = None
    rectangular = False
    body = text
    while True:
        if body.endswith(")") and cause is None and "(" in body:
            body, _, inner = body[:-1].rpartition("(")
            cause, body = inner.strip(), body.strip()
            if not cause:
                raise ValueError(f"the cause in '{text}' is empty")
        elif re.search(r"(^|\s)rectangular$", body) and not rectangular:
            body, rectangular = body.removesuffix("rectangular").strip(), True
        else:
            break
    if not body:
        raise ValueError(f"a term is missing in '{whole.strip()}'" if not text else f"'{text}' has no amount; expected such as 3 mV")
    return replace(_amount(body), cause=cause, rectangular=rectangular)


def _amount(text: str) -> Term:
    match = _QUANTITY.fullmatch(text)
    if not match:
        if _NAME.fullmatch(text) and text not in ("none", "reading", "range", "lsb"):
            return Term("field", Fraction(1), field=_field(text))
        hint = "; `is: none` stands only in a list of when and is" if text == "none" else ""
        raise ValueError(f"'{text}' is no term of a limit; expected such as 3 mV, 0.5 % of reading, 1 lsb or a field's name{hint}")
    amount, rest = as_fraction(match[1]), match[2]
    if amount < 0:
        raise ValueError(f"'{text}' is below 0; a limit is a sum of magnitudes")
    if rest is None:
        return Term("absolute", amount)
    if rest == "lsb":
        return Term("lsb", amount)
    share = _SHARE.fullmatch(rest)
    if share is None:
        if re.search(r"\s-\s", rest):
            raise ValueError(f"'{text}' subtracts; a limit is a sum of magnitudes (`of which sensor` takes off the sensor's part)")
        if re.match(r"(%|percent)\s+\w", rest):
            raise ValueError(f"'{text}' was found; expected `of` after the percent sign, such as 1 % of reading")
        return Term("absolute", amount, unit=parse_unit(rest))
    unit = parse_unit(share[1])
    if unit.dimension or unit == DIMENSIONLESS:
        raise ValueError(f"'{text}' was found; only a share is of something, such as {format_fraction(amount)} % of {share[2]}")
    if share[2] == "reading":
        return Term("reading", amount * unit.factor)
    if share[2] == "range":
        return Term("range", amount * unit.factor)
    if share[2] in ("readings", "which sensor"):
        raise ValueError(f"'{text}' was found; expected such as 1 % of reading" + (", or {limit: 3 mV, of: 99.7 % of readings}"))
    if not _NAME.fullmatch(share[2]):
        raise ValueError(f"'{share[2]}' is no field's name; expected % of reading, % of range, or % of a field")
    return Term("field", amount * unit.factor, field=_field(share[2]))


def _field(text: str) -> Name:
    root = parse_expression(text).root
    if not isinstance(root, Name):
        raise TypeError(f"'{text}' was read as {root}")
    return root


# conditional values


def parse_conditional(node: Node, parse_item: Callable[[Node], T]) -> tuple[Conditional[T], ...]:
    """Return a conditional value: one item, or a list of ``{when, is}`` of which the first that holds counts.

    ``is: none`` is not judged. Only the last case may stand without ``when``. Raises ValueError, or what ``parse_item`` raises.
    """
    if not isinstance(node, Sequence):
        return (Conditional(None, _item(node, parse_item)),)
    if not node:
        raise ValueError("an empty list was found; expected a value, or a list of {when: ..., is: ...}")
    cases: list[Conditional[T]] = []
    for number, case in enumerate(node, 1):
        if not isinstance(case, Mapping):
            raise ValueError(f"item {number} of the list is no case; expected {{when: ..., is: ...}}")
        unknown = [key for key in case if key not in ("when", "is")]
        if unknown:
            near = nearest(unknown[0], ("when", "is"))
            raise ValueError(
                f"'{unknown[0]}' is no key of a case; " + (f"did you mean {near}?" if near else f"expected {known_list(['when', 'is'])}")
            )
        if "is" not in case:
            raise ValueError(f"case {number} has no `is`; expected {{when: ..., is: ...}}")
        if "when" not in case and number < len(node):
            raise ValueError(f"case {number} has no `when`, so the cases after it are never reached")
        condition = parse_expression(_scalar(case[Scalar("when")], "a condition"), case[Scalar("when")].place) if "when" in case else None
        cases.append(Conditional(condition, _item(case[Scalar("is")], parse_item)))
    return tuple(cases)


def _item(node: Node, parse_item: Callable[[Node], T]) -> T | None:
    return None if isinstance(node, Scalar) and node == "none" and not node.quoted else parse_item(node)
