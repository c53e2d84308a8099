"""Readings as columns: raw codes, statuses and meanings, never yet rounded to a float."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.device_map.model import Field, Meaning, Message, Status
from regcheck.device_map.units import Unit

STATUSES: tuple[Status, ...] = tuple(Status)
"""The code of a status in ``FieldColumn.status`` is its index here; good is 0."""

NO_READING = 255
"""In ``FieldColumn.status``: this message carries no such element at all."""

NO_LAYOUT, LAYOUT_UNKNOWN = -1, -2
"""In ``MessageColumns.layout``."""


EXACT = (1 << 53) - 1
"""Up to here every integer is a float64."""


class Check(IntEnum):
    """What the PEC or CRC of a message said."""

    NONE = 0  # none was sent and none was asked for
    GOOD = 1
    BAD = 2
    MISSING = 3  # the map requires one and none was sent
    UNKNOWN = 4  # the adapter checked it, or the message is too damaged to tell


@dataclass(frozen=True, slots=True, order=True)
class FieldId:
    """Which field of which device: ``element`` is the number of an array's element, None for a single field."""

    message: str
    field: str
    element: int | None = None
    instance: str = ""

    def __str__(self) -> str:
        """``message.field[n]``, shortened where message and field bear one name."""
        name = self.message if self.field == self.message else f"{self.message}.{self.field}"
        return (f"{self.instance}." if self.instance else "") + name + ("" if self.element is None else f"[{self.element}]")


@dataclass(frozen=True, slots=True)
class ResolvedMeaning:
    """A meaning with every parameter known.

    Where ``linear``, value = raw * scale + offset exactly; else ``convert`` maps raw codes (i8[n]) to float64 values, NaN for no number.
    ``step`` is the size of one count in ``unit`` (0 where it varies).
    """

    meaning: Meaning
    unit: Unit | None
    linear: bool
    scale: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)
    convert: Callable[[NDArray[np.int64]], NDArray[np.float64]] | None = None
    step: Fraction = Fraction(1)
    integers: tuple[int, int, int] = field(init=False, repr=False, compare=False)
    """num, den, off: value = (raw * num + off) / den."""

    def __post_init__(self) -> None:
        den = math.lcm(self.scale.denominator, self.offset.denominator)
        object.__setattr__(self, "integers", (int(self.scale * den), den, int(self.offset * den)))

    def values(self, raw: NDArray[np.int64], width: int = 64) -> NDArray[np.float64]:
        """Return values, shape of ``raw``, each the float64 nearest to the exact decimal where the meaning is linear.

        ``width`` bits hold every raw code, if the caller knows it.
        """
        if self.convert is not None:
            return self.convert(raw)
        num, den, off = self.integers
        top = 1 << width
        if max(abs(num) * top + abs(off), den) > EXACT:
            top = max(abs(int(raw.max())), abs(int(raw.min()))) if raw.size else 0
        if max(abs(num) * top + abs(off), den) <= EXACT:  # every step but the division is exact in a float64
            out = raw.astype(np.float64)
            if num != 1:
                out *= num
            if off or num < 0:  # no zero below zero
                out += off
            if den != 1:
                out /= den
            return out
        return np.array([float(Fraction(int(code)) * self.scale + self.offset) for code in raw.ravel()], np.float64).reshape(raw.shape)

    def exact(self, raw: int) -> Fraction:
        """Return one value exactly; for a meaning that is not linear the float64's own fraction."""
        if self.convert is None:
            return raw * self.scale + self.offset
        return Fraction(float(self.convert(np.array([raw]))[0]))  # of 64 bits without a sign where it takes them


@dataclass(frozen=True, slots=True, eq=False)
class FieldColumn:
    """One field of n messages: ``raw`` i8[n] after ``type`` (sign applied), ``status`` u1[n], ``meaning`` u4[n] into ``meanings``.

    ``raw`` is u8[n] where 64 bits hold a number without a sign. Where ``status`` is absent, or unselected without bits, it is 0.
    ``rows`` names the messages where only some carry the field (None: all, in order). Text, bytes, dates and versions
    keep their bytes in ``texts`` (one str a row) and 0 in ``raw`` where they are wider than 64 bits.
    ``code`` u2[n] is the index of the coded word in ``field.codes`` + 1, 0 for none. ``bits`` u8[n] is the raw code before ``type``.
    ``held`` bool[n] says which rows have a raw number at all (None: all that are not absent); a text has none.
    Where ``plain``, every reading is good, by the first meaning and without a coded word; ``width`` bits hold every raw code.
    """

    field: Field
    raw: NDArray[np.int64]
    bits: NDArray[np.uint64]
    status: NDArray[np.uint8]
    meaning: NDArray[np.uint32]
    meanings: tuple[ResolvedMeaning, ...]
    code: NDArray[np.uint16]
    rows: NDArray[np.int64] | None = None
    texts: tuple[str, ...] | None = None
    held: NDArray[np.bool_] | None = None
    plain: bool = False
    width: int = 64

    def values(self) -> NDArray[np.float64]:
        """Return float64[n] values of good readings, NaN elsewhere."""
        if self.plain:
            return self.meanings[0].values(self.raw, self.width)
        out = np.full(len(self.raw), np.nan)
        good = self.status == 0
        for index, meaning in enumerate(self.meanings):
            mask = good & (self.meaning == index)
            if mask.any():
                out[mask] = meaning.values(self.raw[mask])
        return out


@dataclass(frozen=True, slots=True, eq=False)
class MessageColumns:
    """All messages of one register or frame in a batch, n of them, in order of time.

    ``time`` and ``end`` in ns; ``place`` as in the batch; ``index`` i8[n] the messages' indexes in the batch; ``check`` u1[n] as in Check;
    ``length`` u2[n] payload bytes that came; ``fault`` u1[n] the framing fault of each as in codec.framing (0: none).
    ``written`` tells the host's writes of a register from its reads. ``layout`` i2[n] is the layout in force: its index in the
    message's layouts, NO_LAYOUT where none of them holds, LAYOUT_UNKNOWN where that is not known yet. A refused transfer has no readings.
    """

    message: Message
    time: NDArray[np.int64]
    end: NDArray[np.int64]
    index: NDArray[np.int64]
    place: NDArray[np.int64]
    check: NDArray[np.uint8]
    fault: NDArray[np.uint8]
    length: NDArray[np.uint16]
    fields: Mapping[FieldId, FieldColumn]
    instance: str = ""
    written: bool = False
    layout: NDArray[np.int16] = field(default_factory=lambda: np.empty(0, np.int16))
    worked: dict[object, Any] = field(default_factory=dict, init=False, repr=False)
    """What checks work out of these messages, kept for the next one that asks; each puts it under a key of its own."""
