"""How much faster several processes check one large capture than one does, and what memory a check takes at any length.

Run it from the project's folder: ``python -m tests.benchmarks.shared_work [--size MB] [--workers N]``. It makes its own log: the one of
``can_speed`` with its holds made longer, and checks it in fresh processes, as a user does: ``regcheck check`` without and with
``--workers``. The wall time of the whole command counts, and the most memory that any of its processes held at once.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.benchmarks.can_speed import BEGIN_S, CELL_IDS, FIRST_ID, HOLDS, IDS, PERIOD_NS, VALUES, levels, payloads, write_trial_files

GOAL = 1.7
BLOCK = 32_000  # frames of one hold that are repeated: 16 s, and a whole number of turns of every counter
BLOCK_S = BLOCK // IDS * PERIOD_NS // 1_000_000_000
LINE = len("(1780000000.000000) can0 100#0123456789ABCDEF\n")


@dataclass(frozen=True, slots=True)
class Taken:
    """What one run of the command took: wall time in s, the largest resident set of any of its processes in MB, and its run."""

    seconds: float
    megabytes: float
    findings: str


def write_trial(folder: Path, megabytes: int) -> int:
    """Write a trial with a log of at least so many megabytes; return its frames."""
    copies = -(-megabytes * 1_000_000 // (HOLDS * BLOCK * LINE))
    random = np.random.default_rng(20)
    text = payloads(HOLDS * BLOCK, random).tobytes().hex().upper()
    steps, applied = levels(float(HOLDS * BLOCK_S))
    micros = np.arange(BLOCK) * (PERIOD_NS // IDS // 1000) + random.integers(0, 100, BLOCK)
    heads = [f"(0000000000.{micro % 1_000_000:06d}) can0 {FIRST_ID + number % IDS:03X}#" for number, micro in enumerate(micros.tolist())]
    seconds = BEGIN_S + micros // 1_000_000
    with (folder / "bus.log").open("wb") as file:
        for hold in range(HOLDS):
            own = text[16 * hold * BLOCK : 16 * (hold + 1) * BLOCK]
            block = "".join(f"{head}{own[16 * number : 16 * number + 16]}\n" for number, head in enumerate(heads))
            lines = np.frombuffer(block.encode("ascii"), np.uint8).reshape(BLOCK, LINE).copy()
            for copy in range(copies):
                at = seconds + (hold * copies + copy) * BLOCK_S
                lines[:, 1:11] = at[:, np.newaxis] // 10 ** np.arange(9, -1, -1) % 10 + ord("0")
                file.write(lines.tobytes())
    rows = [",".join(["time_s", *(f"wire_{cell}" for cell in range(CELL_IDS * VALUES))])]
    rows += [",".join([f"{at * copies:.3f}", *map(str, row)]) for at, row in zip(steps.tolist(), applied.tolist(), strict=True)]
    rows.append(f"{HOLDS * copies * BLOCK_S + 1}.000,end" + "," * (CELL_IDS * VALUES - 1))
    write_trial_files(folder, rows)
    return HOLDS * copies * BLOCK


_RUN = "import sys; from regcheck.cli import main; main()"


def taken(folder: Path, workers: int) -> Taken:
    """Check the trial in a fresh process with so many workers."""
    result = folder / f"run_{workers}.json"
    begin = time.perf_counter()
    command = [sys.executable, "-c", _RUN, "check", str(folder), "--quiet", "--json", str(result), "--workers", str(workers)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}) as process:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    seconds = time.perf_counter() - begin
    if process.returncode:
        raise RuntimeError(f"the check ended with {process.returncode}")
    body = json.loads(result.read_text(encoding="utf-8"))
    body.pop("about")
    most = max(usage.ru_maxrss, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss if workers > 1 else 0)
    return Taken(seconds, most / 1024, json.dumps(body))


def ratio(folder: Path, megabytes: int, workers: int = 2, rounds: int = 1) -> tuple[float, Taken, Taken]:
    """Return how many times as fast several workers are as one, and what the best run of each took; RuntimeError: their runs differ."""
    write_trial(folder, megabytes)
    pairs = [(taken(folder, 1), taken(folder, workers)) for _ in range(rounds)]
    one, several = (min((pair[which] for pair in pairs), key=lambda run: run.seconds) for which in (0, 1))
    if one.findings != several.findings:
        raise RuntimeError("the runs of one process and of several differ")
    return one.seconds / several.seconds, one, several


def main(arguments: list[str] | None = None) -> int:
    """Print the line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, default=1000, help="megabytes of the log (1000)")
    parser.add_argument("--workers", type=int, default=2, help="processes of the other side (2)")
    parser.add_argument("--rounds", type=int, default=1, help="runs of each side, of which the best counts (1)")
    told = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        found, one, several = ratio(Path(folder), told.size, told.workers, told.rounds)
    sys.stdout.write(
        f"{f'{told.workers} processes, {told.size} MB':<24} {'one process':<34} {found:6.2f} times as fast  (goal {GOAL})"
        f"   {several.seconds:7.1f} s {one.seconds:7.1f} s\n"
        f"most memory of a process: {one.megabytes:.0f} MB alone, {several.megabytes:.0f} MB of {told.workers} workers\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
