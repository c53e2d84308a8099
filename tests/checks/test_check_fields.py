"""CRC and checksum findings of frames, and lengths of frames."""

from __future__ import annotations

import pytest

from regcheck.checks.check_fields import CrcCheck
from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.transfers import TransferCheck
from regcheck.codec.columns import Check
from regcheck.codec.framing import Fault
from regcheck.device_map.model import Protection
from tests.checks.frames import MS, Sent, a_frame, a_map, fold, part

STATE = a_frame("state", protect=Protection("P01", ()))


def findings(*checks: Check) -> dict[str, Finding]:
    register_map = a_map(STATE, a_frame("plain", id="0x201"))
    sent = [Sent(number * MS, check=check) for number, check in enumerate(checks)]
    found = fold(lambda: CrcCheck(register_map, 0), register_map, [part(*sent)]).findings(closed=True)
    return {one.id: one for one in found}


@pytest.mark.parametrize(
    ("checks", "verdict", "says"),
    [
        ([Check.GOOD, Check.GOOD], Verdict.PASS, "the check of state is right in all 2 frames"),
        ([Check.GOOD, Check.BAD, Check.GOOD], Verdict.FAIL, "the check of state is wrong in 1 of 3 frames"),
        ([Check.GOOD, Check.MISSING], Verdict.FAIL, "the check of state is missing in 1 of 2 frames"),
        ([Check.UNKNOWN], Verdict.UNTESTED, "none of 1 frames of state was long enough for its check"),
        ([], Verdict.UNTESTED, "state never came"),
    ],
)
def test_outcome(checks: list[Check], verdict: Verdict, says: str) -> None:
    found = findings(*checks)
    assert list(found) == ["crc/state"]  # the frame without a check has no such finding
    assert (found["crc/state"].verdict, found["crc/state"].says) == (verdict, says)
    assert bool(found["crc/state"].remedy) == (verdict is Verdict.UNTESTED)


def test_the_first_wrong_one_is_named() -> None:
    found = findings(Check.GOOD, Check.BAD, Check.BAD)["crc/state"]
    assert found.evidence["first_bad"] == {"time_s": 0.001, "capture": 0, "place": 20}


def lengths(*sent: Sent) -> dict[str, Finding]:
    register_map = a_map(a_frame("state"))
    found = fold(lambda: TransferCheck(register_map, 0), register_map, [part(*sent)]).findings(closed=True)
    return {one.id: one for one in found}


def test_lengths_of_frames_are_told_by_instance_and_in_frames() -> None:
    found = lengths(
        Sent(0, instance="rack[1]", data=bytes(8)),
        Sent(1, instance="rack[2]", data=bytes(7), fault=Fault.LENGTH),
        Sent(2, instance="rack[2]"),
    )
    assert {id: (one.verdict, one.says) for id, one in found.items()} == {
        "length/rack[1].state": (Verdict.PASS, "rack[1].state had the right number of bytes in all 1 frames"),
        "length/rack[2].state": (Verdict.FAIL, "rack[2].state: the length is not the map's, 1 of 2 frames"),
    }
    assert found["length/rack[2].state"].evidence["lengths"] == [{"bytes": 7, "count": 1}]


def test_a_frame_that_never_came_has_no_length_and_no_transfer_findings_stand_beside_it() -> None:
    found = lengths(Sent(0, message=""))
    assert {id: one.verdict for id, one in found.items()} == {"length/state": Verdict.UNTESTED}
