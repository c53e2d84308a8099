"""A capture cut into stretches that are read apart gives what one pass gives, to the byte."""

from __future__ import annotations

import gzip
import json
import random
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import pytest

import regcheck.traffic.segments as segments
from regcheck.checks.fold import ONE_PASS, Splitting
from regcheck.checks.ordered_map import Processes
from regcheck.checks.run import check_and_plot, check_trial
from regcheck.checks.trial import Trial, load_trial
from regcheck.report.html_page import html_bytes
from regcheck.report.json_run import run_as_json
from regcheck.traffic.open import open_capture

SHIPPED = Path(__file__).parents[2] / "captures"
T = TypeVar("T")
R = TypeVar("R")


class Counting:
    """Maps in this process as if there were several workers, and counts the stretches."""

    def __init__(self, workers: int) -> None:
        self.workers, self.stretches = workers, 0

    def __call__(self, function: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        for item in items:
            self.stretches += 1
            yield function(item)


def told(trial: Trial, splitting: Splitting | None = None) -> tuple[str, tuple[str, ...]]:
    run = check_trial(trial, splitting=splitting) if splitting is not None else check_trial(trial)
    body = run_as_json(run)
    del body["about"]
    return json.dumps(body), run.complaints


def plain_copy(folder: Path, name: str) -> Trial:
    """Return a shipped trial with its capture unpacked: what is packed cannot be cut."""
    trial = load_trial(SHIPPED / name)
    (capture,) = trial.captures
    data = gzip.decompress(capture.read_bytes()) if capture.suffix == ".gz" else capture.read_bytes()
    path = folder / capture.name.removesuffix(".gz")
    path.write_bytes(data)
    return replace(trial, captures=(path,))


@pytest.fixture(autouse=True)
def small_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(segments, "WINDOW", 1 << 12)
    monkeypatch.setattr(segments, "LEAD", 1 << 14)


@pytest.mark.parametrize("name", ["ridge-4s", "ridge-4s-log", "scarp-96"])
@pytest.mark.parametrize("workers", [2, 5])
def test_stretches_of_a_shipped_capture(tmp_path: Path, name: str, workers: int) -> None:
    trial = plain_copy(tmp_path, name)
    counting = Counting(workers)
    assert told(trial, Splitting(counting, shortest=1 << 13)) == told(trial)
    assert counting.stretches > 2 * workers


@pytest.mark.parametrize("seed", range(3))
def test_a_log_with_damage_comments_and_time_going_backwards(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)  # noqa: S311 - no secret
    trial = plain_copy(tmp_path, "scarp-96")
    (path,) = trial.captures
    lines = path.read_text(encoding="ascii").splitlines(keepends=True)[:30_000]
    for _ in range(12):
        lines.insert(chance.randrange(len(lines)), chance.choice(["# a word between\n", "(12.5) can0 100#0\n", "no frame at all\n", "\n"]))
    cut = chance.randrange(len(lines))
    path.write_text("".join(lines[cut:] + lines[:cut]), encoding="ascii")  # the recorder's clock steps back once
    assert told(trial, Splitting(Counting(4), shortest=1 << 13)) == told(trial)


def test_frames_of_other_kinds_between(tmp_path: Path) -> None:
    trial = plain_copy(tmp_path, "scarp-96")
    (path,) = trial.captures
    lines = path.read_text(encoding="ascii").splitlines(keepends=True)[:20_000]
    for at in range(500, len(lines), 997):
        time = lines[at].split(")")[0]
        lines[at] = lines[at] + f"{time}) can1 12345678##5001122\n{time}) can0 123#R\n{time}) can0 20000004#0000000000000000\n"
    path.write_text("".join(lines), encoding="ascii")
    counting = Counting(3)
    assert told(trial, Splitting(counting, shortest=1 << 13)) == told(trial)
    assert counting.stretches > 6


@pytest.mark.parametrize("name", ["ridge-4s-log", "cairn-probe"])  # the latter has curved meanings, and conditions
def test_two_processes(tmp_path: Path, name: str) -> None:
    trial = plain_copy(tmp_path, name)
    with Processes(2) as processes:
        assert told(trial, Splitting(processes, shortest=1 << 14)) == told(trial)


def test_what_a_report_draws_is_the_same(tmp_path: Path) -> None:
    trial = plain_copy(tmp_path, "ridge-4s")
    pages = [html_bytes(*check_and_plot(trial, None, splitting)) for splitting in (ONE_PASS, Splitting(Counting(3), shortest=1 << 14))]
    one, other = (re.sub(b"<!-- about.*end of about -->", b"", page, flags=re.DOTALL) for page in pages)
    assert one == other


def test_why_a_capture_stays_whole() -> None:
    assert "packed" in str(open_capture(SHIPPED / "ridge-4s" / "bus.vcd.gz").why_whole)
    assert not open_capture(SHIPPED / "ridge-4s-log" / "bus.jsonl").why_whole
