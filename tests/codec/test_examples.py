"""Examples that prove a map, and what is said of those that do not."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from regcheck.codec.examples import prove_examples
from regcheck.device_map.model import RegisterMap

MakeMap = Callable[[str], RegisterMap]


def complaints(register_map: RegisterMap) -> list[str]:
    return [
        f"{problem.place.line}: {problem.text}" + (f" ({problem.hint})" if problem.hint else "") for problem in prove_examples(register_map)
    ]


def word(example: str, keys: str = "unit: K, scale: 0.1") -> str:
    return (
        "  temperature:\n    command: 0x08\n    transfer: word\n"
        + "".join(f"    {key}\n" for key in keys.split(", "))
        + f"    examples: [{example}]\n"
    )


@pytest.mark.parametrize(
    "example",
    [
        "{transfer: 16 08 17 A6 0B 2A, value: 25.05 degC}",
        "{data: A6 0B, value: 298.2 K}",
        "{data: A6 0B, value: 298.2}",
        "{data: A6 0B, value: 298200 mK}",
    ],
)
def test_examples_that_hold(make_map: MakeMap, example: str) -> None:
    assert complaints(make_map(word(example))) == []


@pytest.mark.parametrize(
    ("example", "text"),
    [
        ("{data: A6 0B, value: 25.1 degC}", "10: 'temperature' comes out as 298.2 K; expected 25.1 degC"),
        (
            "{transfer: 16 08 17 A6 0B 2B, value: 25.05 degC}",
            "10: this transfer ends with the PEC 2B, but its bytes give 2A (or a check inside its payload does not hold)",
        ),
        (
            "{transfer: 16 08 17 A6 0B, value: 25.05 degC}",
            "10: this transfer has no PEC, which 'temperature' requires; its bytes give 2A (a transfer form has every byte on the wire)",
        ),
        (
            "{transfer: 0B 08 17 A6 0B 2A, value: 1 K}",
            "10: this transfer starts with 0B; expected 16 or 17, the address 0x0b in 8-bit form, of 'temperature' "
            "(the first byte is the address in 8-bit form, with the direction as its last bit)",
        ),
        ("{transfer: 16 09 17 A6 0B 2A, value: 1 K}", "10: this transfer has the command 09; 'temperature' has 08"),
        ("{data: A6, value: 25.05 degC}", "10: this example has 1 byte, which is not the length that the map gives 'temperature'"),
        (
            "{data: A6 0B, value: 25.05 V}",
            "10: the value of 'temperature' is not understood: '25.05 V' is in V; expected K or another unit of "
            "the same kind (298.2 K comes out)",
        ),
        ("{data: A6 0B, value: warm}", "10: the value of 'temperature' is not understood"),
        ("{data: A6 0B, given: nobody.here = 1, value: 1 K}", "10: `given: nobody.here = 1` is not understood"),
    ],
)
def test_examples_that_do_not(make_map: MakeMap, example: str, text: str) -> None:
    found = complaints(make_map(word(example)))
    assert found
    assert found[0].startswith(text)


def test_labels_codes_versions_and_givens(make_map: MakeMap) -> None:
    register_map = make_map(
        """  mode:
    command: 3
    transfer: word
    fields: {kind: {bits: 0..1, names: {0: off, 1: charging}}}
    examples: [{data: 01 00, values: {kind: charging}}, {data: 02 00, values: {kind: off}}]
  level:
    command: 4
    transfer: word
    codes: {0xFFFF: not fitted}
    examples: [{data: FF FF, value: not fitted}, {data: 01 00, value: not fitted}]
  firmware: {command: 5, transfer: word, type: version, examples: [{data: 01 09, value: v1.9}, {data: 01 09, value: v9.1}]}
  capacity:
    command: 6
    transfer: word
    meanings: [{when: mode.kind = charging and firmware >= v1.5, unit: mAh}]
    examples:
      - {data: 01 00, given: mode.kind = charging and firmware = v1.9, value: 1 mAh}
      - {data: 01 00, given: mode.kind = off, value: 1 mAh}
"""
    )
    assert [text.partition(": ")[2] for text in complaints(register_map)] == [
        "'kind' comes out as 2 (unlabelled); expected off",
        "'level' comes out as 1; expected not fitted",
        "'firmware' comes out as 'v1.9'; expected v9.1",
        "'capacity' comes out as unselected; expected 1 mAh",
    ]


def test_a_curve_is_compared_to_the_digits_that_are_written(make_map: MakeMap) -> None:
    convert = "  temperature:\n    command: 0x08\n    transfer: word\n    unit: degC\n"
    convert += "    convert: ntc(10 kohm * raw / (4095 - raw), r25 = 10 kohm, beta = 3435 K)\n"
    assert complaints(make_map(convert + "    examples: [{data: 00 08, value: 24.99 degC}]\n")) == []
    assert complaints(make_map(convert + "    examples: [{data: 00 08, value: 24.98 degC}]\n")) != []


def test_a_value_that_is_not_there_is_named(make_map: MakeMap) -> None:
    register_map = make_map(
        "  cells: {command: 0x20, transfer: block, fields: {fill: {bytes: 0}, cell: {bytes: 1..2, each: {k: 1..fill, step: 2 bytes}}}, "
        'examples: [{data: 01 05 00, values: {"cell[2]": 5}}]}\n'
    )
    assert complaints(register_map)[0].endswith("'cell[2]' does not come out of this example of 'cells'; what comes is fill, cell[1]")
