"""Runs read back, and kept in a database."""

from __future__ import annotations

import json
import os
import sqlite3
from pathlib import Path

import pytest

from regcheck.checks.finding import Finding, Requirement, Strip, Verdict
from regcheck.errors import SourceError, UsageError
from regcheck.report.history import Added, History
from regcheck.report.saved_run import load_run
from tests.report.runs import accuracy, plain, saved


def test_a_run_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    findings = [
        accuracy("cells", 2.5, element=3, noise=0.25),
        plain("pec/voltage", Verdict.UNTESTED),
        Finding(Requirement("range", "state", "soc", None, "rack[3]"), Verdict.FAIL, "it left its range"),
    ]
    run = load_run(saved(tmp_path / "run.json", findings, tested={"firmware": "1.10"}))
    assert [finding.as_json() for finding in run.findings] == [finding.as_json() for finding in findings]
    assert run.findings[0].strip == Strip(2.5, -10.0, 10.0, 1.0, "mV")
    assert run.body["about"]["tested"] == {"firmware": "1.10"}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is no JSON"),
        ("{", "is no JSON"),
        ("[]", "is JSON, but no run"),
        ('{"regcheck": 2, "findings": []}', r"is a run of version 2; this regcheck reads up to 1"),
        ('{"regcheck": 1, "findings": []}', r"is a run without map, captures, bench, totals, about"),
    ],
)
def test_what_is_no_run(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "run.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SourceError, match=says) as found:
        load_run(path)
    assert str(found.value).startswith(str(path))


@pytest.mark.parametrize(("key", "value"), [("verdict", "maybe"), ("id", "pec/else"), ("evidence", None), ("kind", None)])
def test_a_damaged_finding_is_named(tmp_path: Path, key: str, value: object) -> None:
    path = saved(tmp_path / "run.json", [plain("pec/voltage", Verdict.PASS), accuracy("current", 1.0)])
    body = json.loads(path.read_text(encoding="utf-8"))
    body["findings"][1][key] = value
    path.write_text(json.dumps(body), encoding="utf-8")
    with pytest.raises(SourceError, match=r"finding 2 \((accuracy/current|pec/else)\) is damaged"):
        load_run(path)


def test_a_folder_of_runs_in_the_order_in_which_they_ran(tmp_path: Path) -> None:
    for name, when in (("b", "2026-01-03"), ("deep/a", "2026-01-02"), ("c", "2026-01-01")):
        saved(tmp_path / f"{name}.json", [plain("pec/voltage", Verdict.PASS)], when=when)
    (tmp_path / "summary.json").write_text("{}", encoding="utf-8")
    history = History()
    added = history.add([tmp_path])
    assert added == Added(3, 0, (str(tmp_path / "summary.json"),))
    assert [Path(run.file).stem for run in history.runs([tmp_path])] == ["c", "a", "b"]
    named = [tmp_path / "b.json", tmp_path / "c.json"]
    assert [Path(run.file).stem for run in history.runs(named)] == ["b", "c"]


def test_a_kept_database_reads_only_what_is_new(tmp_path: Path) -> None:
    database, runs = tmp_path / "runs.sqlite", tmp_path / "runs"
    first = saved(runs / "1.json", [accuracy("voltage", 1.0)])
    for expected in (Added(1, 0, ()), Added(0, 1, ())):
        history = History(database)
        assert history.add([runs]) == expected
        history.close()
    saved(runs / "2.json", [accuracy("voltage", 2.0)])
    saved(first, [accuracy("voltage", 5.0)])
    os.utime(first, ns=(0, 0))
    history = History(database)
    assert history.add([runs]) == Added(2, 0, ())
    ((id, entries),) = history.requirements(history.runs())
    assert (id, sorted(entry.error or 0.0 for entry in entries.values())) == ("accuracy/voltage", [2.0, 5.0])
    history.close()
    # and it can be asked by SQL
    connection = sqlite3.connect(database)
    assert connection.execute("select max(error) from finding where requirement = 'accuracy/voltage'").fetchone() == (5.0,)
    connection.close()


def test_what_is_no_database_of_runs(tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    other.write_bytes(b"regcheck: 1\n" * 100)
    with pytest.raises(UsageError, match="cannot be used as a database of runs"):
        History(other)
    connection = sqlite3.connect(tmp_path / "tables.sqlite")
    connection.execute("create table thing(a)")
    connection.close()
    with pytest.raises(UsageError, match="is a database of another kind"):
        History(tmp_path / "tables.sqlite")


def test_two_findings_of_one_id(tmp_path: Path) -> None:
    path = saved(tmp_path / "run.json", [plain("pec/voltage", Verdict.PASS)] * 2)
    history = History()
    with pytest.raises(SourceError, match="two of its findings bear the same id"):
        history.add([path])
    assert history.runs() == []


def test_empty_folders_and_missing_files(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="holds no run"):
        History().add([tmp_path])
    with pytest.raises(SourceError, match="is not there"):
        History().add([tmp_path / "run.json"])
