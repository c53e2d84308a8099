"""End-to-end protection of frames: which bytes of a frame each AUTOSAR profile takes, and what it counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from regcheck.device_map import leaves
from regcheck.device_map.yaml_source import Node

MODES = ("both", "alternating", "low", "nibble")
"""How profile 1 takes its 16-bit data id into the CRC (AUTOSAR PRS E2E Protocol, profile 1, DataIDMode; from memory of it)."""


@dataclass(frozen=True, slots=True)
class Profile:
    """One profile's header: ``crc`` by its catalogue name, its bits and the counter's (least significant first), the last count.

    ``header_bytes`` is the shortest message that holds both; ``ids`` how many data ids it takes.
    """

    crc: str
    crc_bits: tuple[int, ...]
    counter_bits: tuple[int, ...]
    last_count: int
    header_bytes: int
    ids: int = 1

    def bits(self, mode: str) -> tuple[int, ...]:
        """Return every bit that the protection takes; profile 1's nibble mode sends a nibble of the data id beside the counter."""
        return self.crc_bits + self.counter_bits + (tuple(range(12, 16)) if mode == "nibble" else ())


PROFILES: Mapping[str, Profile] = {
    # AUTOSAR PRS E2E Protocol, header layouts of profiles 1, 2 and 5 (from memory of it, in their standard variants)
    "P01": Profile("CRC-8/SAE-J1850", tuple(range(8)), tuple(range(8, 12)), 14, 2),
    "P02": Profile("CRC-8/AUTOSAR", tuple(range(8)), tuple(range(8, 12)), 15, 2, ids=16),
    "P05": Profile("CRC-16/IBM-3740", tuple(range(16)), tuple(range(16, 24)), 255, 3),
}
"""By the short name that ``Protection.profile`` holds. P01 starts and ends its CRC at 0, unlike the catalogue's entry."""


def protection_profile(node: Node) -> str:
    """Return `P01` of `AUTOSAR P01`."""
    found = leaves.text(node)
    names = {f"AUTOSAR {name}": name for name in PROFILES}
    if found not in names:
        raise ValueError(leaves.unknown(found, list(names), "profile"))
    return names[found]


def protection_mode(node: Node) -> str:
    """Return one of profile 1's modes."""
    found = leaves.text(node)
    if found not in MODES:
        raise ValueError(leaves.unknown(found, list(MODES), "mode"))
    return found
