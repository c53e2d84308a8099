"""What the bench exercised while readings were judged: how far a field was moved, at which levels, and told from its siblings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.bench_file import CoverageEntry
from regcheck.checks.accuracy import Tally
from regcheck.checks.decision import Z
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.wording import plain
from regcheck.codec.columns import FieldId
from regcheck.device_map.model import FieldType

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Exercised:
    """Applied values at which readings were judged, in the field's unit: extremes, levels, stretches (low, high) f8[s, 2] by value.

    ``needed_span`` is what a constant report could still hide in: 2 (T + 1.645 u).
    """

    low: float
    high: float
    levels: int
    stretches: Array
    needed_span: float
    limit: float


def exercised(tally: Tally) -> Exercised:
    """Return what was exercised, from the segments that judged readings fell into."""
    judge = tally.judge
    segments = np.flatnonzero(tally.by_segment)
    ends = np.append(judge.curve.before[1:], np.nan)
    first = judge.curve.after[segments]
    last = np.where(np.isfinite(ends[segments]), ends[segments], first)
    stretches = np.sort(np.column_stack([np.minimum(first, last), np.maximum(first, last)]), axis=0)
    size = float(np.max(_sizes(tally)[segments], initial=0.0))
    u = float(np.max(np.hypot(judge.curve.u_s, judge.curve.u_r)[segments], initial=0.0))
    reach = size + Z * u
    levels, top = 0, -np.inf
    for low, high in stretches.tolist():
        if low - top > size or not levels:
            levels += 1
            top = low
        if high - top > size:
            levels += int((high - top) // max(size, 1e-300)) if size else 1
            top = high
    return Exercised(float(stretches[:, 0].min()), float(stretches[:, 1].max()), levels, stretches, 2 * reach, size)


def _sizes(tally: Tally) -> Array:
    """Return the larger side of the widest limit of each segment; 0 where none is known."""
    sides = [np.maximum(table.limits.fail_high, -table.limits.fail_low) for table in tally.judge.tables]
    return np.asarray(np.max(sides, axis=0) if sides else np.zeros(len(tally.judge.curve)))


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """What tells a field from its siblings: its holds with readings, and what was applied to it over all bench time.

    ``middle`` i8[h] ns, ``value`` and ``reach`` f8[h] of the holds; ``time`` i8[m], ``after`` and ``width`` f8[m] of the applied
    curve. Reach and width are limit and guard together, in the field's unit.
    """

    id: FieldId
    middle: NDArray[np.int64]
    value: Array
    reach: Array
    time: NDArray[np.int64]
    after: Array
    width: Array

    @classmethod
    def of(cls, tally: Tally) -> Held:
        """Return what was held of a field while it was read."""
        judge = tally.judge
        curve, held = judge.curve, np.flatnonzero(tally.hold_count)
        width = np.asarray(_sizes(tally) + Z * np.hypot(curve.u_s, curve.u_r))
        middle = (judge.holds.begin[held] + judge.holds.end[held]) // 2
        return cls(judge.id, middle, judge.holds.value[held], width[_segment(curve.time, middle)], curve.time, curve.after, width)


def _segment(time: NDArray[np.int64], at: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.maximum(np.searchsorted(time, at, side="right") - 1, 0)


def alike(one: Held, other: Held) -> bool:
    """Return whether no hold of one field tells it from its sibling by more than their limits and guards."""
    segment = _segment(other.time, one.middle)
    with np.errstate(invalid="ignore"):
        return not bool((np.abs(one.value - other.after[segment]) > one.reach + other.width[segment]).any())


def coverage_finding(tally: Tally, rule: CoverageEntry) -> Finding | None:
    """Return whether the field's whole range was exercised (verdicts, rule 18); None where its accuracy was not judged at all.

    The numbers are the bench file's, common practice where it does not say.
    """
    judge = tally.judge
    field = judge.field
    requirement = Requirement(
        "coverage", field.message, field.name, judge.id.element, judge.id.instance, field.given_keys.get("range", field.place)
    )
    span = next((case.item for case in field.range if case.item is not None and case.when is None), None)
    if not int(tally.decided.sum()):
        return Finding(
            requirement,
            Verdict.UNTESTED,
            f"nothing of {requirement.path} was exercised",
            "no_reading",
            "poll it while the bench applies values",
        )
    moved = exercised(tally)
    unit = str(field.unit or "")
    evidence: dict[str, Any] = {
        "unit": unit or None,
        "applied_from": plain(moved.low),
        "applied_to": plain(moved.high),
        "levels": moved.levels,
    }
    if span is None:
        return Finding(
            requirement,
            Verdict.UNTESTED,
            f"{requirement.path} has no range to cover",
            "no_range",
            "give the field its `range` in the map",
            evidence,
        )
    low, high = float(span.low), float(span.high)
    width = high - low
    missing = []
    if moved.low > low + float(rule.ends) * width:
        missing.append(f"its low end ({moved.low:.5g} was the lowest, needs {low + float(rule.ends) * width:.5g} {unit})")
    if moved.high < high - float(rule.ends) * width:
        missing.append(f"its high end ({moved.high:.5g} was the highest, needs {high - float(rule.ends) * width:.5g} {unit})")
    if moved.levels < rule.levels:
        missing.append(f"{rule.levels} levels ({moved.levels} were held)")
    gap, at = widest_gap(moved)
    if gap > float(rule.gap) * width:
        missing.append(f"the gap from {at:.5g} to {at + gap:.5g} {unit}")
    if low < 0 < high and (field.type is FieldType.SIGNED or field.positive):
        if moved.low >= 0 or moved.high <= 0:
            missing.append("both signs")
        if not ((moved.stretches[:, 0] <= moved.limit) & (moved.stretches[:, 1] >= -moved.limit)).any():
            missing.append("zero")
    evidence |= {"range_low": plain(low), "range_high": plain(high), "widest_gap": plain(gap)}
    if missing:
        return Finding(
            requirement,
            Verdict.UNTESTED,
            f"the range of {requirement.path} was not exercised whole: missing " + ", ".join(missing),
            "not_covered",
            "add holds there",
            evidence,
        )
    return Finding(
        requirement,
        Verdict.PASS,
        f"{requirement.path} was exercised from {moved.low:.5g} to {moved.high:.5g} {unit} at {moved.levels} levels".replace("  ", " "),
        evidence=evidence,
    )


def widest_gap(moved: Exercised) -> tuple[float, float]:
    """Return the widest gap between neighbouring exercised values, and where it begins."""
    reached = np.maximum.accumulate(moved.stretches[:, 1])
    gaps = moved.stretches[1:, 0] - reached[:-1]
    if not len(gaps) or gaps.max() <= 0:
        return 0.0, moved.high
    widest = int(gaps.argmax())
    return float(gaps[widest]), float(reached[widest])
