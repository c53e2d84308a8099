"""The examples of the verdicts page on words in limits, what was exercised and missing data, through the whole check (rules 17, 18, 20)."""

from __future__ import annotations

import pytest

from regcheck.checks.finding import Finding, Verdict
from regcheck.traffic.shapes import Transfer
from tests.checks.builders import bench, check, log, read, register_map, word, words, write

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED

EXACT = "source: {unit: mV, resolution: included}"


def judged(
    registers: str, transfers: list[Transfer], rows: str, *, channels: str = EXACT, applied: str = "voltage: source", batch_size: int = 1000
) -> Finding:
    device = register_map(registers)
    supply = bench(device, channels, applied)
    found = check(device, transfers, bench=supply, log=log(rows, supply), batch_size=batch_size)
    return found["accuracy/" + applied.partition(":")[0]]


def test_rule_17_share_of_reading_is_of_the_applied_magnitude() -> None:
    # a 100, r 101.004, 1 %: of the report it would be 1.01004, and pass
    registers = "voltage: {command: 0x09, transfer: 32-bit, unit: mV, scale: 0.001, accuracy: 1 % of reading}"
    rows = "time_s,source\n0,100\n10,500\n20,end\n"
    found = judged(registers, [read(5, 9, (101004).to_bytes(4, "little")), read(15, 9, (500000).to_bytes(4, "little"))], rows)
    assert (found.verdict, found.evidence["worst"]["limit_high"]) == (FAIL, 1)


def charge(percent: int, *, most: bool = True) -> Finding:
    """Return the accuracy of a charge that may only read too high, by max_error (3 %), with u 0.5 %."""
    registers = """
    charge: {command: 0x0D, transfer: word, unit: percent, scale: 0.1, accuracy: -0 .. +max_error}
    max_error: {command: 0x0C, transfer: word, unit: percent}
    """
    transfers = [*([word(1, 0x0C, 3)] if most else []), word(5, 0x0D, 210), word(15, 0x0D, 600 + percent)]
    rows = "time_s,source\n0,20\n10,60\n20,end\n"
    channels = "source: {unit: percent, uncertainty: 1 percent, resolution: included}"
    return judged(registers, transfers, rows, channels=channels, applied="charge: source")


@pytest.mark.parametrize(("error", "verdict", "p"), [(10, PASS, 0.9772), (5, UNDECIDED, 0.8413), (-9, FAIL, 0.0359), (39, FAIL, 0.0359)])
def test_rule_17_asymmetric_limits_of_another_field(error: int, verdict: Verdict, p: float) -> None:
    found = charge(error)
    assert found.verdict is verdict
    assert (found.evidence["worst"]["limit_low"], found.evidence["worst"]["limit_high"]) == (0, 3)
    assert found.evidence["worst"]["p"] == pytest.approx(p, abs=2e-4)


def test_rule_17_a_limit_that_hangs_on_a_field_never_read_is_untested() -> None:
    found = charge(10, most=False)
    assert (found.verdict, found.reason) == (UNTESTED, "limit_unknown")
    assert "max_error" in found.says


def test_rule_17_the_limit_follows_the_latest_value_of_the_other_field() -> None:
    registers = """
    charge: {command: 0x0D, transfer: word, unit: percent, accuracy: -0 .. +max_error}
    max_error: {command: 0x0C, transfer: word, unit: percent}
    """
    channels = "source: {unit: percent, resolution: included}"
    rows = "time_s,source\n0,20\n10,60\n20,end\n"
    limits = [word(1, 0x0C, 5), word(12, 0x0C, 1)]
    for last, verdict in ((11, PASS), (15, FAIL)):
        transfers = sorted([*limits, word(5, 0x0D, 24), word(last, 0x0D, 64)], key=lambda one: one.time_ns)
        for batch_size in (1000, 1):
            assert judged(registers, transfers, rows, channels=channels, applied="charge: source", batch_size=batch_size).verdict is verdict


def conditional(applied_degc: float, error: int, uncertainty: str = "0.2 K") -> Finding:
    registers = """
    temperature:
      command: 0x08
      transfer: word
      type: signed
      unit: degC
      scale: 0.1
      accuracy: [{when: applied in 0 .. 60 degC, is: 1 K}, {is: 3 K}]
    """
    rows = f"time_s,source\n0,10.0\n10,{applied_degc}\n20,end\n"
    transfers = words(0x08, [(5, 100), (15, round(applied_degc * 10) + error)])
    return judged(
        registers,
        transfers,
        rows,
        channels=f"source: {{unit: degC, uncertainty: {uncertainty}, resolution: included}}",
        applied="temperature: source",
    )


@pytest.mark.parametrize(
    ("applied", "error", "verdict"),
    [
        (50.0, 20, FAIL),  # well inside: 1 K
        (70.0, 20, PASS),  # well outside: 3 K
        (60.0, 20, UNDECIDED),  # within u of the boundary: 1 K would fail it, 3 K would pass it
        (60.0, 5, PASS),  # passes by the tighter
        (60.05, 35, FAIL),  # fails by the wider
        (60.05, 20, UNDECIDED),
        (60.2, 20, PASS),  # beyond u of the boundary
    ],
)
def test_rule_17_within_u_of_a_conditions_boundary(applied: float, error: int, verdict: Verdict) -> None:
    assert conditional(applied, error).verdict is verdict


def test_rule_17_a_case_of_none_is_not_judged() -> None:
    registers = "voltage: {command: 0x09, transfer: word, unit: mV, accuracy: [{when: applied < 500 mV, is: none}, {is: 5 mV}]}"
    rows = "time_s,source\n0,100\n10,2000\n20,4000\n30,end\n"
    found = judged(registers, words(0x09, [(5, 900), (15, 2000), (25, 4000)]), rows)
    assert (found.verdict, found.evidence["judged"], found.evidence["left_out"]) == (PASS, 2, {"no accuracy holds there": 1})


def test_rule_17_lsb_is_the_step_of_the_meaning() -> None:
    registers = "voltage: {command: 0x09, transfer: word, unit: mV, scale: 4, accuracy: 2 lsb}"
    rows = "time_s,source\n0,1000\n10,2000\n20,end\n"
    assert judged(registers, words(0x09, [(5, 250), (15, 502)]), rows).verdict is PASS
    found = judged(registers, words(0x09, [(5, 250), (15, 503)]), rows)
    assert (found.verdict, found.evidence["worst"]["limit_high"]) == (FAIL, 8)


MODES = """
mode: {command: 0x03, transfer: word}
capacity:
  command: 0x0F
  transfer: word
  accuracy: 2 lsb
  meanings:
    - {when: mode = 0, unit: mV, scale: 1}
    - {when: mode = 1, unit: mV, scale: 10}
"""


def test_rule_17_lsb_of_another_meaning_in_force_is_never_judged_by_the_first_ones_step() -> None:
    rows = "time_s,source\n0,1000\n10,2000\n20,end\n"
    transfers = [word(1, 3, 0), word(5, 0x0F, 1000), word(8, 3, 1), word(15, 0x0F, 201)]  # off by one step of 10
    found = judged(MODES, transfers, rows, applied="capacity: source")
    assert found.verdict is not FAIL
    assert found.evidence["left_out"] == {"another step than the limit's": 1}


def test_a_reading_in_another_unit_is_never_compared() -> None:
    registers = """
    mode: {command: 0x03, transfer: word}
    capacity:
      command: 0x0F
      transfer: word
      range: 0 .. 5000 mAh
      accuracy: 20 mAh
      meanings:
        - {when: mode = 0, unit: mAh}
        - {when: mode = 1, unit: mWh, scale: 10}
    """
    rows = "time_s,source\n0,1000\n10,3000\n20,end\n"
    transfers = [word(1, 3, 0), word(5, 0x0F, 1000), word(8, 3, 1), word(15, 0x0F, 3000)]
    device = register_map(registers)
    supply = bench(device, "source: {unit: mAh, resolution: included}", "capacity: source")
    found = check(device, transfers, bench=supply, log=log(rows, supply))
    assert found["accuracy/capacity"].verdict is not FAIL
    assert found["accuracy/capacity"].evidence["left_out"] == {"reported in another unit": 1}
    assert (found["range/capacity"].verdict, found["range/capacity"].evidence["readings"]) == (PASS, 1)


def test_rule_17_share_of_range_is_of_its_width() -> None:
    registers = "voltage: {command: 0x09, transfer: word, unit: mV, range: 1000 .. 3000 mV, accuracy: 1 % of range}"
    rows = "time_s,source\n0,1000\n10,2900\n20,end\n"
    found = judged(registers, words(0x09, [(5, 1000), (15, 2921)]), rows)
    assert (found.verdict, found.evidence["worst"]["limit_high"]) == (FAIL, 20)


def test_rule_17_share_of_a_design_value() -> None:
    registers = """
    voltage: {command: 0x09, transfer: word, unit: mV, accuracy: 1 % of design_voltage}
    design_voltage: {command: 0x19, transfer: word, unit: mV}
    """
    rows = "time_s,source\n0,3000\n10,4000\n20,end\n"
    found = judged(registers, [word(1, 0x19, 14800), *words(0x09, [(5, 3000), (15, 4148)])], rows)
    assert (found.verdict, found.evidence["worst"]["limit_high"]) == (PASS, 148)


def moved(second: int, uncertainty: str = "2 mV") -> Finding:
    registers = "voltage: {command: 0x09, transfer: word, unit: mV, accuracy: 5 mV}"
    rows = f"time_s,source\n0,1000\n10,{second}\n20,end\n"
    return judged(
        registers,
        words(0x09, [(5, 1000), (15, second)]),
        rows,
        channels=f"source: {{unit: mV, uncertainty: {uncertainty}, resolution: included}}",
    )


def test_rule_18_a_constant_report_is_unable_to_pass() -> None:
    # 2 (5 + 1.645 x 1) = 13.29 mV
    found = moved(1013)
    assert (found.verdict, found.reason) == (UNTESTED, "not_moved")
    assert "13.29 mV" in found.remedy
    assert moved(1014).verdict is PASS


def cells(first: str, second: str) -> dict[str, Finding]:
    """Return the findings of two cells in one block, held at three values each."""
    device = register_map("""
    cells:
      command: 0xB0
      transfer: block
      length: 4
      fields: {cell: {bytes: 0..1, each: {c: 1..2, step: 2 bytes}, unit: mV, accuracy: 8 mV}}
    """)
    supply = bench(device, "wire[1..2]: {unit: mV, uncertainty: 2 mV (each), resolution: included}", "cell[c]: wire[c]")
    pairs = list(zip(map(int, first.split()), map(int, second.split()), strict=True))
    rows = (
        "time_s,wire_1,wire_2\n" + "".join(f"{10 * at},{one},{two}\n" for at, (one, two) in enumerate(pairs)) + f"{10 * len(pairs)},end,\n"
    )
    transfers = [
        read(10 * at + 5, 0xB0, one.to_bytes(2, "little") + two.to_bytes(2, "little"), block=True) for at, (one, two) in enumerate(pairs)
    ]
    return check(device, transfers, bench=supply, log=log(rows, supply))


def test_rule_18_swapped_siblings_are_unable_to_pass() -> None:
    found = cells("3000 3500 4000", "3000 3500 4000")
    for number in (1, 2):
        one = found[f"accuracy/cells.cell[{number}]"]
        assert (one.verdict, one.reason) == (UNTESTED, "held_alike")
        assert "cell[1] and cell[2]" in one.says or "cell[2] and cell[1]" in one.says


def test_rule_18_one_hold_apart_by_both_limits_and_guards_tells_siblings() -> None:
    # 2 x (8 + 1.645 x 1) = 19.29 mV
    assert cells("3000 3500 4000", "3000 3500 4019")["accuracy/cells.cell[1]"].reason == "held_alike"
    assert cells("3000 3500 4000", "3000 3500 4020")["accuracy/cells.cell[1]"].verdict is PASS


def test_rule_18_a_sibling_that_was_never_read_is_no_excuse() -> None:
    device = register_map("""
    cell_1: {command: 0x3F, transfer: word, unit: mV, accuracy: 8 mV}
    cell_2: {command: 0x3E, transfer: word, unit: mV, accuracy: 8 mV}
    """)
    supply = bench(device, "wire[1..2]: {unit: mV, resolution: included}", "cell_1: wire[1]\ncell_2: wire[2]")
    for second, verdict in ((3000, UNTESTED), (3100, PASS)):
        rows = log(f"time_s,wire_1,wire_2\n0,3000,{second}\n10,3500,3500\n20,end,\n", supply)
        found = check(device, words(0x3F, [(5, 3000), (15, 3500)]), bench=supply, log=rows)
        assert found["accuracy/cell_1"].verdict is verdict


COVERED = "current: {command: 0x0A, transfer: word, type: signed, unit: mA, range: -1000 .. 1000 mA, accuracy: 5 mA}"


def covered(levels: list[int], registers: str = COVERED, more: str = "") -> Finding:
    device = register_map(registers)
    supply = bench(device, "source: {unit: mA, resolution: included}", "current: source", more=more)
    rows = "time_s,source\n" + "".join(f"{10 * at},{level}\n" for at, level in enumerate(levels)) + f"{10 * len(levels)},end\n"
    transfers = words(0x0A, [(10 * at + 5, level) for at, level in enumerate(levels)])
    return check(device, transfers, bench=supply, log=log(rows, supply))["coverage/current"]


@pytest.mark.parametrize(
    ("levels", "missing"),
    [
        ([-800, -400, 0, 400, 800], ""),
        ([-790, -400, 0, 400, 800], "its low end"),
        ([-800, -400, 0, 400, 790], "its high end"),
        ([-800, -200, 0, 800], "5 levels (4 were held)"),
        ([-800, -750, 0, 705, 800], "the gap from -750 to 0 mA, the gap"),
        ([-800, -400, 6, 400, 800], "zero"),
        ([1, 200, 500, 700, 1000], "both signs"),
    ],
)
def test_rule_18_coverage_conditions(levels: list[int], missing: str) -> None:
    found = covered(levels)
    if not missing:
        assert found.verdict is PASS
        assert "from -800 to 800 mA at 5 levels" in found.says
    else:
        assert (found.verdict, found.reason) == (UNTESTED, "not_covered")
        assert missing.split(", the gap")[0] in found.says


def test_rule_18_coverage_is_settable() -> None:
    assert covered([-600, 0, 600], more="coverage: {ends: 20 %, levels: 3, gap: 35 %}").verdict is PASS


def test_rule_18_both_signs_are_asked_only_where_the_range_has_both() -> None:
    registers = "current: {command: 0x0A, transfer: word, type: signed, unit: mA, range: 0 .. 1000 mA, accuracy: 5 mA}"
    assert covered([0, 300, 500, 700, 1000], registers).verdict is PASS


def test_rule_20_statuses_are_counted_and_never_judged() -> None:
    registers = (
        "voltage: {command: 0x09, transfer: word, pec: required, unit: mV, codes: {0xFFFF: not available, 0xFF00: error}, accuracy: 5 mV}"
    )
    rows = "time_s,source\n0,1000\n10,2000\n20,end\n"
    transfers = [
        word(2, 9, 1000, check=True),
        word(3, 9, 0xFFFF, check=True),
        word(4, 9, 0xFF00, check=True),
        word(5, 9, 9999, check=0x00),
        word(6, 9, 9999),
        word(12, 9, 2000, check=True),
    ]
    device = register_map(registers)
    supply = bench(device, EXACT, "voltage: source")
    found = check(device, transfers, bench=supply, log=log(rows, supply))
    accuracy = found["accuracy/voltage"]
    assert accuracy.verdict is PASS
    assert (accuracy.evidence["readings"], accuracy.evidence["judged"]) == (2, 2)
    assert accuracy.evidence["statuses"] == {"not_available": 1, "device_error": 1, "bad_check": 2}
    assert found["pec/voltage"].evidence["transfers"] == 6  # they do count as arrivals


def test_rule_20_not_available_while_applied_is_its_own_finding() -> None:
    registers = "voltage: {command: 0x09, transfer: word, unit: mV, codes: {0xFFFF: not available}, accuracy: 5 mV}"
    rows = "time_s,source\n0,1000\n10,2000\n20,end\n"
    device = register_map(registers)
    supply = bench(device, EXACT, "voltage: source")
    found = check(device, words(9, [(5, 1000), (6, 0xFFFF), (15, 2000)]), bench=supply, log=log(rows, supply))
    assert found["accuracy/voltage"].verdict is PASS
    assert found["available/voltage"].verdict is FAIL
    assert found["available/voltage"].evidence["wrong"][0]["count"] == 1


def thermistor(rows: str, readings: list[tuple[float, int]]) -> Finding:
    device = register_map("""
    probe:
      command: 0xB4
      transfer: word
      unit: degC
      convert: ntc(10 kohm * raw / (4095 - raw), r25 = 10 kohm, beta = 3435 K)
      codes: {0..40: short, 4070..4095: open}
      accuracy: 1 K
    """)
    box = bench(device, "ntc_1: {unit: ohm, resolution: included}", "probe: ntc(ntc_1, r25 = 10 kohm, beta = 3435 K)")
    return check(device, words(0xB4, readings), bench=box, log=log(rows, box))["available/probe"]


def test_rule_20_open_and_short_are_said_while_they_are_applied() -> None:
    rows = "time_s,ntc_1\n0,10000\n10,open\n20,short\n30,end\n"
    found = thermistor(rows, [(5, 2048), (15, 4095), (25, 0)])
    assert found.verdict is PASS
    assert found.evidence["right"] == {"a value": 1, "open": 1, "short": 1}
    plausible = thermistor(rows, [(5, 2048), (15, 3900)])
    assert plausible.verdict is FAIL
    assert "reported a value 1 times while the bench applied open" in plausible.says
    turned = thermistor(rows, [(5, 2048), (15, 0)])
    assert "reported 'short' 1 times while the bench applied open" in turned.says


def test_rule_20_what_the_host_writes_is_no_reading() -> None:
    registers = "voltage: {command: 0x09, transfer: word, access: [read, write], unit: mV, range: 0 .. 5000 mV, accuracy: 5 mV}"
    rows = "time_s,source\n0,1000\n10,2000\n20,end\n"
    transfers = [word(5, 9, 1000), write(6, 9, (9999).to_bytes(2, "little")), word(15, 9, 2000)]
    device = register_map(registers)
    supply = bench(device, EXACT, "voltage: source")
    found = check(device, transfers, bench=supply, log=log(rows, supply))
    assert (found["accuracy/voltage"].verdict, found["range/voltage"].verdict) == (PASS, PASS)
