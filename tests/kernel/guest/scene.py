"""The device on the emulated bus: the shipped map's pack, with values that the map finds right."""

from __future__ import annotations

from tests.kernel.target import Target

ADDRESS = 0x0B
CELLS_MV = (3701, 3652, 3760, 3731)


def ridge() -> Target:
    """The pack of maps/ridge_4s.yaml; every value is in its unit there."""
    words = {
        0x08: 2982,  # temperature, 0.1 K
        0x09: sum(CELLS_MV),
        0x0A: 1500,  # current, mA
        0x0B: 1490,
    }
    registers = {command: value.to_bytes(2, "little") for command, value in words.items()}
    registers[0xB0] = bytes([len(CELLS_MV)]) + b"".join(value.to_bytes(2, "little") for value in CELLS_MV)
    registers[0xB4] = registers[0xB5] = (2048).to_bytes(2, "little")
    registers[0xB6] = b"\0\0"
    registers[0x20] = b"Ridge"
    return Target(ADDRESS, registers, blocks=frozenset({0x20, 0xB0}))
