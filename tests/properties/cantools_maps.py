"""A cantools database as the frames of a map, and its readings beside ours."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from cantools.database.can import Message, Signal

from regcheck.codec.columns import STATUSES, MessageColumns
from regcheck.device_map.model import Status

Named = Callable[[str], str]
"""What a map calls a message or signal of a database."""


def place_text(signal: Signal) -> str:
    """Return a signal's keys as a map has them."""
    is_big = signal.byte_order == "big_endian"
    keys = [f"{'msb' if is_big else 'lsb'}: byte {signal.start // 8} bit {signal.start % 8}, width: {signal.length}"]
    keys.append(f"order: {'big' if is_big else 'little'}")
    if signal.is_float or signal.is_signed:
        keys.append(f"type: {'float' if signal.is_float else 'signed'}")
    if (signal.scale, signal.offset) != (1, 0):
        keys.append(f"scale: {signal.scale}, offset: {signal.offset}")
    return "{" + ", ".join(keys) + "}"


def layouts_text(all_of_them: Sequence[Signal], selector: str, indent: int, named: Named) -> str:
    """Return the layouts that a multiplexer selects, those of its own multiplexers within them."""
    pages: dict[int, list[Signal]] = {}
    for one in all_of_them:
        for page in one.multiplexer_ids or () if one.multiplexer_signal == selector else ():
            pages.setdefault(page, []).append(one)
    space = " " * indent
    text = f"{space}layouts:\n" if pages else ""
    for page, some in sorted(pages.items()):
        text += f"{space}  - when: {named(selector)} = {page}\n{space}    fields:\n"
        text += "".join(f"{space}      {named(one.name)}: {place_text(one)}\n" for one in some)
        text += "".join(layouts_text(all_of_them, one.name, indent + 4, named) for one in some if one.is_multiplexer)
    return text


def map_text(messages: Sequence[Message], named: Named = str) -> str:
    """Return messages as the frames of a map."""
    text = ""
    for message in messages:
        fd = "\n    fd: true" if message.is_fd or message.length > 8 else ""
        extended = "true" if message.is_extended_frame else "false"
        text += f"  {named(message.name)}:\n    id: {message.frame_id:#x}\n    extended: {extended}{fd}\n    length: {message.length}\n"
        fixed = [one for one in message.signals if not one.multiplexer_ids]
        text += "    fields:\n" + "".join(f"      {named(one.name)}: {place_text(one)}\n" for one in fixed)
        text += "".join(layouts_text(message.signals, one.name, 4, named) for one in fixed if one.is_multiplexer)
    return text


def of_columns(columns: Sequence[MessageColumns]) -> dict[int, dict[str, tuple[Status, int, float]]]:
    """Return status, raw and value of every reading, by the index of its frame."""
    found: dict[int, dict[str, tuple[Status, int, float]]] = {}
    for one in columns:
        for key, column in one.fields.items():
            rows = np.arange(len(one.index)) if column.rows is None else column.rows
            for at, (row, value) in enumerate(zip(rows.tolist(), column.values().tolist(), strict=True)):
                found.setdefault(int(one.index[row]), {})[key.field] = STATUSES[column.status[at]], int(column.raw[at]), value
    return found


def same(ours: tuple[Status, int, float], raw: float, value: float, *, is_float: bool) -> bool:
    """Return whether a reading is cantools' own: raw numbers exactly, values but for its rounding twice."""
    status, code, number = ours
    if is_float and not math.isfinite(value):
        return status is (Status.NOT_AVAILABLE if math.isnan(value) else Status.DEVICE_ERROR)
    if not is_float and code != raw:
        return False
    return status is Status.GOOD and math.isclose(number, value, rel_tol=1e-12, abs_tol=1e-9)


def numbers_of(message: Message, payload: bytes, *, scaling: bool = True) -> dict[str, Any]:
    """Return what cantools decodes: values, or raw numbers without ``scaling``."""
    found = message.decode(payload, decode_choices=False, scaling=scaling)
    assert isinstance(found, dict)
    return found
