"""One suite for every capture format of CAN traffic: the same frames, whatever carries them; what a format loses stands as data."""

from __future__ import annotations

import gzip
import struct
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from io import BytesIO
from itertools import pairwise
from pathlib import Path

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regcheck.errors import CaptureError
from regcheck.traffic.batch import Batch, Flag, MessageKey
from regcheck.traffic.can_log import frame_line
from regcheck.traffic.can_pcap import CanPcapWriter, packet_of
from regcheck.traffic.frames import Frame
from regcheck.traffic.open import CAN_FORMATS, open_capture

EIGHT = bytes.fromhex("0102030405060708")
FD, BRS, SENT, ERROR, REMOTE = Flag.FD, Flag.RATE_SWITCH, Flag.SENT_HERE, Flag.ERROR, Flag.REMOTE

_CASES = (
    Frame(0, 0x123, b"\x11\x22"),
    Frame(0, 0x123, b"\x11\x22", extended=True),  # a small id of 29 bits
    Frame(0, 0x7FF, EIGHT),
    Frame(0, 0, b""),
    Frame(0, 0x1FFFFFFF, EIGHT, extended=True),
    Frame(0, 0x18FEF100, bytes(8), extended=True, bus="1"),
    Frame(0, 0x18FEF100, b"\xff" * 8, extended=True),
    Frame(0, 0x123, b"\x01", flags=SENT),
    Frame(0, 0x18FF0102, EIGHT, extended=True, flags=SENT, bus="1"),
    Frame(0, 0x123, EIGHT, flags=FD),
    Frame(0, 0x12345678, b"\x00\x11\x22", extended=True, flags=FD | BRS),
    Frame(0, 0x123, bytes(range(64)), flags=FD | BRS),
    Frame(0, 0x123, bytes(range(12)), flags=FD, bus="1"),
    Frame(0, 0x123, b"", flags=REMOTE),
    Frame(0, 0x12345678, b"", extended=True, flags=REMOTE),
    Frame(0, 0x80, bytes(8), extended=True, flags=ERROR),
    Frame(0, 0x123, b"\xa5\x5a"),
)
BEGIN_NS = 1_764_028_800_000_000_000  # 2025-11-25 00:00:00 UTC
FRAMES = [replace(case, time_ns=BEGIN_NS + number * 1_234_567_891, bus=f"can{case.bus or '0'}") for number, case in enumerate(_CASES)]


def _seconds(time_ns: int, places: int) -> str:
    return f"{time_ns // 10**9}.{time_ns % 10**9 // 10 ** (9 - places):0{places}d}"


def _log(frames: list[Frame]) -> bytes:
    return "".join(map(frame_line, frames)).encode()


def _view(frames: list[Frame], stamp: Callable[[int], str], ending: str = "\n") -> bytes:
    lines = []
    for frame in frames:
        number = f"{frame.id | 0x20000000:08X}" if frame.flags & ERROR else f"{frame.id:08X}" if frame.extended else f"     {frame.id:03X}"
        length = f"[{len(frame.data):02d}]" if frame.flags & FD else f" [{len(frame.data)}]"
        content = (
            "remote request" if frame.flags & REMOTE else frame.data.hex(" ").upper() + ("   ERRORFRAME" if frame.flags & ERROR else "")
        )
        marks = f"{'TX' if frame.flags & SENT else 'RX'} {'B' if frame.flags & BRS else '-'} -"
        lines.append(f" ({stamp(frame.time_ns)})  {frame.bus}  {marks}  {number}  {length}  {content}{ending}")
    return "".join(lines).encode()


def _date(time_ns: int) -> str:
    day, rest = divmod(time_ns - BEGIN_NS, 86_400 * 10**9)
    assert day == 0
    return (
        f"2025-11-25 {rest // 3600_000_000_000:02d}:{rest // 60_000_000_000 % 60:02d}:{rest // 10**9 % 60:02d}.{rest % 10**9 // 1000:06d}"
    )


def _csv(frames: list[Frame]) -> bytes:
    lines = ["Time [s];Channel;ID;Extended;FD;BRS;RTR;Error;Dir;DLC;Data"]
    for frame in frames:
        marks = ";".join(str(int(bool(frame.flags & flag))) for flag in (FD, BRS, REMOTE, ERROR))
        way = "Tx" if frame.flags & SENT else "Rx"
        number = f"{frame.id:X};{int(frame.extended)}"
        lines.append(f"{_seconds(frame.time_ns, 9)};{frame.bus};{number};{marks};{way};{len(frame.data)};{frame.data.hex(' ')}")
    return ("\r\n".join(lines) + "\r\n").encode()


def _csv_bytes(frames: list[Frame]) -> bytes:
    """Write a CSV with a column for each byte, ids with their mark, times in microseconds."""
    lines = ["timestamp_us,can_id,len," + ",".join(f"data{i}" for i in range(8))]
    for frame in frames:
        cells = [f"{byte:02x}" for byte in frame.data] + [""] * (8 - len(frame.data))
        lines.append(f"{frame.time_ns // 1000},0x{frame.id:0{8 if frame.extended else 3}X},{len(frame.data)},{','.join(cells)}")
    return ("\n".join(lines) + "\n").encode()


def _pcap(frames: list[Frame]) -> bytes:
    file = BytesIO()
    writer = CanPcapWriter(file)
    for frame in frames:
        writer.write(frame)
    return file.getvalue()


def _pcap_big(frames: list[Frame]) -> bytes:
    """Write big-endian, in microseconds, without padding."""
    text = struct.pack(">IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 227)
    for frame in frames:
        packet = packet_of(frame)[: 8 + len(frame.data)]
        text += struct.pack(">IIII", frame.time_ns // 10**9, frame.time_ns % 10**9 // 1000, len(packet), len(packet)) + packet
    return text


def _pcapng(frames: list[Frame]) -> bytes:
    def block(kind: int, body: bytes) -> bytes:
        body += bytes(-len(body) % 4)
        length = struct.pack("<I", len(body) + 12)
        return struct.pack("<I", kind) + length + body + length

    text = block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))
    names = list(dict.fromkeys(frame.bus for frame in frames))
    for name in names:
        options = struct.pack("<HH", 2, len(name)) + name.encode() + bytes(-len(name) % 4) + struct.pack("<HHBxxxHH", 9, 1, 9, 0, 0)
        text += block(1, struct.pack("<HHI", 227, 0, 65535) + options)
    for frame in frames:
        packet, time = packet_of(frame), frame.time_ns
        text += block(6, struct.pack("<IIIII", names.index(frame.bus), time >> 32, time & 0xFFFFFFFF, len(packet), len(packet)) + packet)
    return text


def _by_python_can(suffix: str) -> Callable[[list[Frame]], bytes]:
    def write(frames: list[Frame]) -> bytes:
        import tempfile

        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"log{suffix}"
            with can.Logger(path) as writer:
                for frame in frames:
                    writer(
                        can.Message(
                            timestamp=frame.time_ns // 1000 / 1e6,
                            arbitration_id=frame.id,
                            is_extended_id=frame.extended,
                            data=frame.data,
                            channel=int(frame.bus[3:]) if frame.bus else None,
                            is_fd=bool(frame.flags & FD),
                            bitrate_switch=bool(frame.flags & BRS),
                            is_remote_frame=bool(frame.flags & REMOTE),
                            is_rx=not frame.flags & SENT,
                        )
                    )
            return path.read_bytes()

    return write


@dataclass(frozen=True)
class Format:
    """How a format is written, what it is guessed as, and what it loses."""

    write: Callable[[list[Frame]], bytes]
    word: str
    step_ns: int = 1  # times are cut, or rounded, to this
    from_ns: int = 0  # times count from here
    lost: Flag = Flag(0)  # noqa: RUF009 (an IntFlag's member, immutable)
    without: Flag = Flag(0)  # noqa: RUF009 (frames with any of these it cannot hold)
    has_bus: bool = True
    bus_of: Callable[[str], str] = str
    name: str = "capture"
    is_text: bool = True  # a record that is cut may still be one, of fewer bytes
    longest: int = 64


FORMATS_UNDER_TEST = {
    "log": Format(_log, "can-log"),
    "log, CR LF": Format(lambda frames: _log(frames).replace(b"\n", b"\r\n"), "can-log"),
    "view": Format(lambda frames: _view(frames, lambda time: _seconds(time, 6)), "can-log", step_ns=1000),
    "view, dates": Format(lambda frames: _view(frames, _date, "\r\n"), "can-log", step_ns=1000),
    "view, nanoseconds from zero": Format(
        lambda frames: _view(frames, lambda time: _seconds(time - BEGIN_NS, 9).rjust(13, "0")), "can-log", from_ns=BEGIN_NS
    ),
    "csv": Format(_csv, "can-csv"),
    "csv, a column a byte": Format(_csv_bytes, "can-csv", step_ns=1000, lost=SENT, without=FD | REMOTE | ERROR, has_bus=False),
    "pcap": Format(_pcap, "pcap", lost=SENT, has_bus=False, is_text=False),
    "pcap, big-endian": Format(_pcap_big, "pcap", step_ns=1000, lost=SENT, has_bus=False, is_text=False),
    "pcapng": Format(_pcapng, "pcap", lost=SENT, is_text=False),
    # through python-can: floating-point times; what its own writers and readers of a kind drop beside is theirs
    "library, sqlite": Format(
        _by_python_can(".db"), "can-library", step_ns=1000, lost=FD | BRS | SENT, without=FD | ERROR, has_bus=False,
        name="capture.db", is_text=False,
    ),
    "library, csv": Format(
        _by_python_can(".csv"), "can-library", step_ns=1000, lost=SENT, without=FD | ERROR, has_bus=False, name="capture.csv",
    ),
}  # fmt: skip


def _carried(form: Format) -> list[Frame]:
    return [frame for frame in FRAMES if not frame.flags & form.without and len(frame.data) <= form.longest]


Row = tuple[int, str, int, bool, bytes, Flag]


def _expected(form: Format, frames: list[Frame] | None = None) -> list[Row]:
    rows = []
    for frame in _carried(form) if frames is None else frames:
        time = (frame.time_ns - form.from_ns) // form.step_ns * form.step_ns
        rows.append((time, form.bus_of(frame.bus) if form.has_bus else "", frame.id, frame.extended, frame.data, frame.flags & ~form.lost))
    return rows


def _rows(batches: list[Batch]) -> list[Row]:
    rows = []
    for batch in batches:
        for i in range(len(batch)):
            key = MessageKey.unpack(int(batch.key[i]))
            rows.append((int(batch.time[i]), batch.buses[key.bus], key.number, key.extended, batch.message(i), Flag(int(batch.flags[i]))))
    return rows


def _same(first: list[Batch], second: list[Batch], *, but: tuple[str, ...] = ()) -> bool:
    def whole(batch: Batch) -> list[object]:
        values = (getattr(batch, name) for name in Batch.__slots__ if name not in but)
        return [value.tolist() if hasattr(value, "tolist") else value for value in values]

    return list(map(whole, first)) == list(map(whole, second))


@pytest.fixture(params=sorted(FORMATS_UNDER_TEST))
def form(request: pytest.FixtureRequest) -> Format:
    return FORMATS_UNDER_TEST[request.param]


@pytest.fixture
def path(form: Format, tmp_path: Path) -> Path:
    path = tmp_path / form.name
    path.write_bytes(form.write(_carried(form)))
    return path


def test_every_format_is_under_test():
    assert {form.word for form in FORMATS_UNDER_TEST.values()} == set(CAN_FORMATS) - {"mdf"}, "MDF has a suite of its own: test_can_mdf.py"


def test_the_same_frames_come_out(form, path):
    capture = open_capture(path)
    batches = list(capture.batches())
    assert capture.format == form.word
    assert _rows(batches) == _expected(form)
    assert all(not batch.complained and not batch.complaints for batch in batches)
    assert capture.buses == batches[-1].buses
    assert len(capture.buses) == (2 if form.has_bus else 1)


def test_gzip_is_the_same(form, path, tmp_path):
    packed = tmp_path / f"packed{path.suffix}{'.gz' if path.suffix else ''}"
    packed.write_bytes(gzip.compress(path.read_bytes(), mtime=0))
    if path.suffix == ".db":
        with pytest.raises(CaptureError, match="packed"):
            open_capture(packed)
        return
    assert _same(list(open_capture(packed).batches()), list(open_capture(path).batches()))


@pytest.mark.parametrize("chunk_size", [1, 2, 7, 64, 1000])
def test_chunk_size_is_irrelevant(path, chunk_size):
    assert _same(list(open_capture(path, chunk_size=chunk_size).batches()), list(open_capture(path).batches()))


def test_a_second_pass_is_equal(path):
    capture = open_capture(path)
    assert _same(list(capture.batches()), list(capture.batches()))


@pytest.mark.parametrize("batch_size", [1, 3, 1000])
def test_batches_are_cut_at_their_size_and_meet(form, path, batch_size):
    batches = list(open_capture(path, source=5, batch_size=batch_size).batches())
    assert _rows(batches) == _expected(form)
    assert {batch.source for batch in batches} == {5}
    assert all(len(batch) <= batch_size for batch in batches)
    assert all(earlier.end_ns == later.begin_ns for earlier, later in pairwise(batches))
    assert all(batch.begin_ns <= batch.time[0] <= batch.end_ns for batch in batches if len(batch))


OWN = sorted(name for name, form in FORMATS_UNDER_TEST.items() if form.word != "can-library")


@pytest.mark.parametrize("name", sorted(set(FORMATS_UNDER_TEST) - set(OWN)))
def test_what_the_library_makes_of_a_cut_capture_is_no_other_error(name, tmp_path):
    """It may take what is left of a record for a whole one and say nothing: that is python-can's to tell."""
    form = FORMATS_UNDER_TEST[name]
    whole = form.write(_carried(form))
    path = tmp_path / form.name
    named = []
    for length in range(0, len(whole), max(1, len(whole) // 60)):
        path.write_bytes(whole[:length])
        try:
            assert len(_rows(list(open_capture(path).batches()))) <= len(_carried(form))
        except CaptureError as error:
            named.append(str(path) in str(error))
    assert named
    assert all(named)


@pytest.mark.parametrize("name", OWN)
def test_a_capture_cut_anywhere_gives_its_front_or_a_capture_error(name, tmp_path):
    form = FORMATS_UNDER_TEST[name]
    frames = _carried(form)[:3]
    whole = form.write(frames)
    path = tmp_path / form.name
    full = _expected(form, frames)
    seen, named = set(), []
    for length in range(0, len(whole), 1 if len(whole) < 2000 else 97):
        path.write_bytes(whole[:length])
        try:
            batches = list(open_capture(path).batches())
        except CaptureError as error:
            named.append(str(path) in str(error))
            continue
        rows = _rows(batches)
        assert len(rows) <= len(full)
        for row, right in zip(rows[:-1] if form.is_text else rows, full, strict=False):
            assert row == right
        if rows and rows != full[: len(rows)]:
            assert row_is_front(rows[-1], full[len(rows) - 1]), (length, rows[-1])
            assert any(batch.complained for batch in batches), "a record that may have been cut is told"
        seen.add(len(rows))
    assert seen >= ({1, 2} if form.is_text else {0, 1, 2})
    assert all(named)
    assert named


def row_is_front(row: Row, right: Row) -> bool:
    """All but the last byte, half of which may be gone."""
    return row[:4] == right[:4] and right[4].startswith(row[4][:-1]) and len(row[4]) <= len(right[4])


@pytest.mark.parametrize("name", OWN)
def test_a_cut_gzip_stream_is_told(name, tmp_path):
    form = FORMATS_UNDER_TEST[name]
    whole = gzip.compress(form.write(_carried(form)), mtime=0)
    path = tmp_path / form.name
    named = []
    for length in range(3, len(whole), 41):
        path.write_bytes(whole[:length])
        try:
            batches = list(open_capture(path).batches())
        except CaptureError as error:
            named.append(str(path) in str(error))
            continue
        assert sum(batch.complained.get("damaged gzip stream", 0) for batch in batches) == 1
    assert all(named)


@pytest.mark.parametrize("name", OWN)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damaged_bytes_never_raise_but_capture_errors(name, data, tmp_path):
    form = FORMATS_UNDER_TEST[name]
    whole = bytearray(form.write(_carried(form)[:6]))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(whole) - 1))
        how = data.draw(st.sampled_from(["set", "drop", "insert"]))
        if how == "set":
            whole[at] = data.draw(st.integers(0, 255))
        elif how == "drop":
            del whole[at : at + data.draw(st.integers(1, 20))]
        else:
            whole[at:at] = data.draw(st.binary(max_size=20))
    path = tmp_path / form.name
    path.write_bytes(bytes(whole))
    try:
        results = [list(open_capture(path, chunk_size=size, format=form.word).batches()) for size in (1 << 20, 13)]
    except CaptureError:
        return
    # which of two batches or epochs a complaint stands in may depend on the chunks, that it is made may not
    assert _same(results[0], results[1], but=("complaints", "complained", "complained_at"))
    first, second = (sum((Counter(batch.complained) for batch in batches), Counter()) for batches in results)
    assert first == second
