"""Logs that python-can reads for us: which are handed to it, what is kept, what is said where it gives up."""

from __future__ import annotations

import gzip
import time

import can
import pytest
from can.io.player import MESSAGE_READERS

from regcheck.errors import CaptureError
from regcheck.traffic.batch import Flag, MessageKey
from regcheck.traffic.can_library import is_read_by_library
from regcheck.traffic.open import open_capture

OWN = {".csv", ".log", ".mf4"}
OTHERS = sorted(set(MESSAGE_READERS) - OWN)
TIME_NS = 1_764_028_800_250_000_000


def write(path, **options) -> None:
    with can.Logger(path) as writer:
        for number in range(3):
            writer(can.Message(timestamp=TIME_NS / 1e9 + number, arbitration_id=0x18FEF100, data=bytes([number, 2]), channel=1, **options))


@pytest.mark.parametrize("suffix", OTHERS)
def test_every_kind_that_python_can_reads_beside_ours(tmp_path, suffix):
    path = tmp_path / f"log{suffix}"
    write(path)
    capture = open_capture(path)
    (batch,) = capture.batches()
    assert capture.format == "can-library"
    assert batch.complained == {}
    assert [batch.message(i) for i in range(len(batch))] == [bytes([number, 2]) for number in range(3)]
    assert {MessageKey.unpack(int(key)).number for key in batch.key} == {0x18FEF100}
    assert {MessageKey.unpack(int(key)).extended for key in batch.key} == {True}
    assert [time_ns - int(batch.time[0]) for time_ns in batch.time.tolist()] == [0, 10**9, 2 * 10**9]
    assert batch.place.tolist() == [1, 2, 3]


@pytest.mark.parametrize("suffix", OTHERS)
def test_the_zone_of_this_host_means_nothing(tmp_path, monkeypatch, suffix):
    path = tmp_path / f"log{suffix}"
    write(path)
    times = []
    for zone in ("UTC", "Asia/Tokyo"):
        try:
            monkeypatch.setenv("TZ", zone)
            time.tzset()
            times.append([batch.time.tolist() for batch in open_capture(path).batches()])
        finally:
            monkeypatch.undo()
            time.tzset()
    assert times[0] == times[1]


@pytest.mark.parametrize("suffix", [suffix for suffix in OTHERS if suffix != ".db"])
def test_packed(tmp_path, suffix):
    path = tmp_path / f"log{suffix}"
    write(path)
    packed = tmp_path / f"log{suffix}.gz"
    packed.write_bytes(gzip.compress(path.read_bytes(), mtime=0))
    assert [batch.data.tolist() for batch in open_capture(packed).batches()] == [
        batch.data.tolist() for batch in open_capture(path).batches()
    ]


def test_marks_are_kept(tmp_path):
    path = tmp_path / "log.csv"
    write(path, is_remote_frame=True)
    (batch,) = open_capture(path).batches()
    assert set(batch.flags.tolist()) == {Flag.REMOTE}
    assert batch.length.tolist() == [0, 0, 0]


@pytest.mark.parametrize("suffix", OTHERS)
def test_a_file_of_another_kind(tmp_path, suffix):
    path = tmp_path / f"log{suffix}"
    path.write_bytes(b"\x00\x01 no log at all \xff" * 40)
    said = ""
    frames = 0
    try:
        frames = sum(map(len, open_capture(path).batches()))
    except CaptureError as error:
        said = str(error)
    assert frames == 0
    assert not said or str(path) in said


def test_a_name_that_python_can_has_no_reader_for(tmp_path):
    path = tmp_path / "log.xyz"
    path.write_bytes(b"anything")
    assert not is_read_by_library(path)
    with pytest.raises(CaptureError, match=r"no reader for a name that ends with '.xyz'.*it reads .*\.log"):
        open_capture(path, format="can-library")
