"""What every reader is told about the file it reads."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from regcheck.traffic.build import BATCH_SIZE, BatchBuilder
from regcheck.traffic.stream import CHUNK, ByteStream


@dataclass(frozen=True, slots=True)
class Source:
    """A capture file, the number it has among the captures of a check, and how it is cut: transfers a batch, bytes a chunk."""

    path: Path
    number: int = 0
    batch_size: int = BATCH_SIZE
    chunk_size: int = CHUNK

    @property
    def file(self) -> str:
        """The path as messages name it."""
        return str(self.path)

    def stream(self) -> ByteStream:
        """Return the unpacked bytes, from the start."""
        return ByteStream(self.path, self.chunk_size)

    def builder(self, *, by_line: bool = False) -> BatchBuilder:
        """Return a builder for the batches of this source."""
        return BatchBuilder(self.file, self.number, self.batch_size, by_line=by_line)
