"""CRC check values: 'check' is the CRC of the ASCII digits 1 to 9, as CRC code indexes give it.

The AUTOSAR vectors are those of its CRC routine set.
"""

from __future__ import annotations

import numpy as np
import pytest

from regcheck.codec.checksums import CRCS, SMBUS_PEC, crc8_column, crc_function, inverted_sum, inverted_sum_column
from regcheck.device_map.crc_catalogue import CrcAlgorithm

CHECK = b"123456789"

# width, poly, init, refin, refout, xorout, check: the catalogue entries, from memory of the public CRC code indexes
CATALOGUE = [
    (CrcAlgorithm("CRC-8/SMBUS", 8, 0x07, 0x00, False, False, 0x00), 0xF4),
    (CrcAlgorithm("CRC-8/SAE-J1850", 8, 0x1D, 0xFF, False, False, 0xFF), 0x4B),
    (CrcAlgorithm("CRC-8/AUTOSAR", 8, 0x2F, 0xFF, False, False, 0xFF), 0xDF),
    (CrcAlgorithm("CRC-8/ROHC", 8, 0x07, 0xFF, True, True, 0x00), 0xD0),
    (CrcAlgorithm("CRC-8/MAXIM-DOW", 8, 0x31, 0x00, True, True, 0x00), 0xA1),
    (CrcAlgorithm("CRC-16/IBM-3740", 16, 0x1021, 0xFFFF, False, False, 0x00), 0x29B1),
    (CrcAlgorithm("CRC-16/MODBUS", 16, 0x8005, 0xFFFF, True, True, 0x0000), 0x4B37),
    (CrcAlgorithm("CRC-32/ISO-HDLC", 32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF), 0xCBF43926),
]

# AUTOSAR CRC routines (SWS CRC Library), test vectors: 00x4, F2 01 83, 0F AA 00 55, 00 FF 55 11, 33..FF, 92 6B 55, FFx4
VECTORS = ["00000000", "F20183", "0FAA0055", "00FF5511", "332255AABBCCDDEEFF", "926B55", "FFFFFFFF"]
AUTOSAR = {
    "CRC-8/SAE-J1850": [0x59, 0x37, 0x79, 0xB8, 0xCB, 0x8C, 0x74],
    "CRC-8/AUTOSAR": [0x12, 0xC2, 0xC6, 0x77, 0x11, 0x33, 0x6C],
}


@pytest.mark.parametrize(("crc", "check"), CATALOGUE, ids=lambda value: value.name if isinstance(value, CrcAlgorithm) else "")
def test_check_values(crc: CrcAlgorithm, check: int) -> None:
    assert crc_function(crc)(CHECK) == check
    if crc.width == 8:
        assert crc8_column(np.frombuffer(CHECK * 3, np.uint8).reshape(3, 9), crc).tolist() == [check] * 3


@pytest.mark.parametrize("name", AUTOSAR)
def test_autosar_vectors(name: str) -> None:
    for text, expected in zip(VECTORS, AUTOSAR[name], strict=True):
        data = bytes.fromhex(text)
        assert crc_function(CRCS[name])(data) == expected
        assert crc8_column(np.frombuffer(data, np.uint8).reshape(1, -1), CRCS[name]).tolist() == [expected]


@pytest.mark.parametrize("length", range(14))
def test_columns_agree_with_one_at_a_time_at_every_length(length: int) -> None:
    data = np.random.default_rng(length).integers(0, 256, (9000, length), np.uint8)
    for crc in (CRCS[name] for name in ("CRC-8/SMBUS", "CRC-8/SAE-J1850", "CRC-8/AUTOSAR", "CRC-8/ROHC", "CRC-8/DARC")):
        assert crc8_column(data, crc).tolist() == [crc_function(crc)(row.tobytes()) for row in data]


def test_columns_refuse_other_widths() -> None:
    with pytest.raises(ValueError, match="CRC-16 has 16 bits; expected 8, the same way round at both ends"):
        crc8_column(np.zeros((1, 1), np.uint8), CrcAlgorithm("CRC-16", 16, 0x1021, 0x00, False, False, 0x00))


def test_columns_do_not_need_rows_side_by_side() -> None:
    wide = np.random.default_rng(1).integers(0, 256, (50, 12), np.uint8)
    assert crc8_column(wide[:, 2:9]).tolist() == [crc_function(SMBUS_PEC)(row[2:9].tobytes()) for row in wide]


def test_inverted_sum() -> None:
    # worked by hand: 0x14 + 0xA0 + 0x04 + 0x65 + 0x34 + 0x23 + 0x01 = 0x175, whose low byte inverts to 0x8A
    data = bytes.fromhex("14A00465342301")
    assert inverted_sum(data) == 0x8A
    assert inverted_sum(data, 16) == 0xFE8A
    assert inverted_sum_column(np.frombuffer(data, np.uint8).reshape(1, -1), 16).tolist() == [0xFE8A]
