"""What the faultless rack sends by itself, read by hand from the bytes, against what the bench applies."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import log

import pytest

from regcheck.errors import UsageError
from regcheck.sim.recipe import Recipe, record_frames
from regcheck.sim.sender import SendPlan, Sent
from regcheck.traffic.frames import Frame
from tests.sim.can_layout import (
    ALARMS,
    CELLS,
    IDENTITY,
    STATE,
    SUPERVISION,
    autosar,
    cell_codes,
    check_is_right,
    count_of,
    j1850,
    of_group,
    plain_1d,
)

SECOND = 1_000_000_000
START = 1_780_000_000 * SECOND  # the recorder's clock at the bench's time 0, as the recipe says


def until(frames: list[Frame], bench_s: float) -> list[Frame]:
    return [frame for frame in frames if frame.time_ns <= START + bench_s * SECOND]


def applied(recipe: Recipe, name: str, row: int = 0) -> float:
    return float(recipe.stimuli.rows[row].cells[name])


def last_page(frames: list[Frame], page: int) -> bytes:
    return [frame.data for frame in of_group(frames, CELLS) if frame.data[0] & 31 == page][-1]


def test_the_checks_are_those_of_the_published_tables() -> None:
    # public CRC catalogue, check values; AUTOSAR PRS E2E Protocol, profile 1, data id 0x123 and a payload of zeros
    assert (j1850(b"123456789"), autosar(b"123456789"), plain_1d(bytes([0x23, 0x01]) + bytes(7))) == (0x4B, 0xDF, 0xCC)


def test_ids_are_made_of_priority_group_and_source(rack_frames: list[Frame]) -> None:
    # SAE J1939-21: priority in bits 26..28, group in bits 8..25, source address below; transport goes to address 255
    single = {0x18FF10A3, 0x18FF11A3, 0x18FF12A3, 0x18FF13A3}
    assert {frame.id for frame in rack_frames} == single | {0x1CECFFA3, 0x1CEBFFA3}
    assert all(frame.extended for frame in rack_frames)


def test_every_check_holds_and_every_counter_counts(rack_frames: list[Frame]) -> None:
    assert all(check_is_right(frame) for frame in rack_frames)
    for pgn, last in ((STATE, 14), (CELLS, 6), (SUPERVISION, 14), (ALARMS, 14)):
        counts = [count_of(frame) for frame in of_group(rack_frames, pgn)]
        assert counts == [number % (last + 1) for number in range(len(counts))]


def test_frames_come_on_time_and_never_at_once(rack_frames: list[Frame]) -> None:
    times = [frame.time_ns for frame in rack_frames]
    # ISO 11898-1: a 29-bit frame of 8 bytes has 131 bits with its gap and without stuff bits, 524 us at 250 kbit/s; one of 2 bytes 332 us
    assert min(later - earlier for earlier, later in pairwise(times)) >= 331_000
    assert all(time % 1000 == 0 for time in times)
    for pgn, period_ms, slack_ms in ((STATE, 100, 10), (CELLS, 25, 5), (SUPERVISION, 500, 50), (ALARMS, 250, 25)):
        own = [frame.time_ns for frame in of_group(rack_frames, pgn)]
        gaps = [(later - earlier) / 1e6 for earlier, later in pairwise(own)]
        assert all(abs(gap - period_ms) <= slack_ms / 2 for gap in gaps)
        assert abs(sum(gaps) / len(gaps) - period_ms) < 0.1


def test_pages_come_in_turn(rack_frames: list[Frame]) -> None:
    pages = [frame.data[0] & 31 for frame in of_group(rack_frames, CELLS)]
    assert pages == [number % 30 for number in range(len(pages))]


def test_every_cell_stands_in_its_own_place(short_rack: Recipe, rack_frames: list[Frame]) -> None:
    seen = until(rack_frames, 12)
    for number in range(1, 97):
        true = 1000 * (applied(short_rack, f"wire_{number}") - applied(short_rack, f"wire_{number - 1}"))
        assert abs(cell_codes(last_page(seen, (number - 1) // 4))[(number - 1) % 4] - true) <= 2.5  # half of the map's limit


def test_every_sensor_stands_in_its_own_place(short_rack: Recipe, rack_frames: list[Frame]) -> None:
    seen = until(rack_frames, 12)
    for number in range(1, 31):
        ohm = applied(short_rack, f"ntc_{number}")
        true = 1 / (1 / 298.15 + log(ohm / 10_000) / 3435) - 273.15  # IEC 60539-1 (from memory): the beta of a thermistor
        code = last_page(seen, 24 + (number - 1) // 6)[1 + (number - 1) % 6]
        assert abs(code / 2 - 40 - true) <= 0.75


def test_state_and_supervision(short_rack: Recipe, rack_frames: list[Frame]) -> None:
    seen = until(rack_frames, 12)
    state, supervision = of_group(seen, STATE)[-1].data, of_group(seen, SUPERVISION)[-1].data
    assert state[1] >> 4 == 2  # closed
    assert abs(int.from_bytes(state[2:4], "big") / 100 - (applied(short_rack, "wire_96") - applied(short_rack, "wire_0"))) <= 0.2
    assert abs(int.from_bytes(state[4:6], "big") * 0.05 - 1600 - applied(short_rack, "shunt") / 0.1) <= 0.25  # mV on 0.1 mohm
    assert state[7] == 0xFF
    assert abs(int.from_bytes(supervision[0:2], "big") / applied(short_rack, "earth") - 1) <= 0.025
    assert supervision[6] >> 4 == 0xF


def test_what_is_not_measured_yet_is_all_ones(rack_frames: list[Frame]) -> None:
    # SAE J1939-71, table 1: 0xFF and 0xFFFF are not available
    early = until(rack_frames, 1.1)
    assert all(frame.data[1:7] == b"\xff" * 6 for frame in of_group(early, CELLS) if frame.data[0] & 31 < 29)
    assert all(frame.data[4:6] == b"\xff\xff" for frame in of_group(early, STATE))
    assert all(frame.data[0:2] == b"\xff\xff" for frame in of_group(early, SUPERVISION))
    after = [frame for frame in rack_frames if frame.time_ns > START + 3 * SECOND]
    assert not [frame for frame in of_group(after, CELLS) if b"\xff" in frame.data[1:3]]
    assert not [frame for frame in of_group(after, STATE) if frame.data[4:6] == b"\xff\xff"]


def test_a_round_of_pages_is_of_one_measurement(rack_frames: list[Frame]) -> None:
    rounds: list[list[int]] = []
    summaries = []
    for frame in of_group(rack_frames, CELLS):
        page = frame.data[0] & 31
        if page == 0:
            rounds.append([])
        if page < 24:
            rounds[-1] += cell_codes(frame.data)
        if page == 29:
            summaries.append(frame.data)
    assert len(summaries) >= 19
    for cells, summary in list(zip(rounds, summaries, strict=False))[2:]:  # also across the step at 12 s
        highest, lowest = int.from_bytes(summary[1:4], "big") >> 12, int.from_bytes(summary[1:4], "big") & 0xFFF
        assert (highest, lowest) == (max(cells), min(cells))
        assert cells[summary[4] - 1] == highest
        assert abs(int.from_bytes(summary[5:7], "big") * 10 - sum(cells)) <= 60  # 96 roundings to 1 mV, one to 10 mV


def test_what_is_longer_than_a_frame_is_announced_and_sent_in_packets(rack_frames: list[Frame]) -> None:
    # SAE J1939-21: TP.CM of a broadcast is 32, size low byte first, packets, 0xFF, group low byte first; 50 to 200 ms between packets
    transport = [frame for frame in rack_frames if frame.id in (0x1CECFFA3, 0x1CEBFFA3)]
    assert len(transport) == 8  # at 0.4 s and at 10.4 s
    announced, *packets = transport[:4]
    assert announced.data == bytes.fromhex("20 14 00 03 FF 14 FF 00")
    assert [packet.data[0] for packet in packets] == [1, 2, 3]
    times = [frame.time_ns for frame in transport[:4]]
    assert all(50e6 <= later - earlier <= 200e6 for earlier, later in pairwise(times))
    whole = b"".join(packet.data[1:] for packet in packets)
    assert whole[:20] == b"SC96-0042   " + bytes([2, 7, 96, 30]) + (2800).to_bytes(2, "big") + b"\xff\xff"
    assert whole[20:] == b"\xff"
    assert IDENTITY.to_bytes(3, "little") == announced.data[5:8]


def test_two_racks_have_ids_and_noise_of_their_own(short_rack: Recipe) -> None:
    both = record_frames(replace(short_rack, instances={"rack": (3, 5)}))
    for rack in (3, 5):
        assert all(check_is_right(frame, rack) for frame in of_group(both, STATE, rack))
    first, second = of_group(both, CELLS, 3), of_group(both, CELLS, 5)
    assert abs(len(first) - len(second)) <= 1
    assert sum(one.data != other.data for one, other in zip(first, second, strict=False)) > len(first) // 4
    assert [frame.time_ns for frame in both] == sorted(frame.time_ns for frame in both)


def test_a_recipe_that_names_no_rack_of_a_map_with_several_is_refused(short_rack: Recipe) -> None:
    with pytest.raises(UsageError, match=r"'rack_state' of the board has 8 ids in scarp-96; expected one"):
        record_frames(replace(short_rack, instances={}, plan=SendPlan({"rack_state": Sent(SECOND)}, begin_ns=0)))


def test_a_message_that_the_map_lacks_is_refused(short_rack: Recipe) -> None:
    with pytest.raises(UsageError, match="the board is to send 'rack_stat', which is no frame of scarp-96"):
        record_frames(replace(short_rack, plan=SendPlan({"rack_stat": Sent(SECOND)}, begin_ns=0)))
