"""What may be written where in a map: the language as pydantic models, whose JSON Schema editors use.

Each leaf is read from the YAML loader's own node by one function; a model only says which keys there are.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from regcheck.device_map import leaves
from regcheck.device_map.expression_tree import Expression
from regcheck.device_map.limits import parse_cadence, parse_conditional, parse_limit, parse_time_ns
from regcheck.device_map.model import Code, FieldType, Pec, TransferKind
from regcheck.device_map.numbers import as_fraction
from regcheck.device_map.places import BitsPlace, ByteNumber, Order
from regcheck.device_map.units import Unit, parse_unit
from regcheck.device_map.yaml_source import Mapping, Node, Scalar

NUMBER_OR_TEXT = {"type": ["number", "string"]}
RANGE = r"^(0[xX][0-9A-Fa-f]+|[0-9]+)(\.\.(0[xX][0-9A-Fa-f]+|[0-9]+))?$"


def leaf(read: Callable[[Any], Any], schema: dict[str, Any]) -> Any:
    """Return what annotates a type as read by ``read`` from a node."""
    return (BeforeValidator(read), WithJsonSchema(schema))


def _integer(low: int, high: int, what: str) -> Any:
    return leaf(leaves.integer(low, high, what), {"anyOf": [{"type": "integer", "minimum": low, "maximum": high}, {"type": "string"}]})


def _one_of(words: list[str]) -> dict[str, Any]:
    return {"enum": words}


def _conditional(item: dict[str, Any]) -> dict[str, Any]:
    when = {"anyOf": [item, {"const": "none"}]}
    case = {"type": "object", "properties": {"when": NUMBER_OR_TEXT, "is": when}, "required": ["is"], "additionalProperties": False}
    return {"anyOf": [item, {"type": "array", "items": case}]}


def _raw_range(node: Node) -> Any:
    return parse_conditional(node, lambda item: leaves.scalar(item, "a range such as 0 .. 100"))


LIMIT_SCHEMA: dict[str, Any] = {
    "anyOf": [
        NUMBER_OR_TEXT,
        {"type": "object", "properties": {"limit": NUMBER_OR_TEXT, "of": NUMBER_OR_TEXT}, "required": ["limit", "of"]},
    ]
}

Text = Annotated[str, *leaf(leaves.text, NUMBER_OR_TEXT)]
Truth = Annotated[bool, *leaf(leaves.truth, {"type": "boolean"})]
Formula = Annotated[Expression, *leaf(leaves.expression, NUMBER_OR_TEXT)]
Nanoseconds = Annotated[int, *leaf(lambda node: parse_time_ns(leaves.scalar(node, "a time such as 250 ms")), {"type": "string"})]
UnitName = Annotated[Unit, *leaf(lambda node: parse_unit(leaves.text(node)), {"type": "string"})]
TypeName = Annotated[FieldType, *leaf(leaves.field_type, _one_of([member.value for member in FieldType]))]
OrderName = Annotated[Order, *leaf(leaves.word_of(Order, "order"), _one_of(["little", "big"]))]
PecWord = Annotated[Pec, *leaf(leaves.word_of(Pec, "pec"), _one_of([member.value for member in Pec]))]
Address = Annotated[int, *_integer(0, 0x7F, "7-bit address")]
Command = Annotated[int, *_integer(0, 0xFF, "command")]
Word16 = Annotated[int, *_integer(0, 0xFFFF, "word")]
Width = Annotated[int, *_integer(1, 4096, "width in bits")]
Limits = Annotated[Any, *leaf(lambda node: parse_conditional(node, parse_limit), _conditional(LIMIT_SCHEMA))]
Limits1 = Annotated[Any, *leaf(parse_limit, LIMIT_SCHEMA)]
Ranges = Annotated[Any, *leaf(_raw_range, _conditional({"type": ["number", "string"]}))]
Codes = Annotated[
    tuple[Code, ...] | str,
    *leaf(
        lambda node: str(node) if isinstance(node, Scalar) else leaves.codes(node),
        {
            "anyOf": [
                {"const": "J1939"},
                {"type": "object", "propertyNames": {"pattern": RANGE}, "additionalProperties": {"type": "string"}},
            ]
        },
    ),
]
Labels = Annotated[
    dict[int, str] | str,
    *leaf(
        lambda node: str(node) if isinstance(node, Scalar) else leaves.labels(node),
        {"anyOf": [{"type": "string"}, {"type": "object", "additionalProperties": NUMBER_OR_TEXT}]},
    ),
]
ByteSpan = Annotated[tuple[ByteNumber, ByteNumber], *leaf(leaves.byte_span, {"type": ["integer", "string"]})]
OneBit = Annotated[BitsPlace, *leaf(leaves.one_bit, {"type": "integer"})]
ManyBits = Annotated[BitsPlace, *leaf(leaves.many_bits, {"anyOf": [{"type": "string"}, {"type": "array", "items": NUMBER_OR_TEXT}]})]
EndBit = Annotated[int, *leaf(leaves.end_bit, {"type": "string", "pattern": r"^byte [0-9]+ bit [0-7]$"})]
HexBytes = Annotated[bytes, *leaf(leaves.hex_bytes, {"type": ["string", "integer"]})]
Points = Annotated[
    Any,
    *leaf(
        lambda node: tuple((as_fraction(raw), as_fraction(value)) for raw, value in leaves.table(node)),
        {"type": "array", "minItems": 2, "items": {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}},
    ),
]
Cadence = Annotated[Any, *leaf(lambda node: parse_conditional(node, parse_cadence), _conditional({"type": "string"}))]
TransferWord = Annotated[
    tuple[TransferKind, int],
    *leaf(
        leaves.transfer,
        {
            "anyOf": [
                _one_of([kind.value for kind in TransferKind if kind is not TransferKind.PLAIN]),
                {"type": "string", "pattern": r"^[0-9]+ bytes$"},
            ]
        },
    ),
]
Access = Annotated[
    frozenset[str], *leaf(leaves.access, {"anyOf": [_one_of(["read", "write"]), {"type": "array", "items": _one_of(["read", "write"])}]})
]
MustBe = Annotated[
    Any,
    *leaf(
        lambda node: leaves.one_or_list(node, leaves.expression),
        {"anyOf": [NUMBER_OR_TEXT, {"type": "array", "items": NUMBER_OR_TEXT}]},
    ),
]
EachItems = Annotated[Mapping, *leaf(leaves.mapping, {"type": "object", "additionalProperties": NUMBER_OR_TEXT})]


class Entry(BaseModel):
    """A mapping of the language: its keys and no others."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, populate_by_name=False, defer_build=True)


class Example(Entry):
    """A proof of the map: bytes and what must come out of them."""

    data: HexBytes | None = Field(None, description="the payload, as hex pairs")
    transfer: HexBytes | None = Field(None, description="every byte on the wire: addresses, count and PEC too")
    given: Text | None = Field(None, description="values of other fields, such as specification.ip_scale = 0")
    value: Text | None = Field(None, description="what the one field must read, with its unit")
    values: Annotated[dict[str, Text] | None, Field(description="what each field must read")] = None
    note: Text | None = Field(None, description="for the reader")
    see: Text | None = Field(None, description="where the datasheet says so")


class MeaningEntry(Entry):
    """One way to read a field, while `when` holds."""

    when: Formula = Field(description="a condition on other fields' latest values, or on raw")
    type: TypeName | None = Field(None, description="as in a field")
    unit: UnitName | None = Field(None, description="as in a field")
    scale: Formula | None = Field(None, description="as in a field")
    offset: Formula | None = Field(None, description="as in a field")
    zero: Formula | None = Field(None, description="as in a field")
    points: Points | None = Field(None, description="as in a field")
    convert: Formula | None = Field(None, description="as in a field")
    exponent: Formula | None = Field(None, description="as in a field")
    m: Formula | None = Field(None, description="as in a field")
    b: Formula | None = Field(None, description="as in a field")
    R: Formula | None = Field(None, description="as in a field")


class ValueKeys(Entry):
    """The keys that say what a value is, wherever it comes from."""

    type: TypeName | None = Field(None, description="how raw bits become a number; unsigned unless said")
    unit: UnitName | None = Field(None, description="the unit of the value; missing: a plain number")
    scale: Formula | None = Field(None, description="value = raw x scale + offset")
    offset: Formula | None = Field(None, description="added after scale, in the field's unit")
    zero: Formula | None = Field(None, description="value = (raw - zero) x scale")
    points: Points | None = Field(None, description="[raw, value] pairs, straight between")
    convert: Formula | None = Field(
        None, description="a formula of raw, such as ntc(10 kohm * raw / (4095 - raw), r25 = 10 kohm, beta = 3435 K)"
    )
    exponent: Formula | None = Field(None, description="of ulinear16 and slinear16")
    m: Formula | None = Field(None, description="of direct")
    b: Formula | None = Field(None, description="of direct")
    R: Formula | None = Field(None, description="of direct")
    meanings: list[MeaningEntry] | None = Field(None, description="first match wins")
    positive: Text | None = Field(None, description="what a positive value means, such as charge; also on the bench channel")
    negative_when: Formula | None = Field(None, description="the value is negated while this holds")
    codes: Codes | None = Field(None, description="raw values that are no numbers")
    names: Labels | None = Field(None, description="labels of good values, keyed by raw, or the name of a shared list")
    range: Ranges | None = Field(None, description="good values lie in here, ends included")
    accuracy: Limits | None = Field(None, description="how far a reading may be from the true value")
    reserved: Annotated[int | None, *leaf(leaves.integer(0, (1 << 64) - 1, "raw value"), {"type": "integer"})] = Field(
        None, description="these bits always read so"
    )
    must_be: MustBe | None = Field(None, description="the raw value, one of a list, or a formula such as length - 4")
    raised: Annotated[int | None, *leaf(leaves.integer(0, 1, "level of a flag"), _one_of([0, 1]))] = Field(
        None, description="the raw bit that means true; 0 is active low"
    )
    fitted: Formula | None = Field(None, description="how many elements must appear")
    granularity: Limits1 | None = Field(None, description="how finely the device measures, where that is coarser than a step")
    update: Nanoseconds | None = Field(None, description="how often the device measures anew")
    filter: Nanoseconds | None = Field(None, description="time constant of a first-order filter")
    averages: Nanoseconds | None = Field(None, description="window of a moving mean")
    sensor: Formula | None = Field(None, description="the datasheet's curve, such as ntc(r25 = 10 kohm, beta = 3435 K)")
    valid_when: Formula | None = Field(None, description="readings count only while this holds")
    characters: Annotated[str | None, *leaf(leaves.text, _one_of(["ascii", "latin-1", "utf-8"]))] = Field(
        None, description="of a text: ascii (unless said), latin-1 or utf-8"
    )
    pad: Annotated[int | None, *leaf(leaves.integer(0, 255, "byte"), {"type": "integer"})] = Field(
        None, description="stripped from the end of a text"
    )
    see: Text | None = Field(None, description="where the datasheet says so")
    note: Text | None = Field(None, description="for the reader")


class FieldKeys(ValueKeys):
    """The keys of a field in a message: where its bits are, and what they are worth."""

    bytes: ByteSpan | None = Field(None, description="byte numbers in order of transmission, from 0: 2, 2..3, 4..last")
    bit: OneBit | None = Field(None, description="bit n is bit n mod 8 of byte n div 8")
    bits: ManyBits | None = Field(None, description="a little-endian run 8..15, or a list, least significant first")
    msb: EndBit | None = Field(None, description="the place of the most significant bit, such as byte 1 bit 7; with width")
    lsb: EndBit | None = Field(None, description="the place of the least significant bit; with width")
    width: Width | None = Field(None, description="in bits; with msb or lsb")
    order: OrderName | None = Field(None, description="byte order, little unless said")
    each: EachItems | None = Field(None, description="repeats the place: {cell: 1..cell_count, step: 2 bytes}")
    number: Formula | None = Field(None, description="numbers the elements, such as page * 4 + k + 1")
    overlaps: Annotated[
        tuple[str, ...] | None,
        *leaf(
            lambda node: leaves.one_or_list(node, leaves.text),
            {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]},
        ),
    ] = Field(None, description="fields that share bits with this one on purpose")
    like: Text | None = Field(None, description="copies a sibling's keys, all but examples, note and see")
    checksum: Text | None = Field(None, description="this field is a checksum: inverted sum")
    crc: Text | None = Field(None, description="this field is a CRC, by its catalogue name")
    over: Text | None = Field(None, description="the bytes that a checksum or CRC covers: bytes 0..last - 1")
    before: HexBytes | None = Field(None, description="bytes that a CRC takes first")


class FieldEntry(FieldKeys):
    """One field of a message."""


class LayoutEntry(Entry):
    """Fields that a message has while `when` holds."""

    when: Formula = Field(description="a condition, mostly on a field of the message itself")
    fields: dict[str, FieldEntry] = Field(description="the fields that the message then has, beside its own")
    length: Formula | Any = Field(None, description="in bytes, where it differs from the message's")
    every: Cadence | None = Field(None, description="how often this page comes")
    see: Text | None = Field(None, description="where the datasheet says so")
    note: Text | None = Field(None, description="for the reader")


class ThroughEntry(Entry):
    """An indirect read: a word written to one command selects what another command then gives."""

    write: Command = Field(description="the command that the selector word is written to")
    word: Word16 = Field(description="the selector")
    then: Command = Field(description="the command that is read after it")
    within: Nanoseconds | None = Field(None, description="how long the selector stays good")
    sticky: Truth = Field(False, description="true: one selector serves many reads")


class RegisterEntry(FieldKeys):
    """One command of an SMBus device; the keys of a field may stand here where it has only one."""

    command: Command | None = Field(None, description="the command code")
    transfer: TransferWord = Field(
        description="send byte, receive byte, byte, word, 32-bit, 64-bit, block, process call, block process call; `6 bytes`: a plain read"
    )
    access: Access = Field(frozenset({"read"}), description="read (unless said), write, or [read, write]")
    through: ThroughEntry | None = Field(None, description="an indirect read: {write: 0xC0, word: 0xA001, then: 0xC1}")
    holds: Text | None = Field(None, description="reading this register freezes that one")
    to: Address | None = Field(None, description="the battery itself writes to this address")
    poll: Nanoseconds | None = Field(None, description="how often a live check reads it")
    every: Cadence | None = Field(None, description="how often it comes by itself, such as `5 s .. 60 s`")
    address: Address | None = Field(None, description="7 bits, where it is not the device's")
    pec: PecWord | None = Field(None, description="where it is not the device's")
    bus: Text | None = Field(None, description="which bus, where the device has several")
    length: Annotated[Any, *leaf(lambda node: leaves.scalar(node, "a length such as 8, 2..8 or 1 + 2 * cell_count"), NUMBER_OR_TEXT)] = (
        Field(None, description="of a block, in bytes, without count and PEC: 8, 2..8, 1 + 2 * cell_count")
    )
    fields: dict[str, FieldEntry] | None = Field(None, description="name and keys of each field, where there are several")
    layouts: list[LayoutEntry] | None = Field(None, description="fields that are there only while `when` holds")
    examples: list[Example] | None = Field(None, description="bytes and what must come out of them")


class DeviceEntry(Entry):
    """What the map describes."""

    name: Text = Field(description="short, for file names and reports")
    title: Text | None = Field(None, description="for people")
    source: Text | None = Field(None, description="the datasheet and its revision")
    see: Text | None = Field(None, description="where the datasheet says so")
    note: Text | None = Field(None, description="for the reader")


class SmbusEntry(Entry):
    """How the device sits on its SMBus."""

    address: Address = Field(description="7 bits, without the read/write bit")
    pec: PecWord = Field(Pec.OPTIONAL, description="required, optional (unless said) or never")
    speed: Annotated[Any, *leaf(lambda node: leaves.scalar(node, "a clock rate such as 100 kHz"), {"type": "string"})] = Field(
        None, description="the clock rate, such as 100 kHz"
    )
    note: Text | None = Field(None, description="for the reader")


class JoinedEntry(ValueKeys):
    """A value that takes several messages."""

    join: Annotated[
        tuple[str, ...], *leaf(lambda node: leaves.one_or_list(node, leaves.text), {"type": "array", "items": {"type": "string"}})
    ] = Field(description="the fields, most significant first")
    within: Nanoseconds | None = Field(None, description="how far apart their messages may come")


class LevelEntry(Entry):
    """One level of an alarm: when it must be set, when cleared, and how soon."""

    state: Text = Field(description="the label that the alarm then reports")
    set: Formula = Field(description="the condition that sets it")
    clear: Formula | None = Field(None, description="the condition that clears it")
    react_within: Annotated[Any, *leaf(lambda node: leaves.scalar(node, "a time such as 1 s, or 2 s .. 3 s"), {"type": "string"})] = Field(
        None, description="the time allowed: 1 s, or 2 s .. 3 s"
    )
    latched_until: Text | None = Field(None, description="the message that clears it")
    note: Text | None = Field(None, description="for the reader")
    see: Text | None = Field(None, description="where the datasheet says so")


class RuleEntry(Entry):
    """Something required beyond a field's own limits: a relation (`require`), or an alarm with its levels."""

    when: Formula | None = Field(None, description="the rule counts only while this holds")
    require: Formula | None = Field(None, description="a relation that must hold")
    within: Limits1 | None = Field(None, description="how far both sides may differ")
    age: Nanoseconds | None = Field(None, description="how old a partner may be")
    alarm: Formula | None = Field(None, description="the field that reports the alarm")
    which: Formula | None = Field(None, description="the element that the alarm names")
    levels: list[LevelEntry] | None = Field(None, description="the alarm's levels, see below")
    note: Text | None = Field(None, description="for the reader")
    see: Text | None = Field(None, description="where the datasheet says so")


class MapEntry(Entry):
    """A register map, version 1 of the language."""

    regcheck: Annotated[int, *leaf(leaves.integer(1, 1, "version of the map language (this is 1)"), {"const": 1})] = Field(
        description="the version of the language: 1"
    )
    device: DeviceEntry = Field(description="what the map describes")
    builds_on: Text | None = Field(None, description="a base map, beside this file; own keys win")
    names: dict[str, Annotated[dict[int, str], *leaf(leaves.labels, {"type": "object", "additionalProperties": NUMBER_OR_TEXT})]] = Field(
        {}, description="lists of labels that several fields share"
    )
    smbus: SmbusEntry | None = Field(None, description="how it sits on its bus")
    registers: dict[str, RegisterEntry] = Field({}, description="the commands, by name")
    values: dict[str, JoinedEntry] = Field({}, description="values of several messages, by name")
    rules: dict[str, RuleEntry] = Field({}, description="what else must hold, by name")
    note: Text | None = Field(None, description="for the reader")


def schema_of(entry: type[Entry], what: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of one of the languages; ``what`` is map, bench or trial."""
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"regcheck {what}, version 1"}
    return head | {key: value for key, value in entry.model_json_schema(mode="validation").items() if key != "title"}
