"""What only a process of its own shows: closed pipes, a full disk, Ctrl-C."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

REGCHECK = [sys.executable, "-c", "from regcheck.cli import main; main()"]
FULL = Path("/dev/full")

pytestmark = pytest.mark.skipif(os.name != "posix", reason="closed pipes and signals as POSIX has them")


@pytest.fixture
def long_home(trial):
    """Return a folder with a recording whose readings fill any pipe."""
    first, second = (trial / "good.jsonl").read_text().splitlines(keepends=True)[:2]
    more = [f'{{"time": {number}, "end": {number}.001, "parts": ["16 40", "17 06 AC 0F E7 00 01 07 77"]}}\n' for number in range(1, 30_000)]
    (trial / "long.jsonl").write_text(first + second + "".join(more))
    return trial


def head_of(home: Path, *arguments: str) -> tuple[bytes, int, bytes]:
    """Return the first line that a command prints, after which nobody reads; its code, and what it says on standard error."""
    process = subprocess.Popen([*REGCHECK, *arguments], cwd=home, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stderr is not None
    line = process.stdout.readline()
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()
    return line, process.wait(20), said


def test_a_closed_pipe_is_quiet(long_home):
    assert head_of(long_home, "decode", "pack.yaml", "long.jsonl") == (b"0.123456789 s  pack_state.pack_voltage  401.2 V  good\n", 0, b"")


def test_a_check_into_a_closed_pipe_keeps_its_verdict_and_its_files(trial):
    reader, writer = os.pipe()
    os.close(reader)  # nobody ever reads
    done = subprocess.run(
        [*REGCHECK, "check", "pack.yaml", "bus.jsonl", "--json", "run.json"], cwd=trial, stdout=writer, stderr=subprocess.PIPE
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (1, b"")
    assert (trial / "run.json").stat().st_size > 1000


@pytest.mark.parametrize(
    ("arguments", "code"), [(["lint", "bad.yaml"], 2), (["lint", "bad.yaml", "--json"], 2), (["check", "-q", "pack.yaml", "cut.jsonl"], 1)]
)
def test_messages_that_nobody_reads_change_no_exit_code(trial, arguments, code):
    (trial / "bad.yaml").write_text("regcheck: 2\n")
    (trial / "cut.jsonl").write_bytes((trial / "bus.jsonl").read_bytes()[:-9])
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run([*REGCHECK, *arguments], cwd=trial, stdout=writer, stderr=writer)
    os.close(writer)
    assert done.returncode == code


@pytest.mark.skipif(not FULL.exists(), reason="a device that is always full")
def test_a_full_disk_is_one_line(trial):
    with FULL.open("wb") as full:
        done = subprocess.run([*REGCHECK, "check", "."], cwd=trial, stdout=full, stderr=subprocess.PIPE)
    assert (done.returncode, done.stderr) == (2, b"regcheck: standard output: No space left on device\n")
    done = subprocess.run([*REGCHECK, "decode", ".", "-o", "/dev/full"], cwd=trial, capture_output=True)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr == b"regcheck: cannot write /dev/full: No space left on device; name a file in a folder that may be written to\n"


def test_ctrl_c_in_mid_run_is_130_and_one_line(long_home):
    process = subprocess.Popen(
        [*REGCHECK, "decode", "pack.yaml", "long.jsonl"],
        cwd=long_home,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # where this suite runs in the background, it is ignored
    )
    assert process.stdout is not None
    process.stdout.readline()  # it runs
    time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=20)
    assert (process.returncode, said) == (130, b"regcheck: stopped\n")


def test_closed_streams_end_nothing(trial):
    command = " ".join(f"'{word}'" for word in REGCHECK)
    for redirection in (">&-", ">&- 2>&-"):
        done = subprocess.run(["sh", "-c", f"{command} check -q . {redirection}"], cwd=trial, capture_output=True)
        assert (done.returncode, done.stderr) == (0, b"")


def test_the_zone_changes_nothing(trial):
    def printed(zone: str, *arguments: str) -> bytes:
        return subprocess.run([*REGCHECK, *arguments], cwd=trial, env=os.environ | {"TZ": zone}, capture_output=True, check=True).stdout

    assert printed("UTC", "decode", ".", "-f", "jsonl") == printed("Asia/Tokyo", "decode", ".", "-f", "jsonl") != b""
