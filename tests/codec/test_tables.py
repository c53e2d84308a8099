"""Data frames of readings hold what the rows of `decode` hold, exactly."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from regcheck.checks.run import decoded_batches
from regcheck.codec.joined import Joiner
from regcheck.codec.readings import rows
from regcheck.codec.tables import table_schema, tables, units_of
from regcheck.device_map.compile import load_map
from regcheck.traffic.open import open_capture

pl = pytest.importorskip("polars")

SHIPPED = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("map_name", "capture"),
    [("ridge_4s", "ridge-4s-log/bus.jsonl"), ("scarp_96", "scarp-96/bus.log.gz"), ("scarp_96", "scarp-96-good/bus.log.gz")],
)
def test_frames_hold_what_rows_hold(map_name: str, capture: str) -> None:
    register_map = load_map(SHIPPED / "maps" / f"{map_name}.yaml")
    opened = open_capture(SHIPPED / "captures" / capture, batch_size=2_000)
    found = pl.concat(tables(register_map, decoded_batches(register_map, opened)))
    joiner = Joiner(register_map)
    expected = [row for decoded in decoded_batches(register_map, opened) for row in joiner.rows(rows(decoded.batch, decoded))]
    assert dict(found.schema) == dict(table_schema(register_map))
    assert len(found) == len(expected) > 1000
    got = found.rows()
    for row, (time, bus, instance, message, field, raw, value, unit, status, text) in zip(expected, got, strict=True):
        assert (row.bus, row.instance, row.message, row.field, row.unit, row.status, row.text) == (
            bus,
            instance,
            message,
            field,
            unit,
            status,
            text,
        )
        assert time == Decimal(row.time_ns) / 10**9
        assert raw == row.raw
        assert value == (None if row.value is None else float(row.value))


def test_units_stand_by_path() -> None:
    units = units_of(load_map(SHIPPED / "maps" / "ridge_4s.yaml"))
    assert units["voltage"] == "mV"
    assert units["cells.cell_voltage"] == "mV"
    assert units["remaining_capacity"] == "mAh | mWh"
