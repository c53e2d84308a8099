"""Cadences: periods, tolerances, lateness, silence at both ends, what the recorder lost."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from regcheck.checks.cadence import CadenceCheck
from regcheck.checks.cadence_findings import cadence_findings
from regcheck.checks.finding import Finding, Verdict
from regcheck.device_map.model import Axis, Message, RegisterMap
from tests.checks.frames import MS, SECOND, Part, Sent, a_field, a_frame, a_layout, a_map, decoded, every, fold, numbered, part

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED
STATE = a_frame("state", every=every("100 ms"))
OTHER = a_frame("other", id="0x201")


def at(*times_ms: float, **keys: object) -> list[Sent]:
    return [replace(Sent(round(time * MS)), **keys) for time in times_ms]  # type: ignore[arg-type]


def steady(count: int, period_ms: float = 100, start_ms: float = 0, **keys: object) -> list[Sent]:
    return at(*(start_ms + number * period_ms for number in range(count)), **keys)


def judge(
    message: Message | RegisterMap,
    parts: Part | Sequence[Part],
    *,
    timestamps_ns: int = 0,
    fitted: dict[str, tuple[str, ...]] | None = None,
    buses: tuple[str, ...] = ("",),
) -> dict[str, Finding]:
    register_map = message if isinstance(message, RegisterMap) else a_map(message, OTHER)
    stretches = [parts] if isinstance(parts, Part) else parts
    check = fold(lambda: CadenceCheck(register_map, 0, timestamps_ns=timestamps_ns, fitted=fitted), register_map, stretches, buses)
    found = cadence_findings(check)
    assert cadence_findings(check) == found  # asking changes nothing
    return {one.id: one for one in found}


def one(*arguments: object, **keys: object) -> Finding:
    (found,) = judge(*arguments, **keys).values()  # type: ignore[arg-type]
    return found


def test_a_steady_message_passes_with_its_period_jitter_and_ends() -> None:
    found = one(STATE, part(*at(0, 99, 200, 301, 400)))
    assert (found.id, found.verdict) == ("cadence/state", PASS)
    assert found.says == "state came every 100 ms on average, 99 ms to 101 ms apart, 4 gaps"
    assert found.evidence["mean_s"] == 0.1
    assert found.evidence["jitter_s"] == pytest.approx(0.00115470, rel=1e-5)  # deviations -1, 1, 1, -1 ms: sqrt(4 / 3)
    assert found.evidence["longest"] == {"seconds": 0.101, "time_s": 0.2, "capture": 0, "place": 30}


@pytest.mark.parametrize(("gap_ms", "verdict"), [(298, PASS), (299, UNDECIDED), (301, UNDECIDED), (302, FAIL)])
def test_rule_22_late_after_300_ms_with_stamps_of_1_ms(gap_ms: int, verdict: Verdict) -> None:
    found = one(STATE, part(*steady(20), *at(1900 + gap_ms)), timestamps_ns=MS)
    assert found.verdict is verdict, found.says
    assert found.reason == ("timestamps_too_coarse" if verdict is UNDECIDED else "")


@pytest.mark.parametrize(("gap_ms", "verdict"), [(300, PASS), (301, FAIL)])
def test_exact_stamps_are_compared_plainly_and_the_limit_is_allowed(gap_ms: int, verdict: Verdict) -> None:
    assert one(STATE, part(*steady(20), *at(1900 + gap_ms))).verdict is verdict


def test_late_after_is_the_maps_own_where_it_says_so() -> None:
    message = replace(STATE, late_after_ns=150 * MS)
    found = one(message, part(*steady(3), *at(351)))
    assert found.verdict is FAIL
    assert found.says == "state was late once, the longest 151 ms (at 0.351 s); it is late after 150 ms"


def test_a_tolerance_bounds_each_gap_on_both_sides() -> None:
    message = replace(STATE, every=every("100 ms +/- 10 ms"))
    assert one(message, part(*at(0, 90, 200))).verdict is PASS
    found = one(message, part(*at(0, 111, 200)))
    assert (found.verdict, found.says) == (
        FAIL,
        "state came too late within its tolerance once, up to 111 ms and too soon once, down to 89 ms, 2 gaps",
    )


def test_a_span_of_times_bounds_from_both_sides() -> None:
    message = replace(STATE, every=every("5 s .. 60 s"))
    assert one(message, part(*at(0, 5000, 65000))).verdict is PASS
    assert one(message, part(*at(0, 4999))).says == "state came too soon once, down to 4999 ms, 1 gaps"
    assert "the longest 60.001 s" in one(message, part(*at(0, 60001))).says


def test_what_comes_on_change_is_bounded_by_not_before_and_late_after_alone() -> None:
    message = replace(STATE, every=every("change"), not_before_ns=20 * MS, late_after_ns=10 * SECOND)
    assert one(message, part(*at(0, 20, 5000))).verdict is PASS
    assert one(message, part(*at(0, 19, 5000))).verdict is FAIL
    assert one(message, part(*at(0, 20, 10021))).verdict is FAIL
    free = one(replace(STATE, every=every("change")), part(*at(0, 1)))
    assert (free.verdict, free.reason) == (UNTESTED, "no_limit")


def test_what_comes_on_request_has_no_cadence() -> None:
    assert judge(replace(STATE, every=every("request")), part(*at(0, 1))) == {}


def test_what_the_host_sends_is_not_the_devices_cadence() -> None:
    assert judge(replace(STATE, sender="host"), part(*at(0, 9999))) == {}


@pytest.mark.parametrize("period_ms", [200, 50])
def test_a_wrong_period_is_found_without_a_tolerance(period_ms: int) -> None:
    found = one(STATE, part(*steady(20, period_ms)))
    assert (found.verdict, found.says) == (FAIL, f"state came every {period_ms} ms on average; the map says 100 ms")


def test_silence_at_the_end_counts_by_the_horizon() -> None:
    assert one(STATE, part(*steady(5), end_ns=700 * MS)).verdict is PASS
    found = one(STATE, part(*steady(5), end_ns=701 * MS))
    assert (found.verdict, found.says) == (
        FAIL,
        "state was late once: the last 301 ms of the capture are without it; it is late after 300 ms",
    )


def test_a_tick_moves_the_horizon() -> None:
    register_map = a_map(STATE)
    check = fold(lambda: CadenceCheck(register_map, 0), register_map, [part(*steady(5))])
    check.tick(5 * SECOND)
    assert cadence_findings(check)[0].verdict is FAIL


def test_silence_at_the_beginning_counts_from_when_the_device_was_heard() -> None:
    late = [*at(5000, message="other", id=0x201), *steady(5, start_ms=5301)]
    assert "its first came only 301 ms after the device was heard" in one(STATE, part(*late)).says
    assert one(STATE, part(*steady(5, start_ms=5301), begin_ns=0)).verdict is PASS  # nobody had switched it on


def test_a_message_that_never_comes_is_late_while_the_device_lives() -> None:
    alive = steady(5, message="other", id=0x201)
    found = one(STATE, part(*alive))
    assert (found.verdict, found.says) == (FAIL, "state never came in 400 ms; it is late after 300 ms")
    short = one(STATE, part(*alive[:3]))
    assert (short.verdict, short.reason) == (UNTESTED, "too_short")
    nothing = one(STATE, part(end_ns=SECOND))
    assert (nothing.verdict, nothing.reason) == (UNTESTED, "no_message")
    optional = one(replace(STATE, optional=True), part(*alive))
    assert (optional.verdict, optional.reason) == (UNTESTED, "not_seen")
    once = one(STATE, part(*at(0)))
    assert (once.verdict, once.reason) == (UNTESTED, "no_gap")


def test_a_fitted_instance_that_never_comes_is_late_and_one_that_may_not_be_there_is_not() -> None:
    message = a_frame("state", id="0x200 + rack * 16", every=every("100 ms"))
    register_map = a_map(message, instances=(Axis("rack", (1, 2)),))
    sent = part(*steady(9, instance="rack[1]", id=0x210))
    found = judge(register_map, sent, fitted={"state": ("rack[1]", "rack[2]")})
    assert {id: one.verdict for id, one in found.items()} == {"cadence/rack[1].state": PASS, "cadence/rack[2].state": FAIL}
    assert list(judge(register_map, sent)) == ["cadence/rack[1].state"]


def test_each_id_instance_and_bus_is_a_stream_of_its_own() -> None:
    mixed = sorted([*steady(5), *steady(5, start_ms=50, bus=1)], key=lambda sent: sent.time_ns)
    found = one(STATE, part(*mixed), buses=("can0", "can1"))
    assert found.verdict is PASS
    assert [stream["bus"] for stream in found.evidence["streams"]] == ["can0", "can1"]


def test_a_new_epoch_starts_anew() -> None:
    parts = [part(*steady(5)), part(*steady(5, start_ms=-90000), epoch=1)]
    assert one(STATE, parts).verdict is PASS


def test_another_capture_in_which_the_device_speaks_without_it_is_late() -> None:
    parts = [part(*steady(5)), part(*steady(9, message="other", id=0x201), epoch=1)]
    found = one(STATE, parts)
    assert (found.verdict, found.evidence["silences"][0]["where"]) == (FAIL, "throughout")


def test_what_the_recorder_lost_is_not_late() -> None:
    sent = [*steady(5), *steady(5, start_ms=900)]
    assert one(STATE, part(*sent)).verdict is FAIL
    found = one(STATE, part(*sent, lost=[55]))  # the fifth frame stands at 50, the sixth at 60
    assert (found.verdict, found.reason) == (UNDECIDED, "recorder_lost")
    assert one(STATE, part(*sent, lost=[65])).verdict is FAIL  # lost elsewhere


def test_a_loss_does_not_excuse_what_came_too_soon() -> None:
    message = replace(STATE, every=every("100 ms +/- 10 ms"))
    assert one(message, part(*at(0, 50, 150), lost=[15])).verdict is FAIL


def test_what_a_transport_complains_of_was_recorded_all_the_same() -> None:
    register_map = a_map(STATE)
    batch = decoded(register_map, part(*steady(5), *steady(5, start_ms=900), lost=[55]))
    lossy = batch.batch
    complaints = tuple(replace(one, kind="incomplete message") for one in lossy.complaints)
    told = replace(batch, batch=replace(lossy, complaints=complaints, complained={"incomplete message": 1}))
    check = CadenceCheck(register_map, 0)
    check.update(told)
    assert cadence_findings(check)[0].verdict is FAIL


def test_a_loss_told_ahead_of_its_frames_still_counts() -> None:
    sent = [*steady(5), *steady(5, start_ms=900)]
    whole = part(*sent, lost=[55])
    first = replace(whole, sent=whole.sent[:2], end_ns=200 * MS)
    rest = replace(whole, sent=whole.sent[2:], begin_ns=200 * MS, lost=())
    assert one(STATE, [first, rest]).reason == "recorder_lost"


SLEEPY = a_frame("state", [a_field("mode", "state", names={0: "asleep", 1: "awake"})], every=every(("mode = asleep", "1 s"), "100 ms"))


def test_a_cadence_by_the_messages_own_field() -> None:
    asleep = steady(5, 1000, values={"mode": 0})
    awake = steady(5, 100, start_ms=5000, values={"mode": 1})
    found = one(SLEEPY, part(*asleep, *awake))
    assert found.verdict is PASS, found.says
    told = [(case["case"], case["gaps"], case["mean_s"]) for case in found.evidence["cases"]]
    assert told == [("where it changed", 1, 1.0), ("mode = asleep", 4, 1.0), ("otherwise", 4, 0.1)]
    slow = one(SLEEPY, part(*asleep, *steady(5, 1000, start_ms=5000, values={"mode": 1})))
    assert slow.says == "state was late 4 times, the longest 1000 ms (at 6 s); it is late after 300 ms"


def test_a_cadence_by_another_messages_state() -> None:
    from fractions import Fraction

    import numpy as np

    from regcheck.checks.cadence_series import cadence_paths
    from regcheck.codec.states import States, Timeline

    power = a_frame("power", [a_field("mode", "power", names={0: "asleep", 1: "awake"})], id="0x300")
    message = replace(STATE, every=every(("power.mode = asleep", "1 s"), ("power.mode = awake for 1 s", "100 ms"), "none"))
    register_map = a_map(message, power)
    assert cadence_paths(register_map) == {"power.mode"}
    times = np.array([-1, 5000 * MS])
    states = States({"power.mode": Timeline(times, np.array([0, 1]), np.array([True, True]), (Fraction(0), Fraction(1)))})
    sent = [*steady(6, 1000), *steady(5, 700, start_ms=5700)]
    check = fold(lambda: CadenceCheck(register_map, 0, states), register_map, [part(*sent)])
    found = cadence_findings(check)[0]
    # asleep up to 5 s; awake, but not yet for 1 s, at 5.0 and 5.7 s; from 6.4 s on every 100 ms is asked for, and 700 ms is late
    assert found.evidence["late"] == {"count": 3, "first": {"time_s": 7.1, "capture": 0, "place": 90}}
    racks = States({f"rack[2].{path}": timeline for path, timeline in states.timelines.items()})
    for instance, late in (("rack[2]", 3), ("rack[1]", None)):  # each device has its own state
        own = part(*[replace(one, instance=instance) for one in sent])
        several = replace(register_map, instances=(Axis("rack", (1, 2)),))
        (found,) = cadence_findings(fold(lambda: CadenceCheck(several, 0, racks), several, [own]))  # noqa: B023 - called at once
        assert found.evidence.get("late", {}).get("count") == late, instance
    unknown = fold(lambda: CadenceCheck(register_map, 0), register_map, [part(*sent)])
    assert cadence_findings(unknown)[0].reason == "state_not_known"


def test_a_cadence_whose_condition_is_not_known_is_untested() -> None:
    found = one(SLEEPY, part(*steady(5, 1000, values={"mode": None})))
    assert (found.verdict, found.reason) == (UNTESTED, "state_not_known")


def test_a_case_of_none_is_not_judged() -> None:
    message = replace(SLEEPY, every=every(("mode = asleep", "none"), "100 ms"))
    found = one(message, part(*steady(5, 9000, values={"mode": 0})))
    assert (found.verdict, found.reason) == (UNTESTED, "no_gap")


PAGED = a_frame(
    "cells",
    [a_field("page", "cells")],
    every=every("25 ms +/- 5 ms"),
    layouts=(
        a_layout("page < 4", [a_field("cell", "cells", each=numbered("k", 0, 3, "page * 4 + k + 1"))], every=every("100 ms +/- 10 ms")),
    ),
)


def test_each_page_of_a_layout_has_the_layouts_cadence() -> None:
    pages = [Sent(number * 25 * MS, "cells", {"page": number % 4}, layout=0) for number in range(16)]
    found = judge(PAGED, part(*pages))
    assert {id: one.verdict for id, one in found.items()} == {"cadence/cells": PASS, "cadence/cells.cell": PASS}
    assert len(found["cadence/cells.cell"].evidence["streams"]) == 4
    repeated = [replace(sent, values={"page": 1}) if number == 6 else sent for number, sent in enumerate(pages)]  # page 2 is left out once
    found = judge(PAGED, part(*repeated))
    assert {id: one.verdict for id, one in found.items()} == {"cadence/cells": PASS, "cadence/cells.cell": FAIL}


def test_layouts_of_the_same_fields_have_ids_of_their_own() -> None:
    cell = a_field("cell", "cells")
    layouts = tuple(a_layout(when, [cell], every=every("100 ms")) for when in ("page < 4", "page = 4"))
    message = a_frame("cells", [a_field("page", "cells")], layouts=layouts)
    assert list(judge(message, part())) == ["cadence/cells.page-4-0", "cadence/cells.page-4-1"]


def test_bad_checks_count_as_arrivals() -> None:
    from regcheck.codec.columns import Check

    assert one(STATE, part(*steady(9, check=Check.BAD))).verdict is PASS


OUTCOMES: dict[Verdict, Callable[[], Finding]] = {
    PASS: lambda: one(STATE, part(*steady(9))),
    FAIL: lambda: one(STATE, part(*at(0, 301))),
    UNDECIDED: lambda: one(STATE, part(*at(0, 301), lost=[15])),
    UNTESTED: lambda: one(STATE, part(end_ns=1)),
}


@pytest.mark.parametrize("verdict", OUTCOMES)
def test_every_outcome_is_seen(verdict: Verdict) -> None:
    found = OUTCOMES[verdict]()
    assert found.verdict is verdict
    assert bool(found.reason and found.remedy) == (verdict in (UNDECIDED, UNTESTED))


def test_every_outcome_has_a_case() -> None:
    assert set(OUTCOMES) == set(Verdict)


def test_columns_made_by_hand_are_what_the_codec_hands_over() -> None:
    found = decoded(a_map(STATE), part(*steady(2)))
    assert len(found.messages[0].time) == 2
