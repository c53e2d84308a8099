"""The staff as SVG: one narrow column a cell, the errors of a whole array at one look; the strip, turned a quarter."""

from __future__ import annotations

import math
from collections.abc import Sequence

from regcheck.checks.finding import Finding, Verdict
from regcheck.report.quantity import error_and_limit
from regcheck.report.strip import scale_of
from regcheck.report.svg import STANDALONE, safe, short
from regcheck.report.words import number_ranges

CELL, GROUP, BANK = 7, 10, 50
TOP, BOTTOM = 22.0, 70.0
"""The y of the upper and the lower limit; an error of 1.4 limits stands at the edge of what is drawn."""

_HEIGHT = 104
_GAP = 4


def staff_svg(findings: Sequence[Finding], title: str, *, standalone: bool = False) -> str:
    """Return the staff of an array that ``has_staff`` as ``svg`` elements, 50 cells a bank in groups of ten."""
    by_element = {one.requirement.element: one for one in findings if one.requirement.element is not None}
    first, last = min(by_element), max(by_element)
    banks = []
    for start in range(first, last + 1, BANK):
        end = min(start + BANK - 1, last)
        bank = [(number, by_element.get(number)) for number in range(start, end + 1)]
        banks.append(_bank(bank, f"{title}, {start} to {end}: {_told(bank)}", standalone=standalone))
    return "".join(banks)


def _told(bank: Sequence[tuple[int, Finding | None]]) -> str:
    said = []
    for verdict in (Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED):
        numbers = [number for number, one in bank if one is not None and one.verdict is verdict]
        said += [f"{verdict} {number_ranges(numbers)}"] if numbers else []
    return "; ".join(said) or "all pass"


def _bank(bank: Sequence[tuple[int, Finding | None]], title: str, *, standalone: bool) -> str:
    width = _x(len(bank) - 1) + CELL + 2
    name = ' xmlns="http://www.w3.org/2000/svg"' if standalone else ""
    parts = [
        f'<svg class="staff" viewBox="0 0 {short(width)} {_HEIGHT}" width="{short(width)}" height="{_HEIGHT}" role="img"{name}>',
        f"<title>{safe(title)}</title>{STANDALONE if standalone else ''}",
        f'<rect class="band" x="2" y="{short(TOP)}" width="{short(width - 4)}" height="{short(BOTTOM - TOP)}"/>',
        f'<path class="zero" d="M2 {short((TOP + BOTTOM) / 2)}H{short(width - 2)}"/>',
        f'<path class="post" d="M1 {TOP + 4}V{TOP}H{short(width - 1)}V{TOP + 4}M1 {BOTTOM - 4}V{BOTTOM}H{short(width - 1)}V{BOTTOM - 4}"/>',
    ]
    for index, (number, finding) in enumerate(bank):
        x = _x(index) + CELL / 2
        if finding is not None:
            parts.append(_cell(finding, number, x))
        if number % GROUP == 0 or index == 0:
            anchor = "start" if index == 0 else "end" if index == len(bank) - 1 else "middle"
            parts.append(f'<text class="tick" x="{short(x)}" y="{_HEIGHT - 2}" text-anchor="{anchor}">{number}</text>')
    return "".join(parts) + "</svg>"


def _x(index: int) -> float:
    return 2 + index * CELL + index // GROUP * _GAP


def _cell(finding: Finding, number: int, x: float) -> str:
    strip, verdict = finding.strip, finding.verdict
    scale = scale_of(strip) if strip is not None else None
    if verdict is Verdict.UNTESTED or strip is None or scale is None:
        dot = f"M{short(x - 1.5)} {short((TOP + BOTTOM) / 2 - 1.5)}h3v3h-3z"
        return f'<path class="m untested" d="{dot}"><title>{number}: {verdict}</title></path>'
    middle, half = (TOP + BOTTOM) / 2, (BOTTOM - TOP) / 2
    share = float(scale.share(strip.worst)) if math.isfinite(strip.worst) else math.copysign(9.0, strip.worst)
    y = min(max(BOTTOM - (BOTTOM - TOP) * share, middle - 1.75 * half), middle + 1.75 * half)
    if verdict is Verdict.PASS:  # rounding never lies, as in the strip
        y = min(max(y, TOP + 4), BOTTOM - 4)
        shape = f"M{short(x - 2.5)} {short(y - 2)}h5v4h-5z"
    elif verdict is Verdict.FAIL:
        if TOP - 9 < y < BOTTOM + 9:
            y = TOP - 9 if strip.worst > strip.high or (strip.worst >= strip.low and y <= middle) else BOTTOM + 9
        shape = f"M{short(x)} {short(y - 7)}h3v6.5h-3z M{short(x - 3)} {short(y + 0.5)}h3v6.5h-3z"
    else:
        shape = f"M{short(x - 2.25)} {short(y - 4)}h4.5v8h-4.5z"
    return f'<path class="m {verdict}" d="{shape}"><title>{number}: {safe(error_and_limit(strip, 40))}, {verdict}</title></path>'
