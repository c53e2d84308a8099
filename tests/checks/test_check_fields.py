"""CRC and checksum findings of frames, and lengths of frames."""

from __future__ import annotations

from pathlib import Path

import pytest

import regcheck
from regcheck.checks.check_fields import CrcCheck
from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.transfers import TransferCheck
from regcheck.codec.checksums import crc_function
from regcheck.codec.columns import Check
from regcheck.codec.framing import Fault
from regcheck.device_map.crc_catalogue import CRC_CATALOGUE
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


def test_a_frame_cut_before_its_check_is_blamed_for_its_length_alone(tmp_path: Path) -> None:
    whole = bytes([1, 2, 3])
    check = crc_function(CRC_CATALOGUE["CRC-8/SAE-J1850"])
    lines = [f"({second}.000000) can0 123#{(whole + bytes([check(whole)])).hex()}" for second in range(1, 9)] + ["(9.000000) can0 123#0102"]
    text = (
        "regcheck: 1\ndevice: {name: probe}\ncan: {bitrate: 250 kbit/s}\nframes:\n"
        "  state: {id: 0x123, length: 4, fields: {value: {bytes: 0..2}, check: {bytes: 3, crc: CRC-8/SAE-J1850, over: bytes 0..2}}}\n"
    )
    (tmp_path / "map.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "bus.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    run = regcheck.check(tmp_path / "map.yaml", [tmp_path / "bus.log"])
    found = {finding.id: finding.verdict for finding in run.findings}
    assert (found["length/state"], found["crc/state"]) == (Verdict.FAIL, Verdict.PASS)
