"""What a report needs to know of a run."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from regcheck.checks.finding import WORST_FIRST, Finding, Verdict


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A file that the run read: its name as the user gave it, and the SHA-256 of its bytes as 64 hex digits."""

    name: str
    sha256: str

    def as_json(self) -> dict[str, str]:
        """Return the file as it stands in ``check --json``."""
        return {"file": self.name, "sha256": self.sha256}


class RunView(Protocol):
    """A run as a report sees it; findings stand in the order of the map.

    ``decision`` is the text of the decision rule (verdicts: ISO 14253-1, JCGM 106); ``about`` alone holds where and when it ran.
    """

    @property
    def map_name(self) -> str:
        """The map's own name."""

    @property
    def map_file(self) -> SourceFile:
        """The map's file."""

    @property
    def captures(self) -> Sequence[SourceFile]:
        """The captures, in the order in which they were read."""

    @property
    def bench(self) -> Sequence[SourceFile]:
        """The bench file and its stimulus logs; empty without a bench."""

    @property
    def decision(self) -> str:
        """The decision rule, in words."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """One finding a requirement."""

    @property
    def about(self) -> Mapping[str, Any]:
        """Where and when it ran, and the tool's version; plain JSON types."""


def count_verdicts(findings: Iterable[Finding]) -> dict[Verdict, int]:
    """Count the findings of each verdict, worst first; every verdict has its key."""
    counts = dict.fromkeys(WORST_FIRST, 0)
    for finding in findings:
        counts[finding.verdict] += 1
    return counts
