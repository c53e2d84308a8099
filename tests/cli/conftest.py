"""A small invented pack, its recording by hand, a bench and its log; and the command line called in this process."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from regcheck.cli import run

PACK = """\
regcheck: 1
device: {name: tarn-2s, title: "Tarn 2s pack (invented)"}
smbus: {address: 0x0B, pec: required}
registers:
  pack_state:
    command: 0x40
    transfer: block
    length: 6
    fields:
      pack_voltage: {bytes: 0..1, unit: V, scale: 0.1, range: 0 .. 500 V, accuracy: 1 V}
      probe: {bytes: 2..3, unit: degC, type: signed, codes: {0x7FFF: not available, 0x7FFE: error, 0x7FFD: not fitted, 0x7FFC: open}}
      mode: {bytes: 4, names: {0: idle, 1: charging}}
      limit: {bytes: 5, unit: A, valid_when: mode = 1}
  maker: {command: 0x20, transfer: block, type: text}
  capacity_mode: {command: 0x03, transfer: word, fields: {in_energy: {bit: 15}, spare: {bits: 0..14}}}
  remaining:
    command: 0x0F
    transfer: word
    meanings:
      - {when: capacity_mode.in_energy = 0, unit: mAh}
      - {when: capacity_mode.in_energy = 1, unit: mWh, scale: 10}
"""

# PECs: CRC-8, x^8 + x^2 + x + 1 from 0, over every byte before them, addresses too (SMBus 3.1, 6.4.1), by a bitwise loop of its own.
BUS = """\
{"regcheck_transfers": 1, "bus": "smbus", "clock": "capture"}
{"time": 0.123456789, "end": 0.124, "parts": ["16 40", "17 06 AC 0F E7 00 01 07 77"]}
{"time": 0.5, "end": 0.501, "parts": ["16 0F", "17 B8 0B C9"]}
{"time": 0.6, "end": 0.601, "parts": ["16 03", "17 00 80 7E"]}
{"time": 0.7, "end": 0.701, "parts": ["16 0F", "17 B8 0B C9"]}
{"time": 1.5, "end": 1.501, "parts": ["16 40", "17 06 AC 0F FF 7F 00 07 95"]}
{"time": 2.000001, "end": 2.001, "parts": ["16 40", "17 06 AC 0F FE 7F 09 07 3E"]}
{"time": 3, "end": 3.001, "parts": ["16 40", "17 06 AC 0F FD 7F 01 07 AC"]}
{"time": 12.345678, "end": 12.346, "parts": ["16 40", "17 06 AC 0F FC 7F 01 07 BA"]}
{"time": 13, "end": 13.001, "parts": ["16 40", "17 02 AC 0F BA"]}
{"time": 14, "end": 14.001, "parts": ["16 40", "17 06 AC 0F E7 00 01 07 88"]}
{"time": 1700000000.000000001, "end": 1700000000.001, "parts": ["16 20", "17 04 54 61 72 6E BD"]}
{"time": 1700000001, "end": 1700000001.0001, "parts": ["16"], "nack": 0}
{"time": 1700000002, "end": 1700000002.001, "parts": ["16 77", "17 01 02 86"]}
"""

GOOD_BUS = "".join(BUS.splitlines(keepends=True)[:2]) + "".join(
    f'{{"time": {second}, "end": {second}.001, "parts": ["16 40", "17 06 AC 0F E7 00 01 07 77"]}}\n' for second in range(1, 20)
)

BENCH = """\
regcheck_bench: 1
channels:
  source[0..1]: {unit: V, uncertainty: 0.1 V}
applied:
  pack_voltage: source[1] - source[0]
timing: {settle: 0 s, latency: 0 s}
clock: shared
"""

LOG = "time_s,source_0,source_1\n0,0.0,401.0\n10,0.0,401.5\n20,end,\n"

TRIAL = "regcheck_trial: 1\nmap: pack.yaml\ncaptures: [good.jsonl]\nbench: bench.yaml\nstimulus: log.csv\n"

Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def cli(capsys: pytest.CaptureFixture[str]) -> Command:
    """Call the command line: its exit code, standard output, standard error."""

    def call(*arguments: object) -> tuple[int, str, str]:
        code = run([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return call


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with the pack's files, which is the current one."""
    texts = {"pack.yaml": PACK, "bus.jsonl": BUS, "good.jsonl": GOOD_BUS, "bench.yaml": BENCH, "log.csv": LOG}
    for name, text in texts.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def trial(home: Path) -> Path:
    """Return the folder with a trial of the faultless recording in it, too."""
    (home / "trial.yaml").write_text(TRIAL, encoding="utf-8")
    return home
