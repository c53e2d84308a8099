"""ASAM MDF 4 bus logging: skipped where asammdf is not installed; what is said then is tested everywhere."""

from __future__ import annotations

import gc
import gzip
import sys
from pathlib import Path
from typing import Any

import can
import pytest

from regcheck.errors import CaptureError
from regcheck.traffic.batch import Batch, Flag, MessageKey
from regcheck.traffic.open import open_capture

START_NS = 1_764_028_800_000_000_000


def test_what_is_said_where_asammdf_is_missing(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "asammdf", None)
    path = tmp_path / "log.bin"
    path.write_bytes(b"MDF     4.10    " + bytes(200))
    with pytest.raises(CaptureError, match=r"needs asammdf, which is not installed \(install the extra: pip install 'regcheck\[mdf\]'\)"):
        open_capture(path)


MESSAGES: list[dict[str, Any]] = [
    {"arbitration_id": 0x123, "is_extended_id": False, "data": b"\x11\x22", "channel": 1},
    {"arbitration_id": 0x123, "data": bytes(8), "channel": 2, "is_rx": False},
    {"arbitration_id": 0x18FEF100, "data": bytes(range(64)), "is_fd": True, "bitrate_switch": True, "channel": 1},
    {"arbitration_id": 0x18FEF100, "is_remote_frame": True, "dlc": 8, "channel": 1},
    {"arbitration_id": 0x80, "is_error_frame": True, "data": bytes(8), "channel": 1},
    {"arbitration_id": 0x124, "is_extended_id": False, "data": b"", "channel": 1},
]
EXPECTED = [
    ("1", 0x123, False, b"\x11\x22", Flag(0)),
    ("2", 0x123, True, bytes(8), Flag.SENT_HERE),
    ("1", 0x18FEF100, True, bytes(range(64)), Flag.FD | Flag.RATE_SWITCH),
    ("1", 0x18FEF100, True, b"", Flag.REMOTE),
    ("1", 0x80, True, bytes(8), Flag.ERROR),
    ("1", 0x124, False, b"", Flag(0)),
]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Write a log with python-can, whose groups are one for each kind of frame."""
    pytest.importorskip("asammdf")
    path = tmp_path / "log.mf4"
    with can.Logger(path) as writer:
        for number, options in enumerate(MESSAGES):
            writer(can.Message(timestamp=START_NS / 1e9 + number * 0.25, **options))
    return path.rename(tmp_path / "a name that says nothing")


def rows(batches: list[Batch]) -> list[tuple[str, int, bool, bytes, Flag]]:
    found = []
    for batch in batches:
        for i in range(len(batch)):
            key = MessageKey.unpack(int(batch.key[i]))
            found.append((batch.buses[key.bus], key.number, key.extended, batch.message(i), Flag(int(batch.flags[i]))))
    return found


def test_frames_of_every_kind_in_order_of_time(path):
    capture = open_capture(path)
    batches = list(capture.batches())
    assert capture.format == "mdf"
    assert rows(batches) == EXPECTED
    times = [time for batch in batches for time in batch.time.tolist()]
    assert [time - times[0] for time in times] == [number * 250_000_000 for number in range(len(MESSAGES))]
    assert abs(times[0] - START_NS) < 1_000_000_000, "python-can writes the file's start to the second or better"
    assert capture.buses == ("1", "2")
    assert all(not batch.complained for batch in batches)
    assert rows(list(capture.batches())) == EXPECTED


def test_packed(path):
    packed = path.with_name("packed")
    packed.write_bytes(gzip.compress(path.read_bytes(), mtime=0))
    assert rows(list(open_capture(packed).batches())) == EXPECTED


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # asammdf's own destructor, on a file it refused
def test_cut_anywhere_it_is_read_in_part_or_refused(path):
    whole = path.read_bytes()
    named = []
    for length in range(64, len(whole), 211):
        path.write_bytes(whole[:length])
        try:
            assert len(rows(list(open_capture(path).batches()))) <= len(EXPECTED)
        except CaptureError as error:
            named.append(path.name in str(error))
    gc.collect()  # what asammdf's destructor says belongs to this test
    assert named
    assert all(named)


def test_a_file_without_bus_logging(tmp_path):
    asammdf = pytest.importorskip("asammdf")
    import numpy as np

    path = tmp_path / "other.mf4"
    with asammdf.MDF(version="4.10") as mdf:
        mdf.append(asammdf.Signal(samples=np.arange(3), timestamps=np.arange(3) / 10, name="voltage"))
        mdf.save(path)
    with pytest.raises(CaptureError, match="holds no CAN bus logging"):
        open_capture(path)
