"""What a map says, in short texts: formulas as typed, limits and ranges in the field's unit, cadences, codes, labels."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import TypeVar

from regcheck.device_map.expression_tree import show
from regcheck.device_map.limits import Cadence, Conditional, Limit, Term
from regcheck.device_map.model import WORDY_TYPES, Code, Field, FieldType, Length, Meaning, Message, Span
from regcheck.device_map.numbers import format_fraction
from regcheck.device_map.places import place_width
from regcheck.device_map.units import TABLE, Unit, convert

T = TypeVar("T")

_TIMES = ((10**9, "s"), (10**6, "ms"), (10**3, "us"), (1, "ns"))


def time_text(time_ns: int) -> str:
    """Return a time in its largest whole unit: ``250 ms``, ``60 s``."""
    factor, unit = next(((factor, unit) for factor, unit in _TIMES if time_ns >= factor), (10**9, "s"))
    return f"{format_fraction(Fraction(time_ns, factor))} {unit}"


def unit_text(unit: Unit | None) -> str:
    """Return a unit with a space before it, nothing for a plain number."""
    return f" {unit}" if unit is not None else ""


def bare_scale(meaning: Meaning) -> str:
    """Return the scale as typed where it is all there is to the formula, else nothing."""
    plain = meaning.offset.constant() == 0 and meaning.zero.constant() == 0
    return meaning.scale.text if plain and not meaning.points and meaning.convert is None and meaning.scale.constant() != 1 else ""


def formula(meaning: Meaning) -> str:
    """Return how a value comes of raw, as typed: ``raw x 0.25 - 50``; nothing where the value is raw itself, or no number."""
    if meaning.type in WORDY_TYPES:
        return ""
    text = "raw"
    if meaning.points:
        return "straight between " + ", ".join(f"({format_fraction(raw)}, {format_fraction(value)})" for raw, value in meaning.points)
    if meaning.convert is not None:
        return meaning.convert.text
    if meaning.type in (FieldType.ULINEAR16, FieldType.SLINEAR16) and "exponent" in meaning.parameters:
        text = f"raw x 2 ^ {show(meaning.parameters['exponent'].root, 8)}"
    if meaning.type is FieldType.DIRECT:
        m, b, power = (show(meaning.parameters[key].root, 8) if key in meaning.parameters else "0" for key in ("m", "b", "R"))
        text = f"(raw x 10 ^ {_minus(power)}{_less(b)}) / {m}"
    if meaning.zero.constant() != 0:
        text = f"({text} - {meaning.zero.text})"
    if meaning.scale.constant() != 1:
        text += f" x {show(meaning.scale.root, 7) if ' ' in meaning.scale.text and meaning.scale.text[0] != '(' else meaning.scale.text}"
    offset = meaning.offset
    if offset.constant() != 0:
        text += _less(offset.text[1:].strip()) if offset.text.startswith("-") else f" + {offset.text}"
    return "" if text == "raw" else text


def _minus(text: str) -> str:
    return text.removeprefix("-") if text.startswith("-") else f"-{text}"


def _less(text: str) -> str:
    return f" + {text[1:]}" if text.startswith("-") else f" - {text}"


def span_text(span: Span, unit: Unit | None) -> str:
    """Return a range in the field's unit; one in kelvin in degC, too."""
    text = f"{format_fraction(span.low)} .. {format_fraction(span.high)}"
    if unit is None or unit.symbol != "K":
        return text + unit_text(unit)
    ends = [format_fraction(convert(end, unit, TABLE["degC"])) for end in (span.low, span.high)]
    return f"{text} K ({ends[0]} .. {ends[1]} degC)"


def _share(amount: Fraction) -> str:
    return f"{format_fraction(amount * 100)} %"


def _term(term: Term, unit: Unit | None) -> str:
    if term.kind == "absolute":
        text = format_fraction(term.amount) + unit_text(_difference(term.unit if term.unit is not None else unit))
    elif term.kind == "lsb":
        text = f"{format_fraction(term.amount)} lsb"
    elif term.kind == "field":
        name = show(term.field) if term.field is not None else "a field"
        text = name if term.amount == 1 else f"{_share(term.amount)} of {name}"
    else:
        text = f"{_share(term.amount)} of {term.kind}"
    return text + (" rectangular" if term.rectangular else "") + (f" ({term.cause})" if term.cause else "")


def _difference(unit: Unit | None) -> Unit | None:
    """Return the unit of a difference: of two points in degC it is kelvin (SI Brochure, 9th edition, 2.3.1)."""
    return TABLE["K"] if unit is not None and unit.symbol == "degC" else unit


def limit_text(limit: Limit, unit: Unit | None) -> str:
    """Return a limit as a map says it: ``0.5 % of reading + 10 mA``, ``-0 .. +max_error``."""
    low, high = (" + ".join(_term(term, unit) for term in side) for side in (limit.low, limit.high))
    low = "0" if all(term.amount == 0 for term in limit.low) else low
    text = high if limit.low == limit.high else f"-{low} .. +{high}"
    if limit.sensor:
        text += " of which sensor " + " + ".join(_term(term, unit) for term in limit.sensor)
    if limit.of == "mean":
        text += ", of the mean"
    elif isinstance(limit.of, Fraction):
        text += f", of {_share(limit.of)} of readings"
    return text


def cases_text(cases: Sequence[Conditional[T]], say: Callable[[T], str]) -> str:
    """Return a conditional value in one line: ``1 K when applied in 0 .. 60 degC; else 3 K``."""
    said = []
    for case in cases:
        item = "not judged" if case.item is None else say(case.item)
        if case.when is not None:
            said.append(f"{item} when {case.when.text}")
        else:
            said.append(f"else {item}" if said else item)
    return "; ".join(said)


def range_text(field: Field) -> str:
    """Return a field's range."""
    return cases_text(field.range, lambda span: span_text(span, field.unit))


def accuracy_text(field: Field) -> str:
    """Return a field's accuracy."""
    return cases_text(field.accuracy, lambda limit: limit_text(limit, field.unit))


def cadence_text(cadence: Cadence) -> str:
    """Return a cadence: ``every 100 ms +/- 10 ms``, ``on change``."""
    if cadence.kind in ("change", "request"):
        return f"on {cadence.kind}"
    if cadence.kind == "between":
        return f"{time_text(cadence.low_ns)} .. {time_text(cadence.high_ns)} apart"
    return f"every {time_text(cadence.period_ns)}" + (f" +/- {time_text(cadence.tolerance_ns)}" if cadence.tolerance_ns is not None else "")


def length_text(length: Length) -> str:
    """Return a message's length: ``8 bytes``, ``1 + 2 * cell_count bytes``."""
    if length.expression is not None:
        return f"{length.expression.text} bytes"
    if length.high is None:
        return f"{length.low} bytes or more"
    return f"{length.low} byte{'' if length.low == 1 else 's'}" if length.low == length.high else f"{length.low}..{length.high} bytes"


def raw_text(raw: int, field: Field) -> str:
    """Return a raw value in hex, as wide as the field."""
    width = place_width(field.where) or 0
    return f"0x{raw:0{-(-width // 4)}X}" if width > 4 else str(raw)


def codes_text(codes: Sequence[Code], field: Field) -> str:
    """Return the raw values that are no numbers, each with its word."""
    return ", ".join(
        f"{raw_text(code.first, field)}{'' if code.first == code.last else '..' + raw_text(code.last, field)} {code.word}" for code in codes
    )


def labels_text(names: Mapping[int, str]) -> str:
    """Return labels with their raw values."""
    return ", ".join(f"{raw} {word}" for raw, word in names.items())


def access_text(message: Message) -> str:
    """Return ``read``, ``write`` or ``read and write``."""
    return " and ".join(way for way in ("read", "write") if way in message.access)
