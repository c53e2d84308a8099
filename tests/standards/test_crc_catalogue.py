"""The catalogue of CRCs: every entry's check value recomputed bit by bit from its parameters.

Check values: the catalogue of parametrised CRC algorithms, from memory of it; the model is that of R. Williams, A Painless Guide to CRC
Error Detection Algorithms, 1993. A wrong parameter and a wrong check value agree only by a chance of 2^-width.
"""

from __future__ import annotations

import zlib

import pytest

from regcheck.device_map.crc_catalogue import CRC_CATALOGUE, CrcAlgorithm
from regcheck.device_map.protection import PROFILES

CHECK = b"123456789"


def bit_by_bit(crc: CrcAlgorithm, data: bytes) -> int:
    """The model's own definition: shift the message through the register, most significant bit first."""
    register, top = crc.init, 1 << (crc.width - 1)
    for byte in data:
        for index in range(8) if crc.refin else range(7, -1, -1):
            feedback = bool(register & top) != bool(byte >> index & 1)
            register = register << 1 & ((1 << crc.width) - 1)
            if feedback:
                register ^= crc.poly
    if crc.refout:
        register = int(f"{register:0{crc.width}b}"[::-1], 2)
    return register ^ crc.xorout


@pytest.mark.parametrize("name", CRC_CATALOGUE)
def test_check_value(name: str) -> None:
    crc = CRC_CATALOGUE[name]
    assert bit_by_bit(crc, CHECK) == crc.check
    assert name == crc.name
    assert max(crc.poly, crc.init, crc.xorout) < 1 << crc.width


def test_no_two_entries_are_alike() -> None:
    assert len(CRC_CATALOGUE) == 112
    parameters = {(crc.width, crc.poly, crc.init, crc.refin, crc.refout, crc.xorout) for crc in CRC_CATALOGUE.values()}
    assert len(parameters) == len(CRC_CATALOGUE)


@pytest.mark.parametrize("data", [b"", b"a", CHECK, bytes(range(256))])
def test_the_32_bit_one_is_that_of_a_general_library(data: bytes) -> None:
    assert bit_by_bit(CRC_CATALOGUE["CRC-32/ISO-HDLC"], data) == zlib.crc32(data)


def test_the_profiles_of_end_to_end_protection_name_entries_that_are_there() -> None:
    assert {profile.crc for profile in PROFILES.values()} <= set(CRC_CATALOGUE)
    for profile in PROFILES.values():
        assert CRC_CATALOGUE[profile.crc].width == len(profile.crc_bits)
