"""Opens a capture of any kind: what a file is shows in its first bytes, never in its name."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from regcheck.errors import CaptureError, Place, UsageError
from regcheck.traffic.batch import Batch
from regcheck.traffic.build import BATCH_SIZE
from regcheck.traffic.i2c_linux import I2cPacketReader
from regcheck.traffic.levels_csv import LevelsCsvReader
from regcheck.traffic.pcap import PCAP_MAGICS, PCAPNG_MAGIC
from regcheck.traffic.source import Source
from regcheck.traffic.stream import CHUNK, file_sha256
from regcheck.traffic.transfer_log import TransferLogReader
from regcheck.traffic.vcd import VcdReader
from regcheck.traffic.wires import SPIKE_NS

FORMATS = {
    "vcd": "VCD of clock and data",
    "csv": "CSV of levels (time_s, scl, sda)",
    "transfers": "transfer log (JSON Lines)",
    "pcap": "pcap or pcapng of I2C messages",
}
"""Names of the formats, as ``format`` takes them, and what they are."""

_HEAD = 1 << 16


class Reader(Protocol):
    """What reads one file: the same batches each time that it is asked."""

    @property
    def buses(self) -> tuple[str, ...]:
        """Names of the buses; the place is the number in ``MessageKey.bus``."""

    def batches(self) -> Iterator[Batch]:
        """Yield the batches, from the start."""


@dataclass(frozen=True, slots=True)
class Capture:
    """An opened capture: ``batches`` may be called any number of times and gives the same each time; no file stays open in between."""

    path: Path
    format: str
    reader: Reader

    @property
    def buses(self) -> tuple[str, ...]:
        """Names of the buses, ("",) for one without a name; transfer logs and packet captures are read through for it."""
        return self.reader.buses

    def batches(self) -> Iterator[Batch]:
        """Yield the capture from its start, in batches; at least one, unless nothing at all is recorded."""
        return self.reader.batches()

    def sha256(self) -> str:
        """Return the SHA-256 of the file as it stands on the disk, packed or not."""
        return file_sha256(self.path)


def open_capture(
    path: str | Path,
    *,
    source: int = 0,
    format: str | None = None,
    signals: tuple[str, str] | None = None,
    columns: tuple[str, str, str] | None = None,
    pull_up: bool = True,
    spike_ns: int = SPIKE_NS,
    batch_size: int = BATCH_SIZE,
    chunk_size: int = CHUNK,
) -> Capture:
    """Open a capture, plain or gzip.

    ``source`` is its number among the captures of a check. ``format`` is a key of ``FORMATS``, None to look. ``signals`` names SCL and
    SDA of a VCD, ``columns`` time, SCL and SDA of a CSV (by name, or number from 1). ``pull_up``: a level z reads as high, else it is
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
    kind = format or guess_format(head, origin.file)
    reader: Reader
    if kind == "vcd":
        reader = VcdReader.open(origin, signals, pull_up=pull_up, spike_ns=spike_ns)
    elif kind == "csv":
        reader = LevelsCsvReader.open(origin, columns, pull_up=pull_up, spike_ns=spike_ns)
    elif kind == "transfers":
        reader = TransferLogReader.open(origin)
    else:
        reader = I2cPacketReader.open(origin)
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
    if _is_table(text):
        return "csv"
    found = "only blanks" if not text else f"it begins with {text[:24].decode('ascii', 'backslashreplace')!r}"
    raise CaptureError(
        Place(file), f"is no capture that can be read here: {found}", f"read are: {'; '.join(FORMATS.values())}; plain or gzip"
    )


def _is_table(text: bytes) -> bool:
    """Tell whether the first line that is no comment is text in three columns or more."""
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith(b"#")]
    if not lines or b"\0" in text:
        return False
    try:
        line = lines[0].decode("utf-8")
    except UnicodeDecodeError:
        return False
    return max(line.count(mark) for mark in ",;\t") >= 2 and line.replace("\t", " ").isprintable()
