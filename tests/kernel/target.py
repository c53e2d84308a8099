"""An SMBus target of our own, byte by byte as the wire has them: registers, a true or a false PEC or none, and faults on request.

SMBus 3.2, 6.4 (packet error checking) and 6.5 (the protocols). It knows nothing of the adapter before it, nor of regcheck: its PEC is
worked out here. It keeps all that passed on the wire while it was addressed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

PEC_KINDS = ("true", "false", "none")


def pec(data: bytes) -> int:
    """The PEC of these bytes: CRC-8 with x^8 + x^2 + x + 1, from 0 (SMBus 3.2, 6.4.1)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x107) if crc & 0x80 else crc << 1
    return crc


@dataclass(frozen=True, slots=True)
class Transfer:
    """What passed from start to stop: one part a start or repeated start, its address byte first; whether all of it was acknowledged."""

    parts: tuple[bytes, ...]
    acknowledged: bool

    @property
    def is_write(self) -> bool:
        """Whether the host changed, or tried to change, anything: it wrote more than the command byte, or wrote and read nothing."""
        reads = any(part[0] & 1 for part in self.parts)
        return not reads or any(len(part) > 2 for part in self.parts if not part[0] & 1)


@dataclass(slots=True)
class Target:
    """The device: ``registers`` by command, low byte first; those of ``blocks`` are kept without the count that goes before them.

    ``nacks`` refuses that many addressings to come, ``refused`` always refuses these commands, ``reset`` brings back the registers
    that it was made with. A written block or word is kept only where its length and its PEC are right.
    """

    address: int
    registers: dict[int, bytes]
    blocks: frozenset[int] = frozenset()
    pec: str = "true"
    present: bool = True
    nacks: int = 0
    refused: frozenset[int] = frozenset()
    log: list[Transfer] = field(default_factory=list)
    _at_first: Mapping[int, bytes] = field(init=False)
    _parts: list[bytes] = field(default_factory=list, init=False)
    _acknowledged: bool = field(default=True, init=False)
    _listening: bool = field(default=False, init=False)
    _answer: Iterator[int] = field(default_factory=lambda: iter(()), init=False)

    def __post_init__(self) -> None:
        self._at_first = dict(self.registers)

    def reset(self) -> None:
        """Start anew, as after a power cycle."""
        self.registers = dict(self._at_first)

    def start(self) -> None:
        """A start or repeated start: the next byte is an address."""
        self._listening = False

    def addressed(self, byte: int) -> bool:
        """Return whether the device acknowledges this address byte."""
        if byte >> 1 != self.address or not self.present:
            return False
        self._parts.append(bytes([byte]))
        if self.nacks:
            self.nacks -= 1
            self._acknowledged = False
            return False
        self._listening = True
        if byte & 1:
            self._answer = self._answers()
        return True

    def put(self, byte: int) -> bool:
        """Return whether the device acknowledges a byte that the host writes."""
        if not self._listening:
            return False
        self._parts[-1] += bytes([byte])
        good = self._accepts(self._parts[-1])
        self._acknowledged &= good
        return good

    def get(self) -> int:
        """Return the next byte that the device sends; ones after its last, for it lets the wire go."""
        if not self._listening:
            return 0xFF
        byte = next(self._answer, 0xFF)
        self._parts[-1] += bytes([byte])
        return byte

    def stop(self) -> None:
        """End the transfer; what was written, and written right, is kept."""
        if self._parts:
            self.log.append(Transfer(tuple(self._parts), self._acknowledged))
            if len(self._parts) == 1 and self._acknowledged and not self._parts[0][0] & 1:
                self._keep(self._parts[0])
        self._parts, self._acknowledged, self._listening = [], True, False

    def _answers(self) -> Iterator[int]:
        command = self._parts[-2][1:2] if len(self._parts) > 1 else b""
        data = self.registers.get(command[0], b"\xff\xff") if command else b"\xff"
        if command and command[0] in self.blocks:
            data = bytes([len(data)]) + data
        yield from data
        if self.pec != "none":
            wire = b"".join(self._parts[:-1]) + self._parts[-1][:1] + data
            yield pec(wire) ^ (0xFF if self.pec == "false" else 0)

    def _size(self, part: bytes) -> int | None:
        """Return how many bytes a write has after its command, without PEC; None while its count has not come."""
        command = part[1]
        if command in self.blocks:
            return 1 + part[2] if len(part) > 2 else None
        return len(self.registers.get(command, b""))

    def _accepts(self, part: bytes) -> bool:
        if part[1] in self.refused:
            return False
        size = self._size(part)
        if size is None or len(part) <= 2 + size:
            return True
        return self.pec != "none" and len(part) == 3 + size and part[-1] == pec(part[:-1])

    def _keep(self, part: bytes) -> None:
        if len(part) < 3 or part[1] not in self.registers:
            return
        size = self._size(part)
        if size is not None and len(part) >= 2 + size:
            self.registers[part[1]] = part[3 : 2 + size] if part[1] in self.blocks else part[2 : 2 + size]
