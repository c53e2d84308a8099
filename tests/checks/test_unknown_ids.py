"""Ids that the map does not explain, and ids of fitted devices that never came."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.unknown_ids import UnknownCheck, known_frames, required_instances
from regcheck.codec.unexplained import Unexplained
from regcheck.device_map.expressions import parse_expression
from regcheck.device_map.model import Axis, Carrier, Each, Message, RegisterMap
from regcheck.traffic.batch import Flag, Kind, MessageKey
from tests.checks.frames import Sent, a_frame, a_map, decoded, fold, part

STATE = a_frame("state")


def judge(
    register_map: RegisterMap, *sent: Sent, fitted: dict[str, tuple[int, ...]] | None = None, buses: Sequence[str] = ("",)
) -> dict[str, Finding]:
    check = fold(lambda: UnknownCheck(register_map, 0, fitted), register_map, [part(*sent)], tuple(buses))
    return {one.id: one for one in check.findings(closed=True)}


def one(register_map: RegisterMap, *sent: Sent, fitted: dict[str, tuple[int, ...]] | None = None) -> Finding:
    return judge(register_map, *sent, fitted=fitted)["unknown/bus"]


def strange(time_ns: int, id: int, **keys: object) -> Sent:
    return replace(Sent(time_ns, message="", id=id), **keys)  # type: ignore[arg-type]


def pgn(name: str, number: str, source: str = "") -> Message:
    return replace(a_frame(name), id=None, pgn=parse_expression(number), source=parse_expression(source) if source else None)


def test_a_bus_that_the_map_explains_passes() -> None:
    found = one(a_map(STATE), Sent(0), Sent(1))
    assert (found.verdict, found.says) == (Verdict.PASS, "the map explains all 2 frames")


def test_unknown_ids_are_listed_and_blamed_on_nobody() -> None:
    found = one(a_map(STATE), Sent(0), strange(1, 0x7FF), strange(2, 0x123), strange(3, 0x123))
    assert (found.verdict, found.reason) == (Verdict.UNTESTED, "sender_not_known")
    assert found.says == "3 frames of 2 ids are not explained by the map: 0x123, 0x7FF"
    assert found.evidence["ids"][0] == {"id": "0x123", "count": 2, "first": {"time_s": 2e-9, "capture": 0, "place": 30}}


def test_an_unknown_id_under_the_devices_own_source_address_fails() -> None:
    register_map = a_map(pgn("engine", "0xF004", "0x2A"))
    foreign = one(register_map, Sent(0, "engine", id=0x0CF0042A, extended=True), strange(1, 0x18FEF100, extended=True))
    assert foreign.verdict is Verdict.UNTESTED
    own = one(register_map, Sent(0, "engine", id=0x0CF0042A, extended=True), strange(1, 0x18FEF12A, extended=True))
    assert (own.verdict, own.says) == (
        Verdict.FAIL,
        "the device sends 1 ids under its own source address that the map does not explain: 0x18FEF12A",
    )


def test_no_frame_at_all_is_untested() -> None:
    found = one(a_map(STATE))
    assert (found.verdict, found.reason) == (Verdict.UNTESTED, "no_frame")


def test_what_the_recorder_sent_and_frames_without_data_are_counted_apart() -> None:
    found = one(
        a_map(STATE),
        Sent(0),
        strange(1, 0x100, flags=Flag.SENT_HERE),
        strange(2, 0x200, flags=Flag.REMOTE),
        strange(3, 0, flags=Flag.ERROR),
    )
    assert found.verdict is Verdict.PASS
    counts = {name: found.evidence[name] for name in ("sent_by_recorder", "remote_frames", "error_frames", "frames")}
    assert counts == {"sent_by_recorder": 1, "remote_frames": 1, "error_frames": 1, "frames": 4}


def test_the_same_number_in_the_other_size_is_another_id_and_said() -> None:
    found = one(a_map(STATE), Sent(0), strange(1, 0x200, extended=True))
    assert found.evidence["ids"][0]["id"] == "0x00000200"
    assert found.evidence["ids"][0]["note"] == "the map has this number as the 11-bit id of state"


def test_each_bus_has_a_finding_where_there_are_several() -> None:
    found = judge(a_map(STATE), Sent(0), strange(1, 0x123, bus=1), buses=("can0", "can1"))
    assert {id: one.verdict for id, one in found.items()} == {"unknown/can0": Verdict.PASS, "unknown/can1": Verdict.UNTESTED}


def test_segments_and_transports_of_the_map_are_not_unknown() -> None:
    carried = replace(a_frame("records"), id=None, carrier=Carrier(parse_expression("0x7A8"), parse_expression("0x7A0")))
    found = one(a_map(carried), strange(0, 0x7A8), strange(1, 0x7A0))
    assert found.verdict is Verdict.PASS
    long = pgn("long", "0xFECA", "0x2A")
    found = one(a_map(long), strange(0, 0x1CECFF2A, extended=True), strange(1, 0x1CEBFF2A, extended=True))
    assert found.verdict is Verdict.PASS


RACKS = a_map(
    a_frame("state", id="0x200 + rack * 16"), a_frame("ask", id="0x20E + rack * 16", sender="host"), instances=(Axis("rack", (1, 2, 3)),)
)


def test_ids_of_fitted_devices_that_never_came_are_named() -> None:
    sent = Sent(0, instance="rack[1]", id=0x210)
    assert one(RACKS, sent, fitted={"rack": (1, 2)}).evidence["never_came"] == ["rack[2].state"]
    assert "never_came" not in one(RACKS, sent).evidence  # nothing says what is fitted
    assert "never_came" not in one(RACKS, sent, fitted={"rack": (1,)}).evidence


def test_what_must_come_is_what_the_trial_says_is_fitted() -> None:
    found = {(one.message.name, one.id.instance): one.key for one in known_frames(RACKS)}
    assert found["state", "rack[3]"] == MessageKey(Kind.FRAME, 0x230).pack()
    assert required_instances(RACKS, {"rack": (1, 3)})["state"] == ("rack[1]", "rack[3]")
    assert required_instances(RACKS, None) == {}
    assert required_instances(a_map(STATE), None) == {"state": ("",)}


def test_a_frame_repeated_over_ids_names_those_that_are_missing() -> None:
    cells = replace(a_frame("cells", id="0x400 + n"), each=Each("n", 0, parse_expression("2"), 0))
    found = one(a_map(cells), Sent(0, "cells", id=0x400), Sent(1, "cells", id=0x402))
    assert found.evidence["never_came"] == ["cells 0x401"]


def test_an_id_of_the_map_on_another_bus_or_of_a_device_that_is_not_fitted_is_not_explained() -> None:
    register_map = RACKS
    check = UnknownCheck(register_map, 0, {"rack": (1,)})
    batch = decoded(register_map, part(Sent(0, instance="rack[1]", id=0x210), strange(1, 0x220), strange(2, 0x21E)))
    why = np.array([Unexplained.NOT_FITTED, Unexplained.OTHER_BUS], np.uint8)
    check.update(replace(batch, why=why))
    (found,) = check.findings(closed=True)
    assert (found.verdict, found.says) == (Verdict.UNTESTED, "2 frames of 2 ids are not explained by the map: 0x21E, 0x220")
    assert [one["note"] for one in found.evidence["ids"]] == [
        "the map has this id on another bus",
        "it is the id of a device that the trial does not say is fitted",
    ]
