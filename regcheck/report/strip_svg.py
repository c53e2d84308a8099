"""The error strip as SVG: how far off, drawn against the limits."""

from __future__ import annotations

import math

from regcheck.checks.finding import Finding, Strip, Verdict
from regcheck.report.strip import Scale, factor_text, scale_of
from regcheck.report.svg import STANDALONE, safe, short, slab

LEFT, RIGHT, MIDDLE = 60, 300, 14
REACH = 1.4
"""In half widths of the interval; farther out the mark stands at the end, with the factor as text."""

_LEFT_POST, _RIGHT_POST = "M66 3H60V25H66", "M294 3H300V25H294"
_POSTS = f'<path class="post" d="{_LEFT_POST}{_RIGHT_POST}"/>'
_BAND = '<rect class="band" x="60" y="6" width="240" height="16"/>'


def strip_svg(finding: Finding, *, standalone: bool = False) -> str:
    """Return the strip of a finding as one ``svg`` element, its title the finding's sentence; ``standalone`` brings its own style.

    Untested is a row of dashes without a band. Empty where there is no strip to draw: no number, or limits that are words.
    """
    inner = _untested() if finding.verdict is Verdict.UNTESTED else _drawn(finding.strip, finding.verdict)
    if not inner:
        return ""
    head = '<svg class="strip" viewBox="0 0 360 28" role="img"'
    name = ' xmlns="http://www.w3.org/2000/svg"' if standalone else ""
    return f"{head}{name}><title>{safe(finding.says)}</title>{STANDALONE if standalone else ''}{inner}</svg>"


def words_for(strip: Strip) -> str:
    """Return what stands where no strip can be drawn: both limits are zero, or both are open; empty where one can."""
    if scale_of(strip) is not None:
        return ""
    return "no limit" if math.isinf(strip.low) or math.isinf(strip.high) else "none allowed"


def position(scale: Scale, error: float) -> float:
    """Return the x of an error, not clamped."""
    if math.isinf(error):
        return math.copysign(math.inf, error)
    return LEFT + (RIGHT - LEFT) * float(scale.share(error))


def _untested() -> str:
    return f'{_POSTS}<path class="dash" d="M70 14H290" stroke-dasharray="6 6"/>'


def _drawn(strip: Strip | None, verdict: Verdict) -> str:
    scale = scale_of(strip) if strip is not None else None
    if strip is None or scale is None:
        return ""
    ends = LEFT + (RIGHT - LEFT) / 2 * (1 - REACH), LEFT + (RIGHT - LEFT) / 2 * (1 + REACH)
    x, beside = mark_at(strip, verdict, scale)
    zero = position(scale, 0.0)
    posts = ("" if math.isinf(strip.low) else _LEFT_POST) + ("" if math.isinf(strip.high) else _RIGHT_POST)
    parts = [_BAND, f'<path class="zero" d="M{short(zero)} 3V8M{short(zero)} 20V25"/><path class="post" d="{posts}"/>']
    if strip.uncertainty > 0 and math.isfinite(strip.worst):
        spread = (RIGHT - LEFT) * strip.uncertainty / float(scale.high - scale.low)
        at = position(scale, strip.worst)
        first, last = (min(max(end, ends[0]), ends[1]) for end in (at - spread, at + spread))
        if last - first > 0 and not beside:
            parts.append(f'<rect class="whisker" x="{short(first)}" y="12.5" width="{short(last - first)}" height="3"/>')
    parts.append(slab(verdict, x, MIDDLE))
    factor = factor_text(strip, beside) if beside else ""
    if factor:
        place = 'x="338" text-anchor="end"' if beside > 0 else 'x="22"'
        parts.append(f'<text {place} y="18">{safe(factor)}×</text>')
    return "".join(parts)


def mark_at(strip: Strip, verdict: Verdict, scale: Scale) -> tuple[float, int]:
    """Return the mark's x, and -1 or 1 where the error lies farther out than can be drawn.

    Rounding never lies: a pass stands wholly between the posts, a fail wholly outside; only undecided may touch one.
    """
    x = position(scale, strip.worst)
    middle, half = (LEFT + RIGHT) / 2, (RIGHT - LEFT) / 2
    beside = 0 if abs(x - middle) <= REACH * half else 1 if x > middle else -1
    x = min(max(x, middle - REACH * half), middle + REACH * half)
    if verdict is Verdict.PASS:
        return min(max(x, LEFT + 5.0), RIGHT - 5.0), 0
    if verdict is Verdict.FAIL and LEFT - 6 < x < RIGHT + 6:
        right = strip.worst > strip.high or (strip.worst >= strip.low and x >= middle)
        x = RIGHT + 6.0 if right else LEFT - 6.0
    return x, beside
