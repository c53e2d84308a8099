"""How often the check of accuracy cries wolf, and how often it catches a bad board: simulated boards on a bench at 4:1.

Run it from the project's folder: ``python -m tests.benchmarks.false_alarms``. A short version of it runs with the tests.

Every board has seven fields. The bench's log says a; what it truly applied is a + z u(a), with one z a field and board, drawn from the
normal distribution: a systematic error, as a meter's calibration leaves it. A faultless board's own errors (offset, gain, noise and
rounding) stay within half the limit. A faulty board has one field that is off by 1.3 times its limit.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from regcheck.bench.clock import shared_clock
from regcheck.checks.accuracy import AccuracyCheck, CaptureClock
from regcheck.checks.accuracy_findings import accuracy_findings
from regcheck.checks.decision import Z
from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.judge import Judge, siblings
from regcheck.checks.plan import Plan
from regcheck.codec.columns import FieldColumn, FieldId, MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.plan import ColumnPlan
from tests.checks.builders import bench, capture, log, read, register_map

FAULTLESS, FAULTY = 200, 2000
RATIO = 4.0
EXCESS = 1.3
READINGS = 8
"""Readings in each hold."""

# limits of common practice; steps of 1/400 of the limit, so that rounding hides nothing
DEVICE = """
cells:
  command: 0xB0
  transfer: block
  length: 16
  fields:
    cell: {bytes: 0..3, each: {c: 1..4, step: 4 bytes}, unit: mV, scale: 0.02, accuracy: 8 mV}
voltage: {command: 0x09, transfer: 32-bit, unit: mV, scale: 0.05, accuracy: 20 mV}
current: {command: 0x0A, transfer: 32-bit, type: signed, unit: mA, scale: 0.025, accuracy: 0.5 % of reading + 10 mA}
temperature: {command: 0x08, transfer: 32-bit, unit: K, scale: 0.0025, accuracy: 1 K}
"""
CHANNELS = """
wire[1..4]: {unit: mV, uncertainty: 2 mV (each), resolution: included}
stack: {unit: mV, uncertainty: 5 mV, resolution: included}
shunt: {unit: mA, uncertainty: 0.125 % of reading + 2.5 mA, resolution: included}
probe: {unit: K, uncertainty: 0.25 K, resolution: included}
"""
APPLIED = "cell[c]: wire[c]\nvoltage: stack\ncurrent: shunt\ntemperature: probe"
LOG = """
time_s,wire_1,wire_2,wire_3,wire_4,stack,shunt,probe
0,3000,3100,3200,3300,12000,-5000,260
10,3700,3600,3500,3400,14000,-1000,280
20,4100,4000,4200,3900,16000,0,300
30,3300,3500,3400,3600,15000,1000,320
40,3900,3800,3700,4000,13000,5000,340
50,end,,,,,,
"""


def theory(ratio: float = RATIO, excess: float = EXCESS) -> float:
    """Return the share of boards off by ``excess`` limits that fail: beyond T + 1.645 u, for one normal bench error."""
    u = 1 / (2 * ratio)
    return float(ndtr((excess - 1 - Z * u) / u))


@dataclass(frozen=True)
class Field:
    """One field of the stand: its judge, the decoded columns that boards fill in, and what was applied at each reading."""

    judge: Judge
    column: FieldColumn
    applied: NDArray[np.float64]
    limit: NDArray[np.float64]
    u: NDArray[np.float64]


@dataclass(frozen=True)
class Stand:
    """Map, bench and log, made once; boards differ in what they report."""

    plan: Plan
    decoded: DecodedBatch
    fields: dict[FieldId, Field]


@cache
def stand() -> Stand:
    device = register_map(DEVICE)
    supply = bench(device, CHANNELS, APPLIED)
    rows = log(LOG, supply)
    zero = bytes(4)
    transfers = []
    for hold in range(5):
        for number in range(READINGS):
            at = 10 * hold + 1 + number
            transfers.append(read(at, 0xB0, zero * 4, block=True))
            transfers += [read(at + (1 + order) / 100, command, zero) for order, command in enumerate((0x08, 0x09, 0x0A))]
    source = capture(transfers)
    plan = Plan(device, supply, rows)
    plan.survey([source])
    (batch,) = source.batches()
    decoded = ColumnPlan(device).decode(batch)
    judges = {judge.id: judge for judge in plan.judges}
    fields = {}
    for columns in decoded.messages:
        for id, column in columns.fields.items():
            judge = judges[id]
            segment = np.searchsorted(judge.curve.time, columns.time, side="right") - 1
            fields[id] = Field(
                judge, column, judge.curve.after[segment], judge.tables[0].limits.fail_high[segment], judge.curve.u_s[segment]
            )
    return Stand(plan, decoded, fields)


Errors = Callable[[FieldId, Field], NDArray[np.float64]]


def board(errors: Errors, random: np.random.Generator) -> list[Finding]:
    """Return the accuracy findings of one board whose own errors are ``errors``, on a bench with an error of its own."""
    place = stand()
    made: dict[FieldId, FieldColumn] = {}
    for id, field in place.fields.items():
        truth = field.applied + random.standard_normal() * field.u
        raw = np.rint((truth + errors(id, field)) / field.judge.step).astype(np.int64)
        made[id] = replace(field.column, raw=raw, bits=raw.astype(np.uint64))

    def filled(columns: MessageColumns) -> MessageColumns:
        return replace(columns, fields={id: made[id] for id in columns.fields})

    judges = tuple(place.plan.judges)
    check = AccuracyCheck(judges, place.plan.times[0], CaptureClock(shared_clock()), 0)
    check.update(replace(place.decoded, messages=tuple(filled(columns) for columns in place.decoded.messages)))
    return accuracy_findings(check.tallies, siblings(judges))


def faultless_errors(random: np.random.Generator) -> Errors:
    """Return errors within half the limit: offset 0.24, gain 0.16, noise and rounding 0.1 of the limit at most."""

    def errors(_id: FieldId, field: Field) -> NDArray[np.float64]:
        span = np.ptp(field.applied)
        share = random.uniform(-0.24, 0.24) + random.uniform(-0.16, 0.16) * (field.applied - field.applied.mean()) / span
        return np.asarray((share + random.uniform(-0.0975, 0.0975, len(field.applied))) * field.limit)

    return errors


@dataclass(frozen=True)
class Faultless:
    """Requirements and boards of which some failed, and requirements that were undecided."""

    boards: int
    requirements: int
    failed_boards: int
    failed: int
    undecided: int


def run_faultless(boards: int, seed: int = 1) -> Faultless:
    random = np.random.default_rng(seed)
    seen: Counter[Verdict] = Counter()
    failed_boards = 0
    for _ in range(boards):
        verdicts = [finding.verdict for finding in board(faultless_errors(random), random)]
        seen.update(verdicts)
        failed_boards += Verdict.FAIL in verdicts
    return Faultless(boards, sum(seen.values()), failed_boards, seen[Verdict.FAIL], seen[Verdict.UNDECIDED])


@dataclass(frozen=True)
class Faulty:
    """What became of the faulty field of each board, and how many of the other fields failed."""

    boards: int
    caught: int
    undecided: int
    passed: int
    others_failed: int


def run_faulty(boards: int, seed: int = 2) -> Faulty:
    random = np.random.default_rng(seed)
    ids = list(stand().fields)
    seen: Counter[Verdict] = Counter()
    others = 0
    for _ in range(boards):
        bad, way = ids[random.integers(len(ids))], random.choice([-1.0, 1.0])
        right = faultless_errors(random)

        def errors(id: FieldId, field: Field, bad: FieldId = bad, way: float = way, right: Errors = right) -> NDArray[np.float64]:
            return way * EXCESS * field.limit if id == bad else right(id, field)

        for finding in board(errors, random):
            if finding.id == f"accuracy/{bad}":
                seen[finding.verdict] += 1
            else:
                others += finding.verdict is Verdict.FAIL
    return Faulty(boards, seen[Verdict.FAIL], seen[Verdict.UNDECIDED], seen[Verdict.PASS], others)


def main() -> None:
    begin = time.perf_counter()
    good, bad = run_faultless(FAULTLESS), run_faulty(FAULTY)
    lines = (
        f"{good.boards} faultless boards at {RATIO:g}:1, {good.requirements} requirements: {good.failed} failed, "
        f"{good.undecided} undecided ({good.undecided / good.requirements:.2%})",
        f"{bad.boards} boards at {EXCESS:g} T: {bad.caught / bad.boards:.1%} caught (theory {theory():.1%}, wanted 75 % or more), "
        f"{bad.undecided / bad.boards:.1%} undecided, {bad.passed} passed; {bad.others_failed} of their faultless fields failed",
        f"{time.perf_counter() - begin:.1f} s",
    )
    sys.stdout.write("\n".join(lines) + "\n")
    if good.failed or bad.passed or bad.others_failed or bad.caught < 0.75 * bad.boards:
        sys.exit(1)


if __name__ == "__main__":
    main()
