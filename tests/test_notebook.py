"""Tables for notebooks: readings and findings as polars, pandas and arrow."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

import regcheck
from regcheck.errors import UsageError
from regcheck.report.tokens import TOKENS

pl = pytest.importorskip("polars")

SHIPPED = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def pack():
    return regcheck.load_map(SHIPPED / "maps" / "ridge_4s.yaml"), regcheck.open_capture(SHIPPED / "captures" / "ridge-4s-log" / "bus.jsonl")


def test_readings_are_the_same_in_every_library(pack):
    pytest.importorskip("pyarrow")
    pytest.importorskip("pandas")
    register_map, capture = pack
    frame = regcheck.readings(register_map, capture)
    table = regcheck.readings(register_map, capture, "arrow")
    pandas = regcheck.readings(register_map, capture, "pandas")
    assert frame.columns == table.column_names == list(pandas.columns)
    assert len(frame) == table.num_rows == len(pandas) == sum(1 for _ in regcheck.decode(*pack))
    voltages = frame.filter((pl.col("message") == "voltage") & (pl.col("status") == "good"))["value"].to_list()
    assert pandas[(pandas.message == "voltage") & (pandas.status == "good")]["value"].tolist() == voltages
    assert [row["value"] for row in table.to_pylist() if row["message"] == "voltage" and row["status"] == "good"] == voltages
    assert pandas.attrs["units"]["voltage"] == json.loads(table.schema.metadata[b"units"])["voltage"] == "mV"


def test_findings_as_a_table():
    run = regcheck.check(SHIPPED / "captures" / "ridge-4s")
    frame = regcheck.findings(run)
    assert frame["id"].to_list() == [finding.id for finding in run.findings]
    assert frame.filter(pl.col("verdict") == "fail").height == 9
    current = frame.row(by_predicate=pl.col("id") == "accuracy/current", named=True)
    strip = next(finding.strip for finding in run.findings if finding.id == "accuracy/current")
    assert strip is not None
    assert (current["error"], current["limit_low"], current["unit"]) == (strip.worst, strip.low, "mA")
    assert json.loads(current["evidence"])["worst"]["error"] == strip.worst


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_a_figure_holds_every_extreme_in_our_colours(theme):
    pytest.importorskip("plotly")
    run, plots = regcheck.check_and_plot(SHIPPED / "captures" / "ridge-4s")
    figure = regcheck.figure(run, plots, "accuracy/cells.cell_voltage[3]", theme)
    traces = {trace.name: trace for trace in figure.data}
    finding = next(finding for finding in run.findings if finding.id == "accuracy/cells.cell_voltage[3]")
    worst = finding.evidence["worst"]
    assert worst["reported"] in traces["beyond its limit"].y
    assert max(traces["error, fail"].y) == pytest.approx(worst["error"])
    assert traces["limit"].y[0] in (worst["limit_high"], worst["limit_low"])
    readings = regcheck.readings(
        regcheck.load_map(SHIPPED / "maps" / "ridge_4s.yaml"), regcheck.open_capture(SHIPPED / "captures" / "ridge-4s" / "bus.vcd.gz")
    )
    values = readings.filter((pl.col("field") == "cell_voltage[3]") & (pl.col("status") == "good"))["value"]
    assert (min(traces["reported"].y), max(traces["reported"].y)) == (values.min(), values.max())
    colours = set(re.findall("#[0-9A-Fa-f]{6}|rgba?\\([^)]*\\)", figure.to_json()))
    assert colours <= {getattr(token, theme) for token in TOKENS}


def test_what_has_no_figure():
    pytest.importorskip("plotly")
    run, plots = regcheck.check_and_plot(SHIPPED / "captures" / "ridge-4s-log")
    with pytest.raises(UsageError, match=r"no finding 'accuracy/curent'; did you mean 'accuracy/current'"):
        regcheck.figure(run, plots, "accuracy/curent")
    with pytest.raises(UsageError, match="pec/manufacturer_access has nothing to draw"):
        regcheck.figure(run, plots, "pec/manufacturer_access")


def test_no_such_kind(pack):
    with pytest.raises(UsageError, match="there is no table of kind 'excel'; expected polars, pandas or arrow"):
        regcheck.readings(*pack, kind="excel")  # type: ignore[call-overload]
