"""One suite for every capture format of SMBus traffic: the same traffic, whatever carries it; what a format loses stands as data."""

from __future__ import annotations

import gzip
import struct
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from io import StringIO
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regcheck.errors import CaptureError
from regcheck.traffic.batch import NO_BYTE, Batch, Flag, Kind, MessageKey
from regcheck.traffic.open import SMBUS_FORMATS, open_capture
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.transfer_log import TransferLogWriter
from regcheck.traffic.vcd_writer import vcd_text, wire_end_ns


@dataclass(frozen=True)
class Case:
    """A transfer as it is on the wires, and the key that it must come out with."""

    parts: str  # hexadecimal, a start each, apart by " / "
    kind: Kind
    number: int
    command: int = 0
    nack: int | None = None  # as in Transfer
    flags: Flag = Flag(0)  # noqa: RUF009 (an IntFlag's member, immutable)


CASES = (
    # SMBus transactions with their PEC, computed from the definition (CRC-8, polynomial 0x07; SMBus 3.1, clause 6.4)
    Case("16 01 2E", Kind.WRITE, 0x0B, 0x01),  # send byte
    Case("17 5A BD", Kind.RECEIVE, 0x0B),  # receive byte
    Case("16 10 55 24", Kind.WRITE, 0x0B, 0x10),  # write byte
    Case("16 0C / 17 05 CE", Kind.READ, 0x0B, 0x0C),  # read byte
    Case("16 09 / 17 D0 39 7E", Kind.READ, 0x0B, 0x09),  # read word
    Case("16 44 34 12 / 17 78 56 44", Kind.READ, 0x0B, 0x44),  # process call
    Case("16 22 / 17 04 4C 49 4F 4E 31", Kind.READ, 0x0B, 0x22),  # block read
    Case("16 23 02 AA 55 6D", Kind.WRITE, 0x0B, 0x23),  # block write
    Case("16 45 02 01 02 / 17 03 0A 0B 0C DB", Kind.READ, 0x0B, 0x45),  # block write, block read process call
    Case("19 16 88", Kind.RECEIVE, 0x0C),  # alert response
    Case("16", Kind.QUICK, 0x0B, 0),
    Case("17", Kind.QUICK, 0x0B, 1),
    # published vectors: smbus-pec-rs and Zephyr's smbus_pec test
    Case("B4 06 / B5 26 3A 66", Kind.READ, 0x5A, 0x06),
    Case("14 10 / 15 05 0A CF", Kind.READ, 0x0A, 0x10),
    Case("84 73 04 DE AD BE EF 12", Kind.WRITE, 0x42, 0x73),
    # what goes wrong
    Case("16", Kind.REFUSED, 0x0B, 0, nack=0),
    Case("17", Kind.REFUSED, 0x0B, 1, nack=0),
    Case("16 09 / 17", Kind.READ, 0x0B, 0x09, nack=2),  # the second address byte refused
    Case("16 10 55 24", Kind.WRITE, 0x0B, 0x10, nack=3),  # a wrong PEC refused by the device
    Case("16 09 / 17 D0 39", Kind.READ, 0x0B, 0x09, nack=NO_BYTE),  # the host acknowledges the last byte
    Case("16 09 / 17 D0 39", Kind.READ, 0x0B, 0x09, nack=NO_BYTE, flags=Flag.NO_STOP),
    Case("16 09 / 19 D0 39", Kind.STRAY, 0x0B),  # a repeated start to another device
    Case("17 D0 39 / 16 09", Kind.STRAY, 0x0B),  # read, then write
    Case("16 09 / 17 D0 39 / 17 D0 39", Kind.STRAY, 0x0B),  # more than one repeated start
    Case("F2 34 09 11", Kind.WRITE, 0x400 + 0x134, 0x09),  # 10-bit address (UM10204, clause 3.1.11)
    Case("F2 34 09 / F3 11 22", Kind.READ, 0x400 + 0x134, 0x09),
    Case("16 FF FF 00 00 A5 5A", Kind.WRITE, 0x0B, 0xFF),
)


def _traffic(cases: tuple[Case, ...]) -> list[Transfer]:
    transfers = []
    at = 1_000_000_007
    for case in cases:
        transfer = Transfer(at, tuple(bytes.fromhex(part) for part in case.parts.split("/")), nack=case.nack, flags=case.flags)
        transfers.append(replace(transfer, end_ns=wire_end_ns(transfer)))
        at = wire_end_ns(transfer) + 40_000_000
    return transfers


def _vcd(transfers: list[Transfer]) -> bytes:
    return "".join(vcd_text(transfers)).encode()


def _csv(transfers: list[Transfer]) -> bytes:
    """Turn the dump into a line a time, with a plain loop over its own simple lines."""
    lines = ["time_s,scl,sda"]
    level = {"!": "1", '"': "1"}
    time = 0
    for line in _vcd(transfers).decode().split("$enddefinitions $end\n")[1].splitlines():
        if line.startswith("#"):
            lines.append(f"{time // 10**9}.{time % 10**9:09d},{level['!']},{level[chr(34)]}")
            time = int(line[1:])
        elif line[0] in "01":
            level[line[1]] = line[0]
    lines.append(f"{time // 10**9}.{time % 10**9:09d},{level['!']},{level[chr(34)]}")
    return ("\n".join(lines) + "\n").encode()


def _log(transfers: list[Transfer]) -> bytes:
    file = StringIO()
    writer = TransferLogWriter(file, clock="capture")
    for transfer in transfers:
        writer.write(transfer)
    writer.tick(transfers[-1].end_ns or 0)
    return file.getvalue().encode()


def _messages(transfers: list[Transfer]) -> list[tuple[int, bytes]]:
    """Return the packets of LINKTYPE_I2C_LINUX: bus 1, big-endian flags, the address byte with its low bit left clear."""
    found = []
    for transfer in transfers:
        for number, part in enumerate(transfer.parts):
            time = transfer.time_ns if number == 0 else transfer.end_ns
            assert time is not None
            found.append((time, struct.pack(">BI", 1, part[0] & 1) + bytes((part[0] & 0xFE,)) + part[1:]))
    return found


def _pcap(transfers: list[Transfer], order: str) -> bytes:
    packets = [struct.pack(order + "IIII", time // 10**9, time % 10**9, len(data), len(data)) + data for time, data in _messages(transfers)]
    return struct.pack(order + "IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 65535, 209) + b"".join(packets)


def _pcapng(transfers: list[Transfer], order: str) -> bytes:
    def block(kind: int, body: bytes) -> bytes:
        body += bytes(-len(body) % 4)
        length = struct.pack(order + "I", len(body) + 12)
        return struct.pack(order + "I", kind) + length + body + length

    text = block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1))
    text += block(1, struct.pack(order + "HHI", 209, 0, 65535) + struct.pack(order + "HHBxxxHH", 9, 1, 9, 0, 0))
    for time, data in _messages(transfers):
        text += block(6, struct.pack(order + "IIIII", 0, time >> 32, time & 0xFFFFFFFF, len(data), len(data)) + data)
    return text


@dataclass(frozen=True)
class Format:
    """How a format is written, what it is guessed as, and whether it has stops and acknowledge bits."""

    write: Callable[[list[Transfer]], bytes]
    word: str
    has_acknowledge: bool = True  # and stops: without, only transfers that went the ordinary way can be told, joined by the reader
    bus: str = ""


FORMATS_UNDER_TEST = {
    "vcd": Format(_vcd, "vcd"),
    "csv": Format(_csv, "csv"),
    "transfers": Format(_log, "transfers"),
    "pcap little": Format(lambda transfers: _pcap(transfers, "<"), "pcap", has_acknowledge=False, bus="i2c-1"),
    "pcap big": Format(lambda transfers: _pcap(transfers, ">"), "pcap", has_acknowledge=False, bus="i2c-1"),
    "pcapng little": Format(lambda transfers: _pcapng(transfers, "<"), "pcap", has_acknowledge=False, bus="i2c-1"),
    "pcapng big": Format(lambda transfers: _pcapng(transfers, ">"), "pcap", has_acknowledge=False, bus="i2c-1"),
}


def _carried(form: Format) -> tuple[Case, ...]:
    if form.has_acknowledge:
        return CASES
    return tuple(case for case in CASES if case.nack is None and not case.flags and case.kind is not Kind.STRAY)


Row = tuple[int, int, MessageKey, bytes, int, int, Flag]


def _expected(form: Format) -> list[Row]:
    rows = []
    for case, transfer in zip(_carried(form), _traffic(_carried(form)), strict=True):
        data = b"".join(transfer.parts)
        reads = [i for i, part in enumerate(transfer.parts) if part[0] & 1 and len(part) > 1]
        ordinary = sum(map(len, transfer.parts[: reads[0] + 1])) - 1 if reads else NO_BYTE
        nack = ordinary if case.nack is None else case.nack
        split = len(transfer.parts[0]) if len(transfer.parts) > 1 else 0
        flags, end = case.flags, transfer.end_ns or 0
        if not form.has_acknowledge:
            flags, end = (Flag.COMBINED, end) if split else (flags, transfer.time_ns)
        rows.append((transfer.time_ns, end, MessageKey(case.kind, case.number, case.command), data, split, nack, flags))
    return rows


def _rows(batches: list[Batch]) -> list[Row]:
    return [
        (
            int(batch.time[i]),
            int(batch.end[i]),
            MessageKey.unpack(int(batch.key[i])),
            batch.message(i),
            int(batch.split[i]),
            int(batch.nack[i]),
            Flag(int(batch.flags[i])),
        )
        for batch in batches
        for i in range(len(batch))
    ]


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
    path = tmp_path / "capture"
    path.write_bytes(form.write(_traffic(_carried(form))))
    return path


def test_every_format_is_under_test():
    assert {form.word for form in FORMATS_UNDER_TEST.values()} == set(SMBUS_FORMATS)


def test_the_same_transfers_come_out(form, path):
    capture = open_capture(path)
    batches = list(capture.batches())
    assert capture.format == form.word
    assert _rows(batches) == _expected(form)
    assert all(not batch.complained and not batch.complaints for batch in batches)
    assert capture.buses == batches[-1].buses == (form.bus,)


def test_gzip_is_the_same(path, tmp_path):
    packed = tmp_path / "packed"
    packed.write_bytes(gzip.compress(path.read_bytes(), mtime=0))
    assert _same(list(open_capture(packed).batches()), list(open_capture(path).batches()))


@pytest.mark.parametrize("chunk_size", [1, 7, 1000])
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


@pytest.mark.parametrize("name", sorted(FORMATS_UNDER_TEST))
def test_a_capture_cut_anywhere_gives_its_front_or_a_capture_error(name, tmp_path):
    form = FORMATS_UNDER_TEST[name]
    whole = form.write(_traffic((CASES[10], CASES[0])))
    path = tmp_path / "cut"
    path.write_bytes(whole)
    full = _rows(list(open_capture(path).batches()))
    seen, named = set(), []
    for length in range(len(whole)):
        path.write_bytes(whole[:length])
        try:
            rows = _rows(list(open_capture(path).batches()))
        except CaptureError as error:
            named.append(str(path) in str(error))
            continue
        assert len(rows) <= len(full)
        for row, right in zip(rows, full, strict=False):
            assert row[0] == right[0]
            assert right[3].startswith(row[3]), (length, row)
        assert rows[:-1] == full[: len(rows[:-1])] or not rows
        seen.add(len(rows))
    assert seen >= {0, 1}
    assert all(named)
    assert named


@pytest.mark.parametrize("name", sorted(FORMATS_UNDER_TEST))
@pytest.mark.parametrize("step", [5, 41])
def test_a_cut_gzip_stream_is_told(name, step, tmp_path):
    form = FORMATS_UNDER_TEST[name]
    whole = gzip.compress(form.write(_traffic((CASES[10], CASES[0]))), mtime=0)
    path = tmp_path / "cut"
    named = []
    for length in range(3, len(whole), step):
        path.write_bytes(whole[:length])
        try:
            batches = list(open_capture(path).batches())
        except CaptureError as error:
            named.append(str(path) in str(error))
            continue
        assert sum(batch.complained.get("damaged gzip stream", 0) for batch in batches) == 1
    assert all(named)


@pytest.mark.parametrize("name", sorted(FORMATS_UNDER_TEST))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damaged_bytes_never_raise_but_capture_errors(name, data, tmp_path):
    form = FORMATS_UNDER_TEST[name]
    whole = bytearray(form.write(_traffic((CASES[3], CASES[0]))))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(whole) - 1))
        how = data.draw(st.sampled_from(["set", "drop", "insert"]))
        if how == "set":
            whole[at] = data.draw(st.integers(0, 255))
        elif how == "drop":
            del whole[at : at + data.draw(st.integers(1, 20))]
        else:
            whole[at:at] = data.draw(st.binary(max_size=20))
    path = tmp_path / "damaged"
    path.write_bytes(bytes(whole))
    try:
        results = [list(open_capture(path, chunk_size=size).batches()) for size in (1 << 20, 13)]
    except CaptureError:
        return
    # which of two batches or epochs a complaint stands in may depend on the chunks, that it is made may not
    assert _same(results[0], results[1], but=("complaints", "complained", "complained_at"))
    first, second = (sum((Counter(batch.complained) for batch in batches), Counter()) for batches in results)
    assert first == second
