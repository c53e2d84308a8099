"""A comparison of runs as one HTML page, in the manner of the report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from regcheck.checks.finding import Finding, Verdict
from regcheck.report.compare_words import TITLES, drift_words, limits_words, shift_words, side_words, spread_words
from regcheck.report.comparison import Change, Comparison
from regcheck.report.html_shell import rendered
from regcheck.report.quantity import error_and_limit
from regcheck.report.strip_svg import strip_svg
from regcheck.report.svg import safe, short, slab
from regcheck.report.whole_file import write_whole

_WIDTH, _HEIGHT, _MIDDLE, _LIMIT = 360.0, 64.0, 32.0, 20.0  # of a course over runs; the limits stand 20 above and below zero
_REACH = 1.4


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One requirement that changed: what the last side says of it, the strips of both sides, its course over all, and what is told."""

    id: str
    name: str
    verdict: Verdict | None
    number: str
    before: str
    after: str
    course: str
    told: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Part:
    """The requirements that changed alike."""

    title: str
    rows: tuple[ChangeRow, ...]


def comparison_bytes(found: Comparison, *, command: str = "") -> bytes:
    """Return the page, UTF-8; the same comparison gives the same bytes."""
    parts = [
        Part(TITLES[turn], tuple(_row(change, found) for change in found.changes if change.turn == turn))
        for turn in ("worse", "other", "better", "")
    ]
    worse = len(found.turned("worse"))
    return rendered(
        "compare.html.j2",
        found=found,
        worse=worse,
        word="worse" if worse else "no worse",
        verdict=Verdict.FAIL if worse else Verdict.PASS,
        sides=[(number, side_words(side), side.runs) for number, side in enumerate(found.sides, 1)],
        parts=[part for part in parts if part.rows],
        unsteady=[(id, course_svg(id, found.verdicts[id], found.shares[id])) for id in found.unsteady],
        spreads=[(one.finding, strip_svg(one.finding), _number(one.finding), spread_words(one)) for one in found.spreads],
        drifts=[drift_words(one) for one in found.drifts],
        command=command,
    )


def write_comparison_page(found: Comparison, path: Path, *, command: str = "") -> None:
    """Write the page, whole or not at all."""
    write_whole(path, comparison_bytes(found, command=command))


def _row(change: Change, found: Comparison) -> ChangeRow:
    subject = change.after if change.after is not None else change.before
    assert subject is not None  # noqa: S101 - a change has one side at least
    told = []
    if change.turn:
        told.append(f"was {change.before.verdict}: {change.before.says}" if change.before is not None else "was not there")
        told.append(f"is {change.after.verdict}: {change.after.says}" if change.after is not None else "is gone")
    told += [shift_words(shift) for shift in change.shifts]
    told += [limits_words(*change.limits)] if change.limits is not None else []
    course = course_svg(change.id, found.verdicts[change.id], found.shares[change.id]) if len(found.sides) > 2 else ""
    return ChangeRow(
        change.id,
        subject.requirement.path,
        change.after.verdict if change.after is not None else None,
        _number(change.after),
        _strip(change.before),
        _strip(change.after),
        course,
        tuple(told),
    )


def _strip(finding: Finding | None) -> str:
    return strip_svg(finding) if finding is not None and finding.strip is not None else ""


def _number(finding: Finding | None) -> str:
    if finding is None or finding.strip is None or finding.verdict is Verdict.UNTESTED:
        return ""
    return error_and_limit(finding.strip, 28)


def course_svg(id: str, verdicts: Sequence[Verdict | None], shares: Sequence[float | None]) -> str:
    """Return one requirement from side to side, the first at the left: height is the error inside its limits, shape the verdict.

    Without numbers the shapes stand on the line of zero; a side that lacks the requirement is left blank.
    """
    step = min(24.0, (_WIDTH - 40) / max(len(verdicts) - 1, 1))
    words = ", ".join("not there" if verdict is None else str(verdict) for verdict in verdicts)
    places = [(20 + step * at, _MIDDLE - _LIMIT * max(-_REACH, min(_REACH, share or 0.0))) for at, share in enumerate(shares)]
    known = [place for place, share in zip(places, shares, strict=True) if share is not None]
    right = 20 + step * (len(verdicts) - 1) + 10
    lines = f'<rect class="band" x="10" y="{short(_MIDDLE - _LIMIT)}" width="{short(right - 10)}" height="{short(2 * _LIMIT)}"/>'
    lines += f'<path class="zero" d="M10 {short(_MIDDLE)}H{short(right)}"/>'
    lines += (
        f'<path class="post" d="M10 {short(_MIDDLE - _LIMIT)}H{short(right)}M10 {short(_MIDDLE + _LIMIT)}H{short(right)}"/>'
        if known
        else ""
    )
    path = "L".join(f"{short(x)} {short(y)}" for x, y in known)
    lines += f'<path class="applied" d="M{path}"/>' if len(known) > 1 else ""
    marks = "".join(slab(verdict, x, y) for verdict, (x, y) in zip(verdicts, places, strict=True) if verdict is not None)
    title = f"<title>{safe(id)}: {safe(words)}</title>"
    return f'<svg class="course" viewBox="0 0 {short(_WIDTH)} {short(_HEIGHT)}" role="img">{title}{lines}{marks}</svg>'


__all__ = ["comparison_bytes", "course_svg", "write_comparison_page"]
