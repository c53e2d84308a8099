"""The run as JSON: what ``check --json`` writes and ``compare`` reads."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from regcheck.checks.finding import Run, count_verdicts
from regcheck.report.whole_file import write_whole

VERSION = 1  # a new key keeps the number, a changed meaning raises it


def run_as_json(run: Run) -> dict[str, Any]:
    """Return the run in plain JSON types, keys in the order in which they are written."""
    return {
        "regcheck": VERSION,
        "map": {"name": run.map_name} | run.map_file.as_json(),
        "captures": [capture.as_json() for capture in run.captures],
        "bench": [file.as_json() for file in run.bench],
        "decision": run.decision,
        "totals": {str(verdict): count for verdict, count in count_verdicts(run.findings).items()},
        "findings": [finding.as_json() for finding in run.findings],
        "about": dict(run.about),
    }


def json_bytes(run: Run) -> bytes:
    """Return the run as UTF-8 JSON text; the same run gives the same bytes, floats in the shortest digits that give them back.

    ValueError names the finding whose evidence is no JSON (not finite, or of another type).
    """
    body = run_as_json(run)
    try:
        text = _dumped(body)
    except (TypeError, ValueError) as problem:
        raise ValueError(f"{_culprit(body)}: {problem}") from problem
    # A name that is not UTF-8 arrives as lone surrogates; their backslash form is what JSON itself writes for them.
    return text.encode("utf-8", "backslashreplace") + b"\n"


def write_json(run: Run, path: Path) -> None:
    """Write the run's JSON, whole or not at all."""
    write_whole(path, json_bytes(run))


def _dumped(body: object) -> str:
    return json.dumps(body, indent=1, ensure_ascii=False, allow_nan=False)


def _culprit(body: dict[str, Any]) -> str:
    for finding in body["findings"]:
        try:
            _dumped(finding)
        except (TypeError, ValueError):
            return f"finding {finding['id']}"
    return "run"
