"""All messages of one register or frame at once: grouped by length and layout, each field decoded by column."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import cast

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.columns import LAYOUT_UNKNOWN, NO_LAYOUT, Check, FieldColumn, FieldId, MessageColumns, ResolvedMeaning
from regcheck.codec.end_to_end import Guard
from regcheck.codec.exact_columns import Exact
from regcheck.codec.field_plan import CODE, Context, Piece, empty_piece, evaluate
from regcheck.codec.forms import MOST_ELEMENTS, FieldForm, message_form
from regcheck.codec.formulas import Sensors
from regcheck.codec.framing import Fault, Framed, matrix, same_keys
from regcheck.codec.own_checks import own_check
from regcheck.codec.payload import STRINGS
from regcheck.codec.states import States
from regcheck.device_map.model import WORDY_TYPES, Message, RegisterMap, Status
from regcheck.device_map.places import bit_numbers
from regcheck.traffic.batch import Batch


class _Gathered:
    """What is found of one message's rows: pieces by field and element, layouts, checks, lengths."""

    def __init__(self, count: int) -> None:
        self.pieces: dict[tuple[str, int | None], list[Piece]] = {}
        self.layout = np.full(count, NO_LAYOUT, np.int16)
        self.check = np.full(count, -1, np.int8)
        self.misfit = np.zeros(count, np.bool_)

    def add(self, name: str, element: int | None, piece: Piece) -> None:
        if len(piece.rows):
            self.pieces.setdefault((name, element), []).append(piece)


class MessagePlan:
    """Decodes columns of one message; equal to MessageParser, to the last bit."""

    def __init__(self, register_map: RegisterMap, message: Message, sensors: Sensors) -> None:
        self.message = message
        self.form = message_form(register_map, message, sensors, timed=True)
        self.first_forms: dict[str, FieldForm] = {}
        for form in (*self.form.fields, *(one for layout in self.form.layouts for one in layout.fields)):
            self.first_forms.setdefault(form.field.name, form)
        self.meanings: dict[str, list[ResolvedMeaning]] = {}
        self.is_checked = message.protect is not None or any(field.check is not None for field in message.all_fields())

    def decode(
        self,
        batch: Batch,
        framed: Framed,
        states: States,
        *,
        written: bool = False,
        selected: NDArray[np.bool_] | None = None,
        instance: str = "",
        guard: Guard | None = None,
    ) -> MessageColumns:
        """Return the columns of framed rows. ``selected`` bool[n] is False for an indirect read whose selector is not known.

        ``states`` are as the device ``instance`` sees them (``States.of``), ``guard`` is the protection of its frames.
        """
        count = len(framed.rows)
        time = batch.time[framed.rows]
        gathered = _Gathered(count)
        readable = ~framed.refused if selected is None else ~framed.refused & selected
        if selected is not None:
            for name, form in self.first_forms.items():
                if any(form is one for one in self.form.fields):
                    rows = np.flatnonzero(~framed.refused & ~selected)
                    gathered.add(name, None, empty_piece(rows, Status.UNSELECTED, wordy=form.field.type in WORDY_TYPES))
        rows = np.flatnonzero(readable)
        lengths = framed.came[rows] << 16 | framed.declared[rows]
        for key, group in same_keys(lengths):
            here = rows[group]
            first, moments = (framed.first, time) if len(here) == count else (framed.first[here], time[here])
            payloads = matrix(batch, first, key >> 16)
            named = self.form.named(NO_LAYOUT)
            context = Context(self.message, named, payloads, key & 0xFFFF, moments, here, states, self.meanings, guard)
            self._group(context, gathered)
        return self._columns(batch, framed, time, gathered, written, instance)

    def _group(self, context: Context, gathered: _Gathered) -> None:
        for form in self.form.fields:
            self._field(context, form, gathered)
        if not self.form.layouts:
            self._finish(context, NO_LAYOUT, gathered)
            return
        chosen = np.full(len(context.rows), NO_LAYOUT, np.int64)
        pending = np.ones(len(context.rows), np.bool_)
        for index, layout in enumerate(self.form.layouts):
            asking = replace(context, named=self.form.named(index), memo={}) if layout.asks_own else context
            holds = asking.truth(layout.when, {})
            chosen[pending & (holds == 1)] = index
            chosen[pending & (holds < 0)] = LAYOUT_UNKNOWN
            pending &= holds == 0
        gathered.layout[context.rows] = chosen
        for index, rows in same_keys(chosen):
            inner = context.take(rows, self.form.named(max(index, NO_LAYOUT)))
            if index == LAYOUT_UNKNOWN:
                for name, form in self.first_forms.items():
                    if name not in context.named:
                        gathered.add(name, None, empty_piece(inner.rows, Status.UNSELECTED, wordy=form.field.type in WORDY_TYPES))
            for form in self.form.layouts[index].fields if index >= 0 else ():
                self._field(inner, form, gathered)
            self._finish(inner, index, gathered)

    def _finish(self, context: Context, layout: int, gathered: _Gathered) -> None:
        if self.is_checked:
            gathered.check[context.rows] = own_check(context)
        length, formula = self.form.length_of(max(layout, NO_LAYOUT))
        came = context.payloads.shape[1]
        if formula is not None:
            wanted = context.numbers(formula, {})
            wrong = np.array([value is not None and value != came for value in wanted.values])[wanted.codes]
            gathered.misfit[context.rows] = wrong
        elif length is not None and not (length.low <= came and (length.high is None or came <= length.high)):
            gathered.misfit[context.rows] = True

    def _field(self, context: Context, form: FieldForm, gathered: _Gathered) -> None:
        field, each = form.field, form.field.each
        if each is None:
            gathered.add(field.name, None, self._element(context, form, 0, {}))
            return
        count = len(context.rows)
        last: NDArray[np.int64]
        if not each.variable:
            last = np.full(count, each.first, np.int64)
        elif each.last is None:
            fitting = 0
            while (
                fitting < MOST_ELEMENTS
                and (bits := bit_numbers(field.where, context.declared, fitting * each.step))
                and max(bits) < 8 * context.declared
            ):
                fitting += 1
            last = np.full(count, each.first + fitting - 1, np.int64)
        else:
            assert form.last is not None  # noqa: S101 - it stands beside each.last
            counted = context.numbers(form.last, {})
            is_count = [value is not None and value.denominator == 1 and value - each.first < MOST_ELEMENTS for value in counted.values]
            table = np.array(
                [int(value) if good and value is not None else -1 for value, good in zip(counted.values, is_count, strict=True)], np.int64
            )
            known = np.array(is_count)[counted.codes]
            last = np.where(known, np.maximum(table[counted.codes], each.first - 1), each.first - 1)
            if not known.all():
                self._unnumbered(context.rows[~known], form, gathered)
        numbered = np.ones(count, np.bool_)
        if form.number is not None:  # a message with one element whose number is not known has none that could be named
            for variable in range(each.first, int(last.max(initial=each.first - 1)) + 1):
                numbers = context.numbers(form.number, self._local(each.variable, variable, count))
                good = np.array([value is not None and value.denominator == 1 and value >= 0 for value in numbers.values])[numbers.codes]
                numbered &= good | (last < variable)
            if not numbered.all():
                self._unnumbered(context.rows[~numbered], form, gathered)
        for index in range(int(last[numbered].max(initial=each.first - 1)) - each.first + 1):
            variable = each.first + index
            rows = np.flatnonzero(numbered & (last >= variable))
            inner = context.take(rows)
            local = self._local(each.variable, variable, len(rows))
            piece = self._element(inner, form, index * each.step, local)
            if form.number is None:
                gathered.add(field.name, variable, piece)
                continue
            numbers = inner.numbers(form.number, local)
            for code, at in same_keys(numbers.codes):
                value = numbers.values[code]
                if value is not None:
                    gathered.add(field.name, int(value), piece if len(at) == len(piece.rows) else piece.take(at))

    def _local(self, variable: str, value: int, count: int) -> Mapping[str, Exact]:
        return {variable: Exact.constant(Fraction(value), count)} if variable else {}

    def _unnumbered(self, rows: NDArray[np.int64], form: FieldForm, gathered: _Gathered) -> None:
        gathered.add(form.field.name, None, empty_piece(rows, Status.UNSELECTED, wordy=form.field.type in WORDY_TYPES))

    def _element(self, context: Context, form: FieldForm, step: int, local: Mapping[str, Exact]) -> Piece:
        bits = context.place(form.field, step)
        if bits is None:
            return empty_piece(context.rows, Status.ABSENT, wordy=form.field.type in WORDY_TYPES)
        return evaluate(context, form, bits, local)

    def _columns(
        self, batch: Batch, framed: Framed, time: NDArray[np.int64], gathered: _Gathered, written: bool, instance: str
    ) -> MessageColumns:
        count = len(framed.rows)
        check, verified = framed.check, framed.verified
        if self.is_checked:
            check = framed.check.copy()
            check[gathered.check == 0] = Check.BAD
            check[(gathered.check == 1) & (check == Check.NONE)] = Check.GOOD
            verified = framed.verified & (gathered.check != 0)
        failed = None if verified.all() else ~verified
        if self.message.length is None:
            for pieces in gathered.pieces.values():
                for piece in pieces:
                    absent = piece.rows[piece.status == CODE[Status.ABSENT]]
                    gathered.misfit[absent] |= self._has_no_length(gathered.layout[absent])
        fault = framed.fault
        if gathered.misfit.any():
            fault = framed.fault.copy()
            fault[gathered.misfit & np.isin(fault, [Fault.NONE, Fault.HOST_END])] = Fault.LENGTH
        order = {name: index for index, name in enumerate(self.first_forms)}
        fields: dict[FieldId, FieldColumn] = {}
        for name, element in sorted(gathered.pieces, key=lambda key: (order[key[0]], -1 if key[1] is None else key[1])):
            piece = _join(gathered.pieces[name, element])
            if failed is not None:
                piece = _spoil(piece, failed, array=element is not None)
            if len(piece.rows):
                fields[FieldId(self.message.name, name, element, instance)] = self._column(name, piece, count)
        return MessageColumns(
            message=self.message,
            time=time,
            end=time if batch.end is batch.time else batch.end[framed.rows],
            index=framed.rows,
            place=batch.place[framed.rows],
            check=check,
            fault=fault,
            length=framed.came.astype(np.uint16),
            fields=fields,
            instance=instance,
            written=written,
            layout=gathered.layout,
        )

    def _has_no_length(self, layout: NDArray[np.int16]) -> NDArray[np.bool_]:
        table = np.array([self.form.length_of(index)[0] is None for index in range(NO_LAYOUT, len(self.form.layouts))])
        return np.asarray(table[np.maximum(layout, NO_LAYOUT) + 1], np.bool_)

    def _column(self, name: str, piece: Piece, count: int) -> FieldColumn:
        field = self.first_forms[name].field
        whole = len(piece.rows) == count
        texts = None if piece.texts is None else tuple(piece.texts)
        if field.type in STRINGS and texts is None:
            texts = ("",) * len(piece.rows)
        return FieldColumn(
            field=field,
            raw=piece.raw,
            bits=piece.bits,
            status=piece.status,
            meaning=piece.meaning,
            meanings=tuple(self.meanings.get(name, ())),
            code=piece.code,
            rows=None if whole else piece.rows,
            texts=texts,
            held=piece.held,
            plain=piece.plain,
            width=piece.width,
        )


def _join(pieces: list[Piece]) -> Piece:
    """Return pieces of one field as one, in order of the message's rows, as each piece has them."""
    if len(pieces) == 1:
        return pieces[0]
    rows = np.concatenate([piece.rows for piece in pieces])
    order = np.argsort(rows, kind="stable")
    texts: list[str] | None = None
    if any(piece.texts is not None for piece in pieces):
        flat = [text for piece in pieces for text in (piece.texts or [""] * len(piece.rows))]
        texts = [flat[index] for index in order.tolist()]
    held = None
    if any(piece.held is not None for piece in pieces):
        held = np.concatenate([piece.held if piece.held is not None else np.ones(len(piece.rows), np.bool_) for piece in pieces])[order]
    unsigned = any(piece.raw.dtype == np.uint64 for piece in pieces)
    raws = [piece.raw.astype(np.uint64 if unsigned else np.int64, copy=False) for piece in pieces]
    return Piece(
        rows[order],
        cast("NDArray[np.int64]", np.concatenate(raws)[order]),
        np.concatenate([piece.bits for piece in pieces])[order],
        np.concatenate([piece.status for piece in pieces])[order],
        np.concatenate([piece.meaning for piece in pieces])[order],
        np.concatenate([piece.code for piece in pieces])[order],
        texts,
        held,
        all(piece.plain for piece in pieces),
        max(piece.width for piece in pieces),
    )


def _spoil(piece: Piece, of_messages: NDArray[np.bool_], *, array: bool) -> Piece:
    """Return a piece with every row of a message whose check failed as bad_check; elements that such a message lacks are no readings."""
    failed = of_messages[piece.rows]
    if not failed.any():
        return piece
    absent = piece.status == CODE[Status.ABSENT]
    piece.plain = False
    piece.status = np.where(failed & ~absent, CODE[Status.BAD_CHECK], piece.status)
    return piece.keep(~(failed & absent)) if array and (failed & absent).any() else piece
