"""Many runs in one embedded database: what each was of, and what each requirement came to in it."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from regcheck.checks.finding import Finding, Strip, Verdict
from regcheck.errors import Place, Problem, SourceError, UsageError
from regcheck.report.saved_run import SavedRun, load_if_run, load_run, saved_finding
from regcheck.report.strip import strip_ratio

_LAYOUT = 1  # raised where the tables change: a kept database of another layout is refused
_UNPACKED = 64  # runs whose findings are held ready
_TABLES = """
create table run(
  id integer primary key, file text not null unique, size integer not null, modified_ns integer not null, sha256 text not null,
  map text not null, ran text not null, tool text not null, head text not null,
  findings blob not null);
create table tested(
  run integer not null references run(id) on delete cascade, tag text not null, value text not null, primary key(run, tag));
create table finding(
  run integer not null references run(id) on delete cascade, requirement text not null, place integer not null, kind text not null,
  verdict text not null, error real, limit_low real, limit_high real, u real,
  noise real, offset real, centre real, gain real, gain_half real, primary key(run, requirement));
create index finding_by_requirement on finding(requirement, run);
"""


@dataclass(frozen=True, slots=True)
class RunHead:
    """One run without its findings: its number in the database, its file, when it ran, and what was tested."""

    number: int
    file: str
    sha256: str
    map_name: str
    ran: str
    tested: Mapping[str, str]
    totals: Mapping[str, int]
    files: Mapping[str, tuple[str, ...]]
    """SHA-256 of ``map``, ``bench`` (with the log) and ``captures``."""


@dataclass(frozen=True, slots=True)
class Entry:
    """What one requirement came to in one run: the verdict and, of an accuracy, the numbers that runs are compared by, in its unit.

    ``error`` is the worst one, within ``low`` and ``high``; ``u`` the bench's standard uncertainty; ``noise`` the device's, one sigma;
    ``offset`` the fitted error at ``centre``; ``gain`` with half its interval.
    """

    verdict: Verdict
    error: float | None = None
    low: float | None = None
    high: float | None = None
    u: float | None = None
    noise: float | None = None
    offset: float | None = None
    centre: float | None = None
    gain: float | None = None
    gain_half: float | None = None

    @property
    def share(self) -> float:
        """The worst error as a share of the limit on its side; 0 where there is none."""
        if self.error is None or self.low is None or self.high is None:
            return 0.0
        return float(strip_ratio(Strip(self.error, self.low, self.high, 0.0, "")))


@dataclass(frozen=True, slots=True)
class Added:
    """What reading files came to: runs read anew, runs known already, JSON files in folders that are no runs."""

    read: int
    known: int
    others: tuple[str, ...]


class History:
    """Runs in a SQLite database, in memory or kept in a file between calls (sqlite.org; the file can be asked by SQL)."""

    def __init__(self, file: Path | None = None) -> None:
        """Open or make the database. Raises UsageError where the file is none, or of another layout."""
        self._unpacked: dict[int, dict[str, Any]] = {}
        self._database = sqlite3.connect(str(file) if file is not None else ":memory:", isolation_level=None)
        try:
            self._database.execute("pragma foreign_keys = on")
            (layout,) = self._database.execute("pragma user_version").fetchone()
            (tables,) = self._database.execute("select count(*) from sqlite_master").fetchone()
            if not tables:
                self._database.executescript(f"begin; {_TABLES} pragma user_version = {_LAYOUT}; commit;")
            elif layout != _LAYOUT:
                raise UsageError(f"{file}: is a database of another kind, or of another regcheck; name a new file")
        except sqlite3.Error as error:
            raise UsageError(f"{file}: cannot be used as a database of runs: {error}; name a new file") from error

    def close(self) -> None:
        """Close the database."""
        self._database.close()

    def add(self, paths: Sequence[Path]) -> Added:
        """Read runs, and all those in folders and below; one that is known and unchanged is not read again.

        Raises SourceError: a file that was named is no run, a run in a folder is damaged, or a folder holds none.
        """
        read = known = 0
        others: list[str] = []
        for path, named in _files(paths):
            state = path.stat()
            stamp = (state.st_size, state.st_mtime_ns)
            found = self._database.execute("select size, modified_ns from run where file = ?", (str(path),)).fetchone()
            if found == stamp:
                known += 1
            elif (run := load_run(path) if named else load_if_run(path)) is None:
                others.append(str(path))
            else:
                self._store(run, stamp)
                read += 1
        return Added(read, known, tuple(others))

    def _store(self, run: SavedRun, stamp: tuple[int, int]) -> None:
        body = run.body
        about = body["about"]
        head = {
            "totals": body["totals"],
            "files": {
                "map": [body["map"].get("sha256", "")],
                "bench": [one["sha256"] for one in body["bench"]],
                "captures": [one["sha256"] for one in body["captures"]],
            },
        }
        with closing(self._database.cursor()) as cursor:
            cursor.execute("begin")
            cursor.execute("delete from run where file = ?", (run.file,))
            words = (body["map"].get("name", ""), about.get("when", ""), about.get("tool", ""))
            packed = zlib.compress(json.dumps(body["findings"]).encode())
            cursor.execute(
                "insert into run(file, size, modified_ns, sha256, map, ran, tool, head, findings) values(?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (run.file, *stamp, run.sha256, *words, json.dumps(head), packed),
            )
            number = cursor.lastrowid
            tested = about.get("tested") or {}
            cursor.executemany("insert into tested values(?, ?, ?)", [(number, str(tag), str(value)) for tag, value in tested.items()])
            rows = [_row(number, place, finding) for place, finding in enumerate(run.findings)]
            try:
                cursor.executemany("insert into finding values(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
            except sqlite3.IntegrityError as error:
                cursor.execute("rollback")
                text = "two of its findings bear the same id"
                raise SourceError([Problem(Place(run.file), text, "write it anew with `check --json`")]) from error
            cursor.execute("commit")

    def runs(self, paths: Sequence[Path] | None = None) -> list[RunHead]:
        """Return the runs by the time when they ran, then their file; ``paths``: those files alone, in this order."""
        tested: dict[int, dict[str, str]] = {}
        for run, tag, value in self._database.execute("select run, tag, value from tested order by run, tag"):
            tested.setdefault(run, {})[tag] = value
        found = []
        for number, file, sha256, name, ran, head in self._database.execute(
            "select id, file, sha256, map, ran, head from run order by ran, file"
        ):
            more = json.loads(head)
            files = {key: tuple(value) for key, value in more["files"].items()}
            found.append(RunHead(number, file, sha256, name, ran, tested.get(number, {}), more["totals"], files))
        if paths is None:
            return found
        wanted = [str(path) for path, _ in _files(paths)]
        by_file = {run.file: run for run in found}
        ordered = [by_file[file] for file in wanted if file in by_file]
        # files in a folder come as they ran; those that were named, as they were named
        return ordered if all(path.is_file() for path in paths) else sorted(ordered, key=lambda run: (run.ran, run.file))

    def requirements(self, runs: Sequence[RunHead]) -> list[tuple[str, dict[int, Entry]]]:
        """Return every requirement of some runs, in the order of the latest run that has it: its id, and its entry by the run's number."""
        wanted = {run.number: at for at, run in enumerate(runs)}
        place: dict[str, tuple[int, int]] = {}
        entries: dict[str, dict[int, Entry]] = {}
        rows = self._database.execute(
            "select requirement, run, place, verdict, error, limit_low, limit_high, u, noise, offset, centre, gain, gain_half from finding"
        )
        for id, number, at, verdict, *numbers in rows:
            if number in wanted:
                entries.setdefault(id, {})[number] = Entry(Verdict(verdict), *numbers)
                mine = (-wanted[number], at)
                place[id] = min(place.get(id, mine), mine)
        return [(id, entries[id]) for id in sorted(place, key=lambda one: place[one])]

    def finding(self, id: str, run: RunHead) -> Finding:
        """Return one whole finding."""
        if run.number not in self._unpacked:
            (packed,) = self._database.execute("select findings from run where id = ?", (run.number,)).fetchone()
            if len(self._unpacked) == _UNPACKED:
                del self._unpacked[next(iter(self._unpacked))]
            self._unpacked[run.number] = {one["id"]: one for one in json.loads(zlib.decompress(packed))}
        return saved_finding(self._unpacked[run.number][id])


def _row(number: int | None, place: int, finding: Finding) -> tuple[Any, ...]:
    strip, evidence = finding.strip, finding.evidence
    numbers = (None,) * 4 if strip is None else (strip.worst, strip.low, strip.high, strip.uncertainty / 2)
    line = [evidence.get(key) for key in ("noise", "error_at_centre", "centre", "gain", "gain_half_interval")]
    head = (number, finding.id, place, finding.requirement.kind, str(finding.verdict))
    return *head, *numbers, *line


def _files(paths: Iterable[Path]) -> list[tuple[Path, bool]]:
    """Return the files that paths mean, each once, and whether it was named itself or stood in a folder."""
    found: dict[Path, bool] = {}
    for path in paths:
        if path.is_dir():
            inside = sorted(one for one in path.rglob("*.json") if one.is_file())
            if not inside:
                raise SourceError([Problem(Place(str(path)), "holds no run", "expected files that `check --json` wrote")])
            for one in inside:
                found.setdefault(one, False)
        elif not path.is_file():
            raise SourceError(
                [Problem(Place(str(path)), "is not there", "expected a run, as `check --json` writes it, or a folder of runs")]
            )
        else:
            found[path] = True
    return list(found.items())
