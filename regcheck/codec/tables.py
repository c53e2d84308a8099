"""Readings as polars data frames: the columns of `decode --format jsonl`, a row a reading, made by column and never one by one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.columns import NO_READING, STATUSES, FieldColumn, MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.joined import Joiner
from regcheck.codec.readings import Row, label_text, ordered_fields, rows
from regcheck.device_map.model import FieldType, RegisterMap, Status
from regcheck.device_map.places import place_width
from regcheck.errors import UsageError

if TYPE_CHECKING:
    import polars

_UNIT_SHOWN = (STATUSES.index(Status.GOOD), STATUSES.index(Status.NOT_VALID))
_NO_WORD = (STATUSES.index(Status.ABSENT), STATUSES.index(Status.BAD_CHECK))


def need_polars() -> None:
    """Raise UsageError where polars is not installed."""
    try:
        import polars  # noqa: F401
    except ImportError as error:
        raise UsageError("data frames and Parquet take polars, which is not installed: pip install 'regcheck[columns]'") from error


def table_schema(register_map: RegisterMap) -> Mapping[str, polars.DataType]:
    """Return names and types of the columns.

    ``time`` is in seconds, a decimal of nine places, exact; ``raw`` is Int64, or a decimal of 20 digits where the map has numbers of 64
    bits without a sign; ``value`` is the float64 nearest to the exact value.
    """
    import polars as pl

    words = dict.fromkeys(("bus", "instance", "message", "field"), pl.String())
    raw = pl.Decimal(20, 0) if _has_64_bits(register_map) else pl.Int64()
    return (
        {"time": pl.Decimal(28, 9)}
        | words
        | {"raw": raw, "value": pl.Float64(), "unit": pl.String(), "status": pl.String(), "text": pl.String()}
    )


def _has_64_bits(register_map: RegisterMap) -> bool:
    return any(
        (place_width(item.where) or 64) > 63 and any(meaning.type is FieldType.UNSIGNED for meaning in item.meanings)
        for message in register_map.messages
        for item in message.all_fields()
    )


def units_of(register_map: RegisterMap) -> dict[str, str]:
    """Return the unit of every field by its path (``message.field``); those of several meanings stand beside each other: ``mAh | mWh``."""
    found = {}
    for message in register_map.messages:
        for item in message.all_fields():
            symbols = dict.fromkeys(meaning.unit.symbol for meaning in item.meanings if meaning.unit is not None)
            if symbols:
                found[item.path] = " | ".join(symbols)
    return found


def table(register_map: RegisterMap, decoded: DecodedBatch) -> polars.DataFrame:
    """Return a batch's readings in order of time; within a message in order of the map, elements by number. Joined values are not in it."""
    import polars as pl

    schema = table_schema(register_map)
    parts: list[polars.DataFrame] = []
    for number, columns in enumerate(decoded.messages):
        parts += _message_parts(columns, decoded, number, schema["raw"])
    if not parts:
        return pl.DataFrame(schema=schema)
    whole = pl.concat(parts).sort("time_ns", "index", "number", "place", maintain_order=True)
    return _finished(whole, schema)


def tables(register_map: RegisterMap, batches: Iterable[DecodedBatch]) -> Iterator[polars.DataFrame]:
    """Give the readings of a capture's batches in order, and behind them, in order of time, the values that they join."""
    joiner = Joiner(register_map)
    names = {part.split(".")[0] for value in register_map.values.values() for part in value.join}
    joined = [message.name for message in register_map.messages if names & {message.name, *(item.name for item in message.all_fields())}]
    for decoded in batches:
        yield table(register_map, decoded)
        if joined:
            some = replace(decoded, messages=tuple(columns for columns in decoded.messages if columns.message.name in joined))
            found = [row for row in joiner.rows(rows(some.batch, some)) if row.message in register_map.values]
            if found:
                yield _of_rows(register_map, found)


def _finished(frame: polars.DataFrame, schema: Mapping[str, polars.DataType]) -> polars.DataFrame:
    import polars as pl

    seconds = pl.col("time_ns").cast(pl.Decimal(28, 0)) * pl.lit("0.000000001").cast(pl.Decimal(10, 9))
    return frame.with_columns(seconds.cast(schema["time"]).alias("time")).select(list(schema))


def _of_rows(register_map: RegisterMap, found: list[Row]) -> polars.DataFrame:
    import polars as pl

    schema = table_schema(register_map)
    values = [float(row.value) if row.value is not None else None for row in found]
    words = {key: [getattr(row, key) for row in found] for key in ("bus", "instance", "message", "field", "unit", "status", "text")}
    body = {"time_ns": [row.time_ns for row in found], "value": values, "raw": [row.raw for row in found]} | words
    types = {name: kind for name, kind in schema.items() if name != "time"} | {"time_ns": pl.Int64()}
    return _finished(pl.DataFrame(body, schema_overrides=types), schema)


def _message_parts(columns: MessageColumns, decoded: DecodedBatch, number: int, raw_type: polars.DataType) -> Iterator[polars.DataFrame]:
    """Give one frame a field: its readings, with what they are sorted by."""
    import polars as pl

    buses = np.array([name or "" for name in decoded.batch.buses], dtype=object)
    bus = buses[(decoded.batch.key[columns.index] >> np.uint64(48)).astype(np.int64)]
    for place, key in enumerate(ordered_fields(columns.fields)):
        column = columns.fields[key]
        there = column.status != NO_READING
        at = np.flatnonzero(there)
        if not len(at):
            continue
        own = at if column.rows is None else column.rows[at]
        yield pl.DataFrame(
            {
                "time_ns": columns.time[own],
                "index": columns.index[own],
                "bus": pl.Series(bus[own], dtype=pl.String),
                "raw": _raw(column, at, raw_type),
                "value": _values(column, at),
                "unit": _units(column, at),
                "status": _words([status.value for status in STATUSES], column.status[at]),
                "text": _texts(column, at),
            }
        ).with_columns(
            pl.lit(key.instance or None, dtype=pl.String).alias("instance"),
            pl.lit(key.message).alias("message"),
            pl.lit(key.field if key.element is None else f"{key.field}[{key.element}]").alias("field"),
            pl.lit(number, dtype=pl.Int64).alias("number"),
            pl.lit(place, dtype=pl.Int64).alias("place"),
        )


def _words(words: list[str | None], codes: NDArray[np.uint8] | NDArray[np.int64]) -> polars.Series:
    """Return ``words[code]`` for each code."""
    import polars as pl

    return pl.Series(words, dtype=pl.String).gather(codes.astype(np.uint32))


def _raw(column: FieldColumn, at: NDArray[np.int64], raw_type: polars.DataType) -> polars.Series:
    import polars as pl

    held = ~np.isin(column.status[at], STATUSES.index(Status.ABSENT))
    if column.held is not None:
        held &= column.held[at]
    numbers = pl.Series("raw", column.raw[at]).cast(raw_type)
    return numbers.set(pl.Series(~held), None) if not held.all() else numbers


def _values(column: FieldColumn, at: NDArray[np.int64]) -> polars.Series:
    import polars as pl

    if column.texts is not None or not column.meanings:
        return pl.Series("value", [None], dtype=pl.Float64).new_from_index(0, len(at))
    good = column.status[at] == 0
    return pl.Series("value", column.values()[at]).set(pl.Series(~good), None)


def _units(column: FieldColumn, at: NDArray[np.int64]) -> polars.Series:
    import polars as pl

    meanings = column.field.meanings
    if len(meanings) == 1:
        unit = meanings[0].unit
        return pl.Series("unit", [unit.symbol if unit is not None else None], dtype=pl.String).new_from_index(0, len(at))
    symbols: list[str | None] = [meaning.unit.symbol if meaning.unit is not None else None for meaning in column.meanings]
    shown = np.isin(column.status[at], _UNIT_SHOWN)
    return _words([*symbols, None], np.where(shown & bool(symbols), column.meaning[at].astype(np.int64), len(symbols)))


def _texts(column: FieldColumn, at: NDArray[np.int64]) -> polars.Series:
    """Return the word of a coded value, what a text says, or a good value's label."""
    import polars as pl

    item, status, code = column.field, column.status[at], column.code[at]
    coded = (code != 0) & ~np.isin(status, _NO_WORD)
    good = (status == 0) & ~coded
    if column.texts is not None:
        said = np.array(column.texts, dtype=object)[at]
        said[~good] = None
        texts = pl.Series("text", said, dtype=pl.String)
    elif item.names and good.any():
        bits, place = np.unique(column.bits[at][good], return_inverse=True)
        numbers = np.full(len(at), len(bits), np.int64)
        numbers[good] = place
        texts = _words([*(label_text(item, int(one)) for one in bits), None], numbers)
    else:
        texts = pl.Series("text", [None], dtype=pl.String).new_from_index(0, len(at))
    if coded.any():
        words = _words([None, *(one.word for one in item.codes)], np.where(coded, code, 0).astype(np.int64))
        texts = pl.select(pl.when(pl.lit(pl.Series(coded))).then(pl.lit(words)).otherwise(pl.lit(texts))).to_series()
    return texts.alias("text")
