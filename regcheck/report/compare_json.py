"""A comparison of runs as JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from regcheck.checks.finding import Finding
from regcheck.report.comparison import Comparison
from regcheck.report.whole_file import write_whole

VERSION = 1  # a new key keeps the number, a changed meaning raises it


def write_comparison(found: Comparison, path: Path) -> None:
    """Write a comparison's JSON, whole or not at all."""
    text = json.dumps(comparison_as_json(found), indent=1, ensure_ascii=False, allow_nan=False)
    write_whole(path, text.encode("utf-8", "backslashreplace") + b"\n")


def comparison_as_json(found: Comparison) -> dict[str, Any]:
    """Return a comparison in plain JSON types."""

    def finding(one: Finding | None) -> dict[str, Any] | None:
        return one.as_json() if one is not None else None

    return {
        "regcheck_comparison": VERSION,
        "sides": [
            {"name": side.name, "runs": [{"file": run.file, "sha256": run.sha256, "tested": dict(run.tested)} for run in side.runs]}
            for side in found.sides
        ],
        "files": dict(found.files),
        "totals": {turn: len(found.turned(turn)) for turn in ("worse", "better", "other")}
        | {"moved": len(found.moved), "alike": found.alike, "unsteady": len(found.unsteady)},
        "changes": [
            {
                "id": change.id,
                "turn": change.turn or None,
                "verdicts": [str(verdict) if verdict is not None else None for verdict in found.verdicts[change.id]],
                "before": finding(change.before),
                "after": finding(change.after),
                "moved": [
                    {
                        "what": one.what,
                        "before": one.before,
                        "after": one.after,
                        "expanded_uncertainty": one.expanded,
                        "unit": one.unit or None,
                    }
                    for one in change.shifts
                ],
                "limits": [list(pair) for pair in change.limits] if change.limits is not None else None,
            }
            for change in found.changes
        ],
        "unsteady": found.unsteady,
        "spread": [
            {
                "id": one.id,
                "runs": one.runs,
                "lowest": one.lowest,
                "highest": one.highest,
                "standard_deviation_of_mean_errors": one.deviation,
                "unit": one.finding.evidence.get("unit"),
                "worst_in": one.worst.file,
            }
            for one in found.spreads
        ],
        "drifts": [
            {"id": one.id, "slope_a_run": one.slope, "half_interval": one.half, "runs": one.runs, "unit": one.unit or None}
            for one in found.drifts
        ],
    }
