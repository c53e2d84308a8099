"""The construct library behind types of our own: a payload as runs of bits, parsed and built.

Interpreted, never compiled: a compiled construct reads short input without an error. What it returns never leaves this file.
"""

from __future__ import annotations

from collections.abc import Sequence

import construct


class BitPattern:
    """A payload of a fixed length as runs of bits in order of transmission, the most significant bit of each byte first.

    >>> BitPattern((4, 12)).parse(bytes([0xAB, 0xCD]))
    (10, 3021)
    >>> BitPattern((4, 12)).build((10, 3021)).hex()
    'abcd'
    """

    def __init__(self, widths: Sequence[int]) -> None:
        if sum(widths) % 8:
            raise ValueError(f"runs of {sum(widths)} bits are no whole bytes")
        self.widths = tuple(widths)
        self.length = sum(widths) // 8
        self._names = [f"run_{index}" for index in range(len(widths))]
        runs = [name / construct.BitsInteger(width) for name, width in zip(self._names, widths, strict=True)]
        self._construct = construct.Bitwise(construct.Struct(*runs, construct.Terminated))

    def parse(self, payload: bytes) -> tuple[int, ...]:
        """Return the runs as unsigned integers; raise ValueError where the payload has another length."""
        if len(payload) != self.length:
            raise ValueError(f"a payload of {len(payload)} bytes was given to a pattern of {self.length}")
        if not payload:
            return ()
        found = self._construct.parse(payload)
        return tuple(int(found[name]) for name in self._names)

    def build(self, runs: Sequence[int]) -> bytes:
        """Return the payload of the runs."""
        if not self.length:
            return b""
        return bytes(self._construct.build(dict(zip(self._names, runs, strict=True))))
