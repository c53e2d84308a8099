"""A run read back from the JSON that a check wrote."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from regcheck.checks.finding import Finding, Requirement, Strip, Verdict
from regcheck.errors import Place, Problem, SourceError
from regcheck.report.json_run import VERSION

_ELEMENT = re.compile(r"(?P<field>.*)\[(?P<element>\d+)\]\Z")
_EXPECTED = "expected a run, as `check --json` writes it"
_WANTED: Mapping[str, type] = {"map": dict, "captures": list, "bench": list, "totals": dict, "findings": list, "about": dict}


@dataclass(frozen=True, slots=True)
class SavedRun:
    """One run file: its name as given, the SHA-256 of its bytes, its JSON, and its findings."""

    file: str
    sha256: str
    body: Mapping[str, Any]
    findings: tuple[Finding, ...]


def load_run(path: Path) -> SavedRun:
    """Read a run. Raises SourceError: not there, no JSON, no run, of a newer version, or a finding in it is damaged."""
    found = load_if_run(path)
    if found is None:
        raise _wrong(path, "is JSON, but no run", _EXPECTED)
    return found


def load_if_run(path: Path) -> SavedRun | None:
    """Read a run; None where the file is JSON of another kind. Raises SourceError as ``load_run`` does."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise _wrong(path, f"cannot be read: {error.strerror or error}", _EXPECTED) from error
    try:
        body = json.loads(data)
    except ValueError as error:
        raise _wrong(path, f"is no JSON: {error}", _EXPECTED) from error
    if not (isinstance(body, dict) and isinstance(body.get("regcheck"), int) and isinstance(body.get("findings"), list)):
        return None
    if body["regcheck"] > VERSION:
        raise _wrong(path, f"is a run of version {body['regcheck']}; this regcheck reads up to {VERSION}", "read it with a newer regcheck")
    lacking = [key for key, kind in _WANTED.items() if not isinstance(body.get(key), kind)]
    if lacking:
        raise _wrong(path, f"is a run without {', '.join(lacking)}", "write it anew with `check --json`")
    return SavedRun(str(path), hashlib.sha256(data).hexdigest(), body, tuple(_findings(path, body["findings"])))


def _wrong(path: Path, text: str, hint: str) -> SourceError:
    return SourceError([Problem(Place(str(path)), text, hint)])


def _findings(path: Path, findings: list[Any]) -> Iterator[Finding]:
    for number, one in enumerate(findings):
        try:
            yield saved_finding(one)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            named = f" ({one['id']})" if isinstance(one, dict) and "id" in one else ""
            raise _wrong(path, f"finding {number + 1}{named} is damaged: {error!r}", "write the run anew with `check --json`") from error


def saved_finding(one: Mapping[str, Any]) -> Finding:
    """Return a finding from its JSON. KeyError, TypeError or ValueError where that is damaged."""
    field, element = one["field"] or "", None
    match = _ELEMENT.match(field)
    if match is not None:
        field, element = match["field"], int(match["element"])
    requirement = Requirement(one["kind"], one["message"], field, element, one["instance"] or "")
    if requirement.id != one["id"]:
        raise ValueError(f"its parts name {requirement.id}")
    return Finding(
        requirement,
        Verdict(one["verdict"]),
        str(one["says"]),
        str(one.get("reason", "")),
        str(one.get("remedy", "")),
        dict(one["evidence"]),
        _strip(one["evidence"]),
    )


def _strip(evidence: Mapping[str, Any]) -> Strip | None:
    """Return the error strip of an accuracy, whose numbers stand in the evidence of its worst reading."""
    worst = evidence.get("worst")
    if not isinstance(worst, Mapping) or not {"error", "limit_low", "limit_high", "u"} <= worst.keys():
        return None
    numbers = [float(worst[key]) for key in ("error", "limit_low", "limit_high", "u")]
    if not all(map(math.isfinite, numbers)):
        raise ValueError("its worst reading holds no finite numbers")
    return Strip(numbers[0], numbers[1], numbers[2], 2 * numbers[3], str(evidence.get("unit") or ""))
