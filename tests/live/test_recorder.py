"""Files of a recording: whole lines, on the disk as they come, cut by size or time, never over what is there."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from regcheck.errors import BusError, UsageError
from regcheck.live.recorder import Recorder, Rotation
from regcheck.traffic.frames import Frame
from regcheck.traffic.heard import Event
from regcheck.traffic.open import open_capture
from regcheck.traffic.shapes import Transfer
from tests.live.fakes import FakeClock

EPOCH = 1_800_000_000_000_000_000


def transfers(count: int, at: int = 0) -> list[Transfer]:
    return [
        Transfer(EPOCH + (at + n) * 1_000_000, (b"\x16\x09", b"\x17\xa6\x0b\x2a"), EPOCH + (at + n) * 1_000_000 + 400_000)
        for n in range(count)
    ]


def total(path: Path) -> int:
    return sum(len(batch) for batch in open_capture(path).batches())


def test_rotation_by_size_numbers_the_files_and_loses_nothing(tmp_path: Path) -> None:
    clock = FakeClock()
    recorder = Recorder(tmp_path / "bus.jsonl", kind="smbus", clock=clock, rotation=Rotation(size=5000))
    recorder.begin({"anchor": {"wall_ns": 1}})
    for heap in range(20):
        recorder.write(transfers(10, heap * 10), EPOCH + (heap + 1) * 10_000_000)
        clock.wait(0.25)
    recorder.finish(EPOCH + 10**9)
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == [f"bus-{number:04d}.jsonl" for number in range(1, len(names) + 1)]
    assert len(names) >= 4
    assert sum(total(tmp_path / name) for name in names) == 200
    assert all('"anchor"' in (tmp_path / name).read_text().splitlines()[0] for name in names)
    assert recorder.bytes == sum((tmp_path / name).stat().st_size for name in names)


def test_rotation_by_time(tmp_path: Path) -> None:
    clock = FakeClock()
    recorder = Recorder(tmp_path / "bus.log", kind="can", clock=clock, rotation=Rotation(time_ns=10**9))
    recorder.begin({})
    for number in range(12):
        recorder.write([Frame(EPOCH + number, 0x123, b"\1", bus="can0")], EPOCH + number)
        clock.wait(0.25)
    recorder.close()
    assert [total(path) for path in sorted(tmp_path.iterdir())] == [4, 4, 4]


def test_what_is_there_is_not_written_over_without_force(tmp_path: Path) -> None:
    path = tmp_path / "bus.jsonl"
    path.write_text("precious")
    with pytest.raises(UsageError, match=r"bus.jsonl: is there already; name another file, or --force"):
        Recorder(path, kind="smbus", clock=FakeClock())
    (tmp_path / "bus-0002.jsonl").write_text("precious")
    with pytest.raises(UsageError, match=r"bus-0002.jsonl: is there already"):
        Recorder(path, kind="smbus", clock=FakeClock(), rotation=Rotation(size=5000))
    with pytest.raises(UsageError, match="there is no folder"):
        Recorder(tmp_path / "none" / "bus.jsonl", kind="smbus", clock=FakeClock())
    assert path.read_text() == "precious"
    recorder = Recorder(path, kind="smbus", clock=FakeClock(), force=True)
    recorder.begin({})
    recorder.finish(EPOCH)
    assert path.read_text().startswith('{"regcheck_transfers": 1')


def test_a_file_that_came_up_meanwhile_is_not_written_over(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "bus.jsonl", kind="smbus", clock=FakeClock())
    (tmp_path / "bus.jsonl").write_text("precious")
    with pytest.raises(UsageError, match="is there already"):
        recorder.begin({})
    assert (tmp_path / "bus.jsonl").read_text() == "precious"


@pytest.mark.parametrize("room", range(400, 1500, 97))
def test_a_full_disk_ends_with_a_whole_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int) -> None:
    """The disk takes ``room`` bytes: the write that does not fit is taken in part, as a real one is, the next one fails."""
    left = room
    write = os.write

    def short(descriptor: int, data: bytes) -> int:
        nonlocal left
        if not left:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        count = write(descriptor, bytes(data)[:left])
        left -= count
        return count

    monkeypatch.setattr(os, "write", short)
    path = tmp_path / "bus.jsonl"
    recorder = Recorder(path, kind="smbus", clock=FakeClock())
    recorder.begin({})

    def fill() -> None:
        for heap in range(100):
            recorder.write(transfers(3, 3 * heap), EPOCH + heap)

    with pytest.raises(BusError, match=r"bus.jsonl: the disk is full; recording has ended, what is there can be read") as caught:
        fill()
    assert caught.value.exit_code == 3
    text = path.read_text()
    assert text.endswith("\n")
    assert room - 130 < len(text) <= room
    (batch,) = open_capture(path).batches()
    assert len(batch) == text.count("parts")
    assert not batch.complaints
    recorder.finish(EPOCH)  # ended: nothing more is written
    assert path.read_text() == text


@pytest.mark.parametrize("kind", ["smbus", "can"])
def test_a_file_torn_anywhere_is_read_but_for_its_last_line(tmp_path: Path, kind: str) -> None:
    """A power cut: every prefix of the file behind its head reads cleanly, the torn line is complained of."""
    path = tmp_path / "whole"
    recorder = Recorder(path, kind=kind, clock=FakeClock())
    recorder.begin({})
    frames = [Frame(EPOCH + n * 1_000_000, 0x123, bytes(range(8)), bus="can0") for n in range(4)]
    recorder.write(transfers(4) if kind == "smbus" else frames, EPOCH + 10**8)
    recorder.close()
    data = path.read_bytes()
    lines = data.splitlines(keepends=True)
    for cut in range(len(lines[0]) + len(lines[1]) + 1, len(data) + 1):
        torn = tmp_path / "torn"
        torn.write_bytes(data[:cut])
        (batch,) = open_capture(torn).batches()
        whole = data[:cut].count(b"\n") - (kind == "smbus")
        assert len(batch) in (whole, whole + 1)
        if data[cut - 1 : cut] != b"\n" and len(batch) == whole:
            assert sum(batch.complained.values()) >= 1


def test_silence_is_written_down_each_second_and_events_only_where_there_is_a_line_for_them(tmp_path: Path) -> None:
    clock = FakeClock()
    recorder = Recorder(tmp_path / "bus.jsonl", kind="smbus", clock=clock)
    recorder.begin({})
    for number in range(1, 13):
        recorder.write([], EPOCH + number * 250_000_000)
    recorder.write([Event(EPOCH + 4 * 10**9, "adapter gone")], EPOCH + 4 * 10**9)
    recorder.finish(EPOCH + 5 * 10**9)
    (batch,) = open_capture(tmp_path / "bus.jsonl").batches()
    assert batch.end_ns == EPOCH + 5 * 10**9
    assert batch.complained == {"bus event: adapter gone": 1}
    log = Recorder(tmp_path / "bus.log", kind="can", clock=clock)
    log.begin({})
    log.write([Event(EPOCH, "interface down"), Frame(EPOCH, 1, b"\1", bus="can0")], EPOCH)
    log.close()
    assert (tmp_path / "bus.log").read_text() == "(1800000000.000000) can0 001#01\n"
