"""The parts of a report behind its table: alarms, the bus over time, what was exercised and what was not, and what it all rests on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from regcheck.checks.finding import Finding, Run, Verdict
from regcheck.checks.plot_data import Plots
from regcheck.report.alarm_svg import timeline_svg
from regcheck.report.html_evidence import CrossingRow, crossing_rows
from regcheck.report.html_plots import bus_plot
from regcheck.report.order import by_reason, elements_of, in_short
from regcheck.report.svg import safe, short


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm: its finding, its crossings on one line of time, and each of them as a strip of delay."""

    finding: Finding
    timeline: str
    crossings: tuple[CrossingRow, ...]


@dataclass(frozen=True, slots=True)
class BusView:
    """One capture: its file, how many messages it held, its messages over time, and what came late."""

    file: str
    messages: int
    drawn: str
    late: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CoveredRow:
    """What a field was exercised over, beside its range; of several elements the span that all of them saw."""

    finding: Finding
    name: str
    span: str
    range: str
    levels: str
    drawn: str


@dataclass(frozen=True, slots=True)
class OpenGroup:
    """Requirements that were not tested, or not decided, for one reason, and what would settle them."""

    reason: str
    remedy: str
    count: int
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FileRow:
    """A file that the run rests on."""

    role: str
    name: str
    sha256: str


def alarm_views(findings: Iterable[Finding]) -> list[AlarmView]:
    """Return the alarms in the order of the map."""
    views = []
    for finding in findings:
        if finding.requirement.kind != "alarm":
            continue
        crossings = [one for one in finding.evidence.get("crossings", ()) if isinstance(one, Mapping)]
        timeline = timeline_svg(crossings, finding.says) if crossings else ""
        views.append(AlarmView(finding, timeline, tuple(crossing_rows(crossings))))
    return views


def bus_views(run: Run, plots: Plots) -> list[BusView]:
    """Return the bus over time, a view a capture."""
    views = []
    for bus in plots.bus:
        if not len(bus.messages):
            continue
        late = [one for one in run.findings if one.requirement.kind == "cadence" and _late_at(one, bus.source)]
        file = run.captures[bus.source].name if bus.source < len(run.captures) else f"capture {bus.source + 1}"
        total = int(bus.messages.sum())
        events = sorted({time for one in late for time in _late_at(one, bus.source)})
        views.append(
            BusView(
                file,
                total,
                bus_plot(
                    bus, events, sum(int(one.evidence["late"]["count"]) for one in late), f"Messages over time in {file}, {total} in all"
                ),
                tuple(one.says for one in late),
            )
        )
    return views


def _late_at(finding: Finding, source: int) -> list[float]:
    """Return the times in s at which a message of one capture came late: the first, and the longest wait."""
    evidence = finding.evidence
    late = evidence.get("late")
    if not isinstance(late, Mapping) or finding.verdict is not Verdict.FAIL:
        return []
    spots = [late.get("first"), evidence.get("longest")]
    return [one["time_s"] for one in spots if isinstance(one, Mapping) and one.get("capture") == source and "time_s" in one]


def covered_rows(together: Iterable[Sequence[Finding]]) -> list[CoveredRow]:
    """Return what each field was exercised over."""
    rows = []
    for family in together:
        known = [one for one in family if one.requirement.kind == "coverage" and "applied_from" in one.evidence]
        if not known:
            continue
        worst = known[0]
        unit = str(worst.evidence.get("unit") or "")
        low = max(one.evidence["applied_from"] for one in known)
        high = min(one.evidence["applied_to"] for one in known)
        numbers = f"[{elements_of(known).replace(', ', ',')}]" if worst.requirement.element is not None else ""
        levels = min(int(one.evidence.get("levels", 0)) for one in known)
        bounds = worst.evidence.get("range_low"), worst.evidence.get("range_high")
        drawn = _span_svg(low, high, bounds, worst.says)
        rows.append(
            CoveredRow(
                worst,
                replace(worst.requirement, element=None).path + numbers,
                f"{low:.6g} to {high:.6g} {unit}".strip(),
                "" if None in bounds else f"{bounds[0]:.6g} to {bounds[1]:.6g} {unit}".strip(),
                str(levels),
                drawn,
            )
        )
    return rows


def _span_svg(low: float, high: float, bounds: tuple[Any, Any], title: str) -> str:
    """Return the range between posts, and a bar over what was exercised of it."""
    if None in bounds or bounds[1] <= bounds[0]:
        return ""
    share = [min(max((value - bounds[0]) / (bounds[1] - bounds[0]), -0.2), 1.2) for value in (low, high)]
    begin, end = (60 + 240 * one for one in share)
    return (
        f'<svg class="strip" viewBox="0 0 360 28" role="img"><title>{safe(title)}</title>'
        '<rect class="band" x="60" y="6" width="240" height="16"/><path class="post" d="M66 3H60V25H66M294 3H300V25H294"/>'
        f'<rect class="covered" x="{short(begin)}" y="12.5" width="{short(max(end - begin, 1.0))}" height="3"/></svg>'
    )


def still_open(findings: Sequence[Finding]) -> dict[str, list[OpenGroup]]:
    """Return what was left untested, and what undecided, by reason and remedy; the larger groups first."""
    found = {}
    for verdict in (Verdict.UNDECIDED, Verdict.UNTESTED):
        own = [replace(one, verdict=Verdict.UNTESTED) for one in findings if one.verdict is verdict]
        groups = [OpenGroup(reason, remedy, len(alike), tuple(in_short(alike))) for (reason, remedy), alike in by_reason(own).items()]
        found[str(verdict)] = sorted(groups, key=lambda group: (-group.count, group.reason, group.remedy))
    return found


def file_rows(run: Run, plots: Plots) -> list[FileRow]:
    """Return the files that a run rests on, each with the SHA-256 of its bytes."""
    maps = [FileRow("map", run.map_file.name, run.map_file.sha256)]
    maps += [FileRow("base map", name, text.sha256) for name, text in plots.texts.items() if text.sha256 != run.map_file.sha256]
    captures = [FileRow("capture", one.name, one.sha256) for one in run.captures]
    roles = ("bench file", "stimulus log") if len(run.bench) == 2 else ("bench",) * len(run.bench)
    return [*maps, *captures, *(FileRow(role, one.name, one.sha256) for role, one in zip(roles, run.bench, strict=True))]
