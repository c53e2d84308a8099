"""Frames that answer others within a time (map language, `answers`; verdicts, rule 22)."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from regcheck.checks.answers import answer_findings
from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.rule_record import RuleRecord
from regcheck.device_map.model import Answers, RegisterMap
from tests.checks.frames import MS, Sent, a_field, a_frame, a_map, cut, decoded, part

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED

ASKING = a_frame("ask", [a_field("item", "ask")], sender="host")
ANSWERING = a_frame("answer", [a_field("item", "answer")], answers=Answers("ask", "item", 50 * MS), id="0x201")
DEVICE = a_map(ASKING, ANSWERING)


def sent(*frames: tuple[float, str, int], instance: str = "") -> list[Sent]:
    return [
        Sent(round(at * MS), what, {"item": item}, id=0x200 if what == "ask" else 0x201, instance=instance if what == "answer" else "")
        for at, what, item in frames
    ]


def judged(
    frames: Sequence[Sent], *, end_ms: int = 1000, doubt_ns: int = 0, lost: Sequence[int] = (), device: RegisterMap = DEVICE,
    cuts: Sequence[int] = (), required: dict[str, tuple[str, ...]] | None = None,
) -> dict[str, Finding]:  # fmt: skip
    whole = part(*frames, begin_ns=0, end_ns=end_ms * MS, lost=lost)
    records = []
    for one in cut(whole, cuts):
        records.append(RuleRecord(device, 0))
        records[-1].update(decoded(device, one))
    for later in records[1:]:
        records[0].then(later)
    return {one.id: one for one in answer_findings(device, records[0].books(), doubt_ns, required or {})}


def answer(*frames: tuple[float, str, int], end_ms: int = 1000, doubt_ns: int = 0, lost: Sequence[int] = ()) -> Finding:
    return judged(sent(*frames), end_ms=end_ms, doubt_ns=doubt_ns, lost=lost)["answer/answer"]


def test_an_answer_in_time_passes_and_one_too_late_fails() -> None:
    found = answer((0, "ask", 1), (50, "answer", 1), (100, "ask", 2), (110, "answer", 2))
    assert (found.verdict, found.evidence["in_time"], found.evidence["slowest"]["delay_s"]) == (PASS, 2, 0.05)
    found = answer((0, "ask", 1), (51, "answer", 1), (100, "ask", 2), (110, "answer", 2))
    assert found.verdict is FAIL
    assert "answer answered too late once, the slowest after 51 ms, of 2 asks by ask where 50 ms is allowed" in found.says


def test_only_an_answer_of_the_same_value_is_one() -> None:
    found = answer((0, "ask", 1), (10, "answer", 2))
    assert (found.verdict, found.evidence["unanswered"], found.evidence["first_unanswered"]["time_s"]) == (FAIL, 1, 0)
    assert answer((0, "ask", 1), (5, "ask", 2), (10, "answer", 2), (15, "answer", 1)).verdict is PASS


@pytest.mark.parametrize(("delay_ms", "verdict"), [(48, PASS), (49, UNDECIDED), (51, UNDECIDED), (52, FAIL)])
def test_rule_22_near_the_limit_the_time_stamps_decide_nothing(delay_ms: int, verdict: Verdict) -> None:
    """Stamps of +/- 1 ms: u of a time between two is sqrt(2) / sqrt(3) ms = 0.816 ms, so the guard is 1.343 ms."""
    found = answer((0, "ask", 1), (delay_ms, "answer", 1), doubt_ns=MS)
    assert found.verdict is verdict
    assert found.reason == ("near_limit" if verdict is UNDECIDED else "")


def test_an_ask_that_never_got_its_time_is_left_out() -> None:
    found = answer((0, "ask", 1), (30, "ask", 1), (60, "answer", 1))
    assert (found.verdict, found.evidence["asked_again"]) == (PASS, 1)
    found = answer((0, "ask", 1), (60, "ask", 1), (70, "answer", 1))
    assert (found.verdict, found.evidence["unanswered"]) == (FAIL, 1)
    found = answer((0, "ask", 1), end_ms=40)
    assert (found.verdict, found.reason) == (UNTESTED, "too_short")


def test_never_asked_and_lost_frames() -> None:
    assert (answer((0, "answer", 1)).verdict, answer((0, "answer", 1)).reason) == (UNTESTED, "never_asked")
    found = answer((0, "ask", 1), (200, "ask", 2), (210, "answer", 2), lost=[15])
    assert (found.verdict, found.reason) == (UNDECIDED, "frames_lost")


def test_each_of_several_devices_answers_for_itself_one_that_never_came_too() -> None:
    frames = sent((0, "ask", 1)) + sent((10, "answer", 1), instance="rack[1]")
    found = judged(frames, required={"answer": ("rack[1]", "rack[2]")})
    assert {id: one.verdict for id, one in found.items()} == {"answer/rack[1].answer": PASS, "answer/rack[2].answer": FAIL}


def test_where_a_capture_is_cut_changes_nothing() -> None:
    frames = sent((0, "ask", 1), (10, "answer", 1), (100, "ask", 2), (160, "answer", 2), (200, "ask", 3))
    whole = judged(frames)["answer/answer"]
    assert whole.verdict is FAIL
    for cuts in ([1], [2, 3], [1, 2, 3, 4]):
        assert judged(frames, cuts=cuts)["answer/answer"] == whole


def test_without_a_time_nothing_is_asked() -> None:
    free = a_map(ASKING, a_frame("answer", [a_field("item", "answer")], answers=Answers("ask", "item", None), id="0x201"))
    assert judged(sent((0, "ask", 1)), device=free) == {}
