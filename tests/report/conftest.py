"""Findings of an invented board, and a run that holds them."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from regcheck.checks.finding import Finding, NamedFile, Requirement, Run, Strip, Verdict
from regcheck.errors import Place

LOOKS = (
    Finding(Requirement("accuracy", "current"), Verdict.FAIL, "current reads 212 mA high.", strip=Strip(212.0, -61.0, 61.0, 4.0, "mA")),
    Finding(
        Requirement("accuracy", "cell_voltage", element=3, place=Place("pack.yaml", 12, 3)),
        Verdict.FAIL,
        "Cell 3 reads 11.8 mV high at 12.5 s.",
        evidence={"count": 120, "worst": 11.8, "limit": 10.0},
        strip=Strip(11.8, -10.0, 10.0, 0.7, "mV"),
    ),
    Finding(
        Requirement("accuracy", "voltage"),
        Verdict.UNDECIDED,
        "voltage reads 19.2 mV low, the bench cannot tell that from its limit.",
        "bench_too_uncertain",
        "needs u of at most 0.4 mV",
        strip=Strip(-19.2, -20.0, 20.0, 2.4, "mV"),
    ),
    Finding(Requirement("accuracy", "cell_voltage", element=1), Verdict.PASS, "Good.", strip=Strip(4.1, -10.0, 10.0, 0.7, "mV")),
    Finding(Requirement("accuracy", "temperature"), Verdict.PASS, "Good.", strip=Strip(-0.3, -3.0, 3.0, 0.3, "K")),
    Finding(Requirement("accuracy", "cycle_count"), Verdict.UNTESTED, "Never moved.", "not_moved", "hold it at two levels"),
)


MAP_FILE = NamedFile("pack.yaml", "a" * 64)


def make_run(findings: tuple[Finding, ...] = LOOKS) -> Run:
    return Run(
        map_name="pack",
        map_file=MAP_FILE,
        captures=(NamedFile("ramp.log", "b" * 64),),
        bench=(NamedFile("bench.yaml", "c" * 64), NamedFile("ramp.csv", "d" * 64)),
        decision="pass at a probability of 0.95 or more, fail at 0.05 or less",
        findings=findings,
        about={"version": "0.1.0", "started": "2026-11-25T10:00:00Z"},
    )


@pytest.fixture
def looks() -> tuple[Finding, ...]:
    return LOOKS


@pytest.fixture
def run() -> Run:
    return make_run()


@pytest.fixture
def run_of() -> Callable[..., Run]:
    return lambda *findings: make_run(findings)
