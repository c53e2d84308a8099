"""The validated map: what a device puts on its bus, with the place of every value. Plain data that knows no parser and no engine."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction

from regcheck.device_map.crc_catalogue import CrcAlgorithm
from regcheck.device_map.expression_tree import Expression
from regcheck.device_map.limits import Cadence, Conditional, Limit
from regcheck.device_map.places import BitPlace, Order
from regcheck.device_map.units import Unit
from regcheck.errors import Place


class FieldType(StrEnum):
    """How raw bits become a number, a text or a date."""

    UNSIGNED = "unsigned"
    SIGNED = "signed"
    SIGN_MAGNITUDE = "sign-magnitude"
    FLOAT = "float"
    BCD = "bcd"
    TEXT = "text"
    BYTES = "bytes"
    DATE = "date"
    UNIX_TIME = "unix time"
    VERSION = "version"
    LINEAR11 = "linear11"
    ULINEAR16 = "ulinear16"
    SLINEAR16 = "slinear16"
    DIRECT = "direct"


WORDY_TYPES = frozenset({FieldType.TEXT, FieldType.BYTES, FieldType.DATE, FieldType.UNIX_TIME, FieldType.VERSION})
"""Types whose readings stand in ``text`` and have no number in ``value``."""


class Status(StrEnum):
    """What a reading is; only good ones carry a value."""

    GOOD = "good"
    NOT_AVAILABLE = "not_available"
    NOT_FITTED = "not_fitted"
    DEVICE_ERROR = "device_error"
    SPECIAL = "special"
    ABSENT = "absent"
    BAD_CHECK = "bad_check"
    UNSELECTED = "unselected"
    NOT_VALID = "not_valid"


@dataclass(frozen=True, slots=True)
class Code:
    """Raw values that are no numbers: ``first`` to ``last``, both included; ``word`` as the map says it."""

    first: int
    last: int
    status: Status
    word: str


@dataclass(frozen=True, slots=True)
class Meaning:
    """One way to read a field's raw value: value = raw x scale + offset, or (raw - zero) x scale + offset.

    ``when`` is None for the only or the last meaning. ``scale``, ``offset`` and ``zero`` may name other fields; ``points`` are
    (raw, value) pairs, straight between; ``convert`` is a formula of ``raw``; ``parameters`` are those of the number format
    (``exponent`` of ulinear16 and slinear16; ``m``, ``b``, ``R`` of direct).
    """

    when: Expression | None
    type: FieldType
    unit: Unit | None
    scale: Expression
    offset: Expression
    zero: Expression
    points: tuple[tuple[Fraction, Fraction], ...] = ()
    convert: Expression | None = None
    parameters: Mapping[str, Expression] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Each:
    """A place repeated: ``variable`` runs from ``first`` to ``last`` (None: as far as the message goes), ``step`` bits apart.

    ``step`` is 0 where only the number hangs on an expression (one element a message). ``number`` numbers the elements.
    """

    variable: str
    first: int
    last: Expression | None
    step: int
    number: Expression | None = None


@dataclass(frozen=True, slots=True)
class CheckField:
    """A field that protects others: ``method`` is a CRC's name or ``inverted sum``, over the bytes ``over``, after those of ``before``.

    ``crc`` holds a CRC's parameters, from the catalogue or the map's own; None for the inverted sum.
    """

    method: str
    over: BitPlace
    before: bytes = b""
    crc: CrcAlgorithm | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """A range of good values in the field's unit, both ends included."""

    low: Fraction
    high: Fraction


@dataclass(frozen=True, slots=True)
class Field:
    """One value inside a message, or an array of alike ones.

    ``number`` stands without ``each`` where each message carries one element; ``raised`` is the raw bit that means true;
    ``given_keys`` are the keys that the map's author wrote, with their places.
    """

    name: str
    message: str
    place: Place
    where: BitPlace
    meanings: tuple[Meaning, ...]
    each: Each | None = None
    codes: tuple[Code, ...] = ()
    names: Mapping[int, str] = field(default_factory=dict)
    range: tuple[Conditional[Span], ...] = ()
    accuracy: tuple[Conditional[Limit], ...] = ()
    reserved: int | None = None
    must_be: tuple[int, ...] | Expression = ()
    raised: int | None = None
    fitted: Expression | None = None
    positive: str = ""
    negative_when: Expression | None = None
    valid_when: Expression | None = None
    check: CheckField | None = None
    characters: str = "ascii"
    pad: int | None = None
    counter: tuple[int, int] | None = None
    granularity: Limit | None = None
    update_ns: int = 0
    filter_ns: int = 0
    averages_ns: int = 0
    sensor: Expression | None = None
    overlaps: tuple[str, ...] = ()
    see: str = ""
    note: str = ""
    given_keys: Mapping[str, Place] = field(default_factory=dict)

    @property
    def path(self) -> str:
        """``message.field``, or the message's name where both are one word."""
        return self.name if self.name == self.message else f"{self.message}.{self.name}"

    @property
    def type(self) -> FieldType:
        """The type of the first meaning (that of all of them, but for odd devices)."""
        return self.meanings[0].type

    @property
    def unit(self) -> Unit | None:
        """The unit of the first meaning."""
        return self.meanings[0].unit


class TransferKind(StrEnum):
    """The bus standard's transfers (System Management Bus Specification 3.1, clause 6.5)."""

    SEND_BYTE = "send byte"
    RECEIVE_BYTE = "receive byte"
    BYTE = "byte"
    WORD = "word"
    BITS_32 = "32-bit"
    BITS_64 = "64-bit"
    BLOCK = "block"
    PROCESS_CALL = "process call"
    BLOCK_PROCESS_CALL = "block process call"
    PLAIN = "plain read"  # `6 bytes`: a read of a known length without a count byte


FIXED_BYTES: Mapping[TransferKind, int] = {
    TransferKind.SEND_BYTE: 0,
    TransferKind.RECEIVE_BYTE: 1,
    TransferKind.BYTE: 1,
    TransferKind.WORD: 2,
    TransferKind.BITS_32: 4,
    TransferKind.BITS_64: 8,
    TransferKind.PROCESS_CALL: 2,
}
"""Data bytes of the transfers that have a fixed number of them."""


class Pec(StrEnum):
    """Whether a packet error code ends each transfer."""

    REQUIRED = "required"
    OPTIONAL = "optional"
    NEVER = "never"


@dataclass(frozen=True, slots=True)
class Through:
    """An indirect read: a selector word written to one command before another command is read."""

    write: int
    word: int
    then: int
    within_ns: int | None = None
    sticky: bool = False


@dataclass(frozen=True, slots=True)
class Length:
    """How many payload bytes a message has: ``low`` to ``high`` by number, or ``expression`` of fields."""

    low: int
    high: int | None
    expression: Expression | None = None


@dataclass(frozen=True, slots=True)
class Axis:
    """Several like devices: the values that an instance name takes, numbers or (for like buses) the buses' names."""

    name: str
    numbers: tuple[int, ...] = ()
    buses: tuple[str, ...] = ()
    place: Place = field(default_factory=lambda: Place(""))


@dataclass(frozen=True, slots=True)
class Answers:
    """A frame that answers another: ``same`` names the field that both carry, ``within_ns`` the time allowed."""

    to: str
    same: str
    within_ns: int | None


@dataclass(frozen=True, slots=True)
class Carrier:
    """A message put back together from ISO 15765-2 segments on ``iso_tp``; ``asked_by`` is the id that asks for it."""

    iso_tp: Expression
    asked_by: Expression | None
    extended_address: int | None = None


@dataclass(frozen=True, slots=True)
class Protection:
    """End-to-end protection of a frame: an AUTOSAR profile (P01, P02, P05), its data id or ids, and how P01 includes it."""

    profile: str
    data_ids: tuple[Expression, ...]
    mode: str = "both"


@dataclass(frozen=True, slots=True)
class Layout:
    """Fields that a message has while ``when`` holds.

    A layout inside another one is written flat: its ``when`` is both conditions (and may name fields of the outer one), its
    ``fields`` are the outer one's and its own. Behind them stands the outer one with ``is_rest``: none of its inner layouts held,
    which is as much to be reported as a message without a layout.
    """

    when: Expression
    fields: tuple[Field, ...]
    length: Length | None
    place: Place
    every: tuple[Conditional[Cadence], ...] = ()
    is_rest: bool = False


@dataclass(frozen=True, slots=True)
class Example:
    """A proof of the map: bytes, what is given of other fields, and the values that must come out.

    ``data`` is the payload alone (of a frame: with the bytes that ``after`` skips), or with ``is_transfer`` every byte on the wire.
    ``values`` are texts as typed. ``numbers`` fill instance names and a frame's `each` variable: ``{"rack": 3}``.
    """

    place: Place
    data: bytes
    is_transfer: bool
    given: Mapping[str, str]
    values: Mapping[str, tuple[str, Place]]
    numbers: Mapping[str, int | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Message:
    """A register (one SMBus command) or a frame (one CAN message)."""

    name: str
    place: Place
    kind: str  # "register" or "frame"
    fields: tuple[Field, ...]
    layouts: tuple[Layout, ...] = ()
    length: Length | None = None
    order: Order = Order.LITTLE
    # registers
    transfer: TransferKind | None = None
    plain_bytes: int = 0
    command: int | None = None
    address: int | None = None
    access: frozenset[str] = frozenset({"read"})
    pec: Pec = Pec.OPTIONAL
    through: Through | None = None
    holds: str = ""
    to: int | None = None
    poll_ns: int = 0
    every: tuple[Conditional[Cadence], ...] = ()
    bus: str = ""
    # frames
    id: Expression | None = None
    extended: bool | None = None  # None: by the id's size
    pgn: Expression | None = None
    source: Expression | None = None
    destination: Expression | None = None
    each: Each | None = None
    fd: bool = False
    late_after_ns: int | None = None
    not_before_ns: int | None = None
    sender: str = ""  # "host": the device does not send it
    answers: Answers | None = None
    optional: bool = False
    carrier: Carrier | None = None
    begins: bytes = b""
    after: int = 0
    protect: Protection | None = None
    examples: tuple[Example, ...] = ()
    see: str = ""
    note: str = ""
    given_keys: Mapping[str, Place] = field(default_factory=dict)

    def all_fields(self) -> Iterator[Field]:
        """Give every field: those that are always there, then those of each layout."""
        yield from self.fields
        for layout in self.layouts:
            yield from layout.fields


@dataclass(frozen=True, slots=True)
class AlarmLevel:
    """One level of an alarm: the label it reports, the conditions that set and clear it, the reaction time allowed in ns.

    ``react_ns`` is (shortest, longest); ``latched_until`` names the message that clears it.
    """

    state: str
    set: Expression
    clear: Expression | None
    react_ns: tuple[int, int] | None
    latched_until: str
    place: Place


@dataclass(frozen=True, slots=True)
class Rule:
    """Something required beyond a field's own limits: a relation (``require``) or an alarm (``alarm`` and ``levels``)."""

    name: str
    place: Place
    when: Expression | None = None
    require: Expression | None = None
    within: Limit | None = None
    age_ns: int | None = None
    alarm: Expression | None = None
    which: Expression | None = None
    levels: tuple[AlarmLevel, ...] = ()


@dataclass(frozen=True, slots=True)
class JoinedValue:
    """A value that takes several messages: ``join`` names their fields, most significant first."""

    name: str
    place: Place
    join: tuple[str, ...]
    within_ns: int
    meanings: tuple[Meaning, ...]
    characters: str = "ascii"
    pad: int | None = None


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """One device's map. ``messages`` in the order of the file, those of a base map first."""

    file: str
    name: str
    title: str
    source: str
    messages: tuple[Message, ...]
    values: Mapping[str, JoinedValue] = field(default_factory=dict)
    rules: tuple[Rule, ...] = ()
    files: tuple[str, ...] = ()
    instances: tuple[Axis, ...] = ()
    speed: str = ""
    bitrate: str = ""
    data_bitrate: str = ""

    def axis(self, name: str) -> Axis | None:
        """Return the instance name's axis."""
        return next((axis for axis in self.instances if axis.name == name), None)

    def message(self, name: str) -> Message | None:
        """Return the message of that name."""
        return next((message for message in self.messages if message.name == name), None)

    def find_fields(self, dotted: tuple[str, ...]) -> list[Field]:
        """Return the fields that ``message.field``, a one-field register's name or a bare field name may mean.

        A message's own name wins over a field of another message.
        """
        if len(dotted) == 2:
            found = self.message(dotted[0])
            return [each for each in found.all_fields() if each.name == dotted[1]] if found else []
        (name,) = dotted
        alone = self.message(name)
        if alone is not None:
            own = [each for each in alone.all_fields() if each.name == name]
            if own:
                return own
        return [each for message in self.messages for each in message.all_fields() if each.name == name]
