"""A run as one HTML file: opens without a network, from a mail or a folder, on a screen, a phone or paper."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from regcheck.checks.finding import WORST_FIRST, Finding, Run, Verdict, count_verdicts
from regcheck.checks.plot_data import Plots
from regcheck.report.html_evidence import Evidence, evidence_of, likely_cause
from regcheck.report.html_sections import (
    alarm_views,
    bus_views,
    covered_rows,
    file_rows,
    still_open,
)
from regcheck.report.html_shell import HEAD_SCRIPT, rendered, template_text
from regcheck.report.order import doubt, elements_of, families, in_short, overall
from regcheck.report.quantity import error_and_limit
from regcheck.report.staff import has_staff
from regcheck.report.staff_svg import staff_svg
from regcheck.report.strip import ratio
from regcheck.report.strip_svg import strip_svg, words_for
from regcheck.report.whole_file import write_whole
from regcheck.report.words import fit

FAMILY_FROM = 4  # elements of one array with one kind of requirement: fewer have a row each and no head
NAMES_WIDTH = 110  # characters of the names of requirements that stand together
OPEN_ELEMENTS = 5  # of a family, the worst ones that have a row before the rest is asked for


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table: a finding, or the head of a family (``count`` elements, without evidence of its own)."""

    finding: Finding
    rank: int
    name: str
    number: str
    drawn: str
    words: str
    share: float
    evidence: Evidence | None
    count: int = 0
    kind: str = ""

    @property
    def is_lazy(self) -> bool:
        """Whether its evidence is built only when it is opened; what failed is there without a script, and on paper."""
        return self.finding.verdict in (Verdict.PASS, Verdict.UNTESTED)


@dataclass(frozen=True, slots=True)
class Group:
    """Rows that stay together when the table is sorted: ``shown`` at once, ``more`` of what failed, ``rest`` when asked for."""

    head: Row
    shown: tuple[Row, ...] = ()
    more: tuple[Row, ...] = ()
    rest: tuple[Row, ...] = ()


@dataclass(frozen=True, slots=True)
class Told:
    """One of the worst findings, as a sentence with its likely cause."""

    finding: Finding
    says: str
    cause: str
    others: str


def html_bytes(run: Run, plots: Plots | None = None, *, command: str = "") -> bytes:
    """Return the page, UTF-8. The same run gives the same bytes, but for the block about when, where and how it was made.

    ``plots`` is what was gathered beside the findings; without it the page has no plots, no messages and no map lines.
    ``command`` is how the check was started.
    """
    plots = plots if plots is not None else Plots()
    script = template_text("report.js")
    return rendered("report.html.j2", HEAD_SCRIPT, script, run=run, plots=plots, number=_number, command=command, **_contents(run, plots))


def write_html(run: Run, path: Path, plots: Plots | None = None, *, command: str = "") -> None:
    """Write the page, whole or not at all."""
    write_whole(path, html_bytes(run, plots, command=command))


def _contents(run: Run, plots: Plots) -> dict[str, Any]:
    word, verdict = overall(run.findings)
    counts = count_verdicts(run.findings)
    together = families(run.findings)
    order = {finding.id: number for number, finding in enumerate(finding for family in together for finding in family)}
    groups = _table(together, order, plots)
    about = dict(run.about)
    tested = about.pop("tested", {})
    return {
        "word": word,
        "verdict": verdict,
        "counts": counts,
        "order": WORST_FIRST,
        "tested": tested if isinstance(tested, dict) else {},
        "worst": _worst(together),
        "groups": groups,
        "kinds": sorted({finding.requirement.kind for finding in run.findings}),
        "alarms": alarm_views(run.findings),
        "buses": bus_views(run, plots),
        "covered": covered_rows(together),
        "open": still_open(run.findings),
        "files": file_rows(run, plots),
        "about": about,
    }


def _number(value: Any) -> str:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return "none"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else f"{value:.6g}"
    return str(value)


def _table(together: Sequence[Sequence[Finding]], order: dict[str, int], plots: Plots) -> list[Group]:
    """Return the rows of the table: what has no number and passes, or was not tested, stands together by kind or by reason."""
    groups: list[Group] = []
    alike: dict[tuple[str, ...], list[Finding]] = {}
    for family in together:
        worst = family[0]
        same = all(one.verdict is worst.verdict and one.reason == worst.reason and one.remedy == worst.remedy for one in family)
        if same and worst.verdict in (Verdict.PASS, Verdict.UNTESTED) and worst.strip is None:
            is_pass = worst.verdict is Verdict.PASS
            key = (worst.requirement.kind,) if is_pass else (worst.reason, worst.remedy)
            alike.setdefault((str(worst.verdict), *key), []).extend(family)
        else:
            groups += _groups(family, order, plots)
    for found in alike.values():
        rows = tuple(_row(finding, order[finding.id], plots) for finding in found)
        if len(rows) < FAMILY_FROM:
            groups += [Group(row) for row in rows]
            continue
        first, kinds = found[0], {finding.requirement.kind for finding in found}
        names = fit(", ".join(name.removeprefix(f"{first.requirement.kind}/") for name in in_short(found)), NAMES_WIDTH)
        words = names if first.verdict is Verdict.PASS else f"{doubt(first)}: {names}"
        head = Row(first, order[first.id], f"{len(rows)} requirements", "", "", words, -1.0, None, len(rows))
        groups.append(Group(replace(head, kind=first.requirement.kind if len(kinds) == 1 else "several"), rest=rows))
    return sorted(groups, key=lambda group: group.head.rank)


def _groups(family: Sequence[Finding], order: dict[str, int], plots: Plots) -> list[Group]:
    rows = [_row(finding, order[finding.id], plots) for finding in family]
    if len(family) < FAMILY_FROM:
        return [Group(row) for row in rows]
    worst = family[0]
    name = replace(worst.requirement, element=None).path
    counts = ", ".join(f"{count} {word}" for word, count in count_verdicts(family).items() if count)
    drawn = staff_svg(family, f"{worst.requirement.kind} of {name}") if has_staff(family) else ""
    number = error_and_limit(worst.strip, 16) if worst.strip is not None and worst.verdict is not Verdict.UNTESTED else ""
    head = Row(
        worst,
        order[worst.id],
        f"{name}[{elements_of(family).replace(', ', ',')}]",
        number,
        drawn,
        counts,
        float(ratio(worst)),
        None,
        len(rows),
    )
    doubtful = [row for row in rows if not row.is_lazy]
    rest = [row for row in rows if row.is_lazy]
    return [Group(head, tuple(doubtful[:OPEN_ELEMENTS]), tuple(doubtful[OPEN_ELEMENTS:]), tuple(rest))]


def _row(finding: Finding, rank: int, plots: Plots) -> Row:
    path, strip, is_untested = finding.requirement.path, finding.strip, finding.verdict is Verdict.UNTESTED
    drawn = strip_svg(finding) if is_untested or strip is not None else ""
    number = error_and_limit(strip, 16) if strip is not None and not is_untested else ""
    words = finding.says.removeprefix(path).lstrip(": ") if finding.says.startswith(path) else finding.says
    if drawn and not is_untested:
        words = ""
    elif strip is not None and not is_untested:
        words = words_for(strip)
    return Row(finding, rank, path, number, drawn, words, float(ratio(finding)), evidence_of(finding, plots))


def _worst(together: Sequence[Sequence[Finding]]) -> list[Told]:
    """Return the gravest finding of each family that has one, the worst families first."""
    told = []
    for family in together:
        worst = family[0]
        if worst.verdict not in (Verdict.FAIL, Verdict.UNDECIDED):
            continue
        alike = [one for one in family if one.verdict is worst.verdict]
        others = f"{len(alike)} elements {worst.verdict}: {elements_of(alike)}" if len(alike) > 1 else ""
        told.append(Told(worst, worst.says, likely_cause(worst), others))
    return told
