"""What judging a relation comes to: instants counted by verdict, and the one that decides."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from regcheck.device_map.units import Unit

PASS, FAIL, UNDECIDED, LEFT_OUT, IN_DOUBT = 0, 1, 2, 3, 4
"""Verdicts of one instant. Undecided is what the bench's uncertainty leaves open.

In doubt is an instant whose partners changed while they were paired, so that some of their values pass and some fail; it is left out
where they changed by more than the limit allows for.
"""

NOT_BUILT = "not_judged_yet"


@dataclass(frozen=True, slots=True)
class Worst:
    """The instant that decides: the gravest verdict, then the largest share of its limit, then the earliest."""

    severity: int
    share: float
    time_ns: int
    source: int
    place: int
    instance: str
    left: float
    right: float
    difference: float
    low: float
    high: float
    partners: tuple[tuple[str, float, float], ...]  # name, value, age in s
    since_ns: int | None = None
    doubt: float = 0.0  # of the difference, at 95 % one way

    def beats(self, other: Worst | None) -> bool:
        """Return whether this one is worse than an earlier one."""
        return other is None or (self.severity, self.share) > (other.severity, other.share)


@dataclass(slots=True)
class Outcome:
    """What one rule came to for one device, over all stretches."""

    counts: NDArray[np.int64] = field(default_factory=lambda: np.zeros(5, np.int64))
    worst: Worst | None = None
    unit: Unit | None = None
    limited: bool = False
    seen: int = 0  # instants at which it could have been judged
    held: int = 0  # ... and `when` held
    settling: int = 0  # ... but something that it names may still have been settling
    missing: list[str] = field(default_factory=list)
    oldest: dict[str, int] = field(default_factory=dict)
    refused: str = ""  # why this version cannot judge it

    def add(self, verdicts: NDArray[np.int64], worst: Worst | None) -> None:
        """Count instants, and keep the worst."""
        self.counts += np.bincount(verdicts, minlength=5)
        if worst is not None and worst.beats(self.worst):
            self.worst = worst
