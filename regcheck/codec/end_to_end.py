"""End-to-end protection of frames: what an AUTOSAR profile's CRC must be, one frame at a time and in columns.

AUTOSAR PRS E2E Protocol, profiles 1, 2 and 5 in their standard variants (CRC first, then the counter; from memory of it):
profile 1 takes its data id before the bytes behind the CRC, profiles 2 and 5 theirs after them. A 16-bit number goes low byte first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.checksums import crc_column, crc_function
from regcheck.device_map.crc_catalogue import CRC_CATALOGUE, CrcAlgorithm
from regcheck.device_map.expressions import parse_expression
from regcheck.device_map.frames import number_at
from regcheck.device_map.model import Field, FieldType, Meaning, Message
from regcheck.device_map.places import BitsPlace, bit_numbers
from regcheck.device_map.protection import PROFILES

COUNTER = "counter"
"""The field that a protection's counter is read as, where the map has no field of its own for it, nor another one of this name."""

_CRCS: Mapping[str, CrcAlgorithm] = {name: CRC_CATALOGUE[profile.crc] for name, profile in PROFILES.items()} | {
    "P01": replace(CRC_CATALOGUE["CRC-8/SAE-J1850"], init=0, xorout=0)  # what the routine's start value and the profile's undo each other
}


@dataclass(frozen=True, slots=True)
class Guard:
    """The protection of one device's frame: ``ids`` are its data ids (profile 2: one for each count), ``mode`` is profile 1's."""

    profile: str
    ids: tuple[int, ...]
    mode: str = "both"

    def crc(self, payload: bytes) -> int:
        """Return the CRC that a payload must carry; its counter is taken as it stands."""
        low, high = self.ids[0] & 0xFF, self.ids[0] >> 8
        if self.profile == "P01":
            before = {"both": [low, high], "low": [low], "nibble": [low, 0], "alternating": [high if payload[1] & 1 else low]}[self.mode]
            covered = bytes(before) + payload[1:]
        elif self.profile == "P02":
            covered = payload[1:] + bytes([self.ids[payload[1] & 0xF]])
        else:
            covered = payload[2:] + bytes([low, high])
        return crc_function(_CRCS[self.profile])(covered)

    def holds(self, payload: bytes) -> bool:
        """Return whether a payload's CRC (and profile 1's nibble) is right; False where it is too short to hold one."""
        if len(payload) < PROFILES[self.profile].header_bytes:
            return False
        size = len(PROFILES[self.profile].crc_bits) // 8
        is_right = int.from_bytes(payload[:size], "little") == self.crc(payload)
        return is_right and (self.mode != "nibble" or payload[1] >> 4 == self.ids[0] >> 8 & 0xF)

    def column(self, payloads: NDArray[np.uint8]) -> NDArray[np.bool_]:
        """Return ``holds`` of each row: u1[n, length] -> bool[n]."""
        count, length = payloads.shape
        if length < PROFILES[self.profile].header_bytes:
            return np.zeros(count, np.bool_)
        low, high = np.uint8(self.ids[0] & 0xFF), np.uint8(self.ids[0] >> 8)
        size = len(PROFILES[self.profile].crc_bits) // 8
        before, after = {"P01": (1 if self.mode in ("low", "alternating") else 2, 0), "P02": (0, 1), "P05": (0, 2)}[self.profile]
        covered = np.empty((count, before + length - size + after), np.uint8)
        covered[:, before : before + length - size] = payloads[:, size:]
        if self.profile == "P01":
            covered[:, 0] = np.where(payloads[:, 1] & 1, high, low) if self.mode == "alternating" else low
            if before == 2:
                covered[:, 1] = high if self.mode == "both" else 0
        elif self.profile == "P02":
            covered[:, -1] = np.array(self.ids, np.uint8)[payloads[:, 1] & 0xF]
        else:
            covered[:, -2], covered[:, -1] = low, high
        found = payloads[:, 0].astype(np.uint64)
        if size == 2:
            found |= payloads[:, 1].astype(np.uint64) << np.uint64(8)
        is_right = found == crc_column(covered, _CRCS[self.profile])
        if self.mode == "nibble":
            is_right &= payloads[:, 1] >> 4 == high & 0xF
        return np.asarray(is_right, np.bool_)

    def filled(self, payload: bytes) -> bytes:
        """Return a payload with its CRC (and profile 1's nibble) put in; it is long enough for them."""
        size = len(PROFILES[self.profile].crc_bits) // 8
        if self.mode == "nibble":
            payload = payload[:1] + bytes([payload[1] & 0xF | (self.ids[0] >> 8 & 0xF) << 4]) + payload[2:]
        return self.crc(payload).to_bytes(size, "little") + payload[size:]


def guard_of(message: Message, numbers: Mapping[str, int]) -> Guard | None:
    """Return a frame's protection for one device; None where it has none, or the numbers for its data ids are missing."""
    protect = message.protect
    if protect is None:
        return None
    ids = [number_at(formula, numbers) for formula in protect.data_ids]
    known = tuple(one for one in ids if one is not None)
    return Guard(protect.profile, known, protect.mode) if len(known) == len(ids) else None


def counter_field(message: Message) -> Field | None:
    """Return the field that a protection's counter is read as; None where there is none, or a field of the map's own stands there."""
    if message.protect is None:
        return None
    profile = PROFILES[message.protect.profile]
    for field in message.all_fields():
        if field.name == COUNTER or set(bit_numbers(field.where, profile.header_bytes)) == set(profile.counter_bits):
            return None
    place = message.given_keys.get("protect", message.place)
    one, zero = parse_expression("1", place), parse_expression("0", place)
    return Field(
        name=COUNTER,
        message=message.name,
        place=place,
        where=BitsPlace(profile.counter_bits),
        meanings=(Meaning(None, FieldType.UNSIGNED, None, one, zero, zero),),
        counter=(0, profile.last_count),
    )
