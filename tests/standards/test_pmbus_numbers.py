"""Number formats of PMBus 1.3 part II (clause 7 data formats, clause 8 output voltage) and IEEE 754 binary16.

Words with a public source (data sheets, drivers) and words computed from the definition; 0x03E6 at exponent -10 is 0.974609 on a data
sheet whose working line misprints 0x03D6.
"""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from regcheck.codec.number_formats import code_values, float_of, linear11, linear11_code
from regcheck.codec.parser import MessageParser
from regcheck.codec.readings import Reading
from regcheck.device_map.compile import load_map
from regcheck.device_map.model import FieldType, Status
from regcheck.errors import EncodeError

LINEAR11 = [
    (0xD280, "10"), (0xE804, "0.5"), (0xE054, "5.25"), (0xEAC0, "88"), (0xF785, "-30.75"), (0x07FF, "-1"),
    (0x0400, "-1024"), (0xFBFF, "511.5"), (0xE7FE, "-0.125"), (0x7BFF, "33521664"),
]  # fmt: skip

HALF = [(0x3C00, 1.0), (0xC000, -2.0), (0x4A00, 12.0), (0x3555, 0.333251953125), (0x7BFF, 65504.0), (0x0001, 2.0**-24)]

VOUT = [  # word, VOUT_MODE, value: VOUT_MODE bits 4..0 are a signed exponent
    (0x9800, 0x13, "4.75"), (0x0400, 0x16, "1"), (0x03E6, 0x16, "0.974609375"),
    (0x1A66, 0x17, "13.19921875"), (0x0D33, 0x18, "13.19921875"),
]  # fmt: skip

DIRECT = [(5, -100, 1, 365, "27.3"), (5, -100, 1, 0xFF9C, "18"), (2685, 0, -1, 3222, "12")]  # m, b, R, word, value


def read(tmp_path: Path, field: str, word: int, **given: int) -> Reading:
    path = tmp_path / "pmbus.yaml"
    path.write_text(
        "regcheck: 1\ndevice: {name: numbers, source: this test}\nsmbus: {address: 0x40}\nregisters:\n"
        "  vout_mode: {command: 0x20, transfer: byte, fields: {n: {bits: 0..4, type: signed}}}\n"
        f"  number: {{command: 0x8B, transfer: word, {field}}}\n",
        encoding="utf-8",
    )
    register_map = load_map(path)
    parser = MessageParser(register_map, register_map.messages[1])
    return parser.parse(word.to_bytes(2, "little"), {key.replace("__", "."): value for key, value in given.items()})[0]


@pytest.mark.parametrize(("code", "value"), LINEAR11)
def test_linear11(tmp_path: Path, code: int, value: str) -> None:
    assert linear11(code) == Fraction(value)
    assert read(tmp_path, "type: linear11", code).value == Fraction(value)
    assert code_values(FieldType.LINEAR11, 16)(np.array([code])).tolist() == [float(Fraction(value))]
    built = linear11_code(Fraction(value))
    assert built is not None
    assert linear11(built) == Fraction(value)


def test_linear11_is_exact_for_every_code() -> None:
    every = np.arange(1 << 16)
    assert code_values(FieldType.LINEAR11, 16)(every).tolist() == [float(linear11(code)) for code in every.tolist()]


def test_linear11_out_of_reach() -> None:
    assert linear11_code(Fraction(33521664)) is not None
    assert linear11_code(Fraction(33521664 + 32768)) is None


@pytest.mark.parametrize(("word", "mode", "value"), VOUT)
def test_ulinear16_takes_its_exponent_from_another_register(tmp_path: Path, word: int, mode: int, value: str) -> None:
    exponent = mode - 32 if mode & 0x10 else mode
    field = "type: ulinear16, exponent: vout_mode.n, unit: V"
    assert read(tmp_path, field, word, vout_mode__n=exponent).value == Fraction(value)
    assert read(tmp_path, field, word).status is Status.UNSELECTED


def test_vout_is_no_linear11() -> None:
    assert linear11(0x0D33) != Fraction("13.19921875")


def test_slinear16(tmp_path: Path) -> None:
    assert read(tmp_path, "type: slinear16, exponent: -12", 0xFFF0).value == Fraction("-0.00390625")


@pytest.mark.parametrize(("m", "b", "r", "word", "value"), DIRECT)
def test_direct(tmp_path: Path, m: int, b: int, r: int, word: int, value: str) -> None:
    assert read(tmp_path, f"type: direct, m: {m}, b: {b}, R: {r}", word).value == Fraction(value)


@pytest.mark.parametrize(("code", "value"), HALF)
def test_half_precision(tmp_path: Path, code: int, value: float) -> None:
    assert float_of(code, 16) == value
    assert read(tmp_path, "type: float", code).number == value


def test_half_precision_without_a_number(tmp_path: Path) -> None:
    assert math.isinf(float_of(0x7C00, 16))
    assert read(tmp_path, "type: float", 0x7C00).status is Status.DEVICE_ERROR
    assert math.isnan(float_of(0x7E00, 16))
    assert read(tmp_path, "type: float", 0x7E00).status is Status.NOT_AVAILABLE


def test_half_precision_refuses_what_overflows(tmp_path: Path) -> None:
    from regcheck.codec.number_formats import encode_float

    with pytest.raises(EncodeError, match="70000 does not fit 'x', a float of 16 bits, which reaches from -65504 to 65504"):
        encode_float(16, Fraction(70000), name="x")
