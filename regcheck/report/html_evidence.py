"""The evidence of one finding, ready to be shown: sentences, plots, holds, the deciding message, numbers, the map's own lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from regcheck.checks.evidence_messages import chief_spot
from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.plot_data import FieldPlots, MapText, Plots
from regcheck.report.alarm_svg import crossing_svg, timeline_svg
from regcheck.report.html_bytes import TakenApart, take_apart
from regcheck.report.html_plots import EPOCH_S, error_time_plot, levels_plot, seconds_from, time_plot, worst_source
from regcheck.report.order import doubt
from regcheck.report.quantity import error_unit

LINE_KEYS = frozenset(
    {
        "gain",
        "gain_half_interval",
        "gain_says",
        "gain_method",
        "error_at_centre",
        "error_at_centre_half_interval",
        "centre",
        "error_at_ends",
    }
    | {"worst_non_linearity"}
)
SHOWN_ELSEWHERE = frozenset({"hold_table", "crossings", "likely_cause", "unit", "more_holds"}) | LINE_KEYS
BY_NAME = frozenset({"values", "ages_s", "oldest_partners_s", "to_other_addresses", "complaints", "statuses"})
"""Evidence whose keys are names, to be shown as they are."""

MOST_LINES = 12
"""Lines of a map that stand under a finding."""

MOST_ITEMS = 12
MOST_PASSING_HOLDS = 20
"""Holds of a field that passes, those with the least margin; what failed shows all that the evidence has."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing with its heading and the words that explain its marks: (a name of a key's looks, text)."""

    heading: str
    svg: str
    keys: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Snippet:
    """Lines of a map: file, and (number, text, whether the requirement begins there)."""

    place: str
    lines: tuple[tuple[int, str, bool], ...]


@dataclass(frozen=True, slots=True)
class CrossingRow:
    """One crossing of an alarm: when, which level, its strip, and the delay and limit in words."""

    verdict: Verdict
    level: str
    met: str
    svg: str
    seen: str
    delay: str
    limit: str


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that stands under one finding."""

    finding: Finding
    doubt: str
    cause: str
    figures: tuple[Figure, ...]
    holds: tuple[Mapping[str, Any], ...]
    more_holds: int
    crossings: tuple[CrossingRow, ...]
    line: tuple[tuple[str, str], ...]
    wire: TakenApart | None
    numbers: tuple[tuple[str, str], ...]
    snippet: Snippet | None
    unit: str
    error_unit: str


def evidence_of(finding: Finding, plots: Plots) -> Evidence:
    """Return what stands under a finding; plots, messages and map lines only where they were gathered."""
    requirement, evidence = finding.requirement, finding.evidence
    spot = chief_spot(finding)
    is_told = finding.verdict in (Verdict.FAIL, Verdict.UNDECIDED) or requirement.kind in ("accuracy", "rule")
    wire = plots.wire.get(spot) if spot is not None and is_told else None
    unit = str(evidence.get("unit") or "")
    crossings = [one for one in evidence.get("crossings", ()) if isinstance(one, Mapping)]
    holds = tuple(evidence.get("hold_table", ()))
    if finding.verdict is Verdict.PASS and len(holds) > MOST_PASSING_HOLDS:
        least = sorted(range(len(holds)), key=lambda at: (holds[at]["margin"], at))[:MOST_PASSING_HOLDS]
        holds = tuple(holds[at] for at in sorted(least))
    return Evidence(
        finding,
        doubt(finding) if finding.verdict in (Verdict.UNDECIDED, Verdict.UNTESTED) else "",
        likely_cause(finding),
        tuple(_figures(finding, plots.fields.get(requirement.path), unit, crossings)),
        holds,
        int(evidence.get("more_holds", 0)) + len(evidence.get("hold_table", ())) - len(holds),
        tuple(crossing_rows(crossings)),
        tuple(_line_says(evidence, unit)),
        take_apart(wire) if wire is not None else None,
        tuple((_words(key), _told(value, key)) for key, value in evidence.items() if key not in SHOWN_ELSEWHERE),
        _snippet(finding, plots.texts),
        unit,
        error_unit(unit),
    )


def likely_cause(finding: Finding) -> str:
    """Return why the field is likely wrong, where the evidence says so; a sentence, or a record with one under ``says``."""
    cause = finding.evidence.get("likely_cause", "")
    return str(cause.get("says", "")) if isinstance(cause, Mapping) else str(cause or "")


def _figures(finding: Finding, drawn: FieldPlots | None, unit: str, crossings: Sequence[Mapping[str, Any]]) -> list[Figure]:
    found = []
    if crossings:
        found.append(Figure("When each level's condition came to hold", timeline_svg(crossings, finding.says)))
    if drawn is None or finding.requirement.kind not in ("accuracy", "range", "available", "frozen"):
        return found
    kind, failed = finding.requirement.kind, finding.verdict in (Verdict.FAIL, Verdict.UNDECIDED)
    if kind != "accuracy" and not failed:
        return found  # the accuracy of the field shows the same readings
    one = worst_source(drawn)
    several = f", capture {one.source + 1}; {len(drawn.times)} captures were read" if len(drawn.times) > 1 else ""
    worst = finding.evidence.get("worst")
    worst_ns = round(worst["time_s"] * 1e9) if isinstance(worst, Mapping) and worst.get("capture") == one.source else None
    from_s = seconds_from([one])
    since = f", from {from_s:.3f} s of the capture" if from_s else ""
    if kind == "accuracy" and drawn.levels is not None:
        keys = [("k-band", "within the limits"), ("k-bar", "U of the bench, k = 2")]
        keys += [("k-pass", "errors that pass")] if Verdict.PASS in drawn.levels.verdict else []
        keys += [("k-fail", "beyond the limit")] if Verdict.FAIL in drawn.levels.verdict else []
        keys += [("k-undecided", "undecided")] if Verdict.UNDECIDED in drawn.levels.verdict else []
        svg = levels_plot(drawn.levels, unit, error_unit(unit), f"Error against applied value. {finding.says}")
        found.append(Figure("Error against applied value", svg, tuple(keys)))
    if len(one.reported) > 1:
        keys = [("k-applied", "applied")] if len(one.applied) else []
        keys += [("k-reported", "reported, with every extreme")]
        keys += [("k-spot", f"beyond the limit: {int(one.failing.count.sum())} readings")] if len(one.failing) else []
        keys += [("k-maybe", f"undecided: {int(one.undecided.count.sum())} readings")] if len(one.undecided) else []
        svg = time_plot(one, drawn.unit or unit, f"Applied and reported over time. {finding.says}", worst_ns)
        heading = ("Applied and reported" if len(one.applied) else "Reported") + f" over time{since}{several}"
        found.append(Figure(heading, svg, tuple(keys)))
    if kind == "accuracy" and failed and drawn.levels is not None and len(one.error) > 1:
        svg = error_time_plot(one, drawn.levels, error_unit(unit), f"Error over time. {finding.says}")
        keys = [("k-band", "within the narrowest limits"), ("k-reported", "errors of judged readings, with every extreme")]
        found.append(Figure(f"Error over time{since}{several}", svg, tuple(keys)))
    return found


def crossing_rows(crossings: Sequence[Mapping[str, Any]]) -> list[CrossingRow]:
    """Return the crossings of one alarm in order of time, all strips to one scale."""
    reach = max([one["limit_s"][1] for one in crossings if one.get("limit_s")] or [_last(one) for one in crossings] or [1.0]) or 1.0
    rows = []
    for one in sorted(crossings, key=lambda one: (one["met_s"][0], str(one["level"]))):
        limit = one.get("limit_s")
        delay = one.get("delay_s")
        said = "never" if delay is None else f"{max(delay[0] or 0.0, 0.0):.3f} to {delay[1]:.3f} s"
        allowed = "no limit" if limit is None else f"{_number(limit[0])} to {_number(limit[1])} s" if limit[0] else f"{_number(limit[1])} s"
        where = f" of {one['instance']}" if one.get("instance") else ""
        between = f"{_time(one.get('last_clear_s'))} to {_time(one.get('first_set_s'))}"
        title = f"'{one['level']}'{where} came to hold at {_time(one['met_s'][0])}; reported {said} after it; allowed {allowed}"
        svg = crossing_svg(one, title, float(reach))
        rows.append(CrossingRow(Verdict(one["verdict"]), f"{one['level']}{where}", _time(one["met_s"][0]), svg, between, said, allowed))
    return rows


def _line_says(evidence: Mapping[str, Any], unit: str) -> list[tuple[str, str]]:
    """Return gain and offset with their intervals of 95 %, in words."""
    if "gain" not in evidence:
        return []
    if evidence["gain"] is None:
        return [("gain", f"none: {evidence.get('gain_says', '')}")]
    apart = error_unit(unit)

    def with_half(value: Any, half: Any, unit: str) -> str:
        return f"{_number(value)} ± {_number(half)} {unit}".strip() if half is not None else f"{_number(value)} {unit}".strip()

    ends = evidence.get("error_at_ends") or (None, None)
    return [
        (
            "gain",
            f"{with_half(evidence['gain'], evidence.get('gain_half_interval'), '')}; a deviation from 1 is {evidence['gain_says']}"
            if "interval" not in str(evidence.get("gain_says"))
            else f"{_number(evidence['gain'])}; {evidence['gain_says']}",
        ),
        (
            "offset",
            f"{with_half(evidence['error_at_centre'], evidence.get('error_at_centre_half_interval'), apart)}"
            f" at the centre, {_number(evidence['centre'])} {unit}".rstrip(),
        ),
        ("at the ends", f"{_number(ends[0])} and {_number(ends[1])} {apart}".rstrip()),
        ("off the line", f"at most {_number(evidence['worst_non_linearity'])} {apart} ({evidence['gain_method']} fit of the holds' means)"),
    ]


def _last(crossing: Mapping[str, Any]) -> float:
    delay = crossing.get("delay_s")
    return float(delay[1]) if delay else 0.0


def _time(seconds: float | None) -> str:
    return "not seen" if seconds is None else f"{seconds:.3f} s"


def _number(value: Any) -> str:
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else f"{value:.9g}"
    return str(value)


def _words(key: str) -> str:
    return key.removesuffix("_s").replace("_", " ")


def _told(value: Any, key: str = "") -> str:
    """Return a piece of evidence in words: numbers with the unit that their key names, records and lists one after the other."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping) and key in BY_NAME:
        return ", ".join(f"{name} {_told(one, key)}" for name, one in value.items()) or "none"
    if isinstance(value, Mapping):
        return ", ".join(f"{_words(str(name))} {_told(one, str(name))}" for name, one in value.items()) or "none"
    if isinstance(value, Sequence) and not isinstance(value, str):
        told = [_told(one, key) for one in value[:MOST_ITEMS]]
        more = [f"and {len(value) - MOST_ITEMS} more"] if len(value) > MOST_ITEMS else []
        return ("; " if any(isinstance(one, Mapping) for one in value) else ", ").join([*told, *more]) or "none"
    if key.endswith("_s") and isinstance(value, float) and abs(value) >= EPOCH_S:
        return f"{value:.6f} s"
    return _number(value) + (" s" if key.endswith("_s") and not isinstance(value, str) else "")


def _snippet(finding: Finding, texts: Mapping[str, MapText]) -> Snippet | None:
    """Return the map's lines from the requirement's place to the end of its entry."""
    place = finding.requirement.place
    if place is None or not place.line:
        return None
    text = texts.get(place.file)
    if text is None or place.line > len(text.lines):
        return Snippet(str(place), ())
    first = text.lines[place.line - 1]
    indent = len(first) - len(first.lstrip())
    last = place.line
    while last < len(text.lines) and last - place.line < MOST_LINES - 1:
        following = text.lines[last]
        if not following.strip() or len(following) - len(following.lstrip()) <= indent:
            break
        last += 1
    head = _head_line(text.lines, place.line, indent)
    shown = ([(head, text.lines[head - 1], False)] if head else []) + [
        (number, text.lines[number - 1], number == place.line) for number in range(place.line, last + 1)
    ]
    return Snippet(str(place), tuple(shown))


def _head_line(lines: Sequence[str], line: int, indent: int) -> int:
    """Return the line of the entry that a key stands in, 0 at the top."""
    for number in range(line - 1, max(line - 40, 0), -1):
        text = lines[number - 1]
        if text.strip() and not text.lstrip().startswith("#") and len(text) - len(text.lstrip()) < indent:
            return number
    return 0
