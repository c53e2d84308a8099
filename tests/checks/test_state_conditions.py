"""Limits that hang on the device's own state: accuracy and range under `when`, `must_be` as a formula (map language; verdicts, rule 17)."""

from __future__ import annotations

import pytest

from regcheck.checks.finding import Finding, Verdict
from regcheck.traffic.shapes import Transfer
from tests.checks.builders import bench, check, log, read, register_map, word, words, write

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED

MODES = """
voltage: {command: 0x09, transfer: word, unit: mV, accuracy: [{when: mode = 1, is: 5 mV}, {when: mode = 2, is: none}, {is: 50 mV}]}
mode: {command: 0x03, transfer: word, access: [read, write], names: {0: coarse, 1: fine, 2: off}}
"""
ROWS = "time_s,source\n0,1000\n10,2000\n20,3000\n30,end\n"


def accuracy(*transfers: Transfer, registers: str = MODES, uncertainty: str = "0 mV", name: str = "voltage") -> Finding:
    device = register_map(registers)
    supply = bench(device, f"source: {{unit: mV, uncertainty: {uncertainty}, resolution: included}}", f"{name}: source")
    found = check(device, sorted(transfers, key=lambda one: one.time_ns), bench=supply, log=log(ROWS, supply), batch_size=3)
    return found[f"accuracy/{name}"]


def modes(*pairs: tuple[float, int]) -> list[Transfer]:
    return words(0x03, pairs)


def test_an_accuracy_by_the_devices_mode_passes_within_the_limit_of_the_mode_and_fails_beyond() -> None:
    readings = words(0x09, [(5, 1050), (15, 2005), (25, 3005)])
    found = accuracy(*modes((1, 0), (6, 0), (11, 1), (26, 1)), *readings)
    assert (found.verdict, found.evidence["judged"]) == (PASS, 3)
    found = accuracy(*modes((1, 0), (6, 0), (11, 1), (26, 1)), *readings[:2], word(25, 9, 3006))
    assert found.verdict is FAIL
    assert (found.evidence["worst"]["error"], found.evidence["worst"]["limit_high"]) == (6, 5)
    found = accuracy(*modes((1, 0), (26, 0)), *readings[:2], word(25, 9, 3050))  # 50 mV throughout
    assert found.verdict is PASS


def test_an_accuracy_by_the_devices_mode_is_undecided_where_the_bench_covers_its_limit() -> None:
    readings = words(0x09, [(5, 1000), (15, 2000), (25, 3005)])
    assert accuracy(*modes((1, 1), (26, 1)), *readings, uncertainty="1 mV").verdict is UNDECIDED
    assert accuracy(*modes((1, 0), (26, 0)), *readings, uncertainty="1 mV").verdict is PASS


def test_readings_without_a_known_state_or_between_two_are_left_out_with_a_count() -> None:
    readings = words(0x09, [(2, 1000), (5, 1000), (15, 2000), (17, 2040), (25, 3040), (28, 3000)])
    found = accuracy(*modes((3, 1), (16, 1), (18, 0), (26, 0)), *readings)
    assert (found.verdict, found.evidence["judged"]) == (PASS, 4)  # at 17 s the mode was 1 before and 0 after: nobody knows which
    assert found.evidence["left_out"] == {
        "state that its `when` names not known": 1,
        "state that its `when` names changed before it was read again": 1,
    }


def test_an_accuracy_whose_state_was_never_read_is_untested_and_one_that_is_none_there_says_so() -> None:
    readings = words(0x09, [(5, 1000), (15, 2000), (25, 3000)])
    found = accuracy(*readings)
    assert (found.verdict, found.reason) == (UNTESTED, "state_unknown")
    found = accuracy(*modes((1, 2), (26, 2)), *readings)
    assert (found.verdict, found.reason) == (UNTESTED, "no_admissible_reading")
    assert found.evidence["left_out"] == {"no accuracy holds there": 3}


def test_an_acknowledged_write_counts_as_the_state() -> None:
    readings = words(0x09, [(5, 1040), (15, 2040), (25, 3040)])
    assert accuracy(write(1, 3, b"\0\0"), *readings).verdict is PASS
    assert accuracy(write(1, 3, b"\1\0"), *readings).verdict is FAIL


def test_what_is_applied_and_what_the_device_said_stand_in_one_condition() -> None:
    registers = """
    voltage: {command: 0x09, transfer: word, unit: mV, accuracy: [{when: applied < threshold and mode = 1, is: 5 mV}, {is: 50 mV}]}
    mode: {command: 0x03, transfer: word}
    threshold: {command: 0x04, transfer: word, unit: V, scale: 0.5}
    """
    state = [word(0.1, 3, 1), word(0.2, 4, 3), word(29, 3, 1), word(29.1, 4, 3)]  # below 1.5 V within 5 mV
    assert accuracy(*state, *words(9, [(5, 1005), (15, 2050), (25, 3050)]), registers=registers).verdict is PASS
    assert accuracy(*state, *words(9, [(5, 1006), (15, 2000), (25, 3000)]), registers=registers).verdict is FAIL
    idle = [word(0.1, 3, 0), word(0.2, 4, 3), word(29, 3, 0), word(29.1, 4, 3)]
    assert accuracy(*idle, *words(9, [(5, 1006), (15, 2000), (25, 3000)]), registers=registers).verdict is PASS


def test_a_for_in_a_when_counts_from_when_the_state_was_seen() -> None:
    registers = """
    voltage: {command: 0x09, transfer: word, unit: mV, accuracy: [{when: mode = 1 for 8 s, is: 5 mV}, {is: 50 mV}]}
    mode: {command: 0x03, transfer: word}
    """
    state = modes((1, 0), (10.5, 0), (11, 1), (29, 1))
    readings = words(9, [(5, 1000), (15, 2050), (18.9, 2050)])
    assert accuracy(*state, *readings, word(25, 9, 3005), registers=registers).verdict is PASS
    assert accuracy(*state, *readings, word(25, 9, 3006), registers=registers).verdict is FAIL


def test_another_array_is_its_element_of_the_same_number() -> None:
    registers = """
    cells:
      command: 0x34
      transfer: block
      fields:
        balancing: {bit: 0, each: {k: 1..2, step: 1 bit}}
        cell_voltage: {bytes: 1..2, each: {k: 1..2, step: 2 bytes}, unit: mV, accuracy: [{when: balancing = 1, is: none}, {is: 5 mV}]}
    """
    device = register_map(registers)
    supply = bench(device, "a: {unit: mV, uncertainty: 0 mV, resolution: included}", 'cell_voltage[1]: a\ncell_voltage[2]: "a + 100 mV"')
    stimuli = log("time_s,a\n0,1000\n10,2000\n20,3000\n30,end\n", supply)

    def block(time_s: float, bits: int, one: int, other: int) -> Transfer:
        return read(time_s, 0x34, bytes((bits,)) + one.to_bytes(2, "little") + other.to_bytes(2, "little"), block=True)

    found = check(device, [block(5, 0, 1000, 1100), block(15, 1, 2500, 2100), block(25, 0, 3000, 3100)], bench=supply, log=stimuli)
    assert found["accuracy/cells.cell_voltage[1]"].evidence["left_out"] == {"no accuracy holds there": 1}
    assert {found[f"accuracy/cells.cell_voltage[{k}]"].verdict for k in (1, 2)} == {PASS}
    found = check(device, [block(5, 0, 1000, 1100), block(15, 2, 2500, 2100), block(25, 0, 3000, 3100)], bench=supply, log=stimuli)
    assert found["accuracy/cells.cell_voltage[1]"].verdict is FAIL  # it was the other one that was balanced


@pytest.mark.parametrize(
    ("when", "why"),
    [
        ("applied > 1 V for 2 s", "a `for` of what is applied"),
        ("raw > 200", "`raw`"),
        ("max(cells) > 3 V", "a function of a whole array"),
    ],
)
def test_a_condition_of_another_form_is_untested_and_says_which(when: str, why: str) -> None:
    registers = f"""
    voltage: {{command: 0x09, transfer: word, unit: mV, accuracy: [{{when: {when}, is: 5 mV}}, {{is: 50 mV}}]}}
    cells: {{command: 0x34, transfer: block, bytes: 0..1, each: {{k: 1..2, step: 2 bytes}}, unit: mV}}
    """
    found = accuracy(*words(9, [(5, 1000), (15, 2000), (25, 3000)]), registers=registers)
    assert (found.verdict, found.reason) == (UNTESTED, "not_judged_yet")
    assert why in found.says


# ranges

RANGED = """
voltage:
  {command: 0x09, transfer: word, unit: mV, range: [{when: mode = 1, is: 0 .. 5 V}, {when: mode = 2, is: none}, {is: 0 .. 100 mV}]}
mode: {command: 0x03, transfer: word}
"""


def ranged(*transfers: Transfer, registers: str = RANGED) -> Finding:
    return check(register_map(registers), sorted(transfers, key=lambda one: one.time_ns), batch_size=2)["range/voltage"]


def test_a_range_by_the_devices_mode() -> None:
    fine = [*modes((1, 1), (4, 1), (5, 0), (9, 0)), word(2, 9, 5000), word(7, 9, 100)]
    found = ranged(*fine)
    assert (found.verdict, found.evidence["readings"]) == (PASS, 2)
    assert [case["readings"] for case in found.evidence["cases"]] == [1, 1]
    found = ranged(*fine, word(8, 9, 101))
    assert found.verdict is FAIL
    assert "left its range 0 .. 100 mV otherwise: 101 mV was reported, 1 of 2 readings lie outside" in found.says
    assert ranged(*fine, word(3, 9, 5001)).verdict is FAIL


def test_a_range_is_left_alone_where_the_mode_is_not_known_or_changed_under_way() -> None:
    found = ranged(
        word(0.5, 9, 9999), *modes((1, 1), (4, 1), (5, 0), (9, 2), (11, 2)), word(4.5, 9, 4000), word(10, 9, 9999), word(3, 9, 7)
    )
    assert found.verdict is PASS
    assert found.evidence["left_out"] == {
        "no range holds there": 1,
        "what it hangs on changed before it was read again": 1,
        "what it hangs on not known": 1,
    }
    assert (ranged(word(1, 9, 50)).verdict, ranged(word(1, 9, 50)).reason) == (UNTESTED, "state_unknown")
    assert (ranged(word(2, 9, 50), *modes((1, 2), (3, 2))).reason) == "no_case"
    assert ranged(*modes((1, 2))).reason == "no_reading"


def test_a_range_by_a_field_of_its_own_message_and_by_its_own_raw_value() -> None:
    registers = """
    block: {command: 0x30, transfer: block, fields: {sign: {bytes: 0}, voltage: {bytes: 1..2, unit: mV, range: [{when: sign = 1, is: 0 .. 9 mV}, {is: 0 .. 99 mV}]}}}
    low: {command: 0x31, transfer: word, range: [{when: raw < 200, is: 0 .. 100}, {is: 250 .. 300}]}
    """  # noqa: E501
    found = check(
        register_map(registers),
        [read(1, 0x30, b"\1\x09\0", block=True), read(2, 0x30, b"\0\x63\0", block=True), word(3, 0x31, 100), word(4, 0x31, 220)],
    )
    assert found["range/block.voltage"].verdict is PASS
    assert found["range/low"].verdict is FAIL
    found = check(register_map(registers), [read(1, 0x30, b"\1\x0a\0", block=True), word(3, 0x31, 100)])
    assert (found["range/block.voltage"].verdict, found["range/low"].verdict) == (FAIL, PASS)


# must_be

FORMULA = """
block: {command: 0x30, transfer: block, length: 3..9, fields: {size: {bytes: 0, must_be: length - 1}, rest: {bytes: 1..2}}}
copy: {command: 0x31, transfer: word, must_be: 2 * mode + 1}
mode: {command: 0x03, transfer: word}
"""


def test_a_constant_by_a_formula_of_its_own_message() -> None:
    found = check(register_map(FORMULA), [read(1, 0x30, b"\2ab", block=True), read(2, 0x30, b"\3abc", block=True)], batch_size=1)
    assert (found["constant/block.size"].verdict, found["constant/block.size"].evidence["readings"]) == (PASS, 2)
    found = check(register_map(FORMULA), [read(1, 0x30, b"\3ab", block=True), read(2, 0x30, b"\3abc", block=True)], batch_size=1)
    one = found["constant/block.size"]
    assert (one.verdict, one.evidence["wrong"], one.evidence["first"]["expected"], one.evidence["first"]["raw"]) == (FAIL, 1, 2, 3)
    assert "must be length - 1, 2 where it first was not, but read 3 there; wrong in 1 of 2 readings" in one.says


def test_a_constant_by_a_formula_of_another_message() -> None:
    def copy(*transfers: Transfer) -> Finding:
        return check(register_map(FORMULA), sorted(transfers, key=lambda one: one.time_ns), batch_size=2)["constant/copy"]

    assert copy(*modes((1, 4), (5, 4)), word(2, 0x31, 9)).verdict is PASS
    assert copy(*modes((1, 4), (5, 4)), word(2, 0x31, 8)).verdict is FAIL
    assert copy(*modes((1, 4), (5, 5)), word(2, 0x31, 8)).verdict is FAIL  # neither 9 nor 11
    moved = copy(*modes((1, 4), (5, 5)), word(2, 0x31, 11))
    assert (moved.verdict, moved.reason) == (UNTESTED, "state_unknown")
    assert copy(word(2, 0x31, 9)).reason == "state_unknown"
    assert copy(*modes((1, 4))).reason == "no_reading"
