"""Frames that answer others (`answers`): each ask is answered by a frame that carries the same value, within the time allowed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from regcheck.checks.accumulator import Spot
from regcheck.checks.cadence_series import stamp_u
from regcheck.checks.decision import FAIL, PASS, UNDECIDED, acceptance
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.pairing import Times
from regcheck.checks.rule_record import GOOD, Book
from regcheck.checks.wording import lasted, times
from regcheck.codec.readings import time_text
from regcheck.device_map.model import Message, RegisterMap

ANY = 0
"""The value of every ask and answer where the map names no field that both carry."""


@dataclass(slots=True)
class _Tally:
    """Asks by what became of them; ``worst`` is the longest delay of an answer, ``missed`` the first ask that got none."""

    asks: int = 0
    decided: dict[int, int] = field(default_factory=lambda: {PASS: 0, FAIL: 0, UNDECIDED: 0})
    unanswered: int = 0
    asked_again: int = 0
    cut_off: int = 0
    lossy: int = 0
    worst: tuple[int, Spot] | None = None
    missed: Spot | None = None
    answers: int = 0


def answer_findings(
    register_map: RegisterMap, books: Sequence[Book], timestamps_ns: int, required: Mapping[str, Sequence[str]]
) -> Iterator[Finding]:
    """Give a finding for each frame of each device that must answer within a time; ``timestamps_ns`` is the doubt of one stamp, +/-."""
    for message in register_map.messages:
        answers = message.answers
        if answers is None or answers.within_ns is None or register_map.message(answers.to) is None:
            continue
        tallies: dict[str, _Tally] = {one: _Tally() for one in required.get(message.name, ())}
        for book in books:
            for instance in dict.fromkeys((*book.instances({message.name}), *required.get(message.name, ()))):
                if instance or not any(tallies):
                    _judge(tallies.setdefault(instance, _Tally()), message, book, instance, timestamps_ns)
        for instance, tally in (tallies or {"": _Tally()}).items():
            yield _finding(message, instance, tally)


def _carried(book: Book, message: str, name: str, instance: str) -> tuple[Times, Times, Times, Times]:
    """Return start, end, place and value of every message that carries a field (with no name: of every message)."""
    if not name:
        start, end, place = book.message_times(message, instance)
        return start, end, place, np.full(len(start), ANY)
    series = book.series(message, name, None, instance)
    if series is None:
        nothing = np.zeros(0, np.int64)
        return nothing, nothing, nothing, nothing
    good = series.status == GOOD
    return series.time[good], series.end[good], series.place[good], series.raw[good].astype(np.int64)


def _judge(tally: _Tally, message: Message, book: Book, instance: str, timestamps_ns: int) -> None:
    answers = message.answers
    assert answers is not None  # noqa: S101 - the caller asked
    assert answers.within_ns is not None  # noqa: S101
    asked, asked_end, place, wanted = _carried(book, answers.to, answers.same, instance)
    came, _, _, carried = _carried(book, message.name, answers.same, instance)
    tally.answers += len(came)
    tally.asks += len(asked)
    accept = acceptance(-np.inf, answers.within_ns, stamp_u(timestamps_ns))
    for value in np.unique(wanted).tolist():
        rows = np.flatnonzero(wanted == value)
        own = came[carried == value]
        following = np.append(asked[rows][1:], np.iinfo(np.int64).max)
        at = np.searchsorted(own, asked[rows], side="right")
        first = np.append(own, np.iinfo(np.int64).max)[at]
        answered = (at < len(own)) & (first <= following)
        delay = np.where(answered, first - asked_end[rows], np.minimum(following, book.horizon[1]) - asked_end[rows])
        verdict = accept.decide(delay.astype(np.float64))
        for number, row in enumerate(rows.tolist()):
            spot = Spot(int(asked[row]), book.stretch[0], int(place[row]))
            if answered[number]:
                tally.decided[int(verdict[number])] += 1
                if tally.worst is None or delay[number] > tally.worst[0]:
                    tally.worst = int(delay[number]), spot
            elif verdict[number] != FAIL:  # asked again, or the capture ended, before its time was up
                tally.asked_again += int(following[number] <= book.horizon[1])
                tally.cut_off += int(following[number] > book.horizon[1])
            elif book.lossy:
                tally.lossy += 1
                tally.decided[UNDECIDED] += 1
            else:
                tally.unanswered += 1
                tally.decided[FAIL] += 1
                tally.missed = tally.missed or spot


def _finding(message: Message, instance: str, tally: _Tally) -> Finding:
    answers = message.answers
    assert answers is not None  # noqa: S101 - the caller asked
    assert answers.within_ns is not None  # noqa: S101
    requirement = Requirement("answer", message.name, instance=instance, place=message.given_keys.get("answers", message.place))
    allowed, name = lasted(answers.within_ns), requirement.path
    judged = sum(tally.decided.values())
    evidence: dict[str, Any] = {
        "asks": tally.asks, "answers": tally.answers, "judged": judged, "in_time": tally.decided[PASS],
        "unanswered": tally.unanswered, "within_s": answers.within_ns / 1e9,
    }  # fmt: skip
    more = {"asked_again": tally.asked_again, "cut_off": tally.cut_off, "maybe_lost": tally.lossy}
    evidence |= {key: count for key, count in more.items() if count}
    if tally.worst is not None:
        evidence["slowest"] = {"delay_s": tally.worst[0] / 1e9} | tally.worst[1].as_json()
    if tally.missed is not None:
        evidence["first_unanswered"] = tally.missed.as_json()
    slowest = "" if tally.worst is None else f", the slowest after {lasted(tally.worst[0])}"
    if tally.decided[FAIL]:
        late = tally.decided[FAIL] - tally.unanswered
        said = [f"did not answer {times(tally.unanswered)}, first at {time_text(tally.missed.time_ns)} s"] if tally.missed else []
        said += [f"answered too late {times(late)}{slowest}"] if late else []
        says = f"{name} {' and '.join(said)}, of {tally.asks} asks by {answers.to} where {allowed} is allowed"
        return Finding(requirement, Verdict.FAIL, says, evidence=evidence)
    if tally.decided[UNDECIDED]:
        says = (
            f"{name} cannot be decided at {tally.decided[UNDECIDED]} of {judged} asks by {answers.to}{slowest} where {allowed} is allowed"
        )
        if tally.lossy:
            return Finding(requirement, Verdict.UNDECIDED, says, "frames_lost", "record without losing frames", evidence)
        return Finding(requirement, Verdict.UNDECIDED, says, "near_limit", "record with more exact time stamps", evidence)
    if not judged:
        reason = "never_asked" if not tally.asks else "too_short"
        says = f"{name} was never asked by {answers.to}" if not tally.asks else f"no ask of {name} could wait for its time"
        remedy = f"send {answers.to}" if not tally.asks else "wait for an answer before asking again, and record longer"
        return Finding(requirement, Verdict.UNTESTED, says, reason, remedy, evidence)
    says = f"{name} answered {answers.to} {times(judged)}{slowest} where {allowed} is allowed"
    return Finding(requirement, Verdict.PASS, says, evidence=evidence)
