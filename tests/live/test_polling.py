"""Polling: each outcome recorded as what it was, retried by the stated policy; never a write without the user's leave."""

from __future__ import annotations

import errno
import io
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, reject, settings
from hypothesis import strategies as st

from regcheck.device_map.compile import load_map
from regcheck.device_map.model import RegisterMap
from regcheck.errors import BusError, SourceError
from regcheck.live.clock import Anchor
from regcheck.live.poll_plan import Selector, poll_plan
from regcheck.live.polling import Poller
from regcheck.live.smbus_adapter import SmbusAdapter, WritePermit, permit_writes
from regcheck.live.source import Stop
from regcheck.traffic.batch import Flag, Kind, MessageKey
from regcheck.traffic.heard import Event, Tried
from regcheck.traffic.open import open_capture
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.transfer_log import head_line, heard_line, tick_line
from tests.live.fakes import I2C_BLOCK, KERNEL, RAW, READ_BLOCK, FakeAdapter, FakeClock

MAP = """\
regcheck: 1
device: {{name: fell-2, title: "Fell 2 (invented)", source: "sheet F2"}}
smbus: {{address: 0x0B, pec: {pec}, speed: 100 kHz}}
registers:
  voltage: {{command: 0x09, transfer: word, unit: mV, poll: 250 ms}}
  level: {{command: 0x0D, transfer: byte}}
  name:
    command: 0x21
    transfer: block
    fields: {{name: {{bytes: 0..last, type: text}}}}
  serial: {{command: 0x40, transfer: 6 bytes, type: bytes}}
{more}"""

THROUGH = """\
  hidden:
    transfer: word
    through: {write: 0xC0, word: 0xA001, then: 0xC1}
"""

REGISTERS: dict[tuple[int, int | None], bytes] = {
    (0x0B, 0x09): b"\xa6\x0b",
    (0x0B, 0x0D): b"\x41",
    (0x0B, 0x21): b"Fell 2",
    (0x0B, 0x40): bytes(range(6)),
    (0x0B, 0xC1): b"\x34\x12",
}


def a_map(folder: Path, *, pec: str = "required", more: str = "") -> RegisterMap:
    path = folder / "map.yaml"
    path.write_text(MAP.format(pec=pec, more=more), encoding="utf-8")
    return load_map(path)


def polled(
    register_map: RegisterMap,
    adapter: FakeAdapter,
    *,
    seconds: float = 1.0,
    allow_writes: bool = False,
    is_there: Callable[[], bool] = lambda: True,
    wait_ns: int = 5_000_000_000,
    cost_ns: int = 500_000,
) -> Poller:
    """Poll for a time of the fake clock; each call takes ``cost_ns``."""
    clock = FakeClock()
    stop = Stop()
    end = clock.now + round(seconds * 1e9)

    def count_down() -> None:
        clock.now += cost_ns
        if clock.now >= end:
            stop.set()

    adapter.on_call = count_down
    wait = clock.wait

    def waited(seconds: float) -> None:
        wait(seconds)
        if clock.now >= end:
            stop.set()

    clock.wait = waited  # type: ignore[method-assign]
    plan = poll_plan(register_map, default_ns=500_000_000, allow_writes=allow_writes)
    permit = permit_writes(plan.selectors, allowed=allow_writes)
    poller = Poller("", "i2c-9", plan, lambda: adapter, is_there, clock=clock, anchor=Anchor(clock), wait_ns=wait_ns, permit=permit)
    poller.open()
    poller.run(stop)
    return poller


def test_raw_transfers_show_every_byte_and_take_the_count_of_the_device(tmp_path: Path) -> None:
    for funcs in (RAW | READ_BLOCK, RAW):  # with and without a read by the device's count
        poller = polled(a_map(tmp_path), FakeAdapter(REGISTERS, {0x21}, funcs=funcs))
        wires = {one.parts for one in poller.heard if isinstance(one, Transfer)}
        # the PEC of the word: 16 09 17 A6 0B, by the independent CRC of the fake
        assert (b"\x16\x09", b"\x17\xa6\x0b" + bytes([_crc("16 09 17 A6 0B")])) in wires
        assert (b"\x16\x21", b"\x17\x06Fell 2" + bytes([_crc("16 21 17 06" + b"Fell 2".hex())])) in wires
        assert all(one.flags == Flag(0) for one in poller.heard if isinstance(one, Transfer))
        assert "raw transfers" in poller.notes[0]


def _crc(pairs: str) -> int:
    from tests.live.fakes import crc8

    return crc8(bytes.fromhex(pairs))


def test_the_kernels_calls_keep_the_pec_and_the_file_says_so(tmp_path: Path) -> None:
    adapter = FakeAdapter(REGISTERS, {0x21}, funcs=KERNEL)
    poller = polled(a_map(tmp_path), adapter)
    by_command = {one.parts[0][1]: one for one in poller.heard if isinstance(one, Transfer)}
    assert by_command[0x09].parts == (b"\x16\x09", b"\x17\xa6\x0b")
    assert by_command[0x09].flags == Flag.PEC_BY_ADAPTER
    assert by_command[0x21].parts[1] == b"\x17\x06Fell 2"
    assert by_command[0x40].parts[1] == b"\x17" + bytes(range(6)) + bytes([_crc("16 40 17 00 01 02 03 04 05")])  # read as bytes: PEC seen
    assert by_command[0x40].flags == Flag(0)
    assert "the kernel's SMBus calls" in str(poller.about["reads"])
    assert adapter.writes == []


def test_a_word_is_polled_on_its_grid(tmp_path: Path) -> None:
    poller = polled(a_map(tmp_path), FakeAdapter(REGISTERS, {0x21}), seconds=10)
    times = [one.time_ns for one in poller.heard if isinstance(one, Transfer) and one.parts[0][1] == 0x09]
    assert len(times) == 40
    assert all((time - times[0]) % 250_000_000 == 0 for time in times)
    assert poller.counts["voltage"].missed == 0


@pytest.mark.parametrize(
    ("code", "word"),
    [
        (errno.ENXIO, "nack"),
        (errno.ENODEV, "nack"),
        (errno.EREMOTEIO, "refused"),
        (errno.EIO, "bus"),
        (errno.ETIMEDOUT, "timeout"),
        (errno.EAGAIN, "arbitration"),
        (errno.EBADMSG, "bad_pec"),
        (errno.EBUSY, "busy"),
        (errno.EPROTO, "count"),
    ],
)
def test_each_error_is_recorded_as_what_it_was_and_tried_again(tmp_path: Path, code: int, word: str) -> None:
    adapter = FakeAdapter(REGISTERS, {0x21}, funcs=KERNEL, fails=lambda number: code if number in (1, 2, 9) else 0)
    poller = polled(a_map(tmp_path), adapter)
    tried = [one for one in poller.heard if isinstance(one, Tried)]
    assert [one.attempt for one in tried[:3]] == [1, 2, 3]
    assert [one.errno for one in tried[:3]] == [errno.errorcode[code]] * 2 + [""]
    assert tried[0].error == ("" if word == "nack" else word)
    if word == "nack":
        assert (tried[0].transfer.parts, tried[0].transfer.nack) == ((b"\x16",), 0)
    total = sum((Counter(counts.errors) for counts in poller.counts.values()), Counter[str]())
    assert total == {word: 3}
    assert sum(counts.retries for counts in poller.counts.values()) == 3
    assert poller.counts["voltage"].good == 4


def test_a_device_that_is_away_is_asked_once_a_turn_and_comes_back(tmp_path: Path) -> None:
    adapter = FakeAdapter(REGISTERS, {0x21}, fails=lambda number: errno.ENXIO if 5 <= number < 40 else 0)
    poller = polled(a_map(tmp_path), adapter, seconds=20)
    attempts = [one.attempt for one in poller.heard if isinstance(one, Tried)]
    assert max(attempts) == 3
    assert attempts.count(3) == 3  # three turns with retries, then one attempt a turn
    assert poller.counts["voltage"].good > 60


def test_a_wrong_pec_on_the_wire_is_kept_and_tried_again(tmp_path: Path) -> None:
    adapter = FakeAdapter(REGISTERS, {0x21}, bad_pec=lambda number: number == 1)
    poller = polled(a_map(tmp_path), adapter)
    first, second = list(poller.heard)[:2]
    assert isinstance(first, Transfer)
    assert first.parts[1][-1] == _crc("16 09 17 A6 0B") ^ 0xFF
    assert isinstance(second, Tried)
    assert (second.error, second.attempt) == ("", 2)
    assert poller.counts["voltage"].errors == {"bad_pec": 1}


def test_what_an_adapter_cannot_do_is_asked_once(tmp_path: Path) -> None:
    adapter = FakeAdapter({**REGISTERS}, {0x21}, fails=lambda number: errno.EOPNOTSUPP if number == 1 else 0)
    poller = polled(a_map(tmp_path), adapter)
    assert (0x0B, 0x09) not in adapter.reads
    assert any("voltage (the adapter says that it cannot do this transfer)" in note for note in poller.notes)
    with pytest.raises(BusError, match="nothing can be polled"):
        polled(a_map(tmp_path), FakeAdapter(REGISTERS, {0x21}, funcs=0))


def test_an_adapter_pulled_out_is_waited_for_and_polling_goes_on(tmp_path: Path) -> None:
    gone = [False]
    adapter = FakeAdapter(REGISTERS, {0x21})
    looks = [0]

    def fails(number: int) -> int:
        gone[0] = number == 6
        return errno.ENODEV if gone[0] else 0

    def is_there() -> bool:
        looks[0] += 1
        return not gone[0] or looks[0] > 4

    adapter.fails = fails
    poller = polled(a_map(tmp_path), adapter, seconds=5, is_there=is_there)
    kinds = [one.text for one in poller.heard if isinstance(one, Event)]
    assert kinds == ["adapter gone", "adapter back"]
    assert poller.failure is None
    assert poller.counts["voltage"].good > 10
    assert sum(one.error == "adapter" for one in poller.heard if isinstance(one, Tried)) == 1


def test_an_adapter_that_does_not_come_back_ends_it(tmp_path: Path) -> None:
    adapter = FakeAdapter(REGISTERS, {0x21}, fails=lambda number: errno.ENODEV if number > 8 else 0)
    poller = polled(a_map(tmp_path), adapter, seconds=60, is_there=lambda: adapter.calls <= 8, wait_ns=3_000_000_000)
    assert "did not come back within 3 s" in str(poller.failure)
    assert adapter.closed


@pytest.mark.parametrize("funcs", [RAW | READ_BLOCK, KERNEL])
def test_an_optional_pec_is_found_out_before_the_recording(tmp_path: Path, funcs: int) -> None:
    for sends in (True, False):
        poller = polled(a_map(tmp_path, pec="optional"), FakeAdapter(REGISTERS, {0x21}, funcs=funcs, sends_pec=sends))
        word = next(one for one in poller.heard if isinstance(one, Transfer) and one.parts[0][1] == 0x09)
        assert len(word.parts[1]) == 3 + (sends and bool(funcs & RAW))
        assert poller.about["pec_sent"] == {"0x0B": sends}
        assert not [one for one in poller.heard if isinstance(one, Tried)]


def test_a_frozen_register_is_read_right_after_the_one_that_freezes_it(tmp_path: Path) -> None:
    more = "  high: {command: 0x50, transfer: word, holds: low}\n  low: {command: 0x51, transfer: word}\n"
    adapter = FakeAdapter({**REGISTERS, (0x0B, 0x50): b"\0\0", (0x0B, 0x51): b"\1\0"}, {0x21})
    polled(a_map(tmp_path, more=more), adapter, seconds=3)
    commands = [command for _, command in adapter.reads]
    assert commands.count(0x50) >= 5
    assert all(commands[at + 1] == 0x51 for at, command in enumerate(commands[:-1]) if command == 0x50)


# writes


def test_without_leave_an_indirect_register_is_skipped_and_named(tmp_path: Path) -> None:
    adapter = FakeAdapter(REGISTERS, {0x21})
    poller = polled(a_map(tmp_path, more=THROUGH), adapter)
    assert adapter.writes == []
    assert any(
        note.startswith("i2c-9: not read: hidden (its read needs a write: write word 0xA001 to command 0xC0") for note in poller.notes
    )


@pytest.mark.parametrize("funcs", [RAW | READ_BLOCK, KERNEL | 0x40_0000])
def test_with_leave_the_selector_is_written_before_each_read(tmp_path: Path, funcs: int) -> None:
    adapter = FakeAdapter(REGISTERS, {0x21}, funcs=funcs)
    poller = polled(a_map(tmp_path, more=THROUGH), adapter, allow_writes=True)
    wire = bytes.fromhex("16 C0 01 A0")
    assert set(adapter.writes) == {wire + bytes([_crc("16 C0 01 A0")])}
    assert any("will write word 0xA001 to command 0xC0 of address 0x0B" in note for note in poller.notes)
    transfers = [one for one in poller.heard if isinstance(one, Transfer)]
    at = next(at for at, one in enumerate(transfers) if one.parts[0][:2] == b"\x16\xc0")
    assert transfers[at].flags & Flag.SENT_HERE
    assert transfers[at + 1].parts[0] == b"\x16\xc1"


def test_only_a_permit_that_was_given_lets_a_selector_be_written() -> None:
    adapter = FakeAdapter(REGISTERS)
    allowed, other = Selector(0x0B, 0xC0, 1), Selector(0x0B, 0xC0, 2)
    permit = permit_writes([allowed], allowed=True)
    assert permit is not None
    assert permit_writes([allowed], allowed=False) is None
    for wrong, selector in ((WritePermit(frozenset([other])), other), (permit, other)):
        with pytest.raises(PermissionError, match="not permitted"):
            SmbusAdapter(adapter).write_selector(selector, wrong, with_pec=True)
    assert adapter.writes == []


TRANSFERS = ["send byte", "receive byte", "byte", "word", "32-bit", "64-bit", "block", "process call", "block process call", "5 bytes"]


@settings(max_examples=60, deadline=None)
@given(
    kinds=st.lists(
        st.tuples(st.sampled_from(TRANSFERS), st.sampled_from(["[read]", "[read, write]", "[write]"]), st.booleans()),
        min_size=1,
        max_size=8,
    ),
    pec=st.sampled_from(["required", "optional", "never"]),
    funcs=st.sampled_from([RAW | READ_BLOCK, RAW, KERNEL, KERNEL | 0x40_0000, I2C_BLOCK, 0x60_0000]),
    errors=st.lists(
        st.sampled_from([0, 0, 0, errno.ENXIO, errno.EIO, errno.EBADMSG, errno.ETIMEDOUT, errno.EOPNOTSUPP]), min_size=1, max_size=9
    ),
)
def test_no_map_makes_a_write_without_leave(
    tmp_path_factory: pytest.TempPathFactory, kinds: list[tuple[str, str, bool]], pec: str, funcs: int, errors: list[int]
) -> None:
    """The fake has no other writing method of smbus2 than those it counts: any other write would be an AttributeError."""
    lines = [
        "regcheck: 1",
        'device: {name: any, title: "Any (invented)", source: "none"}',
        f"smbus: {{address: 0x0B, pec: {pec}}}",
        "registers:",
    ]
    for number, (transfer, access, is_through) in enumerate(kinds):
        is_through = is_through and transfer == "word"
        command = "" if transfer == "receive byte" or is_through else f"command: 0x{number + 0x10:02X}, "
        through = f", through: {{write: 0x80, word: {number}, then: 0x{number + 0x10:02X}}}" if is_through else ""
        lines.append(f"  r{number}: {{{command}transfer: {transfer}, access: {access}{through}}}")
    path = tmp_path_factory.mktemp("maps") / "map.yaml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    try:
        register_map = load_map(path)
    except SourceError:  # a send byte that is read, and the like
        reject()
    registers: dict[tuple[int, int | None], bytes] = {(0x0B, number + 0x10): bytes(8) for number in range(8)}
    adapter = FakeAdapter({**registers, (0x0B, None): b"\1"}, funcs=funcs, fails=lambda number: errors[number % len(errors)])
    with suppress(BusError):  # nothing can be polled, or no longer
        polled(register_map, adapter, seconds=2)
    assert adapter.writes == []


# what is recorded reads back


def test_what_is_recorded_reads_back_and_is_judged(tmp_path: Path) -> None:
    register_map = a_map(tmp_path)
    adapter = FakeAdapter(
        REGISTERS, {0x21}, funcs=KERNEL, fails=lambda number: {1: errno.EBADMSG, 5: errno.ENXIO, 7: errno.ETIMEDOUT}.get(number, 0)
    )
    poller = polled(register_map, adapter)
    file = io.StringIO()
    file.write(head_line(clock="epoch", about=poller.about))
    for one in poller.heard:
        assert not hasattr(one, "extended")
        file.write(heard_line(one))
    file.write(tick_line(poller.horizon_ns))
    log = tmp_path / "bus.jsonl"
    log.write_text(file.getvalue(), encoding="utf-8")
    (batch,) = open_capture(log).batches()
    kinds = Counter(MessageKey.unpack(key).kind for key in batch.key.tolist())
    assert kinds[Kind.REFUSED] == 1
    assert batch.complained == {"bus error: timeout": 1}
    assert "ETIMEDOUT" in batch.complaints[0].text
    assert int((batch.flags & Flag.BAD_PEC != 0).sum()) == 1

    from regcheck.checks.run import check_trial
    from regcheck.checks.trial import Trial

    run = check_trial(Trial(tmp_path / "map.yaml", (log,)))
    verdicts = {finding.requirement.id: finding.verdict.value for finding in run.findings}
    assert verdicts["pec/voltage"] == "fail"
    assert verdicts["pec/name"] != "fail"
    assert verdicts["framing/bus"] == "fail"  # the address that was not acknowledged
    assert {name for name, verdict in verdicts.items() if verdict == "fail"} == {"pec/voltage", "framing/bus"}
