"""Requirements and findings: what must hold, and what may be said of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from regcheck.errors import Place


class Verdict(StrEnum):
    """The four outcomes of a requirement."""

    PASS = "pass"  # noqa: S105 - a verdict, not a password
    FAIL = "fail"
    UNDECIDED = "undecided"
    UNTESTED = "untested"


WORST_FIRST = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS, Verdict.UNTESTED)


@dataclass(frozen=True, slots=True)
class Requirement:
    """One thing that a map or a bus standard requires of one message or field.

    ``element`` is the number of an array's element, None where the field is single. ``place`` is the map's line.
    """

    kind: str
    message: str
    field: str = ""
    element: int | None = None
    instance: str = ""
    place: Place | None = None

    @property
    def path(self) -> str:
        """``message.field[n]``, shortened where message and field bear one name."""
        name = self.message if self.field in ("", self.message) else f"{self.message}.{self.field}"
        element = "" if self.element is None else f"[{self.element}]"
        return (f"{self.instance}." if self.instance else "") + name + element

    @property
    def id(self) -> str:
        """The name that stays the same from run to run: ``kind/path``."""
        return f"{self.kind}/{self.path}"


@dataclass(frozen=True, slots=True)
class Strip:
    """How far off, for the error strip: error, limits and expanded uncertainty in one unit, already rounded for print.

    ``low`` and ``high`` are the limits of the error (``low`` negative or 0); ``worst`` is the error that decided.
    """

    worst: float
    low: float
    high: float
    uncertainty: float
    unit: str


@dataclass(frozen=True, slots=True)
class Finding:
    """The outcome for one requirement.

    ``says`` is one sentence for a person; ``reason`` (a word) and ``remedy`` (a sentence) stand for undecided and untested;
    ``evidence`` holds the numbers, in plain JSON types, in a stable order.
    """

    requirement: Requirement
    verdict: Verdict
    says: str
    reason: str = ""
    remedy: str = ""
    evidence: Mapping[str, Any] = field(default_factory=dict)
    strip: Strip | None = None

    @property
    def id(self) -> str:
        """The requirement's id."""
        return self.requirement.id

    def as_json(self) -> dict[str, Any]:
        """Return the finding as it stands in ``check --json``."""
        requirement = self.requirement
        element = "" if requirement.element is None else f"[{requirement.element}]"
        body: dict[str, Any] = {
            "id": self.id,
            "kind": requirement.kind,
            "message": requirement.message,
            "field": (requirement.field + element) or None,
            "instance": requirement.instance or None,
            "verdict": str(self.verdict),
            "says": self.says,
        }
        if self.verdict in (Verdict.UNDECIDED, Verdict.UNTESTED):
            body |= {"reason": self.reason, "remedy": self.remedy}
        return body | {"evidence": dict(self.evidence)}


@dataclass(frozen=True, slots=True)
class NamedFile:
    """A file that a run rests on: its name as given, and the SHA-256 of its bytes."""

    name: str
    sha256: str

    def as_json(self) -> dict[str, str]:
        """Return the file as it stands in ``check --json``."""
        return {"file": self.name, "sha256": self.sha256}


@dataclass(frozen=True, slots=True)
class Run:
    """One check of one trial with its findings, in the order of the map. ``about`` alone says where and when it ran."""

    map_name: str
    map_file: NamedFile
    captures: tuple[NamedFile, ...]
    bench: tuple[NamedFile, ...]
    decision: str
    findings: tuple[Finding, ...]
    about: Mapping[str, Any] = field(default_factory=dict)
    complaints: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 where something passed and nothing failed, 1 where something failed, 4 where nothing was decided."""
        verdicts = {finding.verdict for finding in self.findings}
        return 1 if Verdict.FAIL in verdicts else 0 if Verdict.PASS in verdicts else 4


def count_verdicts(findings: Iterable[Finding]) -> dict[Verdict, int]:
    """Count the findings of each verdict, worst first; every verdict has its key."""
    counts = dict.fromkeys(WORST_FIRST, 0)
    for finding in findings:
        counts[finding.verdict] += 1
    return counts
