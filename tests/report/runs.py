"""Runs of an invented pack, made of findings and written as `check --json` writes them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from regcheck.checks.finding import Finding, NamedFile, Requirement, Run, Verdict
from regcheck.report.json_run import write_json


def accuracy(
    name: str,
    error: float,
    *,
    verdict: Verdict = Verdict.PASS,
    limit: float = 10.0,
    u: float = 0.5,
    noise: float | None = None,
    offset: float | None = None,
    centre: float = 3600.0,
    gain: tuple[float, float] | None = None,
    element: int | None = None,
) -> Finding:
    evidence: dict[str, Any] = {"unit": "mV", "worst": {"error": error, "limit_low": -limit, "limit_high": limit, "u": u}}
    if noise is not None:
        evidence["noise"] = noise
    if offset is not None:
        evidence |= {"error_at_centre": offset, "centre": centre}
    if gain is not None:
        evidence |= {"gain": gain[0], "gain_half_interval": gain[1]}
    doubt = ("in_doubt", "use a better bench") if verdict in (Verdict.UNDECIDED, Verdict.UNTESTED) else ("", "")
    return Finding(Requirement("accuracy", name, name, element), verdict, f"{name} is off by {error} mV", *doubt, evidence=evidence)


def plain(id: str, verdict: Verdict, says: str = "it is so") -> Finding:
    kind, _, message = id.partition("/")
    doubt = ("not_seen", "read it") if verdict in (Verdict.UNDECIDED, Verdict.UNTESTED) else ("", "")
    return Finding(Requirement(kind, message), verdict, says, *doubt)


def saved(
    path: Path, findings: Sequence[Finding], *, when: str = "2026-11-25T00:00:00Z", tested: Mapping[str, str] | None = None, map: str = "00"
) -> Path:
    about = {"tool": "regcheck 0.1.0", "when": when, "where": "bench", "tested": dict(tested or {})}
    captures, bench = (NamedFile("bus.vcd", path.name),), (NamedFile("bench.yaml", "11"), NamedFile("stimulus.csv", "22"))
    path.parent.mkdir(parents=True, exist_ok=True)
    write_json(Run("pack", NamedFile("pack.yaml", map), captures, bench, "the rule", tuple(findings), about), path)
    return path
