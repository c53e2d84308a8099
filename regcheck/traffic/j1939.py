"""The 29-bit id of SAE J1939: priority, parameter group number (PGN), source and destination address, one at a time or in columns.

SAE J1939-21, protocol data unit (from memory; the Linux kernel's j1939 documentation agrees): priority in bits 28 to 26, then the
extended data page, the data page, PDU format (PF, 8 bits), PDU specific (PS, 8 bits), source address. Below PF 240 the PS is the
destination and no part of the PGN, whose low byte is 0; from 240 on it is the low byte, and the message is for all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

ALL = 0xFF
"""The destination address of a message for all."""

PGN_LARGEST = 0x3_FFFF
_ID_LARGEST = 0x1FFF_FFFF
_PDU2 = 240  # the first PF whose PS belongs to the PGN


@dataclass(frozen=True, slots=True)
class J1939Id:
    """What a 29-bit id says."""

    priority: int
    pgn: int
    source: int
    destination: int = ALL

    @classmethod
    def split(cls, number: int) -> J1939Id:
        """Return what ``number`` says; ValueError: it has more than 29 bits.

        >>> J1939Id.split(0x18EAFFF9)
        J1939Id(priority=6, pgn=59904, source=249, destination=255)
        """
        if not 0 <= number <= _ID_LARGEST:
            raise ValueError(f"0x{number:X} is no 29-bit id")
        group, specific = number >> 8 & PGN_LARGEST, number >> 8 & 0xFF
        if is_addressed(group):
            return cls(number >> 26, group & ~0xFF, number & 0xFF, specific)
        return cls(number >> 26, group, number & 0xFF, ALL)

    def join(self) -> int:
        """Return the 29-bit id; ValueError: a part is too large, or a PGN below PF 240 has a low byte.

        The destination of a PGN from PF 240 on does not stand in the id.

        >>> hex(J1939Id(6, 0xFEF1, 0x00).join())
        '0x18fef100'
        """
        for name, value, largest in (
            ("priority", self.priority, 7),
            ("pgn", self.pgn, PGN_LARGEST),
            ("source", self.source, 0xFF),
            ("destination", self.destination, 0xFF),
        ):
            if not 0 <= value <= largest:
                raise ValueError(f"{name} is {value}; expected 0 to {largest}")
        if not is_addressed(self.pgn):
            return self.priority << 26 | self.pgn << 8 | self.source
        if self.pgn & 0xFF:
            raise ValueError(f"PGN 0x{self.pgn:X} has a low byte; below PF 240 it is 0, for the destination stands there")
        return self.priority << 26 | self.pgn << 8 | self.destination << 8 | self.source


def is_addressed(pgn: int) -> bool:
    """Tell whether messages of a PGN go to one address (PF below 240), which then stands in the id."""
    return pgn >> 8 & 0xFF < _PDU2


@dataclass(frozen=True, slots=True, eq=False)
class J1939Columns:
    """What many 29-bit ids say, as columns of one length."""

    priority: NDArray[np.uint8]
    pgn: NDArray[np.uint32]
    source: NDArray[np.uint8]
    destination: NDArray[np.uint8]

    @classmethod
    def split(cls, numbers: NDArray[np.uint32]) -> J1939Columns:
        """Return what ``numbers`` say, each of at most 29 bits."""
        specific = numbers >> np.uint32(8) & np.uint32(0xFF)
        addressed = numbers >> np.uint32(16) & np.uint32(0xFF) < _PDU2
        group = numbers >> np.uint32(8) & np.uint32(PGN_LARGEST)
        return cls(
            priority=(numbers >> np.uint32(26)).astype(np.uint8),
            pgn=np.where(addressed, group & np.uint32(0x3_FF00), group),
            source=(numbers & np.uint32(0xFF)).astype(np.uint8),
            destination=np.where(addressed, specific, np.uint32(ALL)).astype(np.uint8),
        )

    def join(self) -> NDArray[np.uint32]:
        """Return the ids; parts must be in their ranges."""
        addressed = self.pgn >> np.uint32(8) & np.uint32(0xFF) < _PDU2
        specific = np.where(addressed, self.destination, 0).astype(np.uint32)
        number: NDArray[np.uint32] = self.priority.astype(np.uint32) << np.uint32(26) | (self.pgn | specific) << np.uint32(8)
        return number | self.source
