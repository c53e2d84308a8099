"""What both decoders hand over of a batch: columns of every message, and what no message of the map explains."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.columns import MessageColumns
from regcheck.codec.framing import FAULT_TEXT, REFUSED
from regcheck.codec.unexplained import UNEXPLAINED_TEXT, Unexplained
from regcheck.traffic.batch import Batch


@dataclass(frozen=True, slots=True, eq=False)
class DecodedBatch:
    """One ``batch`` decoded. ``unexplained`` i8[m] are indexes of the batch, ``why`` u1[m] as in Unexplained.

    Messages that came in parts stand in ``batch`` behind all of its frames, each when it is whole; its complaints are those of the
    transports, too. Frames that carry parts give no reading and are not unexplained.

    ``selectors`` are the writes that prepare indirect reads, where no register of the map is that write; they give no readings.
    """

    batch: Batch
    messages: tuple[MessageColumns, ...]
    selectors: tuple[MessageColumns, ...]
    unexplained: NDArray[np.int64]
    why: NDArray[np.uint8]

    def without_reading(self) -> dict[str, int]:
        """Return how many messages gave no reading, by the reason in words."""
        reasons = {UNEXPLAINED_TEXT[Unexplained(code)]: int((self.why == code).sum()) for code in np.unique(self.why).tolist()}
        for columns in self.messages:
            for fault in REFUSED:
                text = FAULT_TEXT[fault]
                reasons[text] = reasons.get(text, 0) + int((columns.fault == fault).sum())
        return {reason: count for reason, count in reasons.items() if count}
