"""Maps from the text of their frames, and batches from frames in a line each."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from regcheck.codec.columns import STATUSES, MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.plan import ColumnPlan, decoded_to_the_end
from regcheck.device_map.compile import load_map
from regcheck.device_map.model import RegisterMap
from regcheck.traffic.batch import Batch, Flag
from regcheck.traffic.frames import Frame, FrameBuilder

MS = 1_000_000
BECK = Path(__file__).parent / "beck_rack.yaml"
HEAD = "regcheck: 1\ndevice: {name: probe, source: this test}\n"


def map_of(text: str, head: str = "can: {bitrate: 250 kbit/s}\n") -> RegisterMap:
    """Return the map of the text of its frames, indented by two."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "map.yaml"
        path.write_text(HEAD + head + "frames:\n" + text, encoding="utf-8")
        return load_map(path)


def frame(time_ms: float, id: int, data: str = "", *, extended: bool | None = None, flags: Flag = Flag(0), bus: str = "") -> Frame:  # noqa: B008
    """Return a frame of hex bytes; the id's size tells whether it has 29 bits, unless told."""
    return Frame(round(time_ms * MS), id, bytes.fromhex(data), id > 0x7FF if extended is None else extended, flags, bus)


def batches_of(frames: Sequence[Frame], size: int = 1 << 20) -> list[Batch]:
    """Return the batches of frames, of at most ``size`` each."""
    builder = FrameBuilder("own.log", 0, size)
    for number, one in enumerate(frames, 1):
        builder.add_frame(one, number)
    return list(builder.finish())


def decode(plan: ColumnPlan, frames: Sequence[Frame]) -> DecodedBatch:
    """Return frames decoded in one batch."""
    (batch,) = batches_of(frames)
    return plan.decode(batch)


Seen = tuple[int, str, object]
"""Time in ms, status, and value or text where it is good."""


def seen(columns: Sequence[MessageColumns]) -> dict[str, list[Seen]]:
    """Return what messages say: a list for each reading's id, in order of time."""
    found: dict[str, list[Seen]] = {}
    for one in columns:
        for key, column in one.fields.items():
            rows = range(len(one.time)) if column.rows is None else column.rows.tolist()
            for at, (row, value) in enumerate(zip(rows, column.values().tolist(), strict=True)):
                status = STATUSES[column.status[at]].value
                text = column.texts[at] if column.texts is not None else None
                found.setdefault(str(key), []).append((int(one.time[row]) // MS, status, text or value if status == "good" else None))
    return {key: sorted(value, key=lambda item: item[0]) for key, value in found.items()}


def all_seen(plan: ColumnPlan, frames: Sequence[Frame], size: int) -> dict[str, list[Seen]]:
    """Return what a whole pass says, whatever the size of its batches."""
    found: dict[str, list[Seen]] = {}
    for decoded in decoded_to_the_end(plan, batches_of(frames, size)):
        for key, values in seen(decoded.messages).items():
            found.setdefault(key, []).extend(values)
    return {key: sorted(value, key=lambda item: item[0]) for key, value in found.items()}


def columns_of(decoded: DecodedBatch, message: str, instance: str = "") -> MessageColumns:
    """Return the columns of one message of one device."""
    (one,) = [columns for columns in decoded.messages if (columns.message.name, columns.instance) == (message, instance)]
    return one


def ints(array: NDArray[Any]) -> list[int]:
    """Return an array as a list of integers."""
    return [int(one) for one in array]
