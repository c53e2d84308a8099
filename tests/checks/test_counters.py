"""Alive counters: stuck, repeated, skipped, out of range; wraps; what the recorder lost."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from regcheck.checks.counters import CounterCheck
from regcheck.checks.finding import Finding, Verdict
from regcheck.codec.columns import Check
from regcheck.device_map.model import Message, Protection
from tests.checks.frames import MS, Part, Sent, a_field, a_frame, a_map, every, fold, part

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED
STATE = a_frame("state", [a_field("alive", "state", range(4), counter=(0, 14))])


def counted(*values: int | None, period_ms: int = 100, **keys: object) -> list[Sent]:
    return [replace(Sent(number * period_ms * MS, values={"alive": value}), **keys) for number, value in enumerate(values)]  # type: ignore[arg-type]


def judge(message: Message, parts: Part | Sequence[Part], buses: tuple[str, ...] = ("",)) -> dict[str, Finding]:
    register_map = a_map(message)
    stretches = [parts] if isinstance(parts, Part) else parts
    found = fold(lambda: CounterCheck(register_map, 0), register_map, stretches, buses).findings(closed=True)
    return {one.id: one for one in found}


def one(message: Message, parts: Part | Sequence[Part], buses: tuple[str, ...] = ("",)) -> Finding:
    (found,) = judge(message, parts, buses).values()
    return found


def test_a_counter_that_counts_on_and_wraps_passes() -> None:
    found = one(STATE, part(*counted(12, 13, 14, 0, 1)))
    assert (found.id, found.verdict, found.says) == ("counter/state.alive", PASS, "state.alive counted on in all 4 steps")
    assert found.evidence["wraps"] == 1


def test_a_stuck_counter_is_said_to_stand_still() -> None:
    found = one(STATE, part(*counted(1, 2, 3, 3, 3, 3, 3, 4)))
    assert (found.verdict, found.says) == (FAIL, "state.alive stood still for 5 messages in a row, 8 messages")
    assert found.evidence["longest_standstill"] == {"messages": 5, "time_s": 0.2, "capture": 0, "place": 30}
    assert found.evidence["steps"] == [{"step": 0, "count": 4}]


def test_a_repeated_count_is_told_from_a_stuck_counter() -> None:
    assert one(STATE, part(*counted(1, 1, 2, 3, 3, 4))).says == "state.alive repeated its count 2 times, 6 messages"


def test_skipped_counts_are_counted_over_the_wrap() -> None:
    found = one(STATE, part(*counted(1, 3, 4, 13, 1)))  # 2 is missing; 5 to 12; 14 and 0
    assert (found.verdict, found.says) == (FAIL, "state.alive skipped 3 times, 11 counts in all, 5 messages")
    assert found.evidence["skipped"]["first"]["place"] == 20


def test_a_count_beyond_its_range_is_wrong_and_tells_nothing_of_its_neighbours() -> None:
    found = one(STATE, part(*counted(13, 14, 15, 0)))
    assert (found.verdict, found.says) == (FAIL, "state.alive left 0 .. 14 once, 4 messages")
    assert (found.evidence["right"], found.evidence["not_told"]) == (1, 2)


def test_what_the_recorder_lost_is_not_the_devices() -> None:
    sent = counted(1, 2, 5, 6)
    assert one(STATE, part(*sent)).verdict is FAIL
    found = one(STATE, part(*sent, lost=[25]))
    assert (found.verdict, found.reason) == (UNDECIDED, "recorder_lost")
    assert one(STATE, part(*sent, lost=[35])).verdict is FAIL


def test_a_loss_between_batches_counts_for_the_step_across_them() -> None:
    sent = counted(1, 2, 5, 6)
    whole = part(*sent)
    first = replace(whole, sent=whole.sent[:2], end_ns=100 * MS, lost=(25,))
    rest = replace(whole, sent=whole.sent[2:], begin_ns=100 * MS)
    assert one(STATE, [first, rest]).verdict is UNDECIDED


def test_a_frame_with_a_bad_check_tells_nothing_of_its_counter() -> None:
    sent = counted(1, 2, 9, 4, 5)
    sent[2] = replace(sent[2], check=Check.BAD)
    found = one(STATE, part(*sent))
    assert (found.verdict, found.evidence["not_told"]) == (PASS, 2)


def test_after_a_silence_a_counter_may_begin_anew() -> None:
    message = replace(STATE, every=every("100 ms"))
    sent = counted(7, 8, 0, 1)
    sent = [*sent[:2], *[replace(one, time_ns=one.time_ns + 1000 * MS) for one in sent[2:]]]
    assert one(message, part(*sent)).verdict is PASS
    assert one(STATE, part(*sent)).verdict is FAIL  # without a cadence nothing says that it was silent


def test_counters_are_kept_by_bus_id_and_instance() -> None:
    first = counted(1, 2, 3, instance="rack[1]", id=0x210)
    second = counted(8, 9, 10, instance="rack[2]", id=0x220)
    mixed = [sent for pair in zip(first, second, strict=True) for sent in pair]
    found = judge(STATE, part(*mixed))
    assert {id: one.verdict for id, one in found.items()} == {"counter/rack[1].state.alive": PASS, "counter/rack[2].state.alive": PASS}
    buses = [sent for pair in zip(counted(1, 2, 3), counted(8, 9, 10, bus=1), strict=True) for sent in pair]
    assert one(STATE, part(*buses), buses=("a", "b")).verdict is PASS
    ids = [sent for pair in zip(counted(1, 2, 3), counted(8, 9, 10, id=0x201), strict=True) for sent in pair]
    assert one(STATE, part(*ids)).verdict is PASS


def test_a_new_epoch_starts_anew() -> None:
    assert one(STATE, [part(*counted(1, 2)), part(*counted(9, 10), epoch=1)]).verdict is PASS


@pytest.mark.parametrize(
    ("profile", "counts", "verdict"),
    [
        # AUTOSAR PRS E2E Protocol: P01 counts 0..14, P02 0..15, P05 0..255 (from memory of it)
        ("P01", [13, 14, 0], PASS),
        ("P02", [14, 15, 0], PASS),
        ("P01", [13, 15], FAIL),
        ("P05", [254, 255, 0], PASS),
        ("P05", [254, 254], FAIL),
    ],
)
def test_the_counter_of_a_protection_profile(profile: str, counts: list[int], verdict: Verdict) -> None:
    message = a_frame("state", protect=Protection(profile, ()))
    sent = [Sent(number * MS, values={"counter": count}) for number, count in enumerate(counts)]  # the codec's name for it
    found = one(message, part(*sent))
    assert (found.id, found.verdict) == ("counter/state.counter", verdict)


def test_a_protections_counter_goes_by_the_maps_own_name_for_it() -> None:
    message = a_frame("state", [a_field("round", "state", range(8, 12))], protect=Protection("P01", ()))
    found = one(message, part(*[Sent(number * MS, values={"round": count}) for number, count in enumerate([14, 0, 2])]))
    assert (found.id, found.verdict) == ("counter/state.round", FAIL)


OUTCOMES: dict[Verdict, Callable[[], Finding]] = {
    PASS: lambda: one(STATE, part(*counted(1, 2))),
    FAIL: lambda: one(STATE, part(*counted(1, 1))),
    UNDECIDED: lambda: one(STATE, part(*counted(1, 1), lost=[15])),
    UNTESTED: lambda: one(STATE, part(*counted(1))),
}


@pytest.mark.parametrize("verdict", OUTCOMES)
def test_every_outcome_is_seen(verdict: Verdict) -> None:
    found = OUTCOMES[verdict]()
    assert found.verdict is verdict
    assert bool(found.reason and found.remedy) == (verdict in (UNDECIDED, UNTESTED))


def test_every_outcome_has_a_case() -> None:
    assert set(OUTCOMES) == set(Verdict)


def test_a_message_that_never_came_is_untested() -> None:
    assert one(STATE, part()).says == "state.alive was never seen"
