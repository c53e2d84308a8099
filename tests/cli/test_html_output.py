"""`check --html`: the page beside the table, and what is said when it cannot be written."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HOME = Path(__file__).parents[2]
START = [sys.executable, "-c", "from regcheck.cli import main; main()"]


def check(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*START, "check", *arguments], capture_output=True, text=True, check=False, cwd=HOME)


def test_the_page_is_written_and_the_exit_code_is_that_of_the_check(tmp_path: Path) -> None:
    done = check("captures/ridge-4s", "-q", "--html", str(tmp_path / "report.html"))
    assert (done.returncode, done.stdout) == (1, "fail: 9 fail, 164 pass, 27 untested\n")
    text = (tmp_path / "report.html").read_text("utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert "check captures/ridge-4s -q --html" in text


def test_a_place_that_cannot_be_written_is_told_before_any_work(tmp_path: Path) -> None:
    done = check("captures/ridge-4s", "--html", str(tmp_path / "no" / "report.html"))
    assert done.returncode == 2
    assert "--html" in done.stderr
    assert "there is no folder" in done.stderr
    done = check("captures/ridge-4s-good", "--html", "captures/ridge-4s-good/bench.yaml")
    assert done.returncode == 2
    assert "would be overwritten" in done.stderr
