"""One field's entry as typed -> the model's Field: place, meanings, codes, limits in the field's unit."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from regcheck.device_map import leaves
from regcheck.device_map.author import Author
from regcheck.device_map.expression_tree import Expression, Number, Unary
from regcheck.device_map.expressions import parse_expression, parse_range
from regcheck.device_map.field_codes import check_of, codes_of, counter_of, general_codes_of, names_of
from regcheck.device_map.limits import Conditional
from regcheck.device_map.model import WORDY_TYPES, Each, Field, FieldType, Meaning, Span
from regcheck.device_map.places import BitPlace, BitsPlace, ByteNumber, BytesPlace, EndPlace, Order, place_width
from regcheck.device_map.syntax import FieldKeys, MeaningEntry, ValueKeys
from regcheck.device_map.units import Unit, convert
from regcheck.device_map.yaml_source import Node, Scalar
from regcheck.errors import Problem

ONE, ZERO = parse_expression("1"), parse_expression("0")
PLACE_KEYS = ("bytes", "bit", "bits", "msb", "lsb")
WIDTHS: dict[FieldType, tuple[int, ...]] = {
    FieldType.FLOAT: (16, 32, 64),
    FieldType.DATE: (16,),
    FieldType.LINEAR11: (16,),
    FieldType.ULINEAR16: (16,),
    FieldType.SLINEAR16: (16,),
    FieldType.DIRECT: (16,),
    FieldType.VERSION: (8, 16, 32),
    FieldType.UNIX_TIME: (32, 64),
}
NUMBER_KEYS = ("unit", "scale", "offset", "zero", "points", "convert", "range", "accuracy")
CHARACTERS = ("ascii", "latin-1", "utf-8")
PARAMETERS: dict[FieldType, tuple[str, ...]] = {
    FieldType.ULINEAR16: ("exponent",),
    FieldType.SLINEAR16: ("exponent",),
    FieldType.DIRECT: ("m", "b", "R"),
}


def _bit_place(name: str, entry: FieldKeys, order: Order, whole: BitPlace | None, author: Author) -> BitPlace | None:
    given = [key for key in PLACE_KEYS if getattr(entry, key) is not None]
    if len(given) > 1:
        author.fault(given[1], f"field '{name}' has two places, `{given[0]}` and `{given[1]}`", "keep one")
        return None
    if not given:
        if whole is None:
            author.problems.append(
                Problem(author.node.place, f"field '{name}' has no place", "write one of bytes, bit, bits, or msb or lsb with width")
            )
        return whole
    (key,) = given
    if entry.width is not None and key not in ("msb", "lsb"):
        author.fault("width", f"`width` stands beside `{key}`, which already says how wide '{name}' is", "take `width` out")
        return None
    if key == "bytes" and entry.bytes is not None:
        return BytesPlace(entry.bytes[0], entry.bytes[1], order)
    if key == "bit":
        return entry.bit
    if key == "bits":
        return entry.bits
    if entry.width is None:
        author.fault(key, f"`{key}` names one end of '{name}' only", "add its width in bits, such as `width: 12`")
        return None
    anchor = entry.msb if key == "msb" else entry.lsb
    assert anchor is not None  # noqa: S101 - it is the key that was given
    return EndPlace(anchor, entry.width, order, key == "msb")


def constant_quantity(expression: Expression) -> tuple[Fraction, Unit | None]:
    """Return a constant and the unit that it was typed with, None for a bare number.

    Raises ValueError where the expression names anything.
    """
    root, sign = expression.root, 1
    while isinstance(root, Unary):
        root, sign = root.operand, -sign
    if isinstance(root, Number):
        return sign * root.value, root.unit
    value = expression.constant()
    if value is None:
        raise ValueError(f"'{expression.text}' is no constant; expected a number, with its unit or bare")
    return value, None


def in_unit(quantity: tuple[Fraction, Unit | None], unit: Unit | None, *, difference: bool) -> Fraction:
    """Return a quantity in a field's unit; a bare number is in it already. Raises ValueError where the units do not fit."""
    value, given = quantity
    if given is None or given == unit:
        return value
    if unit is None:
        raise ValueError(f"a unit ({given}) stands here, but the field has none")
    if not given.fits(unit):
        raise ValueError(f"{given} does not fit the field's unit, {unit}")
    return convert(value, given, unit, difference=difference)


def parse_span(text: Scalar, unit: Unit | None) -> Span:
    """Return both ends of ``0 .. 5 V`` in a unit; raises ValueError."""
    low, high = parse_range(text)
    if low is None or high is None:
        raise ValueError(f"'{text}' has only one end; expected both, such as 0 .. 100")
    if low is high:
        raise ValueError(f"'{text}' is one value; expected both ends, such as 0 .. {text}")
    first, last = constant_quantity(low), constant_quantity(high)
    if first[1] is None and last[1] is not None:
        first = (first[0], last[1])
    span = Span(in_unit(first, unit, difference=False), in_unit(last, unit, difference=False))
    if span.high < span.low:
        raise ValueError(f"the range {text} runs backwards")
    return span


def _meaning(entry: MeaningEntry | ValueKeys, base: ValueKeys, when: Expression | None) -> Meaning:
    def own(key: str) -> Any:
        value = getattr(entry, key)
        return getattr(base, key) if value is None else value

    kind = own("type") or FieldType.UNSIGNED
    parameters = {key: own(key) for key in PARAMETERS.get(kind, ()) if own(key) is not None}
    return Meaning(
        when,
        kind,
        own("unit"),
        own("scale") or ONE,
        own("offset") or ZERO,
        own("zero") or ZERO,
        own("points") or (),
        own("convert"),
        parameters,
    )


def meanings_of(entry: ValueKeys, author: Author) -> tuple[Meaning, ...]:
    """Return a field's meanings, the field's own keys serving where a meaning does not say."""
    if entry.meanings is None:
        return (_meaning(entry, entry, None),)
    if not entry.meanings:
        author.fault("meanings", "`meanings` is empty", "write at least one, with `when`")
        return (_meaning(entry, entry, None),)
    return tuple(_meaning(one, entry, one.when) for one in entry.meanings)


def _each(entry: FieldKeys, place: BitPlace | None, author: Author) -> Each | None:
    if entry.each is None:
        return Each("", 0, None, 0, entry.number) if entry.number is not None else None
    keys: dict[str, Node] = {str(key): value for key, value in entry.each.items()}
    step_node = keys.pop("step", None)
    if len(keys) != 1:
        author.fault("each", "`each` names one running variable beside `step`", "write such as each: {cell: 1..4, step: 2 bytes}")
        return None
    ((variable, values),) = keys.items()
    try:
        low, high = parse_range(leaves.scalar(values, "a range such as 1..4"))
        if low is high:
            raise ValueError(f"`{variable}: {values}` is one number; expected such as 1..{values}")
        first = None if low is None else low.constant()
        if first is None or first.denominator != 1:
            raise ValueError(f"`{variable}: {values}` does not start at a whole number; expected such as 1..4, 1..cell_count or 1..")
        step = leaves.step_bits(step_node) if step_node is not None else (place_width(place) or 0) if place is not None else 0
        if step_node is not None and place is not None and step < (place_width(place) or 0):
            raise ValueError(f"the step of {step} bits is less than the {place_width(place)} bits of one element: they would overlap")
    except ValueError as error:
        author.fault("each", leaves.sentence(error))
        return None
    return Each(variable, int(first), high, step, entry.number)


def compile_field(
    name: str, message: str, entry: FieldKeys, author: Author, *, order: Order, whole: BitPlace | None, codes: str = ""
) -> Field | None:
    """Return the field, or None where it has no usable place; every fault goes to the author's list.

    ``whole`` is the place of a one-field register without a place of its own; ``order`` that of the message,
    ``codes`` the word for the codes of a number that says none itself.
    """
    place = _bit_place(name, entry, entry.order or order, whole, author)
    if place is None:
        return None
    meanings = meanings_of(entry, author)
    width = place_width(place)
    for meaning in meanings:
        _fits_type(name, meaning.type, width, place, author)
    missing = [key for meaning in meanings for key in PARAMETERS.get(meaning.type, ()) if key not in meaning.parameters and key != "R"]
    if missing:
        author.fault("type", f"type {meanings[0].type.value} of '{name}' needs `{missing[0]}`", "a number, or another field such as mode.n")
    _fits_keys(name, entry, meanings, author)
    unit = meanings[0].unit
    must_be: tuple[int, ...] | Expression = ()
    if entry.must_be:
        constants = [one.constant() for one in entry.must_be]
        must_be = (
            tuple(int(value) for value in constants if value is not None)
            if all(value is not None for value in constants)
            else entry.must_be[0]
        )
        if isinstance(must_be, tuple) and width is not None and any(value >> width for value in must_be):
            author.fault("must_be", f"{max(must_be):#x} does not fit into the {width} bits of '{name}'")
    if entry.reserved is not None and width is not None and entry.reserved >> width:
        author.fault("reserved", f"{entry.reserved:#x} does not fit into the {width} bits of '{name}'")
    if entry.raised is not None and width != 1:
        author.fault("raised", f"`raised` is for a flag of one bit; '{name}' has {width}")
    spans = []
    for case in entry.range or ():
        try:
            spans.append(Conditional(case.when, None if case.item is None else parse_span(case.item, unit)))
        except ValueError as error:
            author.problems.append(
                Problem(
                    case.item.place if isinstance(case.item, Scalar) else author.at("range"),
                    f"`range` of '{name}': {leaves.sentence(error)}",
                )
            )
    return Field(
        name=name,
        message=message,
        place=author.node.place,
        where=place,
        meanings=meanings,
        each=_each(entry, place, author),
        codes=codes_of(entry, width, author) if entry.codes is not None or not codes else general_codes_of(entry, meanings, width),
        names=names_of(entry, width, author),
        range=tuple(spans),
        accuracy=entry.accuracy or (),
        reserved=entry.reserved,
        must_be=must_be,
        raised=entry.raised,
        fitted=entry.fitted,
        positive=entry.positive or "",
        negative_when=entry.negative_when,
        valid_when=entry.valid_when,
        check=check_of(entry, width, author),
        counter=counter_of(entry, width, author),
        characters=entry.characters or "ascii",
        pad=entry.pad,
        granularity=entry.granularity,
        update_ns=entry.update or 0,
        filter_ns=entry.filter or 0,
        averages_ns=entry.averages or 0,
        sensor=entry.sensor,
        overlaps=entry.overlaps or (),
        see=entry.see or "",
        note=entry.note or "",
        given_keys={str(key): (value.place if isinstance(value, Scalar) else key.place) for key, value in author.node.items()},
    )


def _fits_keys(name: str, entry: FieldKeys, meanings: tuple[Meaning, ...], author: Author) -> None:
    """Note keys that say nothing of a field of this type."""
    kinds = {meaning.type for meaning in meanings}
    if kinds <= WORDY_TYPES:
        useless = [key for key in NUMBER_KEYS if getattr(entry, key) is not None]
        if useless:
            author.fault(useless[0], f"`{useless[0]}` says nothing of '{name}', whose type is {meanings[0].type.value}", "take it out")
    for key in ("characters", "pad"):
        if getattr(entry, key) is not None and FieldType.TEXT not in kinds:
            author.fault(key, f"`{key}` is for texts; '{name}' is {meanings[0].type.value}", "take it out, or write type: text")
    if entry.characters not in (None, *CHARACTERS):
        author.fault("characters", leaves.unknown(str(entry.characters), list(CHARACTERS), "character set"))
    for key in ("exponent", "m", "b", "R"):
        users = [kind for kind, keys in PARAMETERS.items() if key in keys]
        if getattr(entry, key) is not None and not kinds & set(users):
            words = " and ".join(kind.value for kind in users)
            author.fault(key, f"`{key}` belongs to type {words}; '{name}' is {meanings[0].type.value}", "write the type, or take it out")
    if entry.fitted is not None and entry.each is None and entry.number is None:
        author.fault("fitted", f"`fitted` counts the elements of an array; '{name}' is none", "write `each`, or take it out")
    if any(meaning.scale.constant() == 0 for meaning in meanings):
        author.fault("scale", f"the scale of '{name}' is 0, so its raw value says nothing", "leave it out for a scale of 1")


def _fits_type(name: str, kind: FieldType, width: int | None, place: BitPlace, author: Author) -> None:
    wordy = kind in (FieldType.TEXT, FieldType.BYTES)
    if wordy and not isinstance(place, BytesPlace):
        author.fault("type", f"type {kind.value} of '{name}' needs whole bytes", "give its place by `bytes`")
    elif width is None and not wordy:
        author.fault(
            "bytes",
            f"the width of '{name}' hangs on the length of the message",
            "only text and bytes may run to `last`; a number needs a width of its own",
        )
    elif width is not None and width > 64 and not wordy:
        author.fault(
            "type" if "type" in author.node else "bytes", f"'{name}' is {width} bits wide; a number has at most 64", "is it text or bytes?"
        )
    elif kind in WIDTHS and width not in WIDTHS[kind]:
        author.fault("type", f"type {kind.value} takes {' or '.join(map(str, WIDTHS[kind]))} bits; '{name}' has {width}")
    elif kind is FieldType.BCD and width is not None and width % 4:
        author.fault("type", f"type bcd takes four bits a digit; '{name}' has {width}")


def whole_payload(kind_bytes: int | None, order: Order) -> BitPlace:
    """Return the place of a one-field register: all its bytes."""
    return BytesPlace(ByteNumber(0), ByteNumber(kind_bytes - 1) if kind_bytes else ByteNumber(0, from_last=True), order)


__all__ = ["Author", "BitsPlace", "compile_field", "constant_quantity", "in_unit", "meanings_of", "whole_payload"]
