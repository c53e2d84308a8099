"""The text log of Linux SocketCAN: every form of line, against a plain reader of one expression a line, and against python-can."""

from __future__ import annotations

import os
import re
import time
from io import StringIO
from itertools import pairwise
from pathlib import Path

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regcheck.errors import CaptureError, EncodeError, UsageError
from regcheck.traffic.batch import NO_BYTE, Batch, Flag, Kind, MessageKey
from regcheck.traffic.can_log import CanLogWriter, frame_line
from regcheck.traffic.can_log_columns import read_common
from regcheck.traffic.frames import FD_LENGTHS, Frame
from regcheck.traffic.open import open_capture

STAMP = "(1436509052.249713) "
STAMP_NS = 1_436_509_052_249_713_000
SECOND = 10**9
GOOD = STAMP + "vcan0 123#1122\n"

Row = tuple[int, str, int, bool, Flag, bytes]


def read(tmp_path: Path, text: str | bytes, **options) -> list[Batch]:
    path = tmp_path / "can.log"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return list(open_capture(path, format="can-log", **options).batches())


def rows(batches: list[Batch]) -> list[Row]:
    found = []
    for batch in batches:
        for i in range(len(batch)):
            key = MessageKey.unpack(int(batch.key[i]))
            assert (key.kind, key.command, batch.split[i], batch.nack[i]) == (Kind.FRAME, 0, 0, NO_BYTE)
            assert batch.end[i] == batch.time[i]
            assert batch.length[i] == len(batch.message(i))
            found.append((int(batch.time[i]), batch.buses[key.bus], key.number, key.extended, Flag(int(batch.flags[i])), batch.message(i)))
    return found


def complained(batches: list[Batch]) -> dict[str, int]:
    total: dict[str, int] = {}
    for batch in batches:
        for kind, count in batch.complained.items():
            total[kind] = total.get(kind, 0) + count
    return total


EIGHT = bytes.fromhex("1122334455667788")
FD, BRS, SENT, ERROR, REMOTE = Flag.FD, Flag.RATE_SWITCH, Flag.SENT_HERE, Flag.ERROR, Flag.REMOTE
NONE = Flag(0)


@pytest.mark.parametrize(
    ("line", "bus", "number", "extended", "flags", "data"),
    [
        # the log form
        ("vcan0 12345678#1122", "vcan0", 0x12345678, True, NONE, b"\x11\x22"),
        ("vcan0 00000123#1122", "vcan0", 0x123, True, NONE, b"\x11\x22"),  # 29 bits by its eight digits, not by its size
        ("can0 123#1122334455667788", "can0", 0x123, False, NONE, EIGHT),
        ("can0 7fF#aAbB", "can0", 0x7FF, False, NONE, b"\xaa\xbb"),
        ("can0 000#", "can0", 0, False, NONE, b""),
        ("a_rather_long_1 123#11", "a_rather_long_1", 0x123, False, NONE, b"\x11"),  # 15 characters, the longest that Linux has
        ("a_rather_long_name_of_a_bus 123#11", "a_rather_long_name_of_a_bus", 0x123, False, NONE, b"\x11"),
        ("can0 123#11.22.33", "can0", 0x123, False, NONE, b"\x11\x22\x33"),
        ("can0 123#1122 R", "can0", 0x123, False, NONE, b"\x11\x22"),
        ("can0 123#1122 T", "can0", 0x123, False, SENT, b"\x11\x22"),
        ("can0 18FEF100#1122334455667788 T", "can0", 0x18FEF100, True, SENT, EIGHT),
        ("vcan0 12345678##5001122", "vcan0", 0x12345678, True, FD | BRS, b"\x00\x11\x22"),  # flags 5: BRS and FDF
        ("vcan0 123##0112233", "vcan0", 0x123, False, FD, b"\x11\x22\x33"),
        ("vcan0 123##2" + "55" * 64, "vcan0", 0x123, False, FD, b"\x55" * 64),
        ("vcan0 123##0", "vcan0", 0x123, False, FD, b""),
        ("vcan0 123##1" + "AA" * 12 + " T", "vcan0", 0x123, False, FD | BRS | SENT, b"\xaa" * 12),
        ("vcan0 123#R", "vcan0", 0x123, False, REMOTE, b""),
        ("vcan0 123#R8", "vcan0", 0x123, False, REMOTE, b""),
        ("vcan0 12345678#r5 R", "vcan0", 0x12345678, True, REMOTE, b""),
        ("vcan0 32345678#112233", "vcan0", 0x12345678, True, ERROR, b"\x11\x22\x33"),
        ("vcan0 20000080#0000000000000000", "vcan0", 0x80, True, ERROR, bytes(8)),
        # the view form
        (" vcan0  123   [8]  11 22 33 44 55 66 77 88", "vcan0", 0x123, False, NONE, EIGHT),
        (" vcan0       123   [2]  11 22", "vcan0", 0x123, False, NONE, b"\x11\x22"),
        (" vcan0  12345678   [3]  11 22 33", "vcan0", 0x12345678, True, NONE, b"\x11\x22\x33"),
        (" vcan0  00000123   [0] ", "vcan0", 0x123, True, NONE, b""),
        (" vcan0  123   [3]  11 22 33   '.\"3'", "vcan0", 0x123, False, NONE, b"\x11\x22\x33"),
        (" vcan0  123   [3]  33`22`11", "vcan0", 0x123, False, NONE, b"\x11\x22\x33"),
        (" vcan0  123   [2]  00010001 00100010", "vcan0", 0x123, False, NONE, b"\x11\x22"),
        (" vcan0  123  [08]  11 22 33 44 55 66 77 88", "vcan0", 0x123, False, FD, EIGHT),
        (" vcan0  123  [12]  11 22 33 44 55 66 77 88 11 22 33 44", "vcan0", 0x123, False, FD, EIGHT + EIGHT[:4]),
        (" vcan0  RX - -  123   [1]  11", "vcan0", 0x123, False, NONE, b"\x11"),
        (" vcan0  TX B E  123  [01]  11", "vcan0", 0x123, False, FD | BRS | SENT, b"\x11"),
        (" vcan0  314   [8]  remote request", "vcan0", 0x314, False, REMOTE, b""),
        (" vcan0  314   [0]  remote request", "vcan0", 0x314, False, REMOTE, b""),
        (" vcan0  20000088   [8]  00 00 00 00 00 00 60 00   ERRORFRAME", "vcan0", 0x88, True, ERROR, bytes([0, 0, 0, 0, 0, 0, 0x60, 0])),
        (" \x1b[31mvcan0  123   [1]  11\x1b[0m", "vcan0", 0x123, False, NONE, b"\x11"),
    ],
)
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_a_line(tmp_path, line, bus, number, extended, flags, data, ending):
    found = read(tmp_path, STAMP + line + ending)
    assert rows(found) == [(STAMP_NS, bus, number, extended, flags, data)]
    assert complained(found) == {}
    assert found[0].place.tolist() == [1]


@pytest.mark.parametrize(
    ("line", "data"),
    [
        ("can0 123#1122334455667788_C", EIGHT),
        ("can0 123#R8_F", b""),
        (" can0  123   {E}  11 22 33 44 55 66 77 88", EIGHT),
    ],
)
def test_a_classic_dlc_above_8_is_eight_bytes_and_noted(tmp_path, line, data):
    found = read(tmp_path, STAMP + line + "\n")
    assert [row[-1] for row in rows(found)] == [data]
    assert complained(found) == {"classic DLC above 8": 1}
    assert "stands for 8 bytes" in found[0].complaints[0].text


@pytest.mark.parametrize(
    ("stamp", "time_ns"),
    [
        ("1436509052.249713", STAMP_NS),
        ("1436509052.249713123", STAMP_NS + 123),
        ("1436509052", 1_436_509_052 * SECOND),
        ("0000000012.000001", 12 * SECOND + 1000),
        ("000.000000", 0),
        ("012.345678", 12_345_678_000),
        ("2015-07-10 06:17:32.249713", STAMP_NS),
        ("1970-01-01 00:00:00.000000", 0),
        ("2016-02-29 23:59:59.999999999", 1_456_790_399_999_999_999),
        ("0.0", 0),
    ],
)
@pytest.mark.parametrize("form", [" vcan0 123#1122", "  vcan0  123   [2]  11 22"])
def test_time_stamps_are_exact(tmp_path, stamp, time_ns, form):
    assert rows(read(tmp_path, f"({stamp}){form}\n"))[0][0] == time_ns


@pytest.mark.parametrize("zone", ["UTC", "Asia/Tokyo", "America/St_Johns"])
def test_the_zone_of_this_host_means_nothing(tmp_path, monkeypatch, zone):
    text = "(2015-07-10 06:17:32.249713)  vcan0  123   [2]  11 22\n"
    try:
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        assert os.environ["TZ"] == zone
        assert rows(read(tmp_path, text))[0][0] == STAMP_NS
    finally:
        monkeypatch.undo()
        time.tzset()


DELTAS = ["000.000000", "000.100000", "000.100000", "000.000250", "001.000000"]


def test_deltas_are_found_and_summed(tmp_path):
    text = "".join(f"({stamp})  can0  123   [1]  1{i}\n" for i, stamp in enumerate(DELTAS))
    sums = [0, 100_000_000, 200_000_000, 200_250_000, 1_200_250_000]
    for size in (1, 40, 1 << 20):
        found = read(tmp_path, text, chunk_size=size)
        assert [row[0] for row in rows(found)] == sums
        assert complained(found) == {}
    assert [row[0] for row in rows(read(tmp_path, text, times="delta"))] == sums
    assert complained(read(tmp_path, text, times="absolute")) == {"time goes backwards": 1}


def test_times_from_zero_are_no_deltas(tmp_path):
    text = "".join(f"({at // 1000:03d}.{at % 1000:03d}000) can0 123#11\n" for at in range(0, 3000, 250))
    assert [row[0] for row in rows(read(tmp_path, text))] == [at * 1_000_000 for at in range(0, 3000, 250)]


def test_many_frames_at_one_epoch_time_are_no_deltas(tmp_path):
    assert [row[0] for row in rows(read(tmp_path, GOOD * 9))] == [STAMP_NS] * 9


def test_lines_without_a_time_take_the_one_before_and_are_counted(tmp_path):
    found = read(tmp_path, "  vcan0  123   [2]  11 22\nvcan0 123#33\n" + GOOD + "  vcan0  123   [1]  44\n")
    assert [row[0] for row in rows(found)] == [0, 0, STAMP_NS, STAMP_NS]
    assert complained(found) == {"line without a time": 3}
    assert [complaint.place.line for complaint in found[0].complaints] == [1, 2, 4]


@pytest.mark.parametrize(
    ("line", "kind", "words"),
    [
        ("hello world", "line that is no frame", "'hello world' is no frame"),
        ("\xff\xfe", "line that is no frame", "no ASCII text"),
        (STAMP + "vcan0", "line that is no frame", "is no frame"),
        (STAMP + "vcan0 123", "line that is no frame", "is no frame"),
        (STAMP + "vcan0 123#1122 X", "line that is no frame", "is no frame"),
        (STAMP + "vcan0 123#112", "damaged frame", "no pairs of hexadecimal digits"),
        (STAMP + "vcan0 123#11G2", "damaged frame", "no pairs of hexadecimal digits"),
        (STAMP + "vcan0 1234#11", "damaged frame", "id 1234 is none"),
        (STAMP + "vcan0 800#11", "damaged frame", "id 800 is none"),
        (STAMP + "vcan0 40000000#11", "damaged frame", "id 40000000 is none"),
        (STAMP + "vcan0 123#R9", "damaged frame", "no remote frame"),
        (STAMP + "vcan0 20000080#R", "damaged frame", "no remote frame"),
        (STAMP + "vcan0 123##", "damaged frame", "no digit of FD flags"),
        (STAMP + "vcan0 123##R", "damaged frame", "no digit of FD flags"),
        (STAMP + "vcan0 123##0" + "11" * 13, "impossible length", "a CAN FD frame of 13 bytes; its lengths are"),
        (STAMP + "vcan0 123##0" + "11" * 65, "impossible length", "a CAN FD frame of 65 bytes"),
        (STAMP + "vcan0 123#" + "11" * 9, "impossible length", "a classic frame of 9 bytes; it holds at most 8"),
        (STAMP + "vcan0 123#1122_9", "impossible length", "a DLC of 9 stands beside 2 bytes"),
        (STAMP + " vcan0  123   [3]  11 22", "damaged frame", "says 3 bytes and has 2"),
        (STAMP + " vcan0  123   [1]  11 22", "damaged frame", "says 1 bytes and has 2"),
        (STAMP + " vcan0  123   [1]  11 xx", "damaged frame", "then 'xx'"),
        (STAMP + " vcan0  123  [13]  " + "11 " * 13, "impossible length", "a CAN FD frame of 13 bytes"),
        (STAMP + " vcan0  123   [9]  " + "11 " * 9, "impossible length", "a classic frame of 9 bytes"),
        ("(1436509052,249713) vcan0 123#11", "damaged frame", "its time is none"),
        ("(2015-02-30 00:00:00.0) vcan0 123#11", "damaged frame", "its time is none"),
        ("(2015-07-10 24:00:00.0) vcan0 123#11", "damaged frame", "no time of day"),
        ("(9999999999.249713) vcan0 123#11", "damaged frame", "beyond the times"),
        ("1" * 300, "line that is no frame", "is no frame"),
    ],
)
def test_a_line_that_gives_no_frame_is_told_and_the_rest_is_read(tmp_path, line, kind, words):
    found = read(tmp_path, (GOOD + line + "\n" + GOOD).encode("latin-1"))
    assert [row[-1] for row in rows(found)] == [b"\x11\x22"] * 2
    assert complained(found) == {kind: 1}
    assert words in found[0].complaints[0].text
    assert found[0].complaints[0].place.line == 2


@pytest.mark.parametrize("size", [7, 1 << 20, 1 << 24])
@pytest.mark.parametrize("length", [(1 << 20) - 50, (1 << 20) + 1, 3 << 20])
def test_an_overlong_line_is_one_complaint(tmp_path, size, length):
    if size == 7 and length > 2 << 20:
        pytest.skip("no more than the one before")
    found = read(tmp_path, GOOD + STAMP + "vcan0 123#" + "1" * length + "\n" + GOOD, chunk_size=size)
    assert len(rows(found)) == 2
    assert sum(complained(found).values()) == 1
    assert found[0].complaints[0].place.line == 2
    assert found[0].place.tolist() == [1, 3]


def test_the_last_line_without_its_end_is_read_and_told(tmp_path):
    found = read(tmp_path, GOOD + GOOD[:-3])
    assert [row[-1] for row in rows(found)] == [b"\x11\x22", b"\x11"]
    assert complained(found) == {"last line without its end": 1}
    assert found[0].complaints[0].place.line == 2


def test_blank_lines_are_nothing(tmp_path):
    found = read(tmp_path, "\n" + GOOD + "  \r\n\n" + GOOD)
    assert found[0].place.tolist() == [2, 5]
    assert complained(found) == {}


def test_a_log_without_a_frame_is_refused(tmp_path):
    with pytest.raises(CaptureError, match="none of the first lines is a CAN frame"):
        read(tmp_path, "stuff\nand nonsense\n")
    with pytest.raises(UsageError, match="times is 'zero'; expected one of absolute, delta"):
        read(tmp_path, GOOD, times="zero")


def test_several_buses_stay_apart_and_are_numbered_as_they_appear(tmp_path):
    text = STAMP + "can1 123##011\n" + STAMP + "can0 123#22\n" + STAMP + "can1 123#33\n" + STAMP + " can2  123 [1] 44\n"
    for size in (1, 1 << 20):
        found = read(tmp_path, text, chunk_size=size)
        assert found[-1].buses == ("can1", "can0", "can2")
        assert [MessageKey.unpack(int(key)).bus for batch in found for key in batch.key] == [0, 1, 0, 2]
    assert open_capture(tmp_path / "can.log").buses == ("can1", "can0", "can2")


def test_more_buses_in_a_block_than_are_read_in_columns(tmp_path):
    found = read(tmp_path, "".join(STAMP + f"can{i} 123#{i:02X}\n" for i in range(100)))
    assert found[0].buses == tuple(f"can{i}" for i in range(100))
    assert [row[1] for row in rows(found)] == [f"can{row[-1][0]}" for row in rows(found)]


def stamped(at_us: int, byte: int) -> str:
    return f"({at_us // 10**6:010d}.{at_us % 10**6:06d}) can0 123#{byte:02X}\n"


def test_frames_a_little_out_of_order_are_put_in_their_place(tmp_path):
    text = stamped(5_000_000, 0) + stamped(5_020_000, 1) + stamped(5_010_000, 2) + stamped(5_015_000, 3) + stamped(5_030_000, 4)
    for size in (1, 30, 1 << 20):
        for batch_size in (1, 2, 100):
            found = read(tmp_path, text, chunk_size=size, batch_size=batch_size)
            assert [row[-1][0] for row in rows(found)] == [0, 2, 3, 1, 4]
            assert [place for batch in found for place in batch.place.tolist()] == [1, 3, 4, 2, 5]
            assert complained(found) == {"frame out of order": 1}
            assert {batch.epoch for batch in found} == {0}
            assert found[0].begin_ns == 5 * SECOND
            assert all(earlier.end_ns == later.begin_ns for earlier, later in pairwise(found))


def test_time_that_goes_backwards_begins_a_new_epoch(tmp_path):
    found = read(tmp_path, stamped(5_000_000, 0) + stamped(6_000_000, 1) + stamped(5_989_999, 2) + stamped(7_000_000, 3))
    assert [(batch.epoch, len(batch), batch.begin_ns, batch.end_ns) for batch in found] == [
        (0, 2, 5 * SECOND, 6 * SECOND),
        (1, 2, 5_989_999_000, 7 * SECOND),
    ]
    assert complained(found) == {"time goes backwards": 1}


LINE = re.compile(rb"\((\d{10})\.(\d{6})\) (\S+) ([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(#[0-9A-Fa-f])?((?:[0-9A-Fa-f]{2})*)( [RT])?\r?")


def plain_reader(text: bytes) -> list[tuple[int, Row]]:
    """Read a log with one expression a line: the log form of data frames, nothing else; the slow reference."""
    found = []
    for number, line in enumerate(text.split(b"\n"), 1):
        match = LINE.fullmatch(line)
        if match is None:
            continue
        seconds, micros, bus, digits, fd, data, way = match.groups()
        identifier = int(digits, 16)
        extended = len(digits) == 8
        content = bytes.fromhex(data.decode())
        flags = (FD if fd else NONE) | (BRS if fd and int(fd[1:], 16) & 1 else NONE) | (SENT if way == b" T" else NONE)
        is_error = extended and 0x20000000 <= identifier < 0x40000000
        if identifier > (0x1FFFFFFF if extended else 0x7FF) and not is_error:
            continue
        if len(content) not in FD_LENGTHS or (len(content) > 8 and not fd) or not bus.isascii() or not bus.decode().isprintable():
            continue
        if is_error:
            identifier, flags = identifier & 0x1FFFFFFF, flags | ERROR
        time_ns = int(seconds) * 10**9 + int(micros) * 1000
        if time_ns >= 2**62:
            continue
        found.append((number, (time_ns, bus.decode(), identifier, extended, flags, content)))
    return found


names = st.sampled_from([b"can0", b"vcan0", b"c", b"can_of_12_bytes", b"slcan_17_letters", b"can1"])
hexes = st.integers(0, 16).flatmap(lambda n: st.text("0123456789ABCDEFabcdef", min_size=n, max_size=n)).map(str.encode)
ids = st.one_of(
    st.integers(0, 0x8FF).map(lambda n: b"%03X" % n),
    st.integers(0, 0x4FFFFFFF).map(lambda n: b"%08x" % n),
    st.integers(0, 0xFFFFFFF).map(lambda n: b"%X" % n),
)


@st.composite
def log_texts(draw: st.DrawFn) -> bytes:
    at = draw(st.sampled_from([0, 1436509052249713, 4611686018427387, 9_999_999_990_000_000]))
    lines = []
    for _ in range(draw(st.integers(0, 12))):
        at += draw(st.sampled_from([0, 1, 999, 1_000_000]))
        stamp = b"(%010d.%06d)" % (at // 10**6 % 10**10, at % 10**6)
        kind = draw(st.integers(0, 9))
        data = draw(hexes)
        if kind == 0:
            data = (
                b"#"
                + draw(st.sampled_from([b"0", b"1", b"5", b"F"]))
                + draw(st.sampled_from([b"", b"11" * 12, b"aB" * 64, b"00" * 13, b"1"]))
            )
        line = stamp + b" " + draw(names) + b" " + draw(ids) + b"#" + data + draw(st.sampled_from([b"", b"", b" R", b" T", b" Q", b"  T"]))
        if kind == 1 and line:
            where = draw(st.integers(0, len(line) - 1))
            line = line[:where] + bytes([draw(st.integers(0, 255))]) + line[where + draw(st.integers(0, 1)) :]
        lines.append(line + draw(st.sampled_from([b"\n", b"\n", b"\n", b"\r\n"])))
    return b"".join(lines)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(log_texts(), st.integers(1, 200))
def test_every_line_of_the_log_form_is_read_as_the_plain_reader_reads_it(tmp_path, text, chunk_size):
    """Times never step back here, so that no frame moves. Lines in further forms (dots between bytes, say) are read, too: not compared."""
    found = read(tmp_path, GOOD.replace("1436509052.249713", "0000000000.000000").encode() + text, chunk_size=chunk_size)
    plain = dict(plain_reader(b"\n" + text))
    places = [place for batch in found for place in batch.place.tolist()]
    ours = dict(zip(places, rows(found), strict=True))
    assert {place: row for place, row in ours.items() if place in plain} == plain
    whole = rows(read(tmp_path, GOOD.replace("1436509052.249713", "0000000000.000000").encode() + text))
    assert rows(found) == whole


@pytest.mark.parametrize("where", range(len(STAMP + "can0 18FEF100#1122")))
def test_every_byte_of_a_common_line_is_checked(where):
    """All 256 values at each place: what is taken in columns is what the plain reader takes, and means the same."""
    line = (STAMP + "can0 18FEF100#1122").encode()
    good = (STAMP + "can0 18FEF100#1122\n").encode()
    for value in set(range(256)) - {10}:
        changed = line[:where] + bytes([value]) + line[where + 1 :] + b"\n"
        common = read_common(good + changed + good).common
        assert common is not None
        plain = [row for _, row in plain_reader(changed) if not row[4] & (FD | ERROR) and "#" not in row[1]]
        assert common.line.tolist() == ([0, 1, 2] if plain else [0, 2])
        for row in plain:
            data = int(common.word[1]).to_bytes(8, "little")[: common.length[1]]
            assert row == (
                common.time[1], common.names[common.bus[1]], common.id[1], common.is_extended[1], SENT if common.is_sent[1] else NONE, data,
            )  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.booleans(), st.integers(0, 0x1FFFFFFF), st.binary(max_size=8), st.booleans(), st.booleans()), max_size=20))
def test_what_we_write_python_can_reads_alike(tmp_path, drawn):
    """The outside oracle. It does not know the FD mark of a remote frame, and takes times as floating-point seconds."""
    path = tmp_path / "ours.log"
    frames = []
    for number, (extended, identifier, data, is_remote, is_sent) in enumerate(drawn):
        flags = (REMOTE if is_remote else NONE) | (SENT if is_sent else NONE)
        frames.append(
            Frame(
                STAMP_NS + number * 1_000_000,
                identifier if extended else identifier & 0x7FF,
                b"" if is_remote else data,
                extended,
                flags,
                "can0",
            )
        )
    path.write_text("".join(map(frame_line, frames)), newline="")
    with can.LogReader(path) as reader:
        for message, frame in zip(reader, frames, strict=True):
            assert round(message.timestamp * 1e6) * 1000 == frame.time_ns
            assert (message.arbitration_id, message.is_extended_id, bytes(message.data)) == (frame.id, frame.extended, frame.data)
            assert (message.is_remote_frame, message.is_rx) == (bool(frame.flags & REMOTE), not frame.flags & SENT)
    assert rows(list(open_capture(path).batches()) if frames else []) == [
        (frame.time_ns, frame.bus, frame.id, frame.extended, frame.flags, frame.data) for frame in frames
    ]


@pytest.mark.parametrize(
    "options",
    [
        {"arbitration_id": 0x123, "is_extended_id": False, "data": EIGHT},
        {"arbitration_id": 0x18FEF100, "data": b"\x01", "is_rx": False},
        {"arbitration_id": 0x18FEF100, "data": bytes(64), "is_fd": True, "bitrate_switch": True},
        {"arbitration_id": 0x123, "is_extended_id": False, "is_remote_frame": True, "dlc": 8},
    ],
)
def test_what_python_can_writes_we_read_alike(tmp_path, options):
    path = tmp_path / "theirs.log"
    message = can.Message(timestamp=1436509052.249713, channel="can0", **options)
    with can.Logger(path) as writer:
        writer(message)
    flags = (FD if message.is_fd else NONE) | (BRS if message.bitrate_switch else NONE)
    flags |= (REMOTE if message.is_remote_frame else NONE) | (NONE if message.is_rx else SENT)
    data = b"" if message.is_remote_frame else bytes(message.data)
    found = list(open_capture(path).batches())
    assert rows(found) == [(STAMP_NS, "can0", message.arbitration_id, message.is_extended_id, flags, data)]
    assert complained(found) == {}


def test_an_error_frame_of_python_can(tmp_path):
    path = tmp_path / "theirs.log"
    with can.Logger(path) as writer:
        writer(can.Message(timestamp=1436509052.249713, channel="can0", is_error_frame=True))
    assert rows(list(open_capture(path).batches())) == [(STAMP_NS, "can0", 0x80, True, ERROR, b"")]


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (Frame(0, 0x800, bus="can0"), "id 0x800 is larger than a 11-bit id can be"),
        (Frame(0, 0x2000_0000, extended=True, bus="can0"), "larger than a 29-bit id"),
        (Frame(0, 1, bytes(9), bus="can0"), "a classic frame of 9 bytes"),
        (Frame(0, 1, bytes(13), flags=FD, bus="can0"), "a CAN FD frame of 13 bytes"),
        (Frame(0, 1, flags=FD | REMOTE, bus="can0"), "a CAN FD frame cannot be remote"),
        (Frame(0, 1), "expected a name without blanks"),
        (Frame(-1, 1, bus="can0"), "a time from 1970 on"),
    ],
)
def test_what_cannot_be_written(frame, words):
    with pytest.raises(EncodeError, match=words):
        CanLogWriter(StringIO()).write(frame)


def test_memory_stays_flat_and_odd_lines_do_not_spoil_it(tmp_path):
    """A log of 40 MB is read within 60 MB beyond what a tenth of it takes: the rest of one whole batch, and no more."""
    import tracemalloc

    peaks = []
    block = (
        "".join(f"({{second:010d}}.{i:06d}) can0 18FEF100#1122334455667788\n" for i in range(2000))
        + "({second:010d}.900000) can0 123##011\nbad\n"
    )
    for count in (40, 400):
        path = tmp_path / f"log{count}"
        with path.open("w") as file:
            for second in range(count):
                file.write(block.replace("{second:010d}", f"{second:010d}"))
        tracemalloc.start()
        found = 0
        for batch in open_capture(path).batches():
            found += len(batch)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert found == count * 2001
    assert peaks[1] < peaks[0] + 60_000_000
