"""Each fault of frames changes what it names, and nothing else on the bus."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import get_args

import pytest

from regcheck.errors import UsageError
from regcheck.sim.faults import BytesSwapped, Fault, Shifted, SlowStart
from regcheck.sim.frame_faults import BadCheck, CutShort, FrameFault, Late, Omitted, Span, StuckCounter
from regcheck.sim.recipe import Recipe, record_frames
from regcheck.sim.stimuli import Stimuli
from regcheck.traffic.frames import Frame
from tests.sim.can_layout import ALARMS, CELLS, STATE, SUPERVISION, autosar, cell_codes, check_is_right, count_of, of_group

SECOND = 1_000_000_000
START = 1_780_000_000 * SECOND
GROUPS = (STATE, CELLS, SUPERVISION, ALARMS)

CASES: list[tuple[Fault, set[int]]] = [
    (SlowStart("rack_state.current", 9 * SECOND), {STATE}),
    (Shifted("rack_cells.cell_voltage", 41, 44, 1), {CELLS}),
    (BytesSwapped("rack_supervision", 0), {SUPERVISION}),
    (StuckCounter("rack_alarms", 6 * SECOND), {ALARMS}),
    (Late("rack_state", 6 * SECOND, SECOND // 4), {STATE}),
    (Omitted("rack_state", Span(6 * SECOND, 2)), {STATE}),
    (BadCheck("rack_cells", Span(6 * SECOND, 3)), {CELLS}),
    (BadCheck("rack_state", Span(6 * SECOND, 1)), {STATE}),
    (CutShort("rack_supervision", 2, Span(6 * SECOND, 1)), {SUPERVISION}),
]


@pytest.fixture(scope="module")
def frames_with(short_rack: Recipe) -> Callable[[Fault], list[Frame]]:
    """A function that gives the frames of a short run of a rack with one fault; each is run once."""
    runs: dict[Fault, list[Frame]] = {}

    def frames(fault: Fault) -> list[Frame]:
        if fault not in runs:
            runs[fault] = record_frames(short_rack, (fault,))
        return runs[fault]

    return frames


def contents(frames: list[Frame], pgn: int) -> list[tuple[int, bytes]]:
    """Return what frames carry, and their times in tens of milliseconds: another fault may keep the bus busy for a while."""
    return [(round(frame.time_ns / 1e7), frame.data) for frame in of_group(frames, pgn)]


@pytest.mark.parametrize(("fault", "groups"), CASES, ids=[f"{type(fault).__name__}-{number}" for number, (fault, _) in enumerate(CASES)])
def test_a_fault_changes_only_its_own(
    fault: Fault, groups: set[int], frames_with: Callable[[Fault], list[Frame]], rack_frames: list[Frame]
) -> None:
    faulty = frames_with(fault)
    assert {pgn for pgn in GROUPS if [d for _, d in contents(faulty, pgn)] != [d for _, d in contents(rack_frames, pgn)]} <= groups
    assert {pgn for pgn in GROUPS if contents(faulty, pgn) != contents(rack_frames, pgn)} == groups


def test_every_kind_of_fault_of_frames_is_tried_here() -> None:
    assert {type(fault) for fault, _ in CASES} >= set(get_args(FrameFault))


def test_a_slow_start_says_not_available_until_then(frames_with: Callable[[Fault], list[Frame]]) -> None:
    states = of_group(frames_with(SlowStart("rack_state.current", 9 * SECOND)), STATE)
    missing = [frame.data[4:6] == b"\xff\xff" for frame in states]
    first = missing.index(False)
    assert not any(missing[first:])
    assert states[first - 1].time_ns < START + 9 * SECOND + 1_000_000
    assert states[first].time_ns >= START + 9 * SECOND
    assert all(check_is_right(frame) for frame in states)


def test_a_shifted_page_begins_a_cell_too_high(frames_with: Callable[[Fault], list[Frame]], rack_frames: list[Frame]) -> None:
    faulty = of_group(frames_with(Shifted("rack_cells.cell_voltage", 41, 44, 1)), CELLS)
    right = of_group(rack_frames, CELLS)
    own, next_one = ([cell_codes(frame.data) for frame in right if frame.data[0] & 31 == page] for page in (10, 11))
    wrong = [cell_codes(frame.data) for frame in faulty if frame.data[0] & 31 == 10]
    # cells 41 to 44 stand on page 10; the page after it holds what was measured together with it
    assert [codes[:3] for codes in wrong] == [codes[1:] for codes in own]
    assert all(codes[3] == later[0] for codes, later in zip(wrong, next_one, strict=False))
    assert all(autosar(frame.data[:7]) == frame.data[7] for frame in faulty)


def test_a_field_sent_little_endian_has_a_right_check(frames_with: Callable[[Fault], list[Frame]], rack_frames: list[Frame]) -> None:
    faulty = of_group(frames_with(BytesSwapped("rack_supervision", 0)), SUPERVISION)
    for wrong, right in zip(faulty, of_group(rack_frames, SUPERVISION), strict=True):
        assert wrong.data[:2] == right.data[1::-1]
        assert wrong.data[2:7] == right.data[2:7]
        assert check_is_right(wrong)


def test_a_stuck_counter_stands_from_its_moment_on(frames_with: Callable[[Fault], list[Frame]], rack_frames: list[Frame]) -> None:
    faulty = of_group(frames_with(StuckCounter("rack_alarms", 6 * SECOND)), ALARMS)
    after = [count_of(frame) for frame in faulty if frame.time_ns > START + 6 * SECOND]
    assert len(after) == 40
    assert len(set(after)) == 1
    before = [count_of(frame) for frame in faulty if frame.time_ns < START + 6 * SECOND]
    assert before == [number % 15 for number in range(len(before))]


def test_a_late_frame_is_one_long_gap(frames_with: Callable[[Fault], list[Frame]]) -> None:
    times = [frame.time_ns for frame in of_group(frames_with(Late("rack_state", 6 * SECOND, SECOND // 4)), STATE)]
    gaps = [(later - earlier) / 1e6 for earlier, later in pairwise(times)]
    assert [abs(gap - 350) < 5 for gap in gaps if gap > 110] == [True]


def test_frames_left_out_are_counted_all_the_same(frames_with: Callable[[Fault], list[Frame]], rack_frames: list[Frame]) -> None:
    faulty = of_group(frames_with(Omitted("rack_state", Span(6 * SECOND, 2))), STATE)
    counts = [count_of(frame) for frame in faulty]
    steps = [(later - earlier) % 15 for earlier, later in pairwise(counts)]
    assert sorted(set(steps)) == [1, 3]
    assert steps.count(3) == 1
    assert len(faulty) == len(of_group(rack_frames, STATE)) - 2


@pytest.mark.parametrize(("name", "pgn", "count"), [("rack_cells", CELLS, 3), ("rack_state", STATE, 1)])
def test_a_burst_of_bad_checks_is_as_long_as_told(
    name: str, pgn: int, count: int, frames_with: Callable[[Fault], list[Frame]], rack_frames: list[Frame]
) -> None:
    faulty = of_group(frames_with(BadCheck(name, Span(6 * SECOND, count))), pgn)
    bad = [number for number, frame in enumerate(faulty) if not check_is_right(frame)]
    assert bad == list(range(bad[0], bad[0] + count))
    place = 7 if pgn == CELLS else 0
    for number in bad:
        right = of_group(rack_frames, pgn)[number].data
        assert faulty[number].data == right[:place] + bytes([right[place] ^ 1]) + right[place + 1 :]


def test_a_frame_cut_short_is_right_before_its_end(frames_with: Callable[[Fault], list[Frame]], rack_frames: list[Frame]) -> None:
    faulty = of_group(frames_with(CutShort("rack_supervision", 2, Span(6 * SECOND, 1))), SUPERVISION)
    pairs = zip(faulty, of_group(rack_frames, SUPERVISION), strict=True)
    ((cut, whole),) = [(one.data, other.data) for one, other in pairs if one.data != other.data]
    assert cut == whole[:6]


def test_only_the_racks_that_are_named_have_the_faults(short_rack: Recipe, rack_frames: list[Frame]) -> None:
    both = replace(short_rack, instances={"rack": (3, 5)}, stimuli=Stimuli.of(short_rack.stimuli.rows[:1], 5 * SECOND))
    frames = record_frames(both, (StuckCounter("rack_alarms", 2 * SECOND),), {"rack": (5,)})
    counts = {rack: [count_of(frame) for frame in of_group(frames, ALARMS, rack)] for rack in (3, 5)}
    assert len(set(counts[5][7:])) == 1
    assert counts[3] == [number % 15 for number in range(len(counts[3]))]


def test_a_fault_of_what_is_not_there_is_refused(short_rack: Recipe) -> None:
    with pytest.raises(UsageError, match="StuckCounter names 'rack_alarm', which this board does not have"):
        record_frames(short_rack, (StuckCounter("rack_alarm"),))
    with pytest.raises(UsageError, match=r"Shifted names 'rack_cells.cell_voltage\[97\]'"):
        record_frames(short_rack, (Shifted("rack_cells.cell_voltage", 97, 97, -1),))
    with pytest.raises(UsageError, match="'rack_alarms' has no check that could be wrong"):
        record_frames(short_rack, (BadCheck("rack_alarms"),))
    with pytest.raises(UsageError, match=r"SlowStart names 'rack_state\.state', which this board does not have"):
        record_frames(short_rack, (SlowStart("rack_state.state", SECOND),))
