"""What every reader is told about the file it reads."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from regcheck.traffic.build import BATCH_SIZE, BatchBuilder
from regcheck.traffic.segments import WHOLE, Segment
from regcheck.traffic.stream import CHUNK, ByteStream


@dataclass(frozen=True, slots=True)
class Source:
    """A capture file, the number it has among the captures of a check, and how it is cut: transfers a batch, bytes a chunk.

    ``segment`` is the stretch of the file that is read.
    """

    path: Path
    number: int = 0
    batch_size: int = BATCH_SIZE
    chunk_size: int = CHUNK
    segment: Segment = WHOLE

    @property
    def file(self) -> str:
        """The path as messages name it."""
        return str(self.path)

    def stream(self) -> ByteStream:
        """Return the unpacked bytes, from the start of the stretch."""
        return ByteStream(self.path, self.chunk_size, begin=self.begin, until=self.segment.until)

    @property
    def begin(self) -> int:
        """The first byte of the stretch."""
        return 0 if self.segment.start is None else self.segment.start.offset

    @property
    def first_line(self) -> int:
        """The number of the stretch's first line."""
        return 1 if self.segment.start is None else self.segment.start.line

    def builder(self, *, by_line: bool = False) -> BatchBuilder:
        """Return a builder for the batches of this source."""
        builder = BatchBuilder(self.file, self.number, self.batch_size, by_line=by_line)
        builder.resume(self.segment.start)
        return builder
