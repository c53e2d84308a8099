"""What a whole check must never do: leave a requirement out, name one twice, or stumble over odd but legal trials."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regcheck.checks.finding import Verdict
from regcheck.checks.plan import Plan
from regcheck.errors import Severity, SourceError
from regcheck.traffic.open import open_capture
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.vcd_writer import vcd_text
from tests.checks.builders import at_once, bench, bench_problems, check, log, read, register_map, word, words

CELLS = """
cells:
  command: 0xB0
  transfer: block
  length: 6
  fields: {cell: {bytes: 0..1, each: {c: 1..3, step: 2 bytes}, unit: mV, range: 0 .. 5000 mV, accuracy: 8 mV}}
"""


def test_an_element_that_the_bench_leaves_out_is_untested() -> None:
    device = register_map(CELLS)
    supply = bench(device, "source: {unit: mV, resolution: included}", "cell[1]: source")
    rows = log("time_s,source\n0,3000\n10,3500\n20,end\n", supply)
    block = [
        read(time, 0xB0, b"".join(raw.to_bytes(2, "little") for raw in (3000 + 500 * (time > 10), 9, 9)), block=True) for time in (5, 15)
    ]
    found = check(device, block, bench=supply, log=rows)
    assert found["accuracy/cells.cell[1]"].verdict is Verdict.PASS
    for number in (2, 3):
        one = found[f"accuracy/cells.cell[{number}]"]
        assert (one.verdict, one.reason) == (Verdict.UNTESTED, "not_applied")


LAYOUTS = """
page:
  command: 0x40
  transfer: word
  fields: {number: {bits: 0..3}}
  layouts:
    - {when: number = 0, fields: {level: {bits: 4..11, unit: mV, range: 0 .. 200 mV, accuracy: 1 mV}}}
    - {when: number = 1, fields: {level: {bits: 8..15, unit: mV, range: 0 .. 200 mV, accuracy: 1 mV}}}
"""


def test_a_field_of_several_layouts_is_one_field_with_one_finding() -> None:
    found = check(register_map(LAYOUTS), [word(1, 0x40, 0x0640), word(2, 0x40, 0x6401)])  # check() refuses an id that stands twice
    assert found["range/page.level"].evidence["readings"] == 2
    assert found["accuracy/page.level"].verdict is Verdict.UNTESTED


CELL = st.sampled_from(["", "0", "10.5", "-3", "1e3", "open", "short", "4000"])
MAP = """
probe:
  command: 0xB4
  transfer: word
  unit: degC
  convert: ntc(10 kohm * raw / (4095 - raw), r25 = 10 kohm, beta = 3435 K)
  codes: {0..40: short, 4070..4095: open}
  range: -40 .. 85 degC
  accuracy: [{when: applied in 0 .. 60 degC, is: 1 K}, {is: none}]
slow: {command: 0x0B, transfer: word, type: signed, unit: mA, range: -100 .. 5000 mA, accuracy: 0.1 % of reading, KEY}
plain: {command: 0x0A, transfer: word, type: signed, unit: mA, accuracy: "LIMIT"}
"""


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(st.tuples(CELL, CELL), min_size=1, max_size=7),
    st.booleans(),
    st.sampled_from(["filter: 2 s", "averages: 3 s", "update: 1 s"]),
    st.sampled_from(["5 mA", "0 mA", "-0 .. +3 mA", "{limit: 1 mA, of: mean}", "{limit: 1 mA, of: 90 % of readings}"]),
    st.sampled_from(["", "between: line", "measured: current", "set: current, measured: current_meas", "max_gap: 1500 ms"]),
    st.sampled_from(["shared", "estimate", "0.5 s +/- 10 s", "0.25 s"]),
    st.sampled_from(["", ", uncertainty: 0.1 % of reading", ", uncertainty: 1e-12 A rectangular + 3 uA (meter)"]),
    st.lists(st.tuples(st.integers(0, 9000), st.sampled_from([0x0A, 0x0B, 0xB4]), st.integers(0, 0xFFFF)), max_size=25),
)
def test_any_legal_trial_gives_findings_or_one_of_our_own_errors(
    rows: list[tuple[str, str]], ends: bool, key: str, limit: str, between: str, clock: str, uncertainty: str, readings: list[Any]
) -> None:
    device = register_map(MAP.replace("KEY", key).replace('"LIMIT"', limit))
    supply = bench(
        device,
        f"ntc_1: {{unit: ohm}}\ncurrent: {{unit: mA{between and ', '}{between}{uncertainty}}}",
        "probe: ntc(ntc_1, r25 = 10 kohm, beta = 3435 K)\nslow: current\nplain: current * current / 1 mA",
        clock=clock,
        timing="{settle: 100 ms, latency: 50 ms, warm_up: 200 ms}",
    )
    text = "time_s,ntc_1,current,current_meas\n" + "".join(f"{at},{one},{two},{two}\n" for at, (one, two) in enumerate(rows))
    made = log(text + (f"{len(rows)},end,,\n" if ends else ""), supply)
    transfers = [at_once(one) for slot, command, raw in sorted(readings) for one in words(command, [(slot / 1000, raw)])]
    try:
        found = check(device, transfers, bench=supply, log=made)
    except SourceError:  # nothing of the capture lies in the log's time
        offset, doubt = {"0.25 s": (0.25, 0.0), "0.5 s +/- 10 s": (0.5, 10.0)}.get(clock, (0.0, 0.0))
        times = [slot / 1000 - offset for slot, _, _ in readings]
        assert max(times) + doubt < 0 or min(times) - doubt > len(rows) - (not ends)
        return
    assert {"accuracy/probe", "accuracy/slow", "accuracy/plain", "coverage/slow", "available/probe"} <= set(found)
    for one in found.values():
        assert bool(one.reason) == (one.verdict in (Verdict.UNDECIDED, Verdict.UNTESTED)), one.id
        assert bool(one.remedy) == bool(one.reason), one.id


def test_what_doubles_leave_of_a_zero_sets_no_quantum() -> None:
    """0.3 - 0.2 - 0.1 is -2.8e-17 in doubles: a share of it is a limit that no integer could count in."""
    device = register_map("current: {command: 0x0A, transfer: 32-bit, type: signed, unit: mA, scale: 0.1, accuracy: 1 % of reading}")
    supply = bench(device, "source[1..3]: {unit: mA, resolution: included}", "current: source[3] - source[2] - source[1]")
    rows = log("time_s,source_1,source_2,source_3\n0,0.1,0.2,0.3\n10,0,0,200000000\n20,end,,\n", supply)
    for raw, verdict in ((0, Verdict.PASS), (1, Verdict.FAIL)):
        transfers = [read(5, 0x0A, raw.to_bytes(4, "little")), read(15, 0x0A, (2_000_000_000).to_bytes(4, "little"))]
        assert check(device, transfers, bench=supply, log=rows)["accuracy/current"].verdict is verdict


@pytest.mark.parametrize("share", ["1e-9 % of reading", "1 % of reading"])
def test_a_limit_far_smaller_than_the_largest_value_still_counts(share: str) -> None:
    device = register_map(f"current: {{command: 0x0A, transfer: 32-bit, type: signed, unit: mA, scale: 0.1, accuracy: {share}}}")
    supply = bench(device, "source: {unit: A, uncertainty: 0.0001 % of reading, resolution: included}", "current: source")
    rows = log("time_s,source\n0,0.000001\n10,200000\n20,end\n", supply)
    found = check(device, [read(5, 0x0A, bytes(4)), read(15, 0x0A, (2_000_000_000).to_bytes(4, "little"))], bench=supply, log=rows)
    assert found["accuracy/current"].verdict is not Verdict.PASS


@pytest.mark.parametrize(
    "pair", ["cell[c]: source\ncell[1]: source", "cell[1]: source\ncells.cell[1]: source", "cells.cell[c]: source\ncell[k]: source"]
)
def test_a_field_applied_twice_is_refused(pair: str) -> None:
    problems = bench_problems(register_map(CELLS), "source: {unit: mV}", pair)
    assert [problem.severity for problem in problems] == [Severity.FAULT]
    assert "is applied twice" in problems[0].text


def test_a_formula_that_bends_two_channels_alike_is_followed_between_rows() -> None:
    """The difference of two squares: straight where both channels move together, bent where one does."""
    device = register_map("current: {command: 0x0A, transfer: word, type: signed, unit: mA, accuracy: 2 mA}")
    supply = bench(
        device,
        "one: {unit: mA, resolution: included, between: line}\nother: {unit: mA, resolution: included, between: line}",
        "current: (one * one - other * other) / 100 mA",
    )
    rows = log("time_s,one,other\n0,0,100\n10,100,100\n20,100,0\n30,end,\n", supply)
    readings = [at_once(reading) for reading in words(0x0A, [(5, -75), (15, 75)])]  # (50^2 - 100^2) / 100
    found = check(device, readings, bench=supply, log=rows)["accuracy/current"]
    assert found.verdict is Verdict.PASS


@pytest.mark.parametrize("end", range(1, 60))
def test_a_recording_that_ends_inside_a_transfer_blames_nobody(end: int, tmp_path: Path) -> None:
    # two reads of 0x09 (PEC 0x7E: check-values of the bus table); the wires are cut off at many places of the second one
    reads = [Transfer(start, (bytes.fromhex("16 09"), bytes.fromhex("17 D0 39 7E"))) for start in (10_000_000, 20_000_000)]
    lines = "".join(vcd_text(reads, speed_hz=100_000, end_ns=30_000_000)).splitlines(keepends=True)
    second = next(at for at, line in enumerate(lines) if line.startswith("#") and int(line[1:]) >= 20_000_000)
    path = tmp_path / "cut.vcd"
    path.write_text("".join(lines[: second + 5 * end]), encoding="utf-8")
    plan, recording = Plan(register_map("voltage: {command: 0x09, transfer: word, unit: mV}"), None, None), open_capture(path)
    plan.survey([recording])
    found = plan.findings(plan.fold(0, recording))
    assert [finding.id for finding in found if finding.verdict is Verdict.FAIL] == []
