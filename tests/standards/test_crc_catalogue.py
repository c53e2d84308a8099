"""The catalogue of CRCs: every entry's check value recomputed bit by bit from its parameters.

Check values: the catalogue of parametrised CRC algorithms, from memory of it; the model is that of R. Williams, A Painless Guide to CRC
Error Detection Algorithms, 1993. A wrong parameter and a wrong check value agree only by a chance of 2^-width.
"""

from __future__ import annotations

import zlib

import crccheck.crc
import numpy as np
import pytest

from regcheck.codec.checksums import crc_column, crc_function
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


@pytest.mark.parametrize("name", CRC_CATALOGUE)
def test_every_entry_is_that_of_a_general_library(name: str) -> None:
    # crccheck: its own parameters and its own computation, found by the catalogue's name
    (theirs,) = {one for one in crccheck.crc.ALLCRCCLASSES if name in one._names}
    ours = CRC_CATALOGUE[name]
    parameters = theirs._width, theirs._poly, theirs._initvalue, theirs._reflect_input, theirs._reflect_output, theirs._xor_output
    assert parameters == (ours.width, ours.poly, ours.init, ours.refin, ours.refout, ours.xorout)
    data = np.random.default_rng(ours.poly & 0xFFFF).integers(0, 256, (40, 13), np.uint8)
    for length in (0, 1, 2, 7, 8, 13):
        rows = data[:, :length]
        expected = [theirs.calc(row.tobytes()) for row in rows]
        assert [crc_function(ours)(row.tobytes()) for row in rows] == expected
        assert crc_column(rows, ours).tolist() == expected


@pytest.mark.parametrize("width", [1, 3, 5, 9, 20, 33, 63])
def test_a_crc_by_its_parameters_at_any_width(width: int) -> None:
    for number in range(8):
        rng = np.random.default_rng(width * 8 + number)
        poly, init, xorout = (int(one) % (1 << width) for one in rng.integers(0, 1 << 63, 3))
        crc = CrcAlgorithm("own", width, poly | 1, init, bool(number & 1), bool(number & 2), xorout)
        rows = rng.integers(0, 256, (5, 9), np.uint8)
        expected = [bit_by_bit(crc, row.tobytes()) for row in rows]
        assert crc_column(rows, crc).tolist() == [crc_function(crc)(row.tobytes()) for row in rows] == expected
