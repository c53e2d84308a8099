"""Opens a capture of any kind: what a file is shows in its first bytes, never in its name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol, cast, runtime_checkable

from regcheck.errors import CaptureError, Place, UsageError
from regcheck.traffic.batch import Batch
from regcheck.traffic.build import BATCH_SIZE
from regcheck.traffic.can_csv import CanCsvReader, looks_like_frames
from regcheck.traffic.can_library import LibraryReader, is_library_csv, is_read_by_library
from regcheck.traffic.can_log import CanLogReader, head_frames
from regcheck.traffic.can_mdf import MAGIC, MdfReader
from regcheck.traffic.can_pcap import CanPacketReader
from regcheck.traffic.i2c_linux import I2cPacketReader
from regcheck.traffic.levels_csv import LevelsCsvReader
from regcheck.traffic.pcap import LINKTYPE_CAN_SOCKETCAN, PCAP_MAGICS, PCAPNG_MAGIC, packets
from regcheck.traffic.segments import WHOLE, Segment
from regcheck.traffic.source import Source
from regcheck.traffic.stream import CHUNK, file_sha256, is_packed
from regcheck.traffic.transfer_log import TransferLogReader
from regcheck.traffic.vcd import VcdReader
from regcheck.traffic.wires import SPIKE_NS

SMBUS_FORMATS = {
    "vcd": "VCD of clock and data",
    "csv": "CSV of levels (time_s, scl, sda)",
    "transfers": "transfer log (JSON Lines)",
    "pcap": "pcap or pcapng of I2C messages or CAN frames",
}
CAN_FORMATS = {
    "can-log": "SocketCAN text log",
    "pcap": SMBUS_FORMATS["pcap"],
    "can-csv": "CSV of CAN frames (time_s, id, data)",
    "mdf": "ASAM MDF 4 bus logging",
    "can-library": "any other CAN log that python-can reads, by the ending of its name",
}
FORMATS = SMBUS_FORMATS | CAN_FORMATS
"""Names of the formats, as ``format`` takes them, and what they are."""

BY_OFFSET = frozenset({"vcd", "pcap"})
"""Formats whose places are byte offsets; those of the others are lines."""

_HEAD = 1 << 16


class Reader(Protocol):
    """What reads one file: the same batches each time that it is asked."""

    def batches(self) -> Iterator[Batch]:
        """Yield the batches, from the start."""


@runtime_checkable
class SplitReader(Protocol):
    """A reader of a file that can be cut into stretches."""

    @property
    def source(self) -> Source:
        """What it reads."""

    def batches(self) -> Iterator[Batch]:
        """Yield the batches of its stretch."""

    def segments(self, parts: int) -> Iterator[Segment]:
        """Yield stretches of the whole file that can be read apart, at most ``parts``."""


@dataclass(frozen=True, slots=True)
class Capture:
    """An opened capture: ``batches`` may be called any number of times and gives the same each time; no file stays open in between."""

    path: Path
    format: str
    reader: Reader

    @property
    def buses(self) -> tuple[str, ...]:
        """Names of the buses in order of appearance, ("",) for one without a name: read through the capture for it."""
        buses: tuple[str, ...] = ("",)
        for batch in self.batches():
            buses = batch.buses
        return buses

    @property
    def by_line(self) -> bool:
        """Whether places count lines; else they are byte offsets."""
        return self.format not in BY_OFFSET

    def batches(self) -> Iterator[Batch]:
        """Yield the capture from its start, in batches; at least one, unless nothing at all is recorded."""
        return self.reader.batches()

    def segments(self, parts: int) -> Iterator[Capture]:
        """Yield the capture in at most ``parts`` stretches that can be read apart, in order; itself where it cannot be cut."""
        if parts < 2 or not isinstance(self.reader, SplitReader) or self.why_whole:
            yield self
            return
        for segment in self.reader.segments(parts):
            yield self.part(segment)

    @property
    def why_whole(self) -> str:
        """Why the capture cannot be read in stretches; "" where it can."""
        if is_packed(self.path):
            return "a packed file can only be read from its start"
        return "" if isinstance(self.reader, SplitReader) else f"a capture of format {self.format} is not cut"

    @property
    def segment(self) -> Segment:
        """The stretch of the file that this is."""
        return self.reader.source.segment if isinstance(self.reader, SplitReader) else WHOLE

    def part(self, segment: Segment) -> Capture:
        """Return a stretch of the capture."""
        if segment == self.segment:
            return self
        if not isinstance(self.reader, SplitReader):
            raise TypeError(f"a capture of format {self.format} is read whole")
        return replace(self, reader=replace(cast(Any, self.reader), source=replace(self.reader.source, segment=segment)))

    def sha256(self) -> str:
        """Return the SHA-256 of the file as it stands on the disk, packed or not."""
        return file_sha256(self.path)


def open_capture(
    path: str | Path,
    *,
    source: int = 0,
    format: str | None = None,
    signals: tuple[str, str] | None = None,
    columns: tuple[str, str, str] | Mapping[str, str] | None = None,
    times: str | None = None,
    pull_up: bool = True,
    spike_ns: int = SPIKE_NS,
    batch_size: int = BATCH_SIZE,
    chunk_size: int = CHUNK,
) -> Capture:
    """Open a capture, plain or gzip.

    ``source`` is its number among the captures of a check. ``format`` is a key of ``FORMATS``, None to look. ``signals`` names SCL and
    SDA of a VCD, ``columns`` time, SCL and SDA of a CSV (by name, or number from 1), or, as a mapping with keys of
    ``can_csv.COLUMN_WORDS``, those of a CSV of CAN frames. ``times`` is "delta" where each time of a text log counts from the line
    before, "absolute" where not, None to look. ``pull_up``: a level z reads as high, else it is
    unknown. Pulses shorter than ``spike_ns`` are passed over.
    CaptureError: not there, empty, of no kind that is read here, or its head is damaged.
    UsageError: ``format`` is none, or ``batch_size`` or ``chunk_size`` is not positive.
    """
    if batch_size < 1 or chunk_size < 1:
        raise UsageError("batch_size and chunk_size must be positive")
    if format is not None and format not in FORMATS:
        raise UsageError(f"there is no capture format {format!r}; expected one of {', '.join(FORMATS)}")
    origin = Source(Path(path), source, batch_size, chunk_size)
    head = _head(origin)
    kind = format or ("can-csv" if isinstance(columns, Mapping) else guess_format(head, origin.file))
    reader: Reader
    if kind == "vcd":
        reader = VcdReader.open(origin, signals, pull_up=pull_up, spike_ns=spike_ns)
    elif kind == "csv":
        if isinstance(columns, Mapping):
            raise UsageError("a CSV of levels takes three columns: time, SCL and SDA")
        reader = LevelsCsvReader.open(origin, columns, pull_up=pull_up, spike_ns=spike_ns)
    elif kind == "can-csv":
        if columns is not None and not isinstance(columns, Mapping):
            raise UsageError("a CSV of CAN frames takes its columns by what they hold, such as time=NAME")
        reader = CanCsvReader.open(origin, columns)
    elif kind == "can-log":
        reader = CanLogReader.open(origin, times)
    elif kind == "mdf":
        reader = MdfReader.open(origin)
    elif kind == "can-library":
        reader = LibraryReader.open(origin)
    elif kind == "transfers":
        reader = TransferLogReader.open(origin)
    else:
        first = next(packets(origin.stream(), lambda *_: None), None)
        is_can = first is not None and first.link_type == LINKTYPE_CAN_SOCKETCAN
        reader = CanPacketReader.open(origin) if is_can else I2cPacketReader.open(origin)
    return Capture(origin.path, kind, reader)


def _head(origin: Source) -> bytes:
    head = b""
    stream = origin.stream()
    for chunk in stream:
        head += chunk
        if len(head) >= _HEAD:
            return head[:_HEAD]
    if not head:
        text = f"nothing can be unpacked: {stream.damage}" if stream.damage else "is empty"
        raise CaptureError(Place(origin.file), text, "record it anew")
    return head


def guess_format(head: bytes, file: str) -> str:
    """Return the key of ``FORMATS`` that the first bytes of a file speak for; CaptureError: none."""
    if head[:4] in PCAP_MAGICS or head[:4] == PCAPNG_MAGIC:
        return "pcap"
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(b"$") and text[1:2].isalpha():
        return "vcd"
    if text.startswith(b"{"):
        return "transfers"
    if head.startswith(MAGIC):
        return "mdf"
    if head_frames(text):
        return "can-log"
    table = _table_line(text)
    if table and looks_like_frames(table):
        return "can-library" if is_library_csv(table) else "can-csv"
    if is_read_by_library(Path(file)):
        return "can-library"
    if table:
        return "csv"
    found = "only blanks" if not text else f"it begins with {text[:24].decode('ascii', 'backslashreplace')!r}"
    raise CaptureError(
        Place(file), f"is no capture that can be read here: {found}", f"read are: {'; '.join(FORMATS.values())}; plain or gzip"
    )


def _table_line(text: bytes) -> str:
    """Return the first line that is no comment where it is text in three columns or more, else ""."""
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith(b"#")]
    if not lines or b"\0" in text:
        return ""
    try:
        line = lines[0].decode("utf-8")
    except UnicodeDecodeError:
        return ""
    is_table = max(line.count(mark) for mark in ",;\t") >= 2 and line.replace("\t", " ").isprintable()
    return line if is_table else ""
