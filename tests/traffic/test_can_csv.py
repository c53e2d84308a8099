"""A CSV of CAN frames: columns found and told, ids and their marks, lengths, times; what is said where a line cannot be read."""

from __future__ import annotations

from pathlib import Path

import pytest

from regcheck.errors import CaptureError, UsageError
from regcheck.traffic.batch import Batch, Flag, MessageKey
from regcheck.traffic.can_csv import COLUMN_WORDS
from regcheck.traffic.open import open_capture


def read(tmp_path: Path, text: str, **options) -> list[Batch]:
    path = tmp_path / "frames.txt"
    path.write_bytes(text.encode())
    capture = open_capture(path, **options)
    assert capture.format == "can-csv"
    return list(capture.batches())


def one(batches: list[Batch]) -> tuple[int, str, int, bool, Flag, bytes]:
    (batch,) = batches
    assert len(batch) == 1, batch.complaints
    key = MessageKey.unpack(int(batch.key[0]))
    return int(batch.time[0]), batch.buses[key.bus], key.number, key.extended, Flag(int(batch.flags[0])), batch.message(0)


@pytest.mark.parametrize(
    ("head", "line", "frame"),
    [
        ("time_s,id,data", "0.25,123,1122", (250_000_000, "", 0x123, False, Flag(0), b"\x11\x22")),
        ("Timestamp,CAN_ID,Payload", "0.25,0x12345678,11 22", (250_000_000, "", 0x12345678, True, Flag(0), b"\x11\x22")),
        ("time,id,data", "1764028800.123456789,00000123,", (1_764_028_800_123_456_789, "", 0x123, True, Flag(0), b"")),
        ("time_ms;id;data", "1,5;7ff;0x1122", (1_500_000, "", 0x7FF, False, Flag(0), b"\x11\x22")),
        ("time [us]\tid\tdata", "15\t123\t11-22", (15_000, "", 0x123, False, Flag(0), b"\x11\x22")),
        ("time_ns,id,data", "15,123,11.22", (15, "", 0x123, False, Flag(0), b"\x11\x22")),
        ("time,id,data", "2015-07-10T06:17:32.249713Z,123,11", (1_436_509_052_249_713_000, "", 0x123, False, Flag(0), b"\x11")),
        ("time,id,ext,data", "0,123,1,11", (0, "", 0x123, True, Flag(0), b"\x11")),
        ("time,id,data", "0,123x,11", (0, "", 0x123, True, Flag(0), b"\x11")),
        ("time,id (hex),data (hex)", "0,123,11", (0, "", 0x123, False, Flag(0), b"\x11")),
        ("time,channel,id,dir,data", "0,can1,123,Tx,11", (0, "can1", 0x123, False, Flag.SENT_HERE, b"\x11")),
        ("time,id,data", "0,123," + "11" * 12, (0, "", 0x123, False, Flag.FD, b"\x11" * 12)),
        ("time,id,rtr,data", "0,123,1,11", (0, "", 0x123, False, Flag.REMOTE, b"")),
        ('"time","id","data"', '"0","123","11 22"', (0, "", 0x123, False, Flag(0), b"\x11\x22")),
        ("time,id,dlc,b0,b1,b2", "0,123,2,1,22", (0, "", 0x123, False, Flag(0), b"\x01\x22")),
        ("time,id,data[1],data[0]", "0,123,22,11", (0, "", 0x123, False, Flag(0), b"\x11\x22")),
    ],
)
def test_columns_that_are_found(tmp_path, head, line, frame):
    found = read(tmp_path, f"# a comment\n{head}\n{line}\n")
    assert one(found) == frame
    assert found[0].complained == {}
    assert found[0].place.tolist() == [3]


def test_columns_that_are_told(tmp_path):
    text = "when,what,which,where\n0.5,11 22,123,b\n"
    told = {"time": "when", "data": "what", "id": "which", "bus": "4"}
    assert one(read(tmp_path, text, columns=told)) == (500_000_000, "b", 0x123, False, Flag(0), b"\x11\x22")
    assert one(read(tmp_path, "0.5,11 22,123\n", columns={"time": "1", "data": "2", "id": "3"}))[-1] == b"\x11\x22"


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"time": "when"}, "no column 'when'; its columns are time, id, data"),
        ({"time": "4"}, "no column '4'"),
        ({"speed": "1"}, "there is no column 'speed' to tell; expected " + ", ".join(COLUMN_WORDS)),
    ],
)
def test_columns_that_are_told_and_not_there(tmp_path, told, words):
    with pytest.raises(CaptureError) as caught:
        read(tmp_path, "time,id,data\n0,123,11\n", columns=told)
    assert words in str(caught.value)
    assert "--columns time=NAME" in str(caught.value)


def test_columns_that_are_not_there(tmp_path):
    path = tmp_path / "frames"
    path.write_text("time,id,speed\n0,123,11\n")
    with pytest.raises(CaptureError, match="no column for data; its columns are time, id, speed"):
        open_capture(path, format="can-csv")
    path.write_text("0,123,11\n")
    with pytest.raises(CaptureError, match="no column for time; it has 3 columns without names"):
        open_capture(path, format="can-csv")
    path.write_text("# nothing\n")
    with pytest.raises(CaptureError, match="holds no line of frames"):
        open_capture(path, format="can-csv")


def test_columns_told_in_the_form_of_the_other_csv(tmp_path):
    path = tmp_path / "frames"
    path.write_text("time,id,data\n0,123,11\n")
    with pytest.raises(UsageError, match="by what they hold"):
        open_capture(path, columns=("time", "id", "data"))
    with pytest.raises(UsageError, match="three columns"):
        open_capture(path, format="csv", columns={"time": "1"})


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("0,123", "the line has 2 columns; expected at least 3"),
        ("x,123,11", "'x' is no decimal number"),
        ("0,12g,11", "id '12g' is no hexadecimal number"),
        ("0,1234,11", "may have 11 or 29 bits"),  # never by its size
        ("0,800,11", "id 0x800 is larger than a 11-bit id can be"),
        ("0,20000000,11", "larger than a 29-bit id"),
        ("0,123,1", "no pairs of hexadecimal digits"),
        ("0,123," + "11" * 13, "a CAN FD frame of 13 bytes"),
        ("\xff,123,11", "no text"),
    ],
)
def test_a_damaged_line_is_told_and_the_rest_is_read(tmp_path, line, words):
    path = tmp_path / "frames"
    path.write_bytes(f"time,id,data\n{line}\n0,123,11\n".encode("latin-1"))
    (batch,) = open_capture(path).batches()
    assert len(batch) == 1
    assert batch.complained == {"damaged line": 1}
    assert words in batch.complaints[0].text
    assert batch.complaints[0].place.line == 2


@pytest.mark.parametrize(("column", "cell"), [("ext", "maybe"), ("rtr", "2"), ("dlc", "two"), ("dlc", "3"), ("dir", "up")])
def test_a_cell_that_says_nothing(tmp_path, column, cell):
    (batch,) = read(tmp_path, f"time,id,{column},data\n0,123,{cell},1122\n")
    assert batch.complained == {"damaged line": 1}
    assert len(batch) == 0
