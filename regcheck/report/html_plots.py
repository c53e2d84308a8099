"""Plots of a report as SVG that keeps its type size at any width: positions are shares of the width, only lines are stretched."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.finding import Verdict
from regcheck.checks.plot_data import BusPlot, FieldPlots, Levels, OverTime, Stretches
from regcheck.report.svg import Scale, safe, scale_over, short

TOP, HEIGHT = 5.0, 84.0
"""Where the lines stand, in percent of a plot's height; the numbers of the lower axis stand below."""

MARKS = 200
"""Marks of failing spots that stand one by one; the rest is drawn as squares, and none is left out."""

EPOCH_S = 1e6
"""Capture times beyond this many seconds are told from the capture's begin."""

_SPAN = ((86400.0, "d"), (3600.0, "h"), (1.0, "s"))


class Axes:
    """Two scales; positions in the stretched frame are thousandths, those of texts and marks shares in percent."""

    def __init__(self, across: Scale, up: Scale) -> None:
        self.across, self.up = across, up

    def x(self, value: float) -> float:
        """Return a horizontal place in thousandths of the width."""
        return 1000 * self.across.share(value)

    def y(self, value: float) -> float:
        """Return a vertical place in thousandths of the frame, the top being 0."""
        return 1000 * (1 - self.up.share(value))

    def left(self, value: float) -> str:
        """Return a horizontal place in percent."""
        return f"{short(self.x(value) / 10, 2)}%"

    def top(self, value: float) -> str:
        """Return a vertical place in percent of the whole plot."""
        return f"{short(TOP + HEIGHT * self.y(value) / 1000, 2)}%"


def _figure(title: str, axes: Axes, lines: str, marks: str, units: tuple[str, str], *, signed: bool, kind: str = "plot") -> str:
    """Return a whole plot: grid, stretched lines, marks, numbers of both axes with their units."""
    across, up = axes.across, axes.up
    grid = "".join(f"M0 {short(axes.y(tick))}H1000" for tick in up.ticks)
    texts = []
    for number, tick in enumerate(up.ticks):
        unit = f" {units[1]}" if units[1] and number == len(up.ticks) - 1 else ""
        texts.append(f'<text class="tick" x="2" dy="-3" y="{axes.top(tick)}">{safe(up.text(tick, signed=signed) + unit)}</text>')
    for number, tick in enumerate(across.ticks):
        share = across.share(tick)
        anchor = "start" if share < 0.04 else "end" if share > 0.96 else "middle"
        unit = f" {units[0]}" if units[0] and number == len(across.ticks) - 1 else ""
        grid += f"M{short(axes.x(tick))} 992V1000"
        texts.append(f'<text class="tick" x="{axes.left(tick)}" y="97%" text-anchor="{anchor}">{safe(across.text(tick) + unit)}</text>')
    return (
        f'<svg class="{kind}" role="img"><title>{safe(title)}</title>{"".join(texts)}'
        f'<svg viewBox="0 0 1000 1000" preserveAspectRatio="none" y="{short(TOP)}%" width="100%" height="{short(HEIGHT)}%">'
        f'<path class="grid" d="{grid}"/>{lines}</svg>{marks}</svg>'
    )


def _slabs(x: Iterable[float], low: Iterable[float], high: Iterable[float], wide: int, least: int) -> str:
    """Return upright slabs from low to high, filled, each begun from where the last one was, so that the text stays short.

    ``wide`` and ``least`` are thousandths: how wide each is, and how tall where both extremes are one. Filled shapes, since a line that
    keeps its width in a stretched frame is not drawn alike on paper.
    """
    parts, at = [], (0, 0)
    for one, top, bottom in zip(x, high, low, strict=True):
        tall = max(round(bottom - top), least)
        to = (round(one - wide / 2), round((top + bottom - tall) / 2))
        parts.append(f"m{to[0] - at[0]} {to[1] - at[1]}h{wide}v{tall}h-{wide}z")
        at = to
    return "M0 0" + "".join(parts)


READING, SPOT, BAR, ERROR = (4, 13), (8, 30), (5, 1), (9, 28)
"""How wide and at least how tall: any reading, one that failed, the bench's U, an error."""


def seconds_from(plots: Sequence[OverTime]) -> float:
    """Return the capture time in s that an axis counts from: 0, or the begin where the capture tells time by a calendar."""
    since = min(one.since_ns for one in plots)
    return 0.0 if abs(since) < EPOCH_S * 1e9 else since / 1e9


def _time(stretches: Stretches, from_ns: int) -> NDArray[np.float64]:
    return np.asarray((stretches.begin_ns - from_ns + stretches.width_ns / 2) / 1e9, np.float64)


def _span(length_s: float) -> tuple[float, str]:
    return next((size, unit) for size, unit in _SPAN if length_s >= 3 * size or size == 1.0)


def time_plot(one: OverTime, unit: str, title: str, worst_ns: int | None = None) -> str:
    """Return what was applied (a line) and reported (dots, with every extreme) over time; failing spots stand out as squares.

    ``worst_ns`` is the capture time of the reading that decided, which has the verdict's own mark.
    """
    from_ns = 0 if abs(one.since_ns) < EPOCH_S * 1e9 else one.since_ns
    times = _time(one.reported, from_ns)
    size, time_unit = _span(float(times[-1] - times[0]))
    applied = one.applied[np.isfinite(one.applied[:, 1])]
    values = [*one.reported.low.tolist(), *one.reported.high.tolist(), *applied[:, 1].tolist()]
    axes = Axes(scale_over([times[0] / size, times[-1] / size], ticks=5, room=0.015), scale_over(values, room=0.1))
    lines = f'<path class="applied" d="{_applied_path(one, axes, from_ns, size)}"/>' if len(applied) else ""
    lines += f'<path class="reported" d="{_dots(one.reported, axes, from_ns, size, READING)}"/>'
    for verdict, stretches in ((Verdict.UNDECIDED, one.undecided), (Verdict.FAIL, one.failing)):
        if len(stretches):
            lines += f'<path class="spots {verdict}" d="{_dots(stretches, axes, from_ns, size, SPOT)}"/>'
    marks = ""
    if worst_ns is not None and len(one.failing):
        at = int(np.searchsorted(one.failing.begin_ns, worst_ns, side="right")) - 1
        if at >= 0 and worst_ns < int(one.failing.begin_ns[at]) + one.failing.width_ns:
            low, high = float(one.failing.low[at]), float(one.failing.high[at])
            middle = float(_time(one.failing, from_ns)[at]) / size
            marks = "".join(_mark(Verdict.FAIL, axes, middle, value) for value in dict.fromkeys((low, high)))
    return _figure(title, axes, lines, marks, (time_unit, unit), signed=False)


def _dots(stretches: Stretches, axes: Axes, from_ns: int, size: float, size_of: tuple[int, int]) -> str:
    times = _time(stretches, from_ns) / size
    return _slabs(map(axes.x, times.tolist()), map(axes.y, stretches.low.tolist()), map(axes.y, stretches.high.tolist()), *size_of)


def _applied_path(one: OverTime, axes: Axes, from_ns: int, size: float) -> str:
    """Return the applied value as a line in whole thousandths, broken where it is not known."""
    parts, pen = [], False
    shift = (one.since_ns - from_ns) / 1e9
    for at, value in one.applied.tolist():
        if math.isnan(value):
            pen = False
            continue
        x, y = axes.x((at / 1e9 + shift) / size), axes.y(value)
        parts.append(f"{'L' if pen else 'M'}{round(x)} {round(y)}")
        pen = True
    return "".join(parts)


def _mark(verdict: Verdict, axes: Axes, x: float, y: float) -> str:
    return f'<use href="#m-{verdict}" x="{axes.left(x)}" y="{axes.top(y)}"/>'


def levels_plot(levels: Levels, unit: str, error_unit: str, title: str) -> str:
    """Return the error over what was applied: the band is what the limits allow, posts are the limits, bars the bench's U (k = 2)."""
    bounds = [*levels.limit_low.tolist(), *levels.limit_high.tolist()]
    finite = [value for value in bounds if math.isfinite(value)]
    errors = [*levels.low.tolist(), *levels.high.tolist()]
    axes = Axes(scale_over(levels.applied.tolist(), ticks=5, room=0.04), scale_over([*finite, *errors, 0.0], room=0.12))
    lines = _band(levels, axes)
    bars = (2 * levels.u).tolist()
    for verdict in (Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL):
        rows = [row for row, found in enumerate(levels.verdict) if found is verdict]
        if not rows:
            continue
        x = [axes.x(float(levels.applied[row])) for row in rows]
        low, high = ([float(part[row]) for row in rows] for part in (levels.low, levels.high))
        bar = [bars[row] for row in rows]
        bottoms, tops = (
            [axes.y(value) for value in part]
            for part in ([a - b for a, b in zip(low, bar, strict=True)], [a + b for a, b in zip(high, bar, strict=True)])
        )
        lines += f'<path class="bar" d="{_slabs(x, bottoms, tops, *BAR)}"/>'
        lines += f'<path class="extremes {verdict}" d="{_slabs(x, map(axes.y, low), map(axes.y, high), *ERROR)}"/>'
    marked = sorted(
        (row for row, found in enumerate(levels.verdict) if found is not Verdict.PASS),
        key=lambda row: (-max(abs(float(levels.low[row])), abs(float(levels.high[row]))), row),
    )[:MARKS]
    marks = "".join(_mark(levels.verdict[row], axes, float(levels.applied[row]), _farther(levels, row)) for row in sorted(marked))
    return _figure(title, axes, lines, marks, (unit, error_unit), signed=True)


def _farther(levels: Levels, row: int) -> float:
    low, high = float(levels.low[row]), float(levels.high[row])
    return low if abs(low) > abs(high) else high


def _band(levels: Levels, axes: Axes) -> str:
    """Return the band between the limits, its edges, and the line of no error."""
    x = [0.0, *map(axes.x, levels.applied.tolist()), 1000.0]

    def edge(values: NDArray[np.float64], beyond: float) -> list[float]:
        inner = [axes.y(value) if math.isfinite(value) else beyond for value in values.tolist()]
        return [inner[0], *inner, inner[-1]]

    upper, lower = edge(levels.limit_high, 0.0), edge(levels.limit_low, 1000.0)
    there = list(zip(x, upper, strict=True))
    back = list(zip(x, lower, strict=True))

    def path(points: Sequence[tuple[float, float]]) -> str:
        return "M" + "L".join(f"{round(a)} {short(b)}" for a, b in points)

    zero = f"M0 {short(axes.y(0.0))}H1000"
    limits = "".join(path(one) for one, values in ((there, levels.limit_high), (back, levels.limit_low)) if np.isfinite(values).all())
    return f'<path class="band" d="{path([*there, *reversed(back)])}z"/><path class="zero" d="{zero}"/><path class="post" d="{limits}"/>'


def error_time_plot(one: OverTime, levels: Levels, unit: str, title: str) -> str:
    """Return the error of every judged reading over time, with every extreme; the band is the narrowest that the limits allow."""
    from_ns = 0 if abs(one.since_ns) < EPOCH_S * 1e9 else one.since_ns
    times = _time(one.reported, from_ns)
    size, time_unit = _span(float(times[-1] - times[0]))
    low, high = float(levels.limit_low.max()), float(levels.limit_high.min())
    finite = [value for value in (low, high) if math.isfinite(value)]
    values = [*one.error.low.tolist(), *one.error.high.tolist(), *finite, 0.0]
    axes = Axes(scale_over([times[0] / size, times[-1] / size], ticks=5, room=0.015), scale_over(values, room=0.12))
    top, bottom = (axes.y(high) if math.isfinite(high) else 0.0, axes.y(low) if math.isfinite(low) else 1000.0)
    edges = "".join(f"M0 {short(axes.y(value))}H1000" for value in finite)
    lines = f'<path class="band" d="M0 {short(top)}H1000V{short(bottom)}H0z"/><path class="zero" d="M0 {short(axes.y(0.0))}H1000"/>'
    lines += f'<path class="post" d="{edges}"/>'
    lines += f'<path class="reported" d="{_dots(one.error, axes, from_ns, size, READING)}"/>'
    return _figure(title, axes, lines, "", (time_unit, unit), signed=True)


def worst_source(plots: FieldPlots) -> OverTime:
    """Return the capture to draw of a field: the one with the most failing spots, then the one with the most readings."""
    return max(
        plots.times,
        key=lambda one: (int(one.failing.count.sum()), int(one.undecided.count.sum()), int(one.reported.count.sum()), -one.source),
    )


def bus_plot(bus: BusPlot, events: Sequence[float], late: int, title: str) -> str:
    """Return messages a second over time as strokes, and a row of squares for each kind of trouble below.

    ``late`` messages came late, at ``events`` (capture times in s) those of them that the evidence names.
    """
    begin = int(bus.begin_ns[0])
    from_ns = 0 if abs(begin) < EPOCH_S * 1e9 else begin
    width = bus.width_ns / 1e9
    times = (bus.begin_ns - from_ns) / 1e9 + width / 2
    size, unit = _span(float(times[-1] - times[0]) or 1.0)
    rate = (bus.messages / width).tolist()
    axes = Axes(
        scale_over([float(times[0] - width / 2) / size, float(times[-1] + width / 2) / size], ticks=5, room=0.0),
        scale_over([0.0, *rate], room=0.0),
    )
    axes.up = Scale(0.0, max(rate) * 1.15 or 1.0, axes.up.ticks, axes.up.decimals)
    steps = "M0 1000" + "".join(
        f"L{short(axes.x((float(at) - width / 2) / size))} {short(axes.y(one))}H{short(axes.x((float(at) + width / 2) / size))}"
        for at, one in zip(times, rate, strict=True)
    )
    main = _figure(title, axes, f'<path class="rate" d="{steps}V1000z"/>', "", (unit, "messages/s"), signed=False, kind="plot low")
    rows = [
        ("wrong or missing check", times[bus.bad_check > 0], int(bus.bad_check.sum())),
        ("not acknowledged", times[bus.refused > 0], int(bus.refused.sum())),
        ("not explained by the map", times[bus.unexplained > 0], int(bus.unexplained.sum())),
        ("late", np.array([at - from_ns / 1e9 for at in events]), late),
    ]
    return main + "".join(_event_row(name, [axes.left(float(at) / size) for at in found], count) for name, found, count in rows)


def _event_row(name: str, at: Sequence[str], count: int) -> str:
    places = list(dict.fromkeys(at))
    marks = "".join(f'<use href="#spot" x="{place}" y="50%"/>' for place in places)
    title = f"{name}: {count}" if count else f"{name}: none"
    drawn = f'<svg class="events" role="img"><title>{safe(title)}</title><line class="zero" x2="100%" y1="9.5" y2="9.5"/>{marks}</svg>'
    return f'<div class="event-row"><p>{safe(title)}</p>{drawn}</div>'
