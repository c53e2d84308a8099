"""`regcheck decode --format parquet` as typed."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path

import pytest

pl = pytest.importorskip("polars")

SHIPPED = Path(__file__).parents[2]


def test_the_files_hold_what_the_lines_hold(cli, tmp_path):
    capture = str(SHIPPED / "captures" / "ridge-4s-log")
    assert cli("decode", capture, "--format", "parquet", "-o", str(tmp_path / "readings"))[:2] == (0, "")
    lines = [json.loads(line, parse_float=Decimal) for line in cli("decode", capture, "--format", "jsonl")[1].splitlines()]
    names = list(dict.fromkeys(line["message"] for line in lines))
    assert sorted(path.name for path in (tmp_path / "readings").iterdir()) == sorted(f"message={name}" for name in names)
    for name in names:
        (file,) = (tmp_path / "readings" / f"message={name}").iterdir()
        own = [line for line in lines if line["message"] == name]
        frame = pl.read_parquet(file, hive_partitioning=False)
        assert [row["field"] for row in frame.to_dicts()] == [line["field"] for line in own]
        for row, line in zip(frame.to_dicts(), own, strict=True):
            assert row["time"] == line["time"]
            assert row["value"] == (None if line["value"] is None else float(line["value"]))
            assert {key: row[key] for key in ("bus", "instance", "raw", "unit", "status", "text")} == {
                key: line[key] for key in ("bus", "instance", "raw", "unit", "status", "text")
            }
        assert all(path.split(".")[0] == name for path in json.loads(pl.read_parquet_metadata(file).get("units", "{}")))
    # and a query of the folder as a whole knows the message from its folder
    whole = pl.scan_parquet(tmp_path / "readings").filter(pl.col("message") == "voltage").collect()
    assert set(whole["unit"]) == {"mV"}


def test_only_some_fields(cli, tmp_path):
    capture = str(SHIPPED / "captures" / "ridge-4s-log")
    code, _, err = cli("decode", capture, "-f", "parquet", "-o", str(tmp_path / "r"), "--field", "cell_voltage[3]", "--field", "voltage")
    assert (code, sorted(path.name for path in (tmp_path / "r").iterdir())) == (0, ["message=cells", "message=voltage"])
    assert set(pl.read_parquet(tmp_path / "r" / "message=cells")["field"]) == {"cell_voltage[3]"}
    assert "no reading of --field" not in err


def test_wrong_uses(cli, tmp_path):
    capture = str(SHIPPED / "captures" / "ridge-4s-log")
    assert cli("decode", capture, "--format", "parquet") == (
        2,
        "",
        "regcheck: --format parquet takes --output FOLDER: a new folder, in which each message has files of its own\n",
    )
    assert cli("decode", capture, "--format", "parquet", "-o", str(tmp_path)) == (
        2,
        "",
        f"regcheck: {tmp_path}: is there already; name a new folder\n",
    )
    assert list(tmp_path.iterdir()) == []
