"""Faults of firmware, as plain data. Each says in one place what it does, and the board calls it in one place.

Six families, by where in a board the fault sits: in the harness (what reaches it), in the front end (what is sensed), in the report
(which value stands in which field), in the payload (which bits and bytes are sent), on the wire (the transfer itself;
frame_faults.py has those of frames).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import floor

from regcheck.codec.builder import RawCode, Value
from regcheck.codec.checksums import pec
from regcheck.sim.frame_faults import EVERY, FrameFault, Span
from regcheck.sim.front_end import FrontEnd, with_error
from regcheck.sim.stimuli import Stimuli

Look = Callable[[str, int], Value]
"""Gives the value of a field, by its path, at a time in ns."""


@dataclass(frozen=True, slots=True)
class BrokenWire:
    """A sense wire is broken from ``from_ns`` on: the board's input floats ``by`` above what the bench still applies, in its unit.

    So of a stack the two neighbours of the wire move in opposite directions, and their sum stays.
    """

    channel: str
    by: float
    from_ns: int = 0

    def reaches(self, stimuli: Stimuli) -> Stimuli:
        """Return what reaches the board."""
        column = stimuli.columns[self.channel].raised(self.by, self.from_ns)
        return replace(stimuli, columns={**stimuli.columns, self.channel: column})


@dataclass(frozen=True, slots=True)
class WrongGain:
    """What a field senses is multiplied by ``factor``; so is all that is worked out from it."""

    field: str
    factor: float

    def sensed(self, front_end: FrontEnd) -> FrontEnd:
        """Return the front end with the fault."""
        return with_error(front_end, factor=self.factor)


@dataclass(frozen=True, slots=True)
class WrongOffset:
    """``by`` is added to what a field senses, in its unit."""

    field: str
    by: float

    def sensed(self, front_end: FrontEnd) -> FrontEnd:
        """Return the front end with the fault."""
        return with_error(front_end, by=self.by)


@dataclass(frozen=True, slots=True)
class SlowUpdate:
    """A field is sensed only each ``every_ns``, from three fifths of it on: in between an old value stands."""

    field: str
    every_ns: int

    def sensed(self, front_end: FrontEnd) -> FrontEnd:
        """Return the front end with the fault."""
        return replace(front_end, every_ns=self.every_ns, phase_ns=self.every_ns * 3 // 5)


@dataclass(frozen=True, slots=True)
class SlowStart:
    """A field says that it has no value until ``until_ns``."""

    field: str
    until_ns: int

    def sensed(self, front_end: FrontEnd) -> FrontEnd:
        """Return the front end with the fault."""
        return replace(front_end, starts_ns=self.until_ns)


@dataclass(frozen=True, slots=True)
class Shifted:
    """Elements ``first`` to ``last`` of an array each carry the value of the element ``by`` further on."""

    field: str
    first: int
    last: int
    by: int

    def reports(self, path: str, time_ns: int, look: Look) -> Value:
        """Return what stands in the element of ``path``."""
        element = int(path.partition("[")[2].rstrip("]"))
        return look(f"{self.field}[{element + self.by}]", time_ns)


@dataclass(frozen=True, slots=True)
class Swapped:
    """Two fields carry each other's value."""

    field: str
    other: str

    def reports(self, path: str, time_ns: int, look: Look) -> Value:
        """Return what stands in the field of ``path``, which is one of the two."""
        return look(self.other if path == self.field else self.field, time_ns)


@dataclass(frozen=True, slots=True)
class SignFlipped:
    """A field is sent with the other sign; a code stays as it is."""

    field: str

    def reports(self, path: str, time_ns: int, look: Look) -> Value:
        """Return what stands in the field."""
        value = look(path, time_ns)
        return value if isinstance(value, RawCode) else -_number(value, path)


@dataclass(frozen=True, slots=True)
class WrongUnit:
    """A field is sent in another unit: its code is (value - ``zero``) x ``per_unit``, two's complement of ``width`` bits."""

    field: str
    per_unit: float
    zero: float
    width: int = 16

    def reports(self, path: str, time_ns: int, look: Look) -> Value:
        """Return what stands in the field."""
        value = look(path, time_ns)
        if isinstance(value, RawCode):
            return value
        code = floor((_number(value, path) - self.zero) * self.per_unit + 0.5)
        return RawCode(code & ((1 << self.width) - 1))


@dataclass(frozen=True, slots=True)
class Stuck:
    """From ``from_ns`` on a field keeps the value that it had then."""

    field: str
    from_ns: int

    def reports(self, path: str, time_ns: int, look: Look) -> Value:
        """Return what stands in the field."""
        return look(path, min(time_ns, self.from_ns))


@dataclass(frozen=True, slots=True)
class LateReport:
    """A field says what it should have said ``by_ns`` ago."""

    field: str
    by_ns: int

    def reports(self, path: str, time_ns: int, look: Look) -> Value:
        """Return what stands in the field."""
        return look(path, max(time_ns - self.by_ns, 0))


@dataclass(frozen=True, slots=True)
class PlausibleOpen:
    """An ordinary code is sent instead of every code from ``open_from`` on, which would tell that the sensor is open."""

    field: str
    code: int
    open_from: int

    def reports(self, path: str, time_ns: int, look: Look) -> Value:
        """Return what stands in the field."""
        value = look(path, time_ns)
        return RawCode(self.code) if isinstance(value, RawCode) and value.bits >= self.open_from else value


@dataclass(frozen=True, slots=True)
class BitSet:
    """One bit of a message's payload is always 1."""

    message: str
    bit: int

    def sends(self, payload: bytes) -> bytes:
        """Return the payload with the fault."""
        return _with(payload, self.bit // 8, payload[self.bit // 8] | 1 << self.bit % 8)


@dataclass(frozen=True, slots=True)
class BytesSwapped:
    """Bytes ``byte`` and ``byte`` + 1 of a message's payload stand in each other's place."""

    message: str
    byte: int = 0

    def sends(self, payload: bytes) -> bytes:
        """Return the payload with the fault."""
        return payload[: self.byte] + payload[self.byte : self.byte + 2][::-1] + payload[self.byte + 2 :]


@dataclass(frozen=True, slots=True)
class BadPec:
    """The packet error code of a read is wrong by one bit."""

    message: str
    span: Span = EVERY

    def on_wire(self, parts: tuple[bytes, ...]) -> tuple[bytes, ...]:
        """Return the parts of the read with the fault."""
        return (*parts[:-1], _with(parts[-1], len(parts[-1]) - 1, parts[-1][-1] ^ 0x10))


@dataclass(frozen=True, slots=True)
class MissingPec:
    """A read ends before its packet error code."""

    message: str
    span: Span = EVERY

    def on_wire(self, parts: tuple[bytes, ...]) -> tuple[bytes, ...]:
        """Return the parts of the read with the fault."""
        return (*parts[:-1], parts[-1][:-1])


@dataclass(frozen=True, slots=True)
class WrongCount:
    """A block says ``by`` bytes more than it sends; its packet error code is right for what it sends."""

    message: str
    by: int
    span: Span = EVERY

    def on_wire(self, parts: tuple[bytes, ...]) -> tuple[bytes, ...]:
        """Return the parts of the read with the fault."""
        body = _with(parts[-1][:-1], 1, parts[-1][1] + self.by)
        return (*parts[:-1], body + bytes([pec(b"".join(parts[:-1]) + body)]))


@dataclass(frozen=True, slots=True)
class Dropped:
    """The board does not acknowledge its address after the repeated start, and the host gives up."""

    message: str
    span: Span = EVERY

    def on_wire(self, parts: tuple[bytes, ...]) -> tuple[bytes, ...]:
        """Return the parts of the read with the fault: its last byte is the one refused."""
        return (*parts[:-1], parts[-1][:1])


HarnessFault = BrokenWire
SensedFault = WrongGain | WrongOffset | SlowUpdate | SlowStart
ReportFault = Swapped | Shifted | SignFlipped | WrongUnit | Stuck | LateReport | PlausibleOpen
PayloadFault = BitSet | BytesSwapped
WireFault = BadPec | MissingPec | WrongCount | Dropped
Fault = HarnessFault | SensedFault | ReportFault | PayloadFault | WireFault | FrameFault


def touched(fault: Fault) -> tuple[str, ...]:
    """Return the paths of the fields, or the name of the message or channel, that a fault names."""
    if isinstance(fault, HarnessFault):
        return (fault.channel,)
    if isinstance(fault, PayloadFault | WireFault | FrameFault):
        return (fault.message,)
    if isinstance(fault, Shifted):
        return tuple(f"{fault.field}[{number}]" for number in range(fault.first, fault.last + 1))
    return (fault.field, fault.other) if isinstance(fault, Swapped) else (fault.field,)


def _with(data: bytes, index: int, byte: int) -> bytes:
    return data[:index] + bytes([byte]) + data[index + 1 :]


def _number(value: Value, path: str) -> float:
    if isinstance(value, RawCode | str | bytes) or not hasattr(value, "__float__"):
        raise TypeError(f"'{path}' carries {value!r}; this fault needs a number")
    return float(value)
