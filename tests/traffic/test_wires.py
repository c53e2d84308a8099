"""Two wires to transfers: against a plain state machine that looks at one edge after the other, over random waveforms and chunks."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regcheck.traffic.batch import NO_BYTE, Batch, Flag, Kind, MessageKey
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.wires import Levels, Wires

LOW, HIGH, UNKNOWN = 0, 1, 2
Change = tuple[int, int, int]  # time in ns, line (0 SCL, 1 SDA), level


# ---- the oracle -------------------------------------------------------------------------------------------------------------------
@dataclass
class Bus:
    """The slow way: one step a time, one bit a clock."""

    found: list[dict[str, object]] = field(default_factory=list)
    state: str = "lost"
    lost_bits: int = 0
    complaints: int = 0
    begin: int = 0
    parts: list[list[int]] = field(default_factory=list)
    flags: set[str] = field(default_factory=set)
    marks: set[str] = field(default_factory=set)

    def end(self, time: int, *, stopped: bool) -> None:
        flags = set(self.flags)
        data: list[int] = []
        nack = NO_BYTE
        split = 0
        for number, bits in enumerate(self.parts):
            kept = bits[:-1] if bits and (stopped or number < len(self.parts) - 1) else bits
            if UNKNOWN in kept:
                flags.add("unknown")
            if number == 1 and len(kept) >= 9:
                split = len(data)
            while len(kept) >= 9:
                data.append(int("".join(str(min(bit, 1)) for bit in kept[:8]), 2))
                if kept[8] and nack == NO_BYTE:
                    nack = len(data) - 1
                kept = kept[9:]
            if kept:
                flags.add("partial")
        if not stopped:
            flags.add("no stop")
        self.found.append(
            {
                "time": self.begin,
                "end": time,
                "data": bytes(data),
                "nack": nack,
                "split": split,
                "flags": flags,
                "starts": len(self.parts),
            }
        )
        self.state = "idle"


def without_spikes(changes: list[tuple[int, int]], spike: int) -> tuple[list[tuple[int, int]], list[int]]:
    """Return the changes of one line without short runs, and when a short run began."""
    runs = [(time, level) for number, (time, level) in enumerate(changes) if number == 0 or level != changes[number - 1][1]]
    if runs and runs[0][1] == UNKNOWN:
        runs = runs[1:]
    kept: list[tuple[int, int]] = []
    spikes = []
    for number, (time, level) in enumerate(runs):
        if number + 1 < len(runs) and runs[number + 1][0] - time < spike:
            spikes.append(time)
        elif not kept or kept[-1][1] != level:
            kept.append((time, level))
    return kept, spikes


def slow(changes: list[Change], now: int, spike: int) -> Bus:
    last: dict[tuple[int, int], int] = {}
    for time, line, level in changes:
        last[(line, time)] = level  # of several changes of a line in one nanosecond the last one stands
    steps: dict[int, dict[int, int]] = {}
    spikes: set[int] = set()
    for line in (0, 1):
        kept, short = without_spikes([(time, level) for (which, time), level in sorted(last.items()) if which == line], spike)
        spikes |= set(short)
        for time, level in kept:
            steps.setdefault(time, {})[line] = level
    bus = Bus()
    scl = sda = UNKNOWN
    low_since = high_since = 0
    for time in sorted(steps.keys() | spikes):
        step = steps.get(time, {})
        new_scl, new_sda = step.get(0, scl), step.get(1, sda)
        rise = scl == LOW and new_scl == HIGH
        if scl == LOW and new_scl != LOW and time - low_since > 35_000_000:
            if bus.state == "busy":
                bus.end(low_since + 35_000_000, stopped=False)
            bus.state = "idle"
            rise = False
        start = scl == new_scl == HIGH and (sda, new_sda) == (HIGH, LOW)
        stop = scl == new_scl == HIGH and (sda, new_sda) == (LOW, HIGH)
        if start:
            if bus.state == "busy":
                bus.parts.append([])
            else:
                bus.begin, bus.parts, bus.flags = time, [[]], set()
                idle = time - high_since > 50_000
                if bus.state == "lost" and bus.lost_bits > (1 if idle else 0):
                    bus.complaints += 1
                    if not idle:
                        bus.flags.add("no start")
                bus.state = "busy"
        elif stop:
            if bus.state == "busy":
                bus.end(time, stopped=True)
            elif bus.state == "lost" and bus.lost_bits:
                bus.complaints += 1
            bus.state = "idle"
        elif rise:
            if bus.state == "busy":
                bus.parts[-1].append(new_sda)
            elif bus.state == "lost":
                bus.lost_bits += 1
        if bus.state == "busy":
            if time in spikes:
                bus.flags.add("glitch")
            if new_scl == UNKNOWN and scl != UNKNOWN:
                bus.flags.add("unknown")
        if new_scl == LOW and scl != LOW:
            low_since = time
        if (new_scl, new_sda) == (HIGH, HIGH) and (scl, sda) != (HIGH, HIGH):
            high_since = time
        scl, sda = new_scl, new_sda
    if bus.state == "busy":
        late = scl == LOW and now - low_since > 35_000_000
        if not late:
            bus.flags.add("cut")
        bus.end(low_since + 35_000_000 if late else now, stopped=False)
    elif bus.state == "lost" and bus.lost_bits:
        bus.complaints += 1
    return bus


FLAGS = {
    Flag.NO_START: "no start",
    Flag.NO_STOP: "no stop",
    Flag.CUT: "cut",
    Flag.PARTIAL_BYTE: "partial",
    Flag.UNKNOWN_LEVEL: "unknown",
    Flag.GLITCH: "glitch",
}


# ---- the code under test ------------------------------------------------------------------------------------------------------------
def fast(changes: list[Change], now: int, spike: int, cuts: list[int]) -> list[Batch]:
    builder = BatchBuilder("wires")
    wires = Wires(builder, spike_ns=spike)
    rows: list[tuple[int, int, int, int]] = []
    level = [UNKNOWN, UNKNOWN]
    for number, (time, line, value) in enumerate(changes):
        level[line] = value
        rows.append((time, level[0], level[1], number))
    for first, last in pairwise([0, *sorted(min(cut, len(rows)) for cut in cuts), len(rows)]):
        piece = [row for i, row in enumerate(rows[first:last], first + 1) if i == last or rows[i][0] != row[0]]
        table = np.array(piece, np.int64).reshape(-1, 4)
        levels = Levels(table[:, 0].copy(), table[:, 1].astype(np.uint8), table[:, 2].astype(np.uint8), table[:, 3].copy())
        if len(levels):
            wires.feed(levels, int(levels.time[-1]))
    wires.finish(now)
    return list(builder.finish())


def assert_equal(changes: list[Change], now: int, spike: int, cuts: list[int]) -> list[dict[str, object]]:
    right = slow(changes, now, spike)
    batches = fast(changes, now, spike, cuts)
    found = [
        {
            "time": int(batch.time[i]),
            "end": int(batch.end[i]),
            "data": batch.message(i),
            "nack": int(batch.nack[i]),
            "split": int(batch.split[i]),
            "flags": {name for flag, name in FLAGS.items() if int(batch.flags[i]) & flag},
        }
        for batch in batches
        for i in range(len(batch))
    ]
    # a second address byte after an empty first part has no index to stand at
    expected = [{key: value for key, value in item.items() if key != "starts"} for item in right.found]
    assert found == expected
    assert sum(batch.complained.get("capture begins inside a transfer", 0) for batch in batches) == right.complaints
    return right.found


# ---- waveforms ------------------------------------------------------------------------------------------------------------------------
@st.composite
def noise(draw: st.DrawFn) -> list[Change]:
    """Return any changes at all, close together and far apart."""
    time = 0
    changes = []
    for _ in range(draw(st.integers(0, 80))):
        time += draw(st.sampled_from([0, 0, 1, 10, 49, 50, 51, 400, 5_000, 50_001, 36_000_000]))
        level = draw(st.sampled_from([0, 1, 0, 1, 0, 1, 2]))
        changes.append((time, draw(st.integers(0, 1)), level))
    return changes


@st.composite
def traffic(draw: st.DrawFn) -> list[Change]:
    """Return clocked traffic: starts, bits, stops in an order that often makes sense, with a spike or an unknown level here and there."""
    time = 10_000
    changes: list[Change] = [(0, 0, 1), (0, 1, 1)]
    level = [1, 1]

    def put(line: int, value: int, wait: int) -> None:
        nonlocal time
        if level[line] != value:
            changes.append((time, line, value))
            level[line] = value
        if draw(st.integers(0, 60)) == 0:
            which = draw(st.integers(0, 1))
            strange = draw(st.sampled_from([1 - level[which] if level[which] < 2 else 0, 2]))
            changes.extend(((time + 100, which, strange), (time + 100 + draw(st.sampled_from([20, 49, 50, 60])), which, level[which])))
        time += wait

    def bit(value: int) -> None:
        put(0, 0, 1_000)
        put(1, value, 2_000)
        put(0, 1, 2_000)

    for _ in range(draw(st.integers(1, 4))):
        for _ in range(draw(st.integers(1, 3))):
            put(0, 0 if level[1] == 0 else level[0], 1_000)
            put(1, 1, 2_000)
            put(0, 1, 2_000)
            put(1, 0, 2_000)
            for value in draw(st.lists(st.integers(0, 1), max_size=20)):
                bit(value)
        ending = draw(st.sampled_from(["stop", "stop", "late", "none"]))
        if ending == "stop":
            bit(0)
            put(1, 1, 60_000)
        elif ending == "late":
            put(0, 0, 36_000_000)
            put(0, 1, 1_000)
    first = draw(st.integers(0, 30))
    return changes[first:] if draw(st.booleans()) else changes


cuts = st.lists(st.integers(0, 200), max_size=20)


@settings(max_examples=300, deadline=None)
@given(noise(), st.sampled_from([0, 1, 30, 60_000, 40_000_000]), st.sampled_from([0, 50, 200]), cuts)
def test_any_changes_at_all_as_the_state_machine_sees_them(changes, after, spike, cut):
    assert_equal(changes, (changes[-1][0] if changes else 0) + after, max(spike, 1), cut)


@settings(max_examples=300, deadline=None)
@given(traffic(), st.sampled_from([0, 5_000, 40_000_000]), cuts)
def test_traffic_as_the_state_machine_sees_it(changes, after, cut):
    changes = sorted(changes, key=lambda change: change[0])
    assert_equal(changes, (changes[-1][0] if changes else 0) + after, 50, cut)


# ---- by hand --------------------------------------------------------------------------------------------------------------------------
def clocked(text: str, *, at: int = 100_000, quarter: int = 2_500) -> list[Change]:
    """Return the changes that say ``text``: S start, P stop, 0 and 1 bits, x an unknown bit; other letters are passed over."""
    changes: list[Change] = [(0, 0, 1), (0, 1, 1)]
    clock = data = 1
    for word in text:
        if word in "SP":
            if not (word == "S" and clock and data):
                changes += [(at, 0, 0), (at + quarter, 1, int(word == "S")), (at + 2 * quarter, 0, 1)]
                at += 3 * quarter
            data = int(word == "P")
            changes.append((at, 1, data))
            clock = 1
            at += quarter
        elif word in "01x":
            data = {"0": 0, "1": 1, "x": 2}[word]
            changes += [(at, 0, 0), (at + quarter, 1, data), (at + 2 * quarter, 0, 1)]
            at += 4 * quarter
            clock = 1
    return changes


def octet(value: int, acknowledge: int = 0) -> str:
    return f"{value:08b}{acknowledge}"


def only(changes: list[Change], now: int | None = None) -> tuple[bytes, Flag, MessageKey]:
    batches = fast(changes, changes[-1][0] + 1_000 if now is None else now, 50, [])
    assert [len(batch) for batch in batches] == [1]
    batch = batches[0]
    return batch.message(0), Flag(int(batch.flags[0])), MessageKey.unpack(int(batch.key[0]))


READ = "S" + octet(0x16) + octet(0x09) + "S" + octet(0x17) + octet(0xD0) + octet(0x39, 1) + "P"


def test_a_read():
    data, flags, key = only(clocked(READ))
    assert (data, flags, key) == (bytes.fromhex("16 09 17 D0 39"), Flag(0), MessageKey(Kind.READ, 0x0B, 9))


@pytest.mark.parametrize("line", [0, 1])
@pytest.mark.parametrize(("width", "flag"), [(49, Flag.GLITCH), (1, Flag.GLITCH)])
def test_a_spike_shorter_than_50_ns_is_passed_over_and_flagged(line, width, flag):
    changes = clocked(READ)
    middle = next(
        i for i in range(60, len(changes)) if changes[i][1] == 0 and changes[i][2] == 1 and changes[i + 1][0] - changes[i][0] > 4_000
    )
    level = next(level for _, which, level in reversed(changes[: middle + 1]) if which == line)
    at = changes[middle][0] + 1_000
    spiked = [*changes[: middle + 1], (at, line, 1 - level), (at + width, line, level), *changes[middle + 1 :]]
    assert only(spiked)[:2] == (only(changes)[0], flag)


def test_a_pulse_of_50_ns_is_a_clock():
    changes = clocked("S" + octet(0x16) + octet(0x09))
    at = changes[-1][0] + 3_000
    longer = [*changes, (at, 0, 0), (at + 50, 0, 1), (at + 100, 0, 0)]
    assert only(longer)[1] == Flag.NO_STOP | Flag.PARTIAL_BYTE | Flag.CUT


def test_a_bit_sampled_while_unknown_reads_one_and_is_flagged():
    data, flags, _ = only(clocked("S" + octet(0x16) + "0000100x0" + "P"))
    assert (data, flags) == (bytes.fromhex("16 09"), Flag.UNKNOWN_LEVEL)


def test_an_unknown_level_is_no_edge():
    changes = [(0, 0, 1), (0, 1, 1), (1_000, 1, 2), (2_000, 1, 0), (3_000, 1, 2), (4_000, 1, 1)]
    assert [len(batch) for batch in fast(changes, 5_000, 50, [])] == [0]


def test_data_that_changes_with_the_clock_is_neither_start_nor_stop():
    changes = [(0, 0, 1), (0, 1, 1), (1_000, 0, 0), (1_000, 1, 0), (2_000, 0, 1), (2_000, 1, 1)]
    assert [len(batch) for batch in fast(changes, 5_000, 50, [])] == [0]


@pytest.mark.parametrize(("low_ns", "ends"), [(35_000_000, False), (35_000_001, True)])
def test_a_clock_held_low_longer_than_35_ms_ends_the_transfer(low_ns, ends):
    """SMBus 3.1, table of AC specifications: t_TIMEOUT max 35 ms."""
    changes = clocked("S" + octet(0x16) + octet(0x09))
    fall = changes[-1][0] + 5_000
    changes += [(fall, 0, 0), (fall + 1_000, 1, 0), (fall + low_ns, 0, 1), (fall + low_ns + 2_000, 1, 1)]
    batch = fast(changes, fall + low_ns + 5_000, 50, [])[0]
    assert batch.message(0) == bytes.fromhex("16 09")
    assert bool(batch.flags[0] & Flag.NO_STOP) == ends
    assert batch.end[0] == (fall + 35_000_000 if ends else fall + low_ns + 2_000)


def test_a_capture_that_begins_inside_a_transfer_says_so_once():
    changes = [change for change in clocked(READ + READ.replace("S", "S", 1)) if change[0] > 150_000]
    batches = fast(changes, changes[-1][0], 50, [])
    assert batches[0].complained == {"capture begins inside a transfer": 1}
    assert "before the first start or stop" in batches[0].complaints[0].text
    first = MessageKey.unpack(int(batches[0].key[0]))
    assert first.kind is Kind.STRAY, "what looks like a receive is the second half of a read"
    assert batches[0].flags[0] == Flag.NO_START
    assert batches[0].message(1) == bytes.fromhex("16 09 17 D0 39")


def test_a_capture_that_ends_inside_a_transfer_flags_it():
    data, flags, key = only(clocked("S" + octet(0x16) + octet(0x09) + "S" + octet(0x17) + "1101"), now=10_000_000)
    assert (data, flags) == (bytes.fromhex("16 09 17"), Flag.NO_STOP | Flag.PARTIAL_BYTE | Flag.CUT)
    assert key.kind is Kind.READ


def test_lines_that_rise_at_power_up_begin_no_transfer():
    changes = [(0, 0, 0), (0, 1, 0), (1_000, 1, 1), (2_000, 0, 1)]
    changes += [(time + 1_000_000, line, level) for time, line, level in clocked(READ)[2:]]
    data, flags, _ = only(changes)
    assert (data, flags) == (bytes.fromhex("16 09 17 D0 39"), Flag(0))


def test_a_transfer_longer_than_a_batch_can_hold_is_cut_and_told(monkeypatch):
    monkeypatch.setattr("regcheck.traffic.assemble._MOST_BITS", 4 * 9)
    changes = clocked("S" + octet(0x16) * 7 + "P" + READ)
    for cut in ([], [30, 60, 90, 120]):
        batch = fast(changes, changes[-1][0], 50, cut)[0]
        assert batch.message(0) == bytes([0x16] * 4)
        assert batch.flags[0] == Flag.NO_STOP
        assert batch.complained == {"transfer too long": 2}, "the read of five bytes is too long as well"
