"""Maps from text and batches from transfers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from regcheck.codec.checksums import pec
from regcheck.device_map.compile import load_map
from regcheck.device_map.model import RegisterMap
from regcheck.traffic.batch import Batch, Flag
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.shapes import Transfer

HEAD = "regcheck: 1\ndevice: {name: bench-pack, source: this test}\nsmbus: {address: 0x0B, pec: required}\nregisters:\n"


@pytest.fixture
def make_map(tmp_path: Path) -> Callable[[str], RegisterMap]:
    """Return what makes a map of the text of its registers, indented by two."""

    def make(registers: str) -> RegisterMap:
        path = tmp_path / "map.yaml"
        path.write_text(HEAD + registers, encoding="utf-8")
        return load_map(path)

    return make


@pytest.fixture
def make_batch() -> Callable[[Sequence[Transfer]], Batch]:
    """Return what makes one batch of transfers."""

    def make(transfers: Sequence[Transfer]) -> Batch:
        builder = BatchBuilder("own", batch_size=1 << 20)
        for number, transfer in enumerate(transfers):
            builder.add(transfer, number)
        (batch,) = builder.finish()
        return batch

    return make


@pytest.fixture
def wire() -> Callable[..., Transfer]:
    """Return what makes a transfer of hex texts, one a start; the PEC is added unless told, ``pec_error`` spoils it."""

    def make(time_ns: int, *parts: str, with_pec: bool = True, pec_error: int = 0, nack: int | None = None, flags: int = 0) -> Transfer:
        data = [bytes.fromhex(part) for part in parts]
        if with_pec:
            data[-1] += bytes([pec(b"".join(data)) ^ pec_error])
        return Transfer(time_ns, tuple(data), nack=nack, flags=Flag(flags))

    return make
