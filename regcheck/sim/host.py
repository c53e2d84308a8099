"""A host that polls a board: which register is read when, and when each transfer starts and ends on the wire."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from zlib import crc32

import numpy as np

from regcheck.device_map.model import RegisterMap
from regcheck.errors import UsageError
from regcheck.sim.board import Board
from regcheck.sim.front_end import even_draws
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.vcd_writer import wire_end_ns

GAP_NS = 50_000
"""Bus-free time between transfers (ours; SMBus 3.1, table of AC specifications: t_BUF is at least 4.7 us)."""


@dataclass(frozen=True, slots=True)
class PollPlan:
    """What the host does: a register by name and how often it is read, and how often the board sends what it sends by itself.

    The host begins at ``begin_ns``; each read is late by up to ``jitter_ns``, each transfer stretched by up to ``stretch_ns``
    (evenly drawn). ``seed`` fixes both.
    """

    reads: Mapping[str, int]
    broadcasts: Mapping[str, int]
    begin_ns: int
    jitter_ns: int = 0
    stretch_ns: int = 0
    speed_hz: int = 100_000
    seed: int = 0


def transfers(board: Board, register_map: RegisterMap, plan: PollPlan, end_ns: int) -> Iterator[Transfer]:
    """Yield the transfers of a run in order of time, none of which is under way after ``end_ns``.

    Registers due at once are read in the order of the plan; a transfer waits for the one before it. Raises UsageError where the map
    lacks a register, or has no address for it.
    """
    due: list[tuple[int, int, str, bool]] = []
    for order, (name, every_ns, is_read) in enumerate(
        [*((name, every, True) for name, every in plan.reads.items()), *((name, every, False) for name, every in plan.broadcasts.items())]
    ):
        message = register_map.message(name)
        if message is None or message.command is None:
            raise UsageError(f"the host is to read '{name}', which is no register of {register_map.name}")
        if (message.address if is_read else message.to) is None:
            raise UsageError(f"'{name}' has no address in {register_map.name}")
        times = np.arange(plan.begin_ns, end_ns, every_ns, dtype=np.int64)
        late = even_draws(plan.seed, crc32(b"late " + name.encode()), len(times), plan.jitter_ns)
        late[0] = 0
        due += [(time, order, name, is_read) for time in (times + late).tolist()]
    due.sort()
    stretched = even_draws(plan.seed, crc32(b"stretch"), len(due), plan.stretch_ns).tolist()
    free_ns = 0
    for (time, _, name, is_read), stretch_ns in zip(due, stretched, strict=True):
        message = register_map.message(name)
        assert message is not None  # noqa: S101 - looked up above
        start_ns = max(time, free_ns)
        transfer = board.answer(message, message.address or 0, start_ns) if is_read else board.broadcast(message, start_ns)
        stop_ns = wire_end_ns(transfer, plan.speed_hz) + stretch_ns
        if stop_ns + GAP_NS >= end_ns:
            return
        free_ns = stop_ns + GAP_NS
        yield replace(transfer, end_ns=stop_ns)
