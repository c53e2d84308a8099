"""The reference decoder of one message: payloads and whole transfers, parsed and built. Live buses, simulated boards and lint use it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from regcheck.codec.builder import Builder, Value
from regcheck.codec.checksums import pec
from regcheck.codec.columns import Check
from regcheck.codec.forms import message_form
from regcheck.codec.formulas import Sensors
from regcheck.codec.framing import COUNTED, REFUSED, Fault, count_limits, frame_transfer
from regcheck.codec.payload import Given, Parsed, decode_payload
from regcheck.codec.readings import Reading
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


class MessageParser:
    """Decodes and builds one message.

    ``sensors`` are the models that `convert` may call, by name, on base SI values (None: all that there are).
    Raises ExpressionError where the map's formulas are wrong.
    """

    def __init__(self, register_map: RegisterMap, message: Message, sensors: Sensors | None = None) -> None:
        self.message = message
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
        return decode_payload(self.form, payload, given or {}, declared=len(payload) if declared is None else declared, verified=verified)

    def build(
        self, values: Mapping[str, Value], given: Given | None = None, *, length: int | None = None, base: bytes | None = None
    ) -> bytes:
        """Return the payload that carries ``values``, keyed by field name (``cell_voltage[7]`` for an element).

        A field without a value is what the map says it must be, else 0, or as in ``base``; checks are computed. Raises EncodeError.
        """
        return self._builder.build(values, given, length=length, base=base)

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
