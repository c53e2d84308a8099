"""The reference decoder of one message: payloads and whole transfers, parsed and built. Live buses, simulated boards and lint use it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from regcheck.codec.builder import Builder, Value
from regcheck.codec.checksums import pec
from regcheck.codec.columns import Check
from regcheck.codec.end_to_end import guard_of
from regcheck.codec.forms import message_form
from regcheck.codec.formulas import Sensors
from regcheck.codec.frame_routes import Buses, FrameRoutes, may_be_long
from regcheck.codec.framing import COUNTED, REFUSED, Fault, count_limits, frame_transfer
from regcheck.codec.payload import Given, Parsed, decode_payload
from regcheck.codec.readings import Reading
from regcheck.codec.states import NO_STATES
from regcheck.device_map.frames import Fitted
from regcheck.device_map.model import Message, Pec, RegisterMap, TransferKind
from regcheck.device_map.sensors import SENSORS
from regcheck.errors import EncodeError, UsageError
from regcheck.traffic.batch import Kind, MessageKey


@dataclass(frozen=True, slots=True)
class ParsedTransfer:
    """One transfer decoded: its register, direction, check, framing fault, layout in force (as in Parsed), readings.

    ``sent`` is the data that a process call sent.
    """

    message: Message
    written: bool
    check: Check
    fault: Fault
    layout: int
    readings: tuple[Reading, ...]
    sent: bytes = b""


@dataclass(frozen=True, slots=True)
class ParsedFrame:
    """One frame, or one message put together from several, decoded: as ParsedTransfer, and which device it came from."""

    message: Message
    instance: str
    check: Check
    fault: Fault
    layout: int
    readings: tuple[Reading, ...]


class MessageParser:
    """Decodes and builds one message, of one of several like devices where ``numbers`` are given.

    ``sensors`` are the models that `convert` may call, by name, on base SI values (None: all that there are). ``numbers`` fill the
    instance names and the `each` of a frame, ``instance`` is the device as readings name it.
    Raises ExpressionError where the map's formulas are wrong.
    """

    def __init__(
        self,
        register_map: RegisterMap,
        message: Message,
        sensors: Sensors | None = None,
        *,
        numbers: Mapping[str, int] | None = None,
        instance: str = "",
    ) -> None:
        self.message, self.instance = message, instance
        self._numbers = dict(numbers or {})
        self._guard = guard_of(message, self._numbers)
        self.form = message_form(register_map, message, SENSORS if sensors is None else sensors)
        self._builder = Builder(self.form)

    def parse(self, payload: bytes, given: Given | None = None, *, declared: int | None = None, verified: bool = True) -> list[Reading]:
        """Return the readings of a payload in order of the map, elements by number.

        ``given`` says what other messages said last; ``declared`` how long the payload should be where not all of it came;
        with ``verified`` False (a bad PEC) every reading is bad_check.
        """
        return list(self.decode(payload, given, declared=declared, verified=verified).readings)

    def decode(self, payload: bytes, given: Given | None = None, *, declared: int | None = None, verified: bool = True) -> Parsed:
        """Return the readings of a payload, and what was found on the way."""
        size = len(payload) if declared is None else declared
        parsed = decode_payload(self.form, payload, self._given(given), declared=size, verified=verified, guard=self._guard)
        if not self.instance:
            return parsed
        return replace(parsed, readings=tuple(replace(one, instance=self.instance) for one in parsed.readings))

    def _given(self, given: Given | None) -> Given:
        return {**(given or {}), **self._numbers} if self._numbers else given or {}

    def build(
        self,
        values: Mapping[str, Value],
        given: Given | None = None,
        *,
        length: int | None = None,
        base: bytes | None = None,
        count: int | None = None,
    ) -> bytes:
        """Return the payload that carries ``values``, keyed by field name (``cell_voltage[7]`` for an element).

        A field without a value is what the map says it must be, else 0, or as in ``base``; checks and protection are computed.
        Counters without a value stand where ``count`` messages have moved them (None: as any field). Raises EncodeError.
        """
        if self.message.protect is not None and self._guard is None:
            names = ", ".join(formula.text for formula in dict.fromkeys(self.message.protect.data_ids))
            raise EncodeError(f"'{self.message.name}' cannot be protected: its data id {names} is not known; give the instance's numbers")
        return self._builder.build(values, self._given(given), length=length, base=base, guard=self._guard, count=count)

    def parse_frame(self, data: bytes, given: Given | None = None) -> ParsedFrame:
        """Return a frame decoded: ``data`` is all that it carries, the bytes that the map skips too."""
        parsed = self.decode(data[self.message.after :], given)
        is_whole = parsed.length_good and len(data) >= self.message.after
        check = {None: Check.NONE, True: Check.GOOD, False: Check.BAD}[parsed.check_good]
        fault = Fault.NONE if is_whole else Fault.LENGTH
        return ParsedFrame(self.message, self.instance, check, fault, parsed.layout, parsed.readings)

    def build_frame(
        self, values: Mapping[str, Value], given: Given | None = None, *, length: int | None = None, count: int | None = None
    ) -> bytes:
        """Return all that a frame carries: the bytes that it begins with, those that the map skips, the payload of ``build``."""
        begins, after = self.message.begins, self.message.after
        payload = self.build(values, given, length=length, count=count)
        inside = begins[after:]
        if inside:  # some of the bytes that it begins with are in its fields' places
            size = max(len(payload), len(inside))
            payload = self.build(values, given, base=inside + bytes(size - len(inside)), count=count)
        return begins[:after].ljust(after, b"\0") + payload

    def parse_transfer(
        self, wire: bytes, given: Given | None = None, *, split: int | None = None, nack: int | None = None, flags: int = 0
    ) -> ParsedTransfer:
        """Return one transfer decoded: ``wire`` is every byte, addresses and PEC too; ``split`` the second address byte's index.

        None for ``split`` finds it where the register's transfer has it (0, a write, where no such byte stands there).
        """
        where = split_index(self.message, wire) if split is None else split
        written = where == 0 and self.message.transfer is not TransferKind.RECEIVE_BYTE
        frame = frame_transfer(self.message, wire, where, written=written, nack=nack, flags=flags)
        if frame.fault in REFUSED:
            return ParsedTransfer(self.message, written, frame.check, frame.fault, -1, (), frame.sent)
        parsed = self.decode(frame.payload, given, declared=frame.declared, verified=frame.verified)
        fault, check = frame.fault, frame.check
        if not parsed.length_good and fault in (Fault.NONE, Fault.HOST_END):
            fault = Fault.LENGTH
        if parsed.check_good is False:
            check = Check.BAD
        elif parsed.check_good and check is Check.NONE:
            check = Check.GOOD
        return ParsedTransfer(self.message, written, check, fault, parsed.layout, parsed.readings, frame.sent)

    def build_transfer(
        self,
        values: Mapping[str, Value],
        given: Given | None = None,
        *,
        written: bool = False,
        sent: bytes = b"",
        with_pec: bool | None = None,
        length: int | None = None,
    ) -> tuple[bytes, int]:
        """Return every byte of a transfer on the wire, and the second address byte's index (0: none).

        ``sent`` is what a process call sends. The PEC is there unless the map says never, or as ``with_pec`` says. Raises EncodeError.
        """
        message = self.message
        address = message.to if message.to is not None else message.address
        if address is None:
            raise UsageError(f"'{message.name}' has no address, so no transfer can be built; the map's head says smbus: {{address: …}}")
        payload = b"" if message.transfer is TransferKind.SEND_BYTE else self.build(values, given, length=length)
        if message.transfer in COUNTED:
            low, high = count_limits(message)
            if not low <= len(payload) <= high:
                raise EncodeError(f"a block of {len(payload)} bytes does not fit '{message.name}', which takes {low} to {high}")
            payload = bytes([len(payload)]) + payload
        head = bytes([address << 1]) + (b"" if message.command is None else bytes([message.command]))
        if message.transfer is TransferKind.RECEIVE_BYTE:
            head, split = bytes([address << 1 | 1]), 0
        elif written:
            split = 0
        else:
            head += bytes([len(sent)]) + sent if message.transfer is TransferKind.BLOCK_PROCESS_CALL else sent
            split = len(head)
            head += bytes([address << 1 | 1])
        wire = head + payload
        if message.pec is not Pec.NEVER if with_pec is None else with_pec:
            wire += bytes([pec(wire)])
        return wire, split


def split_index(message: Message, wire: bytes) -> int:
    """Return where a register's transfer has its second address byte; 0 where it is a write or a receive byte."""
    if len(wire) < 3 or message.transfer is TransferKind.RECEIVE_BYTE:
        return 0
    where = {TransferKind.PROCESS_CALL: 4, TransferKind.BLOCK_PROCESS_CALL: 3 + wire[2]}.get(message.transfer or TransferKind.WORD, 2)
    return where if len(wire) > where and wire[where] == wire[0] | 1 and "read" in message.access else 0


def transfer_key(wire: bytes, split: int) -> MessageKey:
    """Return the key of an acknowledged transfer with at least one byte after its address."""
    if split:
        return MessageKey(Kind.READ, wire[0] >> 1, wire[1])
    return MessageKey(Kind.RECEIVE, wire[0] >> 1) if wire[0] & 1 else MessageKey(Kind.WRITE, wire[0] >> 1, wire[1])


class TransferParser:
    """Decodes transfers of every register of a map, one at a time."""

    def __init__(self, register_map: RegisterMap, sensors: Sensors | None = None) -> None:
        from regcheck.codec.plan import message_keys

        self._parsers: dict[int, list[MessageParser]] = {}
        for message in register_map.messages:
            parser = MessageParser(register_map, message, sensors)
            for key, _ in message_keys(message):
                self._parsers.setdefault(key, []).append(parser)

    def parse(
        self, wire: bytes, split: int, given: Given | None = None, *, selector: int | None = None, nack: int | None = None, flags: int = 0
    ) -> ParsedTransfer | None:
        """Return a transfer decoded; None where no register explains it. ``selector`` is the word last written for an indirect read."""
        if len(wire) < 2:
            return None
        found = self._parsers.get(transfer_key(wire, split).pack(), [])
        direct = [one for one in found if one.message.through is None]
        chosen = direct or [one for one in found if one.message.through is not None and one.message.through.word == selector]
        return chosen[0].parse_transfer(wire, given, split=split, nack=nack, flags=flags) if chosen else None


class FrameParser:
    """Decodes frames of every device of a map, one at a time, and messages in parts once they are put together.

    ``fitted`` and ``buses`` are as in ColumnPlan; so is the choice of the message.
    """

    def __init__(
        self, register_map: RegisterMap, sensors: Sensors | None = None, *, fitted: Fitted | None = None, buses: Buses | None = None
    ) -> None:
        self._map, self._sensors = register_map, SENSORS if sensors is None else sensors
        frames = [message for message in register_map.messages if message.kind == "frame"]
        self._routes = {
            is_carried: FrameRoutes(register_map, chosen, NO_STATES, self._sensors, fitted=fitted, buses=buses or {})
            for is_carried, chosen in (
                (False, [one for one in frames if one.carrier is None]),
                (True, [one for one in frames if one.carrier is not None or may_be_long(one)]),
            )
        }
        self._parsers: dict[tuple[bool, int], MessageParser] = {}

    def find(self, key: MessageKey, data: bytes, bus: str = "", *, is_carried: bool = False) -> MessageParser | None:
        """Return the parser of a frame's message; None where no message of the map is meant."""
        routes = self._routes[is_carried]
        number = routes.find(replace(key, bus=0).pack(), (bus,))
        for route in routes.routes[number] if number >= 0 else ():
            if data.startswith(route.plan.message.begins):
                at = is_carried, route.order
                if at not in self._parsers:
                    message, known = route.plan.message, route.known
                    self._parsers[at] = MessageParser(self._map, message, self._sensors, numbers=known.numbers, instance=known.instance)
                return self._parsers[at]
        return None

    def parse(
        self, key: MessageKey, data: bytes, given: Given | None = None, bus: str = "", *, is_carried: bool = False
    ) -> ParsedFrame | None:
        """Return a frame decoded; None where no message of the map is meant. ``given`` is what the same device said last."""
        found = self.find(key, data, bus, is_carried=is_carried)
        return None if found is None else found.parse_frame(data, given)


def parse_transfer(
    register_map: RegisterMap, wire: bytes, split: int, given: Given | None = None, *, selector: int | None = None
) -> ParsedTransfer | None:
    """Return one transfer decoded; None where no register of the map explains it. For many, keep a TransferParser."""
    return TransferParser(register_map).parse(wire, split, given, selector=selector)


def build_transfer(
    register_map: RegisterMap, name: str, values: Mapping[str, Value], given: Given | None = None, *, written: bool = False
) -> tuple[bytes, int]:
    """Return the wire bytes of a register's transfer, and the second address byte's index. Raises UsageError and EncodeError."""
    message = register_map.message(name)
    if message is None:
        raise UsageError(f"the map has no register '{name}'; it has {', '.join(one.name for one in register_map.messages)}")
    return MessageParser(register_map, message).build_transfer(values, given, written=written)
