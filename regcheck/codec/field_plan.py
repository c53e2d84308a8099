"""One field of many messages at once: bits out of a matrix of payloads, statuses, meanings and texts as columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.columns import STATUSES, ResolvedMeaning
from regcheck.codec.end_to_end import Guard
from regcheck.codec.exact_columns import Exact, combinations, distinct
from regcheck.codec.forms import MOST_ELEMENTS, FieldForm
from regcheck.codec.formulas import Condition, Quantity
from regcheck.codec.number_formats import code_values, typed_raw_column
from regcheck.codec.payload import STRINGS, known_number, string_text, word_text
from regcheck.codec.states import States
from regcheck.device_map.model import Field, FieldType, Message, Status
from regcheck.device_map.places import BytesPlace, Order, bit_numbers, transmitted

CODE = {status: np.uint8(index) for index, status in enumerate(STATUSES)}
WORDED = frozenset({FieldType.DATE, FieldType.UNIX_TIME, FieldType.VERSION})


@lru_cache(maxsize=4096)
def _steps(bits: tuple[int, ...]) -> tuple[tuple[int, int, int, int], ...]:
    """Return a place as (byte, shift, mask, weight) steps: runs of bits that stand together in one byte."""
    steps: list[tuple[int, int, int, int]] = []
    start = 0
    for index in range(1, len(bits) + 1):
        if index == len(bits) or bits[index] != bits[index - 1] + 1 or bits[index] % 8 == 0:
            width = index - start
            steps.append((bits[start] // 8, bits[start] % 8, (1 << width) - 1, start))
            start = index
    return tuple(steps)


@lru_cache(maxsize=4096)
def _whole_bytes(bits: tuple[int, ...]) -> tuple[int, int, str] | None:
    """Return first byte, end and byte order of a place that is 2, 4 or 8 bytes side by side."""
    if len(bits) not in (16, 32, 64):
        return None
    size, low = len(bits) // 8, min(bits)
    if bits == tuple(range(low, low + len(bits))) and low % 8 == 0:
        return low // 8, low // 8 + size, "<"
    if low % 8 == 0 and bits == tuple(low + 8 * byte + bit for byte in reversed(range(size)) for bit in range(8)):
        return low // 8, low // 8 + size, ">"
    return None


@lru_cache(maxsize=4096)
def _window(bits: tuple[int, ...], length: int) -> tuple[int, int, int, bool] | None:
    """Return eight bytes that hold a place of several, as (first byte, shift, mask, little-endian); None where none of ``length`` do."""
    first, last = min(bits) // 8, max(bits) // 8
    if first == last or last - first > 7 or length < 8:
        return None
    byte = min(first, length - 8)
    low, mask = bits[0] - 8 * byte, (1 << len(bits)) - 1
    if bits == tuple(range(bits[0], bits[0] + len(bits))):
        return byte, low, mask, True
    sent = [transmitted(bit) for bit in bits]
    if sent == list(range(sent[0], sent[0] - len(bits), -1)):
        return byte, 8 * byte + 63 - sent[0], mask, False
    return None


def extract(payloads: NDArray[np.uint8], bits: tuple[int, ...]) -> NDArray[np.uint64]:
    """Return the codes at a place of every payload: u1[n, length] -> u8[n]; ``bits`` are numbers, least significant first."""
    window = _window(bits, payloads.shape[1])
    if window is not None:
        byte, shift, mask, is_little = window
        word: NDArray[np.uint64] = payloads[:, byte : byte + 8].view("<u8")[:, 0]
        word = (word if is_little else word.byteswap()) >> np.uint64(shift)
        if mask >> (64 - shift):
            return word
        word &= np.uint64(mask)
        return word
    side_by_side = _whole_bytes(bits)
    if side_by_side is not None:
        first, end, order = side_by_side
        return payloads[:, first:end].view(np.dtype(f"{order}u{end - first}"))[:, 0].astype(np.uint64)
    out: NDArray[np.uint64] | None = None
    for byte, shift, mask, weight in _steps(bits):
        part = payloads[:, byte]
        if shift:
            part = part >> np.uint8(shift)
        if mask != 0xFF >> shift:
            part = part & np.uint8(mask)
        wide = part.astype(np.uint64)
        if weight:
            wide <<= np.uint64(weight)
        if out is None:
            out = wide
        else:
            out |= wide
    return out if out is not None else np.zeros(len(payloads), np.uint64)


@dataclass(slots=True, eq=False)
class Piece:
    """One field or element of some messages: arrays as in FieldColumn, ``rows`` their indexes among the message's own."""

    rows: NDArray[np.int64]
    raw: NDArray[np.int64]
    bits: NDArray[np.uint64]
    status: NDArray[np.uint8]
    meaning: NDArray[np.uint32]
    code: NDArray[np.uint16]
    texts: list[str] | None = None
    held: NDArray[np.bool_] | None = None
    plain: bool = False
    width: int = 64

    def keep(self, mask: NDArray[np.bool_]) -> Piece:
        """Return some of the rows."""
        return self.take(np.flatnonzero(mask))

    def take(self, at: NDArray[np.int64]) -> Piece:
        """Return some of the rows, by their places here."""
        texts = None if self.texts is None else [self.texts[one] for one in at.tolist()]
        held = None if self.held is None else self.held.take(at)
        numbers = self.rows.take(at), self.raw.take(at), self.bits.take(at)
        return Piece(*numbers, self.status.take(at), self.meaning.take(at), self.code.take(at), texts, held, self.plain, self.width)


def empty_piece(rows: NDArray[np.int64], status: Status, *, wordy: bool) -> Piece:
    """Return rows that have no bits."""
    count = len(rows)
    zeros = np.zeros(count, np.int64)
    return Piece(
        rows,
        zeros,
        zeros.view(np.uint64),
        np.full(count, CODE[status], np.uint8),
        np.zeros(count, np.uint32),
        np.zeros(count, np.uint16),
        [""] * count if wordy else None,
        np.zeros(count, np.bool_),
    )


@dataclass(slots=True, eq=False)
class Context:
    """Messages of one kind and length: n payloads, and what their conditions may ask for.

    ``payloads`` u1[n, came]; ``declared`` bytes that each should have; ``time`` i8[n] ns; ``rows`` i8[n] their indexes among all.
    ``meanings`` collects each field's resolved meanings, the same list for every context of a message.
    """

    message: Message
    named: Mapping[str, FieldForm]
    payloads: NDArray[np.uint8]
    declared: int
    time: NDArray[np.int64]
    rows: NDArray[np.int64]
    states: States
    meanings: dict[str, list[ResolvedMeaning]]
    guard: Guard | None = None
    memo: dict[str, Exact] = dataclass_field(default_factory=dict)

    def take(self, rows: NDArray[np.int64], named: Mapping[str, FieldForm] | None = None) -> Context:
        """Return some of the messages, with other fields in force."""
        if named is None and len(rows) == len(self.rows):
            return self
        return Context(
            self.message,
            named or self.named,
            self.payloads[rows],
            self.declared,
            self.time[rows],
            self.rows[rows],
            self.states,
            self.meanings,
            self.guard,
        )

    def place(self, field: Field, step: int) -> tuple[int, ...] | None:
        """Return the bits of a place, None where the payloads are too short for it."""
        bits = bit_numbers(field.where, self.declared, step)
        return bits if bits and min(bits) >= 0 and max(bits) < 8 * self.payloads.shape[1] else None

    def exact(self, variable: str, local: Mapping[str, Exact]) -> Exact:
        """Return a variable's values."""
        if variable in local:
            return local[variable]
        count = len(self.rows)
        if variable == "length":
            return Exact.constant(Fraction(self.payloads.shape[1]), count)
        if variable == "last":
            return Exact.constant(Fraction(self.declared - 1), count)
        if variable not in self.memo:
            self.memo[variable] = Exact.constant(None, count)  # a condition that asks for itself finds nothing known
            self.memo[variable] = self.own(variable[1:]) if variable.startswith(".") else self.states.at(variable, self.time)
        return self.memo[variable]

    def own(self, variable: str) -> Exact:
        """Return what the messages' own field is worth in a condition."""
        name, _, view = variable.partition("#")
        name, bracket, index = name.partition("[")
        form = self.named.get(name)
        nothing = Exact.constant(None, len(self.rows))
        if form is None or form.is_array != bool(bracket) or form.number is not None:
            return nothing
        local: dict[str, Exact] = {}
        step = 0
        if bracket:
            each, number = form.field.each, int(index[:-1])
            assert each is not None  # noqa: S101 - it is an array
            last = None if each.last is None or form.last is None else self.numbers(form.last, {})
            if number < each.first or number - each.first >= MOST_ELEMENTS:
                return nothing
            step, local = (number - each.first) * each.step, {each.variable: Exact.constant(Fraction(number), len(self.rows))}
            counted = None if last is None else np.array([_reaches(value, number, each.first) for value in last.values])[last.codes]
        else:
            counted = None
        bits = self.place(form.field, step)
        if bits is None:
            return nothing
        piece = evaluate(self, form, bits, local)
        return self.worth(form, piece, bits, view, counted)

    def worth(self, form: FieldForm, piece: Piece, bits: tuple[int, ...], view: str, counted: NDArray[np.bool_] | None) -> Exact:
        """Return what a piece of the field itself is worth; ``counted`` says which rows have the element at all."""
        known = np.ones(len(self.rows), np.bool_) if view else piece.status == 0
        if piece.held is not None:
            known &= piece.held
        if counted is not None:
            known &= counted
        if view:
            return Exact.of_integers(piece.raw, known)
        meanings = self.meanings[form.field.name]
        if form.field.type in STRINGS:
            return Exact.constant(None, len(self.rows))
        codes, rows = combinations([Exact.of_integers(piece.raw), Exact.of_integers(piece.meaning)], len(piece.raw))
        values = tuple(
            known_number(form.field, len(bits), int(raw or 0), meanings[int(meaning or 0)]) if meanings else None for raw, meaning in rows
        )
        return Exact(np.where(known, codes, len(values)), (*values, None))

    def truth(self, condition: Condition, local: Mapping[str, Exact]) -> NDArray[np.int8]:
        """Return whether a condition holds, i1[n]: 1, 0, or -1 for not known."""
        lasting = {name: self.states.has_lasted(inner, duration, self.time, self.message) for name, inner, duration in condition.lasting}
        columns = [lasting[name] if name in lasting else self.exact(name, local) for name in condition.variables]
        codes, rows = combinations(columns, len(self.rows))
        return np.array([condition.verdict(row) for row in rows] or [0], np.int8)[codes]

    def numbers(self, quantity: Quantity, local: Mapping[str, Exact]) -> Exact:
        """Return a formula's values."""
        if quantity.constant is not None:
            return Exact.constant(quantity.constant, len(self.rows))
        codes, rows = combinations([self.exact(name, local) for name in quantity.variables], len(self.rows))
        return Exact(codes, tuple(quantity.of_row(row) for row in rows) or (None,))


def _reaches(last: Fraction | None, number: int, first: int) -> bool:
    return last is not None and last.denominator == 1 and last - first < MOST_ELEMENTS and number <= last


def choose_meanings(context: Context, form: FieldForm, local: Mapping[str, Exact]) -> tuple[NDArray[np.uint32], NDArray[np.bool_] | None]:
    """Return each row's meaning as an index into ``context.meanings``, and which rows have none that is known (None: no row)."""
    known = context.meanings.setdefault(form.field.name, [])

    def index_of(resolved: ResolvedMeaning) -> int:
        for index, one in enumerate(known):
            if one is resolved:
                return index
        known.append(resolved)
        return len(known) - 1

    count = len(context.rows)
    if form.is_fixed:
        resolved = form.constant
        chosen = np.zeros(count, np.uint32)
        if resolved is None:
            return chosen, np.ones(count, np.bool_)
        chosen[:] = index_of(resolved)
        return chosen, None
    chosen = np.zeros(count, np.uint32)
    lost = np.zeros(count, np.bool_)
    negative = np.zeros(count, np.int8) if form.negative_when is None else context.truth(form.negative_when, local)
    pending = negative >= 0
    lost |= ~pending
    for meaning in form.meanings:
        holds = np.ones(count, np.int8) if meaning.when is None else context.truth(meaning.when, local)
        lost |= pending & (holds < 0)
        rows = np.flatnonzero(pending & (holds == 1))
        pending &= holds == 0
        if not len(rows):
            continue
        columns = [context.exact(name, local) for name in meaning.variables]
        sign = Exact(negative.astype(np.int64), (Fraction(0), Fraction(1)))
        codes, combined = combinations([column.take(rows) for column in (sign, *columns)], len(rows))
        table = []
        for row in combined:
            resolved = meaning.resolve(dict(zip(meaning.variables, row[1:], strict=True)).get, negative=bool(row[0]))
            table.append(-1 if resolved is None else index_of(resolved))
        found = np.array(table, np.int64)[codes]
        chosen[rows] = np.maximum(found, 0)
        lost[rows] |= found < 0
    lost |= pending
    return chosen, lost


def code_numbers(field: Field, bits: NDArray[np.uint64]) -> NDArray[np.uint16]:
    """Return the index + 1 of each code's word in ``field.codes``, 0 for none."""
    out = np.zeros(len(bits), np.uint16)
    for number, code in reversed(list(enumerate(field.codes, 1))):
        if code.first == code.last:
            out[bits == np.uint64(code.first)] = number
        else:
            out[(bits >= np.uint64(code.first)) & (bits <= np.uint64(code.last))] = number
    return out


@lru_cache(maxsize=64)
def _nothing(count: int) -> tuple[NDArray[np.uint8], NDArray[np.uint32], NDArray[np.uint16]]:
    """Return status, meaning and code of readings that are all good, by the first meaning: shared, so not to be written to."""
    made = np.zeros(count, np.uint8), np.zeros(count, np.uint32), np.zeros(count, np.uint16)
    for one in made:
        one.flags.writeable = False
    return made


def evaluate(context: Context, form: FieldForm, bits: tuple[int, ...], local: Mapping[str, Exact]) -> Piece:
    """Return one field or element of every message of a context; ``bits`` lie within the payloads."""
    field = form.field
    if field.type in STRINGS:
        return _strings(context, form, bits, local)
    count, width = len(context.rows), len(bits)
    code_bits = extract(context.payloads, bits)
    canonical = _versions(field, code_bits, width) if field.type is FieldType.VERSION else code_bits
    raw, numeric = typed_raw_column(field.type, canonical, width)
    known = context.meanings.setdefault(field.name, [])
    constant = form.constant if form.is_plain and numeric is None else None
    if constant is not None and (not known or known[0] is constant):
        if not known:
            known.append(constant)
        return Piece(context.rows, raw, code_bits, *_nothing(count), plain=True, width=width)
    if form.asks_raw:
        local = {**local, "raw": Exact.of_integers(raw)}
    chosen, lost = choose_meanings(context, form, local)
    status = np.zeros(count, np.uint8)
    for number, meaning in enumerate(context.meanings[field.name]):
        if meaning.convert is not None:
            rows = np.flatnonzero(chosen == number)
            status[rows[np.isnan(meaning.convert(raw[rows]))]] = CODE[Status.DEVICE_ERROR]
    if form.valid_when is not None:
        valid = context.truth(form.valid_when, local)
        status[valid == 0] = CODE[Status.NOT_VALID]
        status[valid < 0] = CODE[Status.UNSELECTED]
    if lost is not None:
        status[lost] = CODE[Status.UNSELECTED]
    texts = None
    if field.type in WORDED:
        different, index = distinct(raw)
        words = [word_text(field.type, int(one), width) for one in different]
        status[np.array([word is None for word in words] or [False])[index]] = CODE[Status.DEVICE_ERROR]
        texts = [words[at] or "" for at in index.tolist()]
    if field.type is FieldType.FLOAT:
        floats = code_values(FieldType.FLOAT, width)(raw)
        status[np.isinf(floats)] = CODE[Status.DEVICE_ERROR]
        status[np.isnan(floats)] = CODE[Status.NOT_AVAILABLE]
    if numeric is not None:
        status[~numeric] = CODE[Status.DEVICE_ERROR]
    code = code_numbers(field, code_bits)
    for coded, one in enumerate(field.codes, 1):
        status[code == coded] = CODE[one.status]
    return Piece(context.rows, raw, code_bits, status, chosen, code, texts)


def _versions(field: Field, bits: NDArray[np.uint64], width: int) -> NDArray[np.uint64]:
    is_little = isinstance(field.where, BytesPlace) and field.where.order is Order.LITTLE
    if not is_little or "order" in field.given_keys or width <= 8:
        return bits
    return bits.byteswap() >> np.uint64(64 - width)


def _strings(context: Context, form: FieldForm, bits: tuple[int, ...], local: Mapping[str, Exact]) -> Piece:
    field, count = form.field, len(context.rows)
    first, size = min(bits) // 8, len(bits) // 8
    data = np.ascontiguousarray(context.payloads[:, first : first + size])
    _, where, index = np.unique(data.view(np.dtype(f"S{size}"))[:, 0], return_index=True, return_inverse=True)
    different = [data[one].tobytes() for one in where.tolist()]
    words = [string_text(field, one) for one in different]
    status = np.zeros(count, np.uint8)
    if form.valid_when is not None:
        valid = context.truth(form.valid_when, local)
        status[valid == 0] = CODE[Status.NOT_VALID]
        status[valid < 0] = CODE[Status.UNSELECTED]
    status[np.array([word is None for word in words] or [False])[index]] = CODE[Status.DEVICE_ERROR]
    code = np.zeros(count, np.uint16)
    if field.codes:
        is_little = isinstance(field.where, BytesPlace) and field.where.order is Order.LITTLE
        numbers = [int.from_bytes(one, "little" if is_little else "big") for one in different]
        matches = [next((at for at, one in enumerate(field.codes, 1) if one.first <= number <= one.last), 0) for number in numbers]
        code = np.array(matches or [0], np.uint16)[index]
        for coded, known in enumerate(field.codes, 1):
            status[code == coded] = CODE[known.status]
    context.meanings.setdefault(field.name, [])
    zeros = np.zeros(count, np.int64)
    texts = [words[at] or "" for at in index.tolist()]
    return Piece(context.rows, zeros, zeros.view(np.uint64), status, np.zeros(count, np.uint32), code, texts, np.zeros(count, np.bool_))
