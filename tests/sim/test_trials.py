"""The shipped trials: two captures of one run, PECs right but for the burst, and a checker that finds the faults and no others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import crcmod
import numpy as np
import pytest

from regcheck.checks.finding import Verdict
from regcheck.checks.run import check_trial
from regcheck.checks.trial import load_trial
from regcheck.sim import faults
from regcheck.sim.faults import Fault
from regcheck.sim.recipe import Recipe, write_trials
from regcheck.traffic.batch import Batch, Kind, MessageKey
from regcheck.traffic.open import open_capture

smbus_pec = crcmod.mkCrcFun(0x107, initCrc=0, rev=False)
"""CRC-8 of polynomial x^8 + x^2 + x + 1 by an independent library."""

BROKEN = {
    "accuracy/current",  # a gain of 1.02
    "accuracy/average_current",  # worked out from the same front end
    "accuracy/cells.cell_voltage[2]",  # swapped with
    "accuracy/cells.cell_voltage[3]",
    "accuracy/temperature",  # sent in 0.1 degC
    "range/temperature",
    "reserved/protection.spare",  # bit 12 is set
    "pec/voltage",  # three in a row are wrong
    "framing/battery_status",  # one read is dropped
}


def batches(path: Path) -> list[Batch]:
    return list(open_capture(path).batches())


def test_wires_and_log_hold_the_same_transfers(captures: Path) -> None:
    (wires,), (log,) = batches(captures / "ridge-4s" / "bus.vcd.gz"), batches(captures / "ridge-4s-log" / "bus.jsonl")
    assert len(wires) > 1000
    for name in ("time", "end", "key", "flags", "split", "nack", "start", "data"):
        assert np.array_equal(getattr(wires, name), getattr(log, name)), name
    assert wires.end_ns == log.end_ns == 262_000_000_000


@pytest.mark.parametrize(("trial", "wrong"), [("ridge-4s-log", 3), ("ridge-4s-good", 0)])
def test_pecs_are_right_but_for_the_burst(captures: Path, trial: str, wrong: int) -> None:
    (batch,) = batches(captures / trial / "bus.jsonl")
    keys = [MessageKey.unpack(int(key)) for key in batch.key]
    whole = [index for index, key in enumerate(keys) if key.kind in (Kind.READ, Kind.WRITE) and batch.length[index] > 3]
    bad = [index for index in whole if smbus_pec(batch.message(index)[:-1]) != batch.message(index)[-1]]
    assert len(bad) == wrong
    assert {keys[index].command for index in bad} <= {0x09}
    assert len(keys) - len(whole) == (1 if wrong else 0)  # the dropped read


@pytest.mark.parametrize(("trial", "broken"), [("ridge-4s", BROKEN), ("ridge-4s-log", BROKEN), ("ridge-4s-good", set())])
def test_the_checker_finds_the_faults_and_no_others(captures: Path, trial: str, broken: set[str]) -> None:
    found = {finding.id: finding for finding in check_trial(load_trial(captures / trial)).findings}
    assert {id for id, finding in found.items() if finding.verdict is Verdict.FAIL} == broken
    assert not [id for id, finding in found.items() if finding.verdict is Verdict.UNDECIDED]
    # what is neither in the bench's reach nor in the host's poll list, and nothing else
    untested = {id for id, finding in found.items() if finding.verdict is Verdict.UNTESTED}
    beyond = ("optional_function_", "alarm_to_", "relative_charge", "absolute_charge")
    assert {id for id in untested if not id.partition("/")[2].startswith(beyond)} == set()
    assert sum(id.startswith("coverage/") and finding.verdict is Verdict.PASS for id, finding in found.items()) == 10


SECOND = 1_000_000_000
SUM = "rule/pack-voltage-is-the-sum-of-the-cells"

FOUND: list[tuple[Fault, set[str]]] = [
    (faults.WrongOffset("voltage", 40.0), {"accuracy/voltage"}),
    (faults.WrongGain("cells.cell_voltage[1]", 1.004), {"accuracy/cells.cell_voltage[1]"}),
    (faults.SlowUpdate("voltage", 7 * SECOND), {"accuracy/voltage", SUM}),
    (faults.SignFlipped("current"), {"accuracy/current"}),
    (faults.Stuck("cells.cell_voltage[4]", 40 * SECOND), {"accuracy/cells.cell_voltage[4]", SUM}),
    (faults.PlausibleOpen("thermistor_1", 2047, 4070), {"available/thermistor_1"}),
    (faults.BytesSwapped("voltage"), {"accuracy/voltage", "range/voltage", SUM}),
    (faults.MissingPec("voltage"), {"pec/voltage"}),
    (faults.WrongCount("cells", -1), {"length/cells"}),
]
"""Faults that the shipped board does not have, each with the requirements that it breaks."""


@pytest.mark.parametrize(("fault", "broken"), FOUND, ids=[type(fault).__name__ for fault, _ in FOUND])
def test_the_checker_finds_each_other_fault(recipe: Recipe, tmp_path: Path, fault: Fault, broken: set[str]) -> None:
    plan = recipe.trials["ridge-4s-log"].model_copy(update={"faults": "one"})
    map_file = str((recipe.file.parent / recipe.map_text).resolve())
    (home,) = write_trials(replace(recipe, map_text=map_file, faults={"one": (fault,)}, trials={"one": plan}), tmp_path)
    findings = check_trial(load_trial(home)).findings
    assert {finding.id for finding in findings if finding.verdict is Verdict.FAIL} == broken
