"""The common line of the SocketCAN text log, many at once: ``(1436509052.249713) vcan0 12345678#1122334455667788``.

Every byte of a line that is taken here has been checked; a line that differs in anything is left to ``can_log_lines``. Eight
characters are loaded as one 64-bit word (first character in the low byte) and checked and folded to a number within it, for all
lines of a block at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from regcheck.traffic.frames import STANDARD_LARGEST
from regcheck.traffic.times import NS_LIMIT

Words = NDArray[np.uint64]

_LINE_END, _HASH, _SPACE, _RETURN = 10, 35, 32, 13
_TIME_WIDTH = 20  # "(1436509052.249713) "
_SHORTEST = _TIME_WIDTH + 5  # up to the hash: a bus of one character, a space, three digits
_NAME_LONGEST = 15  # IFNAMSIZ of the Linux kernel, less its closing zero
_NAMES_MOST = 32  # more distinct names in one block than this are read line by line
_PAD = bytes(48)
_SECONDS_END = NS_LIMIT // 1_000_000_000


def _word(text: bytes) -> np.uint64:
    return np.uint64(int.from_bytes(text, "little"))


def _each(byte: int) -> np.uint64:
    return _word(bytes((byte,)) * 8)


_ONES, _SIXES, _HIGH = _each(1), _each(6), _each(0xF0)
_ZEROS, _LETTER = _each(0x30), np.uint64(0x50)  # a letter differs from a digit by 0x30 ^ 0x60
_KEEP = np.array([(1 << 8 * min(count, 8)) - 1 for count in range(17)], np.uint64)  # the first so many characters
_KEEP_LATE = np.array([(1 << 8 * max(count - 8, 0)) - 1 for count in range(17)], np.uint64)  # the same of the eight behind them
_STANDARD_KEEP = np.uint64(0xFFFFFF0000000000)
_SHIFT = {bits: np.uint64(bits) for bits in (1, 4, 5, 6, 8, 16, 32, 40)}


@dataclass(frozen=True, slots=True, eq=False)
class CommonRows:
    """Frames of the lines ``line`` (numbers within the block, rising): ``word`` are their eight data bytes in order, unused ones 0."""

    line: NDArray[np.int64]
    time: NDArray[np.int64]
    bus: NDArray[np.int64]  # index into names
    names: tuple[str, ...]
    is_extended: NDArray[np.bool_]
    id: Words
    is_sent: NDArray[np.bool_]
    length: NDArray[np.int64]
    word: Words

    def __len__(self) -> int:
        return len(self.line)


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Where the lines of a block begin and end (at their LF), and the common ones among them."""

    begin: NDArray[np.int64]
    end: NDArray[np.int64]
    common: CommonRows | None


def read_common(block: bytes, *, with_common: bool = True) -> Lines:
    """Find the lines of ``block``, whose last byte is a LF, and take those that have the common form."""
    padded = block + _PAD
    text = np.frombuffer(padded, np.uint8)
    is_end = text == _LINE_END
    marks = np.flatnonzero(is_end | (text == _HASH)) if with_common else np.flatnonzero(is_end)
    at = np.flatnonzero(is_end[marks])
    end = marks[at]
    begin = np.concatenate((np.zeros(1, np.int64), end[:-1] + 1))
    if not with_common:
        return Lines(begin, end, None)
    hashes = marks[at - 1]
    is_candidate = (np.diff(at, prepend=-1) == 2) & (hashes - begin >= _SHORTEST)
    line = np.flatnonzero(is_candidate)
    if not len(line):
        return Lines(begin, end, None)
    if len(line) == len(end):
        return Lines(begin, end, _rows(padded, text, line, begin, hashes, end))
    return Lines(begin, end, _rows(padded, text, line, begin[line], hashes[line], end[line]))


def _rows(
    padded: bytes,
    text: NDArray[np.uint8],
    line: NDArray[np.int64],
    begin: NDArray[np.int64],
    hashes: NDArray[np.int64],
    end: NDArray[np.int64],
) -> CommonRows | None:
    words: Words = np.ndarray((len(padded) - 7,), np.dtype("<u8"), buffer=padded, strides=(1,))
    if _RETURN in padded:
        end = end - (text[end - 1] == _RETURN)
    last = text[end - 1]
    with_suffix = text[end - 2] == _SPACE
    is_sent = with_suffix & (last == ord("T"))
    is_good = ~with_suffix | is_sent | (last == ord("R"))
    digits = end - hashes - 1 - 2 * with_suffix
    is_good &= (digits >= 0) & (digits <= 16) & (digits & 1 == 0)
    digits = np.where(is_good, digits, 0)

    time, bad = _times(words, begin)
    is_standard = text[hashes - 4] == _SPACE
    is_good &= is_standard | (text[hashes - 9] == _SPACE)
    characters = words[hashes - 8]
    kept = np.where(is_standard, _STANDARD_KEEP, ~np.uint64(0))
    number, bad_id = hex_bytes(characters & kept | _ZEROS & ~kept)
    number = number.astype(np.uint32).byteswap().astype(np.uint64)
    is_good &= number <= np.where(is_standard, np.uint64(STANDARD_LARGEST), np.uint64(0x1FFF_FFFF))

    keep, late = _KEEP[digits], _KEEP_LATE[digits]
    low, bad_low = hex_bytes(words[hashes + 1] & keep | _ZEROS & ~keep)
    high, bad_high = hex_bytes(words[hashes + 9] & late | _ZEROS & ~late)
    is_good &= bad | bad_id | bad_low | bad_high == 0

    name_at = begin + _TIME_WIDTH
    name_length = hashes - np.where(is_standard, 4, 9) - name_at
    is_good &= (name_length > 0) & (name_length <= _NAME_LONGEST)
    bus, names = _buses(words, name_at, np.where(is_good, name_length, 0), is_good)
    is_good &= bus >= 0
    if not is_good.any():
        return None
    rows = slice(None) if is_good.all() else np.flatnonzero(is_good)
    return CommonRows(
        line=line[rows],
        time=time[rows],
        bus=bus[rows],
        names=names,
        is_extended=~is_standard[rows],
        id=number[rows],
        is_sent=is_sent[rows],
        length=digits[rows] >> 1,
        word=(low | high << _SHIFT[32])[rows],
    )


def hex_bytes(characters: Words) -> tuple[Words, Words]:
    """Return the four bytes that eight hexadecimal digits say (first byte in the low bits), and a word that is 0 only if all are digits."""
    is_letter = characters >> _SHIFT[6] & _ONES
    folded = (characters ^ _ZEROS ^ is_letter * _LETTER) & ~(is_letter << _SHIFT[5])
    nibble = folded + is_letter * np.uint64(9)
    bad = (folded | nibble) & _HIGH | (nibble + _SIXES >> _SHIFT[4] ^ is_letter) & _ONES
    value = (nibble << _SHIFT[4] | nibble >> _SHIFT[8]) & np.uint64(0x00FF00FF00FF00FF)
    value = (value | value >> _SHIFT[8]) & np.uint64(0x0000FFFF0000FFFF)
    return (value | value >> _SHIFT[16]) & np.uint64(0xFFFFFFFF), bad


def _decimal(digits: Words) -> Words:
    """Return the number that eight bytes of 0 to 9 say, the most significant one in the low byte."""
    digits = (digits * np.uint64(10) + (digits >> _SHIFT[8])) & np.uint64(0x00FF00FF00FF00FF)
    digits = (digits * np.uint64(100) + (digits >> _SHIFT[16])) & np.uint64(0x0000FFFF0000FFFF)
    return (digits * np.uint64(10_000) + (digits >> _SHIFT[32])) & np.uint64(0xFFFFFFFF)


def _times(words: Words, begin: NDArray[np.int64]) -> tuple[NDArray[np.int64], Words]:
    """Return the nanoseconds of ``(ssssssssss.uuuuuu) `` and a word that is 0 only if every character is right.

    Each word is xored with what it must be (digits with 0): a digit must then stay below 10, anything else be 0.
    """
    early = words[begin] ^ _word(b"(0000000")
    middle = (words[begin + 8] & np.uint64(0xFFFFFFFF)) ^ _word(b"000.")
    late = words[begin + 12] ^ _word(b"000000) ")
    bad = (early | early + _word(b"\0" + b"\6" * 7)) & _word(b"\xff" + b"\xf0" * 7)
    bad |= (middle | middle + _word(b"\6\6\6")) & _word(b"\xf0\xf0\xf0\xff")
    bad |= (late | late + _word(b"\6" * 6)) & _word(b"\xf0" * 6 + b"\xff\xff")
    seconds = _decimal(early) * np.uint64(1000) + _decimal(middle << _SHIFT[40])
    bad |= (seconds >= np.uint64(_SECONDS_END)).astype(np.uint64)
    nanoseconds = seconds * np.uint64(1_000_000_000) + _decimal(late) * np.uint64(10)
    return nanoseconds.view(np.int64), bad


def _buses(
    words: Words, name_at: NDArray[np.int64], length: NDArray[np.int64], is_good: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Return the index of each line's bus name and the names, in order of appearance; -1: none, or one that cannot be."""
    early = words[name_at] & _KEEP[length]
    late = words[name_at + 8] & _KEEP_LATE[length]
    bus = np.full(len(early), -1, np.int64)
    names: list[str] = []
    todo = is_good
    for _ in range(_NAMES_MOST):
        if not todo.any():
            break
        first = int(np.argmax(todo))
        is_same = todo & (early == early[first]) & (late == late[first]) & (length == length[first])
        name = (early[first].tobytes() + late[first].tobytes())[: length[first]]
        if is_name(name):
            bus[is_same] = len(names)
            names.append(name.decode("ascii"))
        todo = todo & ~is_same
    return bus, tuple(names)


def is_name(name: bytes) -> bool:
    """Tell whether ``name`` can be that of a bus: printable ASCII without blanks."""
    return bool(name) and all(0x20 < byte < 0x7F for byte in name)
