"""Alarms as a timeline: each time that a level's condition came to hold, and when the readings say that it was reported."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from regcheck.checks.finding import Verdict
from regcheck.report.svg import safe, scale_over, short, slab

LEFT, WIDTH = 60.0, 240.0


def crossing_svg(crossing: Mapping[str, Any], title: str, reach_s: float) -> str:
    """Return one crossing as a strip of delay: zero, when the condition came to hold, is the left post; the limit the right one.

    The bar runs from the last reading that was still clear to the first that was set, the doubt of the clock added: the alarm came
    somewhere within it. ``reach_s`` is the longest delay allowed, the distance of the posts.
    """
    verdict = Verdict(crossing["verdict"])
    scale = WIDTH / reach_s

    def x(delay_s: float) -> float:
        return min(max(LEFT + delay_s * scale, 8.0), 352.0)

    limit = crossing.get("limit_s")
    first = x(limit[0]) if limit and limit[0] else LEFT
    band = f'<rect class="band" x="{short(first)}" y="6" width="{short(LEFT + WIDTH - first)}" height="16"/>' if limit else ""
    post = '<path class="post" d="M66 3H60V25H66' + ('M294 3H300V25H294"/>' if limit else '"/>')
    inner = band + post + (f'<path class="zero" d="M{short(first)} 6V22"/>' if first > LEFT else "")
    delay = crossing.get("delay_s")
    if delay is not None:
        last = x(delay[1])
        begin = LEFT if delay[0] is None else x(delay[0])
        inner += f'<rect class="whisker" x="{short(begin)}" y="12.5" width="{short(max(last - begin, 0.0))}" height="3"/>'
        inner += f'<path class="m {verdict}" d="M{short(begin)} 8v12" />' if begin < last else ""
        inner += slab(verdict, last, 14)
    else:
        words = "never reported" if verdict is Verdict.FAIL else "held too briefly to tell"
        inner += f'<text x="180" y="18" text-anchor="middle">{words}</text>'
    return f'<svg class="strip" viewBox="0 0 360 28" role="img"><title>{safe(title)}</title>{inner}</svg>'


def timeline_svg(crossings: Sequence[Mapping[str, Any]], title: str) -> str:
    """Return one line of time with a mark wherever a level's condition came to hold, a row a level."""
    levels = list(dict.fromkeys(str(one["level"]) for one in crossings))
    times = [float(one["met_s"][0]) for one in crossings]
    axis = scale_over([min(0.0, *times), *times], ticks=5, room=0.04)
    height = 26 * len(levels) + 20
    parts = []
    for row, level in enumerate(levels):
        y = 26 * row + 20
        parts.append(f'<line class="zero" x2="100%" y1="{y}" y2="{y}"/><text class="tick" x="2" y="{y - 6}">{safe(level)}</text>')
        for one in crossings:
            if str(one["level"]) == level:
                share = 100 * axis.share(float(one["met_s"][0]))
                parts.append(f'<use href="#m-{Verdict(one["verdict"])}" x="{short(share, 2)}%" y="{y}"/>')
    for number, tick in enumerate(axis.ticks):
        share = axis.share(tick)
        anchor = "start" if share < 0.04 else "end" if share > 0.96 else "middle"
        unit = " s" if number == len(axis.ticks) - 1 else ""
        parts.append(
            f'<text class="tick" x="{short(100 * share, 2)}%" y="{height - 4}" text-anchor="{anchor}">{axis.text(tick)}{unit}</text>'
        )
    return f'<svg class="timeline" height="{height}" role="img"><title>{safe(title)}</title>{"".join(parts)}</svg>'
