"""Where the payload of a frame is: behind the bytes that its map skips. CAN frames carry no check of their own that a map could see."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.columns import Check
from regcheck.codec.framing import Fault, Framed
from regcheck.device_map.model import Message
from regcheck.traffic.batch import Batch


def framed_payloads(batch: Batch, rows: NDArray[np.int64], message: Message) -> Framed:
    """Return the payloads of frames ``rows`` i8[n] of a batch, all of one message; too short for what is skipped is a fault of length."""
    count = len(rows)
    first = batch.start[rows]
    came = batch.start[rows + 1] - first
    fault = np.zeros(count, np.uint8)
    if message.after:
        fault[came < message.after] = Fault.LENGTH
        first, came = first + message.after, np.maximum(came - message.after, 0)
    check, all_of_them = np.full(count, Check.NONE, np.uint8), np.ones(count, np.bool_)
    return Framed(rows, first, came, came, check, fault, all_of_them, ~all_of_them)


def begin_so(batch: Batch, rows: NDArray[np.int64], begins: bytes) -> NDArray[np.bool_]:
    """Return which frames ``rows`` i8[n] of a batch begin with some bytes, bool[n]."""
    first = batch.start[rows]
    found: NDArray[np.bool_] = batch.start[rows + 1] - first >= len(begins)
    for index, byte in enumerate(begins if len(batch.data) else b""):
        found &= batch.data.take(first + index, mode="clip") == byte
    return found
