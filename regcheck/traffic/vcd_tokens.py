"""Takes a stretch of value changes of a VCD (IEEE 1364-2001, clause 18.2.3) apart into columns, checking every byte of it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.times import FS_PER_NS, NS_LIMIT, round_ratio

_PAD = 16  # blanks on both sides, so that eight bytes can be loaded at and before every token
_INVALID, _SCALAR, _TIME, _VECTOR, _KEYWORD, _CODE = range(6)
_CLASS = np.zeros(256, np.uint8)
_CLASS[list(b"01xXzZ")] = _SCALAR
_CLASS[ord("#")] = _TIME
_CLASS[list(b"bBrRsS")] = _VECTOR
_CLASS[ord("$")] = _KEYWORD
_IS_BLANK = np.zeros(256, np.bool_)
_IS_BLANK[list(b"\t\n\v\f\r ")] = True
_KEYWORDS = frozenset({b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff", b"$end", b"$comment"})
_BITS = re.compile(rb"[bB][01xXzZ]+")
_REAL = re.compile(rb"[rR][+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[rR][+-]?(inf|nan)|[sS].*", re.IGNORECASE)
_IS_BIT = np.zeros(256, np.bool_)
_IS_BIT[list(b"01xXzZ")] = True
_DIGITS_AT_ONCE = 16
_LAST_BYTES = [(1 << 64) - (1 << 8 * (8 - n)) for n in range(9)]
_LOW_DIGITS = np.array(_LAST_BYTES + [_LAST_BYTES[8]] * 8, np.uint64)  # by how many digits there are: those of the last eight
_HIGH_DIGITS = np.array([0] * 8 + _LAST_BYTES, np.uint64)  # and those before them
_LONGEST_CODE = 8  # identifier codes up to here fit a machine word
_KEEP = np.array([(1 << 8 * n) - 1 for n in range(9)], np.uint64)


class IdentifierTable:
    """The identifier codes that a dump declares."""

    def __init__(self, codes: Iterable[bytes]) -> None:
        declared = set(codes)
        self.long = frozenset(code for code in declared if len(code) > _LONGEST_CODE)
        self.words = np.array(sorted(packed(code) for code in declared if len(code) <= _LONGEST_CODE), np.uint64)

    def knows(self, words: NDArray[np.uint64]) -> NDArray[np.bool_]:
        """Return which of the packed codes are declared."""
        if len(self.words) <= 4:
            known = np.zeros(len(words), np.bool_)
            for word in self.words:
                known |= words == word
            return known
        index = np.minimum(np.searchsorted(self.words, words), len(self.words) - 1)
        return np.asarray(self.words[index] == words)


def packed(code: bytes) -> int:
    """Return a code of at most eight bytes as a little-endian number; no code holds a zero byte."""
    return int.from_bytes(code, "little")


@dataclass(frozen=True, slots=True, eq=False)
class Tokens:
    """The tokens of one stretch. Byte ``starts[i]`` of ``buffer`` stands ``starts[i] + offset`` bytes into the file.

    ``stamped`` are the tokens that are time stamps, ``times_ns`` their times; ``changed`` the tokens that change a value (of a vector:
    the value, whose code is the next token), ``codes`` the packed codes of these (0: longer than a word).
    """

    buffer: NDArray[np.uint8]
    offset: int
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    stamped: NDArray[np.int64]
    times_ns: NDArray[np.int64]
    changed: NDArray[np.int64]
    codes: NDArray[np.uint64]
    is_vector: NDArray[np.bool_] | None

    def changes_of(self, signals: tuple[tuple[bytes, int], ...]) -> tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.uint8]]:
        """Return every change of the signals (code, bit from the right), in order: its token, which signal, the character of its bit."""
        if (
            self.is_vector is None
            and len(signals) == 2
            and all(len(code) <= _LONGEST_CODE and bit == 0 for code, bit in signals)
            and signals[0] != signals[1]
        ):
            second = self.codes == np.uint64(packed(signals[1][0]))
            is_own = (self.codes == np.uint64(packed(signals[0][0]))) | second
            if is_own.all():  # nothing else is recorded
                return self.changed, second.view(np.uint8), self.buffer[self.starts[self.changed]]
            own = np.flatnonzero(is_own)
            index = self.changed[own]
            return index, second[own].view(np.uint8), self.buffer[self.starts[index]]
        found = [self.values_of(code, bit) for code, bit in signals]
        index = np.concatenate([tokens for tokens, _ in found])
        which = np.repeat(np.arange(len(found), dtype=np.uint8), [len(tokens) for tokens, _ in found])
        order = np.argsort(index, kind="stable")
        return index[order], which[order], np.concatenate([values for _, values in found])[order]

    def stamps_before(self) -> NDArray[np.int32]:
        """Return for every token how many time stamps stand up to it."""
        is_stamp = np.zeros(len(self.starts), np.bool_)
        is_stamp[self.stamped] = True
        return np.cumsum(is_stamp, dtype=np.int32)

    def values_of(self, code: bytes, bit: int) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """Return the tokens that change the signal and the character of its ``bit``, counted from the right.

        A value shorter than its vector is extended to the left (clause 18.2.3, table 18-3): 0 and 1 with 0, x with x, z with z.
        """
        if len(code) <= _LONGEST_CODE:
            own = np.flatnonzero(self.codes == np.uint64(packed(code)))
        else:
            own = np.array([i for i in np.flatnonzero(self.codes == 0) if self._code(int(i)) == code], np.int64)
        index = self.changed[own]
        if self.is_vector is None and bit == 0:
            return index, self.buffer[self.starts[index]]
        vector = np.zeros(len(own), np.bool_) if self.is_vector is None else self.is_vector[own]
        leftmost = self.starts[index] + vector
        position = np.where(vector, self.ends[index], leftmost + 1) - 1 - bit
        values = self.buffer[np.maximum(position, leftmost)]
        values[(position < leftmost) & (values == ord("1"))] = ord("0")
        return index, values

    def _code(self, i: int) -> bytes:
        token = int(self.changed[i])
        if self.is_vector is not None and self.is_vector[i]:
            return self._text(token + 1)
        return self._text(token)[1:]

    def _text(self, token: int) -> bytes:
        return self.buffer[self.starts[token] : self.ends[token]].tobytes()


class Tokenizer:
    """Cuts stretches of value changes into tokens; what is no record of a VCD goes to the builder as a complaint and is left out."""

    def __init__(self, table: IdentifierTable, scale_fs: int, builder: BatchBuilder) -> None:
        self._table = table
        self._scale_fs = scale_fs
        self._builder = builder

    def tokenize(self, text: bytes, offset: int, *, is_last: bool) -> tuple[Tokens | None, int]:
        """Return the tokens and how many bytes were used: a vector's value at the end whose code has not come yet stays (unless last)."""
        blanks = b"\n" * _PAD
        buffer = np.frombuffer(b"".join((blanks, text, blanks)), np.uint8)
        offset -= _PAD
        blank = buffer <= 32
        blanks_at = np.flatnonzero(blank[_PAD - 1 : _PAD + len(text) + 1]) + (_PAD - 1)
        starts, ends = blanks_at[:-1] + 1, blanks_at[1:]
        is_token = starts < ends
        if not is_token[:-1].all():
            starts, ends = starts[is_token], ends[is_token]
        elif len(starts) and not is_token[-1]:
            starts, ends = starts[:-1], ends[:-1]
        if not len(starts):
            return None, len(text)
        kind = _kinds(buffer[starts])
        used = len(text)
        vectors = np.flatnonzero(kind == _VECTOR)
        if len(vectors):
            vectors = _values(vectors)
            if vectors[-1] == len(starts) - 1:
                if is_last:
                    self._complain("VCD cut short", "a value without an identifier code ends the file", int(starts[-1]) + offset)
                else:
                    used = int(starts[-1]) - _PAD
                starts, ends, kind, vectors = starts[:-1], ends[:-1], kind[:-1], vectors[:-1]
            kind[vectors + 1] = _CODE
        self._check_bytes(buffer[: _PAD + used], blank[: _PAD + used], offset)  # what stays for the next chunk is looked at there
        self._check_words(buffer, starts, ends, kind, offset)
        stamped, times_ns = self._times(buffer, starts, ends, np.flatnonzero(kind == _TIME), offset)

        changed = np.flatnonzero(kind == _SCALAR)
        code_at = starts[changed] + 1
        code_length = ends[changed] - code_at
        is_vector = None
        if len(vectors):
            is_good = self._good_values(buffer, starts, ends, vectors, offset)
            vectors = vectors[is_good]
            is_vector = np.concatenate((np.zeros(len(changed), np.bool_), np.ones(len(vectors), np.bool_)))
            changed = np.concatenate((changed, vectors))
            code_at = np.concatenate((code_at, starts[vectors + 1]))
            code_length = np.concatenate((code_length, ends[vectors + 1] - starts[vectors + 1]))
            order = np.argsort(changed, kind="stable")
            is_vector, changed, code_at, code_length = is_vector[order], changed[order], code_at[order], code_length[order]
        if len(changed) and code_length.min() == code_length.max() == 1:
            codes = buffer[code_at].astype(np.uint64)
        else:
            words = np.ndarray(len(buffer) - 7, "<u8", buffer, strides=(1,))
            codes = words[code_at] & _KEEP[np.minimum(code_length, _LONGEST_CODE)]
        known = self._table.knows(codes)
        too_long = np.flatnonzero(code_length > _LONGEST_CODE)
        if len(too_long):
            codes[too_long] = 0
            for i in too_long:
                known[i] = buffer[code_at[i] : code_at[i] + code_length[i]].tobytes() in self._table.long
        known &= code_length > 0
        if not known.all():
            self._refuse(
                buffer, starts, ends, changed[~known], offset, "unknown identifier code", "the file declares no such identifier code"
            )
            changed, codes = changed[known], codes[known]
            is_vector = is_vector[known] if is_vector is not None else None
        return Tokens(buffer, offset, starts, ends, stamped, times_ns, changed, codes, is_vector), used

    def _check_bytes(self, buffer: NDArray[np.uint8], blank: NDArray[np.bool_], offset: int) -> None:
        if np.count_nonzero(blank) == np.count_nonzero(buffer == ord("\n")):
            return  # the usual file: every blank is a line's end
        strange = np.flatnonzero(blank & ~_IS_BLANK[buffer])
        if len(strange):
            self._complain_all(
                "control character", strange + offset, lambda at: f"a byte 0x{buffer[at - offset]:02X}; a VCD is printable text"
            )

    def _check_words(
        self, buffer: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64], kind: NDArray[np.uint8], offset: int
    ) -> None:
        """Mark and report tokens that begin as nothing known does, hold bytes beyond printable ASCII, or are no keyword."""
        if buffer.max() > 126:
            strange = np.flatnonzero(buffer > 126)
            token = np.searchsorted(starts, strange, "right") - 1
            inside = token >= 0
            inside[inside] = strange[inside] < ends[token[inside]]  # others stand in a value that waits for its code
            kind[token[inside]] = _INVALID
        for i in np.flatnonzero(kind == _KEYWORD):
            if buffer[starts[i] : ends[i]].tobytes() not in _KEYWORDS:
                kind[i] = _INVALID
        invalid = np.flatnonzero(kind == _INVALID)
        if len(invalid):
            self._refuse(buffer, starts, ends, invalid, offset, "no VCD record", "expected a time stamp, a value change or a keyword")

    def _times(
        self, buffer: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64], stamped: NDArray[np.int64], offset: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the time stamps that are numbers, and their nanoseconds, rounded half-even."""
        end = ends[stamped]
        digits = end - starts[stamped] - 1
        last = np.ndarray(len(buffer) - 15, "V16", buffer, strides=(1,))[end - 16].view("<u8").reshape(-1, 2)  # one load for both words
        held = np.minimum(digits, _DIGITS_AT_ONCE)
        low, is_number = _eight_digits(last[:, 1], _LOW_DIGITS[held])
        if len(digits) and digits.max() > 8:
            mask = _HIGH_DIGITS[held]
            high_words = last[:, 0] & mask
            runs = np.flatnonzero(np.append(True, high_words[1:] != high_words[:-1]))  # the leading digits seldom change
            lengths = np.diff(np.append(runs, len(end)))
            high, is_high_number = _eight_digits(high_words[runs], mask[runs])
            low += np.repeat(high * 100_000_000, lengths)
            is_number &= np.repeat(is_high_number, lengths)
        is_number &= digits > 0
        times = self._nanoseconds(low, is_number)
        for i in np.flatnonzero(digits > _DIGITS_AT_ONCE):
            text = buffer[starts[stamped[i]] + 1 : end[i]].tobytes()
            value = round_ratio(int(text), self._scale_fs, FS_PER_NS) if text.isdigit() and len(text) < 1000 else NS_LIMIT
            is_number[i], times[i] = value < NS_LIMIT, min(value, NS_LIMIT)
        if not is_number.all():
            self._refuse(
                buffer, starts, ends, stamped[~is_number], offset, "bad time stamp", "expected # and a whole number that is not too large"
            )
            stamped, times = stamped[is_number], times[is_number]
        return stamped, times

    def _nanoseconds(self, stamps: NDArray[np.int64], is_number: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return the times of stamps below 10**16; those beyond ``NS_LIMIT`` are marked as no numbers."""
        if self._scale_fs >= FS_PER_NS:
            factor = self._scale_fs // FS_PER_NS
            if factor == 1:
                return stamps
            is_number &= stamps < NS_LIMIT // factor
            return np.where(is_number, stamps, 0) * np.int64(factor)
        divisor = np.int64(FS_PER_NS // self._scale_fs)
        quotient, rest = np.divmod(stamps, divisor)
        return np.asarray(quotient + ((2 * rest > divisor) | ((2 * rest == divisor) & (quotient & 1 == 1))))

    def _good_values(
        self, buffer: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64], vectors: NDArray[np.int64], offset: int
    ) -> NDArray[np.bool_]:
        """Return which of the vectors' and reals' values are well formed; the others are reported."""
        not_bits = np.concatenate((np.zeros(1, np.int32), np.cumsum(~_IS_BIT[buffer], dtype=np.int32)))
        first = starts[vectors] + 1
        is_bits = buffer[starts[vectors]] & 0xDF == ord("B")
        good = is_bits & (not_bits[ends[vectors]] == not_bits[first]) & (ends[vectors] > first)
        for i in np.flatnonzero(~is_bits):
            good[i] = _REAL.fullmatch(buffer[starts[vectors[i]] : ends[vectors[i]]].tobytes()) is not None
        if not good.all():
            self._refuse(buffer, starts, ends, vectors[~good], offset, "bad value", "expected b and bits of 0, 1, x, z, or r and a number")
        return np.asarray(good)

    def _refuse(
        self,
        buffer: NDArray[np.uint8],
        starts: NDArray[np.int64],
        ends: NDArray[np.int64],
        tokens: NDArray[np.int64],
        offset: int,
        kind: str,
        expected: str,
    ) -> None:
        def text(at: int) -> str:
            start = at - offset
            end = int(ends[np.searchsorted(starts, start)])
            return f"{buffer[start : min(end, start + 40)].tobytes().decode('ascii', 'backslashreplace')!r}: {expected}"

        self._complain_all(kind, starts[tokens] + offset, text)

    def _complain_all(self, kind: str, places: NDArray[np.int64], text: Callable[[int], str]) -> None:
        room = self._builder.room_for(kind)
        for at in places[:room].tolist():
            self._complain(kind, text(at), at)
        self._builder.count(kind, places[room:].tolist())

    def _complain(self, kind: str, text: str, at: int) -> None:
        self._builder.complain(kind, text, at)


def _kinds(first: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the kinds of tokens by their first characters; those that nearly all tokens begin with need no table."""
    is_time = first == ord("#")
    is_scalar = first & 0xFE == ord("0")
    kind = is_scalar * np.uint8(_SCALAR) + is_time * np.uint8(_TIME)
    others = np.flatnonzero(kind == 0)
    kind[others] = _CLASS[first[others]]
    return np.asarray(kind)


def _values(vectors: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return which tokens that begin as a vector's or real's value are one; a code may begin so, too, but only right behind a value."""
    begins = np.empty(len(vectors), np.bool_)
    begins[0] = True
    np.not_equal(vectors[1:] - vectors[:-1], 1, out=begins[1:])
    run = vectors[np.maximum.accumulate(np.where(begins, np.arange(len(vectors)), 0))]
    return np.asarray(vectors[(vectors - run) % 2 == 0])


def _eight_digits(words: NDArray[np.uint64], mask: NDArray[np.uint64]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the numbers that eight characters spell, of which ``mask`` keeps the last few, and whether all of these are digits.

    All eight are folded in the register: the first character stands in the lowest byte, so pairs, then fours, then eights are joined.
    """
    digits = (words ^ np.uint64(0x3030303030303030)) & mask
    is_number = (digits | digits + np.uint64(0x0606060606060606)) & np.uint64(0xF0F0F0F0F0F0F0F0) == 0
    digits = (digits * np.uint64(10) + (digits >> np.uint64(8))) & np.uint64(0x00FF00FF00FF00FF)
    digits = (digits * np.uint64(100) + (digits >> np.uint64(16))) & np.uint64(0x0000FFFF0000FFFF)
    digits = (digits * np.uint64(10_000) + (digits >> np.uint64(32))) & np.uint64(0x00000000FFFFFFFF)
    return digits.view(np.int64), is_number
