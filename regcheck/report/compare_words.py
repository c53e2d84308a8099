"""What a comparison says in words, on a terminal and on a page."""

from __future__ import annotations

from regcheck.checks.wording import worded
from regcheck.report.comparison import Drift, Shift, Side, Spread

TITLES = {"worse": "turned worse", "better": "turned better", "other": "turned otherwise", "": "moved, same verdict"}


def side_words(side: Side) -> str:
    """Return what a side is: its runs, or the one run with its counts and what was tested."""
    runs = side.runs
    if len(runs) > 1:
        return f"{side.name}: {len(runs)} runs"
    counts = ", ".join(f"{count} {verdict}" for verdict, count in runs[0].totals.items() if count)
    tested = ", ".join(f"{tag} {value}" for tag, value in runs[0].tested.items())
    return f"{side.name}: {counts}" + (f"; {tested}" if tested else "")


def shift_words(shift: Shift) -> str:
    """Return what moved, from where to where, and how well the change is known."""
    if shift.what == "gain":
        return f"gain moved from {shift.before:.6g} to {shift.after:.6g}, which is known to +/- {shift.expanded:.2g}"
    before, after = (worded(value, shift.unit, signed=True) for value in (shift.before, shift.after))
    return f"{shift.what} moved from {before} to {after}, which is known to +/- {worded(shift.expanded, shift.unit, apart=True)}"


def limits_words(before: tuple[float, float], after: tuple[float, float]) -> str:
    """Return the limits that another map gave."""
    return f"its limits were {before[0]:g} .. {before[1]:g} and are {after[0]:g} .. {after[1]:g}"


def spread_words(one: Spread) -> str:
    """Return how far an error spreads over runs."""
    unit = str(one.finding.evidence.get("unit") or "")
    text = f"{worded(one.lowest, unit, signed=True)} .. {worded(one.highest, unit, signed=True)} in {one.runs} runs"
    if one.deviation is not None:
        text += f", mean errors spread by {worded(one.deviation, unit, apart=True)} (standard deviation)"
    return f"{text}; worst in {one.worst.file}"


def drift_words(one: Drift) -> str:
    """Return how an error drifts from run to run."""
    slope, half = worded(one.slope, one.unit, signed=True), worded(one.half, one.unit, apart=True)
    return f"{one.id}: {slope} a run, +/- {half}, over {one.runs} runs"
