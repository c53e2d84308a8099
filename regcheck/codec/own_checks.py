"""What messages say of themselves, by column: the check fields of a map, and the protection of a frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.checksums import crc_column, inverted_sum_column
from regcheck.codec.field_plan import Context, extract
from regcheck.device_map.places import bit_numbers


def own_check(context: Context) -> NDArray[np.int8]:
    """Return whether the messages' own checks and their protection hold, i1[n]: 1, 0, or -1 where there is none."""
    verdict = np.full(len(context.rows), -1, np.int8)
    if context.guard is not None:
        verdict = context.guard.column(context.payloads).astype(np.int8)
    for form in context.named.values():
        field = form.field
        if field.check is None:
            continue
        bits, over = context.place(field, 0), bit_numbers(field.check.over, context.declared)
        if bits is None or not over or max(over) >= 8 * context.payloads.shape[1]:
            return np.zeros(len(context.rows), np.int8)
        covered = context.payloads[:, min(over) // 8 : max(over) // 8 + 1]
        if field.check.before:
            before = np.broadcast_to(np.frombuffer(field.check.before, np.uint8), (len(covered), len(field.check.before)))
            covered = np.concatenate([before, covered], axis=1)
        expected = inverted_sum_column(covered, len(bits)) if field.check.crc is None else crc_column(covered, field.check.crc)
        good = extract(context.payloads, bits) == expected
        verdict = np.where(good & (verdict != 0), np.int8(1), np.int8(0))
    return verdict
