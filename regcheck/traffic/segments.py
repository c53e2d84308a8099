"""Stretches of one capture file that can be read apart: what is taken for known where one begins, and what must hold where it ends.

What a stretch begins with is a guess, made from the bytes around the seam; who reads a stretch and then the one before it compares
(``checks.fold``), and reads anew where the guess was wrong. So a seam may be sought quickly, and the result is that of one pass.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

WINDOW = 1 << 16
"""Bytes that are looked at on either side of where a seam is wanted."""

LEAD = 2 << 20
"""Bytes before a seam in which messages in parts are looked for that are under way there."""

_TRIES = 64


@dataclass(frozen=True, slots=True)
class Start:
    """Where a stretch begins: the byte, the number of the line there (1 where places are bytes), and what was before it.

    ``now_ns`` is the time reached, ``epoch`` and ``buses`` as they stand in a batch.
    """

    offset: int
    line: int
    now_ns: int
    epoch: int = 0
    buses: tuple[str, ...] = ("",)


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a file: ``start`` None is the file's own beginning, ``until`` None its end, else the byte at which the next begins.

    ``lead`` is where reading may begin to learn which messages in parts are under way at ``start``.
    """

    start: Start | None = None
    until: int | None = None
    lead: Start | None = None


WHOLE = Segment()


class SeamError(Exception):
    """A stretch does not end as the next one supposes: both must be read as one."""


@dataclass(frozen=True, slots=True)
class Seam:
    """A good place to cut a window: ``at`` bytes into it, ``now_ns`` reached before, the buses that the window names."""

    at: int
    now_ns: int
    buses: tuple[str, ...] = ()


Find = Callable[[bytes], Seam | None]
"""Looks for a seam in a window of bytes that begins and ends with whole lines; None where it has no good one."""


def file_segments(path: Path, begin: int, parts: int, find: Find, *, by_line: bool) -> Iterator[Segment]:
    """Yield at most ``parts`` stretches of a file, about equally long, each as soon as its end is known.

    ``begin`` is the first byte that may be cut at: what a head takes is left whole. ``find`` looks for seams.
    """
    size = path.stat().st_size
    start: Start | None = None
    lead: Start | None = None
    buses: tuple[str, ...] = ()
    with path.open("rb") as file:
        if parts > 1:
            head = find(file.read(2 * WINDOW))
            buses = head.buses if head is not None else ()
        at, line = 0, 1
        for number in range(1, parts):
            target = max(begin + (size - begin) * number // parts, at + WINDOW)
            limit = begin + (size - begin) * (number + 1) // parts
            for _ in range(_TRIES):
                if target + WINDOW >= min(limit, size):
                    found = None
                    break
                file.seek(target - WINDOW)
                text = file.read(2 * WINDOW)
                first = text.find(b"\n") + 1
                found = find(text[first : text.rfind(b"\n") + 1])
                if found is not None:
                    break
                target += WINDOW
            if found is None:
                continue
            offset = target - WINDOW + first + found.at
            buses = (*buses, *(name for name in found.buses if name not in buses))
            before = start
            lead_at = max(offset - LEAD, at)
            if by_line:
                lines, lead_at, lead_lines = _count_lines(file.fileno(), at, offset, lead_at)
            else:
                lines, lead_lines = 0, 0
            yield Segment(before, offset, lead)
            lead = Start(lead_at, line + lead_lines, found.now_ns, 0, buses or ("",))
            line += lines
            at = offset
            start = Start(offset, line, found.now_ns, 0, buses or ("",))
    yield Segment(start, None, lead)


def _count_lines(descriptor: int, begin: int, end: int, near: int) -> tuple[int, int, int]:
    """Return the lines from ``begin`` to ``end``, where the first one from ``near`` on begins, and how many lie before that."""
    import os

    count, at, lead_at, lead_count = 0, begin, begin, 0
    while at < end:
        text = os.pread(descriptor, min(1 << 20, end - at), at)
        if not text:
            break
        if lead_at == begin and near > begin and at <= near < at + len(text):
            cut = text.find(b"\n", near - at) + 1
            if cut and at + cut < end:
                lead_at, lead_count = at + cut, count + text.count(b"\n", 0, cut)
        count += int(np.count_nonzero(np.frombuffer(text, np.uint8) == 10))
        at += len(text)
    return count, lead_at, lead_count


Said = tuple[int, int, str]
"""What an ordinary line says: when its message began and ended, ns, and on which bus."""


def line_seam(text: bytes, read: Callable[[bytes], Said | None]) -> Seam | None:
    """Return the best seam between two lines of a window: all before it has ended when the first behind it begins.

    ``read`` tells what an ordinary line says, None for any other; both lines beside the seam are ordinary.
    """
    lines = text.split(b"\n")
    if lines and not lines[-1]:
        lines.pop()
    said = [read(line) for line in lines]
    known = np.array([row for row, one in enumerate(said) if one is not None], np.int64)
    if len(known) < 2:
        return None
    begin, end = (np.array([one[which] for one in said if one is not None], np.int64) for which in (0, 1))
    peak = np.maximum.accumulate(end)[:-1]
    floor = np.minimum.accumulate(begin[::-1])[::-1][1:]
    rows = np.flatnonzero((peak <= floor) & (np.diff(known) == 1))
    if not len(rows):
        return None
    best = int(rows[np.abs(known[1:][rows] - len(lines) // 2).argmin()])
    row = int(known[best + 1])
    buses = tuple(dict.fromkeys(one[2] for one in said if one is not None))
    return Seam(sum(map(len, lines[:row])) + row, int(peak[best]), buses)
