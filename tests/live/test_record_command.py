"""`regcheck record` as a process on a simulated bus: how it ends, whatever ends it, and what is then on the disk."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from regcheck.cli import run
from regcheck.traffic.open import open_capture

ROOT = Path(__file__).parents[2]
RIDGE, SCARP = str(ROOT / "maps" / "ridge_4s.yaml"), str(ROOT / "maps" / "scarp_96.yaml")
COMMAND = [sys.executable, "-c", "from regcheck.cli import main; main()", "record"]
NEVER_SLOWER_S = 30


@pytest.fixture
def started() -> Iterator[list[subprocess.Popen[bytes]]]:
    processes: list[subprocess.Popen[bytes]] = []
    yield processes
    for process in processes:
        if process.poll() is None:
            process.kill()
        process.communicate()


def start(processes: list[subprocess.Popen[bytes]], *arguments: str, stdout: int = subprocess.PIPE) -> subprocess.Popen[bytes]:
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    process = subprocess.Popen([*COMMAND, *arguments], stdout=stdout, stderr=subprocess.PIPE, env=environment)
    processes.append(process)
    return process


def wait_for(path: Path, size: int) -> None:
    deadline = time.monotonic() + NEVER_SLOWER_S
    while not path.is_file() or path.stat().st_size < size:
        assert time.monotonic() < deadline
        time.sleep(0.02)


def last_time_ns(path: Path) -> int:
    return max(int(batch.time.max()) for batch in open_capture(path).batches() if len(batch))


@pytest.mark.parametrize(("map_", "bus", "name"), [(RIDGE, "sim:ridge_4s", "bus.jsonl"), (SCARP, "sim:scarp_96", "bus.log")])
def test_a_kill_loses_less_than_a_second(tmp_path: Path, started: list[subprocess.Popen[bytes]], map_: str, bus: str, name: str) -> None:
    lost_s = []
    for number in range(3):  # a machine under load may stall once
        path = tmp_path / f"{number}-{name}"
        process = start(started, map_, "--bus", bus, "-o", str(path), "--poll", "50 ms")
        wait_for(path, 6000)
        time.sleep(0.6)
        process.send_signal(signal.SIGKILL)
        killed_ns = time.time_ns()
        process.wait()
        lost_s.append((killed_ns - last_time_ns(path)) / 1e9)
        assert sum(sum(batch.complained.values()) for batch in open_capture(path).batches()) <= 1  # a torn last line at most
        if lost_s[-1] < 1.0:
            return
    pytest.fail(f"each time more than a second was lost: {lost_s}")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_polite_end_is_in_order(tmp_path: Path, started: list[subprocess.Popen[bytes]], number: int) -> None:
    path = tmp_path / "bus.jsonl"
    process = start(started, RIDGE, "--bus", "sim:ridge_4s", "-o", str(path))
    wait_for(path, 3000)
    process.send_signal(number)
    out, err = process.communicate(timeout=NEVER_SLOWER_S)
    assert process.returncode == 0, err
    assert b"good reads, " in out
    assert f"{path}: {path.stat().st_size} bytes, ".encode() in out
    assert err.startswith(b"A battery can burn and its bus can be live")
    assert path.read_text().endswith("}\n")  # a transfer, or a tick where the bus was silent behind it
    assert not [complaint for batch in open_capture(path).batches() for complaint in batch.complaints]


def test_a_closed_standard_output_spoils_nothing(tmp_path: Path, started: list[subprocess.Popen[bytes]]) -> None:
    path = tmp_path / "bus.jsonl"
    reader, writer = os.pipe()
    os.close(reader)
    process = start(started, RIDGE, "--bus", "sim:ridge_4s", "-o", str(path), "--count", "50", stdout=writer)
    os.close(writer)
    _, err = process.communicate(timeout=NEVER_SLOWER_S)
    assert process.returncode == 0
    assert b"Traceback" not in err
    assert sum(map(len, open_capture(path).batches())) >= 42


def test_what_a_faulty_board_sent_is_found_in_the_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bus.jsonl"
    assert run(["record", RIDGE, "--bus", "sim:ridge_4s@faulty", "-o", str(path), "--for", "1500 ms", "-q"]) == 0
    assert "not read: charging_current_sent" in capsys.readouterr().err
    assert run(["check", RIDGE, str(path), "-q"]) == 1  # the reserved bit that is set, the temperature in another unit
    assert "fail" in capsys.readouterr().out


def test_it_rotates(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bus.jsonl"
    assert run(["record", RIDGE, "--bus", "sim:ridge_4s", "-o", str(path), "--for", "1500 ms", "--rotate", "2kB", "--poll", "200 ms"]) == 0
    files = sorted(tmp_path.iterdir())
    assert [file.name for file in files[:2]] == ["bus-0001.jsonl", "bus-0002.jsonl"]
    assert f"to {files[-1].name} ({len(files)} files)" in capsys.readouterr().out


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")
def test_a_full_disk_is_one_clear_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["record", RIDGE, "--bus", "sim:ridge_4s", "-o", "/dev/full", "-q"]) == 3
    last = capsys.readouterr().err.splitlines()[-1]
    assert last == "regcheck: /dev/full: the disk is full; recording has ended, what is there can be read"


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        ([RIDGE, "-o", "x.jsonl"], 2, "no bus is named; give --bus: i2c-1, can0"),
        ([RIDGE, "--bus", "sim:ridge_4s"], 2, "no file is named; give -o FILE"),
        (
            [RIDGE, "--bus", "sim:ridge_5s", "-o", "x.jsonl"],
            2,
            "there is no such recipe; shipped are cairn_4s, ridge_4s, scarp_96",
        ),
        ([RIDGE, "--bus", "sim:ridge_4s@none", "-o", "x.jsonl"], 2, "the recipe has no faults 'none'; it has faulty"),
        (
            [RIDGE, "--bus", "sim:ridge_4s", "-o", "x.jsonl", "--rotate", "5 mV"],
            2,
            "--rotate: '5 mV' is neither a size of 1 kB or more nor a time",
        ),
        ([RIDGE, "--bus", "sim:ridge_4s", "-o", "x.jsonl", "--for", "10"], 2, "--for: '10' has no unit; expected such as 10 s"),
        ([RIDGE, "--bus", "sim:ridge_4s", "-o", "x.jsonl", "--poll", "0 s"], 2, "--poll: '0 s' is no time"),
        ([SCARP, "--bus", "sim:ridge_4s", "-o", "x.jsonl"], 3, "nothing can be polled: the map has no registers"),
        ([RIDGE, "--bus", "i2c-250", "-o", "x.jsonl"], 3, "/dev/i2c-250: there is no such adapter"),
        ([RIDGE, "--bus", "sim:ridge_4s", "-o", "none/x.jsonl"], 2, "none/x.jsonl: there is no folder none; make it first"),
        (["none.yaml", "--bus", "sim:ridge_4s", "-o", "x.jsonl"], 2, "none.yaml: there is no 'none.yaml'"),
    ],
)
def test_a_wrong_command_line_is_one_clear_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["record", *arguments]) == code
    err = capsys.readouterr().err
    assert said in err
    assert "Traceback" not in err
    assert not list(tmp_path.glob("x*"))
