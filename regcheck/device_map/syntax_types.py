"""How each leaf of the map language is read: annotated types, each with the function that reads it and the JSON Schema that it has."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, WithJsonSchema

from regcheck.device_map import leaves
from regcheck.device_map.crc_catalogue import CrcAlgorithm
from regcheck.device_map.crc_names import CRC_KEYS, crc_leaf
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


def whole(low: int, high: int, what: str) -> Any:
    """Return what annotates a whole number from ``low`` to ``high``."""
    return leaf(leaves.integer(low, high, what), {"anyOf": [{"type": "integer", "minimum": low, "maximum": high}, {"type": "string"}]})


def one_of(words: list[str]) -> dict[str, Any]:
    """Return the schema of one of some words."""
    return {"enum": words}


def conditional(item: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a conditional value."""
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
Period = Annotated[int, *leaf(lambda node: leaves.period_ns(leaves.scalar(node, "a time such as 250 ms")), {"type": "string"})]
UnitName = Annotated[Unit, *leaf(lambda node: parse_unit(leaves.text(node)), {"type": "string"})]
TypeName = Annotated[FieldType, *leaf(leaves.field_type, one_of([member.value for member in FieldType]))]
OrderName = Annotated[Order, *leaf(leaves.word_of(Order, "order"), one_of(["little", "big"]))]
PecWord = Annotated[Pec, *leaf(leaves.word_of(Pec, "pec"), one_of([member.value for member in Pec]))]
Address = Annotated[int, *whole(0, 0x7F, "7-bit address")]
Command = Annotated[int, *whole(0, 0xFF, "command")]
Word16 = Annotated[int, *whole(0, 0xFFFF, "word")]
Width = Annotated[int, *whole(1, 4096, "width in bits")]
Limits = Annotated[Any, *leaf(lambda node: parse_conditional(node, parse_limit), conditional(LIMIT_SCHEMA))]
Limits1 = Annotated[Any, *leaf(parse_limit, LIMIT_SCHEMA)]
Ranges = Annotated[Any, *leaf(_raw_range, conditional({"type": ["number", "string"]}))]
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
Cadence = Annotated[Any, *leaf(lambda node: parse_conditional(node, parse_cadence), conditional({"type": "string"}))]
TransferWord = Annotated[
    tuple[TransferKind, int],
    *leaf(
        leaves.transfer,
        {
            "anyOf": [
                one_of([kind.value for kind in TransferKind if kind is not TransferKind.PLAIN]),
                {"type": "string", "pattern": r"^[0-9]+ bytes$"},
            ]
        },
    ),
]
Access = Annotated[
    frozenset[str], *leaf(leaves.access, {"anyOf": [one_of(["read", "write"]), {"type": "array", "items": one_of(["read", "write"])}]})
]
MustBe = Annotated[
    Any,
    *leaf(
        lambda node: leaves.one_or_list(node, leaves.expression),
        {"anyOf": [NUMBER_OR_TEXT, {"type": "array", "items": NUMBER_OR_TEXT}]},
    ),
]
Bytes = Annotated[int, *leaf(leaves.byte_count, {"type": "string", "pattern": r"^[0-9]+ bytes?$"})]
FirstLast = Annotated[
    tuple[int, int], *leaf(lambda node: leaves.number_range(node, "a range such as 0..14"), {"type": "string", "pattern": RANGE})
]
AxisItems = Annotated[
    tuple[tuple[int, ...], tuple[str, ...]],
    *leaf(
        leaves.axis,
        {
            "anyOf": [
                {"type": "string", "pattern": RANGE},
                {"type": "array", "items": {"type": "integer"}},
                {"type": "object", "properties": {"bus": {"type": "array", "items": {"type": "string"}}}, "required": ["bus"]},
            ]
        },
    ),
]
CrcWord = Annotated[
    CrcAlgorithm,
    *leaf(
        crc_leaf,
        {
            "anyOf": [
                {"type": "string"},
                {
                    "type": "object",
                    "properties": {key: {"type": ["integer", "boolean", "string"]} for key in CRC_KEYS},
                    "required": ["width", "poly"],
                    "additionalProperties": False,
                },
            ]
        },
    ),
]
LengthText = Annotated[Any, *leaf(lambda node: leaves.scalar(node, "a length such as 8, 2..8 or 1 + 2 * cell_count"), NUMBER_OR_TEXT)]
Formulas = Annotated[
    tuple[Expression, ...],
    *leaf(
        lambda node: leaves.one_or_list(node, leaves.expression), {"anyOf": [NUMBER_OR_TEXT, {"type": "array", "items": NUMBER_OR_TEXT}]}
    ),
]
EachItems = Annotated[Mapping, *leaf(leaves.mapping, {"type": "object", "additionalProperties": NUMBER_OR_TEXT})]


class Entry(BaseModel):
    """A mapping of the language: its keys and no others."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, populate_by_name=False, defer_build=True)
