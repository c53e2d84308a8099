"""What may be written where in a map: the language as pydantic models, whose JSON Schema editors use.

Each leaf is read from the YAML loader's own node by one function; a model only says which keys there are.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import ConfigDict, Field

from regcheck.device_map import leaves
from regcheck.device_map.model import Pec
from regcheck.device_map.protection import MODES, PROFILES, protection_mode, protection_profile
from regcheck.device_map.syntax_types import (
    NUMBER_OR_TEXT,
    Access,
    Address,
    AxisItems,
    Bytes,
    ByteSpan,
    Cadence,
    Codes,
    Command,
    CrcWord,
    EachItems,
    EndBit,
    Entry,
    FirstLast,
    Formula,
    Formulas,
    HexBytes,
    Labels,
    LengthText,
    Limits,
    Limits1,
    ManyBits,
    MustBe,
    Nanoseconds,
    OneBit,
    OrderName,
    PecWord,
    Period,
    Points,
    Ranges,
    Text,
    TransferWord,
    Truth,
    TypeName,
    UnitName,
    Width,
    Word16,
    leaf,
    one_of,
)


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
    raised: Annotated[int | None, *leaf(leaves.integer(0, 1, "level of a flag"), one_of([0, 1]))] = Field(
        None, description="the raw bit that means true; 0 is active low"
    )
    fitted: Formula | None = Field(None, description="how many elements must appear")
    granularity: Limits1 | None = Field(None, description="how finely the device measures, where that is coarser than a step")
    update: Nanoseconds | None = Field(None, description="how often the device measures anew")
    filter: Nanoseconds | None = Field(None, description="time constant of a first-order filter")
    averages: Nanoseconds | None = Field(None, description="window of a moving mean")
    sensor: Formula | None = Field(None, description="the datasheet's curve, such as ntc(r25 = 10 kohm, beta = 3435 K)")
    valid_when: Formula | None = Field(None, description="readings count only while this holds")
    characters: Annotated[str | None, *leaf(leaves.text, one_of(["ascii", "latin-1", "utf-8"]))] = Field(
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
    crc: CrcWord | None = Field(
        None,
        description="this field is a CRC: its catalogue name, or width, poly, init, refin, refout, xorout",
    )
    counter: FirstLast | None = Field(None, description="this field counts messages, such as 0..14, and starts again behind the last")
    over: Text | None = Field(None, description="the bytes that a checksum or CRC covers: bytes 0..last - 1")
    before: HexBytes | None = Field(None, description="bytes that a CRC takes first")


class FieldEntry(FieldKeys):
    """One field of a message."""


class LayoutEntry(Entry):
    """Fields that a message has while `when` holds."""

    when: Formula = Field(description="a condition, mostly on a field of the message itself")
    fields: dict[str, FieldEntry] = Field(description="the fields that the message then has, beside its own")
    length: LengthText | None = Field(None, description="in bytes, where it differs from the message's")
    every: Cadence | None = Field(None, description="how often this page comes")
    layouts: list[LayoutEntry] | None = Field(None, description="layouts inside this one, while their own `when` holds too")
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
    poll: Period | None = Field(None, description="how often a live check reads it")
    every: Cadence | None = Field(None, description="how often it comes by itself, such as `5 s .. 60 s`")
    address: Address | None = Field(None, description="7 bits, where it is not the device's")
    pec: PecWord | None = Field(None, description="where it is not the device's")
    bus: Text | None = Field(None, description="which bus, where the device has several")
    length: LengthText | None = Field(None, description="of a block, in bytes, without count and PEC: 8, 2..8, 1 + 2 * cell_count")
    fields: dict[str, FieldEntry] | None = Field(None, description="name and keys of each field, where there are several")
    layouts: list[LayoutEntry] | None = Field(None, description="fields that are there only while `when` holds")
    examples: list[Example] | None = Field(None, description="bytes and what must come out of them")


class AnswersEntry(Entry):
    """Which frame this one answers."""

    to: Text = Field(description="the frame that asks")
    same: Text | None = Field(None, description="the field that both carry, with the same value")
    within: Nanoseconds | None = Field(None, description="the time allowed")


class CarrierEntry(Entry):
    """How a message that is longer than a frame comes: in segments of ISO 15765-2."""

    iso_tp: Formula = Field(description="the id that its segments come on")
    asked_by: Formula | None = Field(None, description="the id that asks for it, and sends its flow control")
    extended_address: Annotated[int | None, *leaf(leaves.integer(0, 0xFF, "address byte"), {"type": "integer"})] = Field(
        None, description="with extended addressing: the first byte of every segment"
    )


class ProtectEntry(Entry):
    """End-to-end protection of a frame."""

    e2e: Annotated[str, *leaf(protection_profile, one_of([f"AUTOSAR {name}" for name in PROFILES]))] = Field(
        description="the profile: AUTOSAR P01, AUTOSAR P02 or AUTOSAR P05"
    )
    data_id: Formulas = Field(description="the data id, or (P02) a list of 16, by counter")
    mode: Annotated[str | None, *leaf(protection_mode, one_of(list(MODES)))] = Field(
        None, description="how P01 takes the data id in: both (unless said), alternating, low or nibble"
    )


class FrameExample(Example):
    """A proof of a frame: as of a register, and a number for each instance name, such as rack: 3."""

    model_config = ConfigDict(extra="allow")


class FrameEntry(Entry):
    """One CAN message."""

    id: Formula | None = Field(None, description="11 or 29 bits, 29 by its size; instance names may stand in it: 0x200 + rack * 16")
    extended: Truth | None = Field(None, description="true: 29 bits, for a small id too; false: 11 bits")
    pgn: Formula | None = Field(None, description="a J1939 parameter group instead of an id")
    source: Formula | None = Field(None, description="of a pgn: the source address; instance names may stand in it")
    destination: Formula | None = Field(None, description="of a pgn below 0xF000: the destination address")
    each: EachItems | None = Field(None, description="the frame again under further ids: {n: 0..7} with id: 0x400 + n")
    order: OrderName | None = Field(None, description="byte order of its fields, where it is not the device's")
    length: LengthText | None = Field(None, description="in bytes: 8, 2..8, 1 + 2 * cell_count; without it any that holds its fields")
    fd: Truth = Field(False, description="true: a CAN FD frame, up to 64 bytes")
    every: Cadence | None = Field(None, description="how often it comes: 100 ms +/- 10 ms, 5 s .. 60 s, change, request")
    late_after: Period | None = Field(None, description="when it is late; 3 periods unless said")
    not_before: Nanoseconds | None = Field(None, description="no two come closer than this")
    sender: Text | None = Field(None, alias="from", description="who sends it where that is not the device: host")
    answers: AnswersEntry | None = Field(None, description="it answers another frame: {to: ask, same: item, within: 50 ms}")
    optional: Truth = Field(False, description="true: it need not come")
    carrier: CarrierEntry | None = Field(None, description="it comes in segments of ISO 15765-2: {iso_tp: 0x7A8, asked_by: 0x7A0}")
    begins: HexBytes | None = Field(None, description="its first bytes, by which it is known among others of its id")
    after: Bytes | None = Field(None, description="`3 bytes`: these are skipped; places and length count from there")
    protect: ProtectEntry | None = Field(None, description="{e2e: AUTOSAR P01, data_id: 0x123, mode: both}")
    bus: Text | None = Field(None, description="which bus, where the device has several")
    like: Text | None = Field(None, description="copies a sibling's keys, all but examples, note and see")
    fields: dict[str, FieldEntry] = Field({}, description="name and keys of each field")
    layouts: list[LayoutEntry] | None = Field(None, description="fields that are there only while `when` holds")
    examples: list[FrameExample] | None = Field(None, description="bytes and what must come out of them; rack: 3 fills an instance name")
    see: Text | None = Field(None, description="where the datasheet says so")
    note: Text | None = Field(None, description="for the reader")


class CanEntry(Entry):
    """How the device sits on its CAN bus."""

    bitrate: Annotated[Any, *leaf(leaves.bit_rate, {"type": "string"})] = Field(None, description="the bit rate, such as 250 kbit/s")
    data_bitrate: Annotated[Any, *leaf(leaves.bit_rate, {"type": "string"})] = Field(None, description="the bit rate of FD data")
    order: OrderName | None = Field(None, description="byte order of every `bytes`, `msb` and `lsb` that does not say; little unless said")
    codes: Annotated[str | None, *leaf(leaves.text, {"const": "J1939"})] = Field(
        None, description="J1939: that standard's ranges for every number of 2, 8, 16, 24 or 32 bits without codes of its own"
    )
    note: Text | None = Field(None, description="for the reader")


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
    instances: dict[str, AxisItems] = Field({}, description="several like devices: {rack: 1..8}; like buses: {string: {bus: [a, b]}}")
    smbus: SmbusEntry | None = Field(None, description="how it sits on its SMBus")
    can: CanEntry | None = Field(None, description="how it sits on its CAN bus")
    registers: dict[str, RegisterEntry] = Field({}, description="the SMBus commands, by name")
    frames: dict[str, FrameEntry] = Field({}, description="the CAN messages, by name")
    values: dict[str, JoinedEntry] = Field({}, description="values of several messages, by name")
    rules: dict[str, RuleEntry] = Field({}, description="what else must hold, by name")
    note: Text | None = Field(None, description="for the reader")


def schema_of(entry: type[Entry], what: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of one of the languages; ``what`` is map, bench or trial."""
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"regcheck {what}, version 1"}
    return head | {key: value for key, value in entry.model_json_schema(mode="validation").items() if key != "title"}


__all__ = [
    "AnswersEntry",
    "CanEntry",
    "CarrierEntry",
    "DeviceEntry",
    "Entry",
    "Example",
    "FieldEntry",
    "FieldKeys",
    "Formula",
    "FrameEntry",
    "FrameExample",
    "JoinedEntry",
    "LayoutEntry",
    "LevelEntry",
    "Limits1",
    "MapEntry",
    "MeaningEntry",
    "Nanoseconds",
    "ProtectEntry",
    "RegisterEntry",
    "RuleEntry",
    "SmbusEntry",
    "Text",
    "ThroughEntry",
    "UnitName",
    "ValueKeys",
    "leaf",
    "schema_of",
]
