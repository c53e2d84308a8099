"""All findings of a run in a terminal: worst first, passes counted, every doubt with its reason."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from regcheck.checks.finding import Finding, Verdict, count_verdicts
from regcheck.report.lines import Line, Paint, Span, painted
from regcheck.report.order import by_reason, doubt, elements_of, in_short, overall, rank
from regcheck.report.staff import has_staff, staff_lines
from regcheck.report.strip import NAME_AT, NAME_WIDTH, ROW_WIDTH, STRIP_AT, WORD_WIDTH, glyphs_for, header, row
from regcheck.report.tokens import OF_VERDICT
from regcheck.report.words import pad, short_names, wrap

_GROUP_FROM = 4  # sibling elements with one verdict: fewer have a row each
_PASSES_SHOWN = 5  # the nearest to their limits
_STAFF_STRIPS = 5


@dataclass(frozen=True, slots=True)
class _Item:
    """What is told together: one finding, sibling elements with one verdict, or a whole array as a staff. The worst stands first."""

    findings: tuple[Finding, ...]
    staff: bool = False

    @property
    def worst(self) -> Finding:
        return self.findings[0]


@dataclass(frozen=True, slots=True)
class _Manner:
    names: dict[str, str]
    ascii_only: bool
    wide: bool
    text_width: int
    verbose: bool


def render_table(
    findings: Sequence[Finding],
    *,
    width: int = 80,
    ascii: bool = False,
    colour: Literal["light", "dark"] | None = None,
    verbose: bool = False,
) -> list[str]:
    """Return the table as text lines; with ``colour`` they carry escape sequences for that background, else none."""
    paint = Paint.PLAIN if colour is None else Paint(colour)
    return painted(table_lines(findings, width=width, ascii_only=ascii, verbose=verbose), paint)


def table_lines(findings: Sequence[Finding], *, width: int = 80, ascii_only: bool = False, verbose: bool = False) -> list[Line]:
    """Return the table for a terminal of ``width`` columns (48 or more); no line takes more than 79.

    Fail, undecided, pass, untested; within a verdict the largest error against its limit first, then the id. Under each fail and undecided
    stand its sentences; untested ones stand together by reason, with the remedy. Without ``verbose`` only the passes nearest to
    their limits have a row, and sibling elements with one verdict share one. A terminal under 79 columns gets no strips.
    """
    if width < STRIP_AT:
        raise ValueError(f"the table needs {STRIP_AT} columns, {width} are there")
    wide = width >= ROW_WIDTH
    items = _items(findings, verbose=verbose, staff=wide)
    told = [finding for item in items for finding in item.findings]
    labels = [*map(_item_label, items), *(label(finding) for finding in findings)]
    manner = _Manner(short_names(labels, NAME_WIDTH, ascii_only=ascii_only), ascii_only, wide, min(ROW_WIDTH, width - 1), verbose)
    passes = [item for item in items if item.worst.verdict is Verdict.PASS]
    shown = passes if verbose else [item for item in passes if item.worst.strip is not None][:_PASSES_SHOWN]
    rest = [finding for item in passes if item not in shown for finding in item.findings]
    lines = [header(wide=wide)] if findings else []
    for item in items:
        if item.worst.verdict is not Verdict.PASS:
            lines += _item_lines(item, manner)
    for item in shown:
        lines += _item_lines(item, manner)
    lines += _rest_lines(rest, manner, more=bool(shown))
    told_ids = {finding.id for finding in told}
    lines += _untested_lines([finding for finding in findings if finding.id not in told_ids], manner)
    return [*lines, *_totals_lines(findings, manner)]


def _items(findings: Sequence[Finding], *, verbose: bool, staff: bool) -> list[_Item]:
    """Return what is told of all findings but the untested ones outside a staff, worst first."""
    families: dict[tuple[str, str, str, str], list[Finding]] = {}
    items: list[_Item] = []
    for finding in sorted(findings, key=rank):
        requirement = finding.requirement
        if requirement.element is None:
            if finding.verdict is not Verdict.UNTESTED:
                items.append(_Item((finding,)))
        else:
            families.setdefault((requirement.kind, requirement.instance, requirement.message, requirement.field), []).append(finding)
    for family in families.values():
        if staff and has_staff(family):
            items.append(_Item(tuple(family), staff=True))
            continue
        for verdict in (Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS):
            alike = tuple(finding for finding in family if finding.verdict is verdict)
            if len(alike) >= _GROUP_FROM and not verbose:
                items.append(_Item(alike))
            else:
                items += [_Item((finding,)) for finding in alike]
    return sorted(items, key=lambda item: rank(item.worst))


def label(finding: Finding) -> str:
    """Return what a row is named: the path, with the kind before it where numbers of another kind would pass for an accuracy."""
    requirement = finding.requirement
    numbers = finding.strip is not None and finding.verdict is not Verdict.UNTESTED
    return requirement.id if numbers and requirement.kind != "accuracy" else requirement.path


def _item_label(item: _Item) -> str:
    if len(item.findings) == 1:
        return label(item.worst)
    name = label(replace(item.worst, requirement=replace(item.worst.requirement, element=None)))
    if item.staff:
        return name
    return f"{name}[{elements_of(item.findings).replace(', ', ',')}]"


def _item_lines(item: _Item, manner: _Manner) -> list[Line]:
    if item.staff:
        return _staff_block(item, manner)
    lines = [_row(item.worst, manner.names[_item_label(item)], manner)]
    if item.worst.verdict is Verdict.PASS:
        return lines
    lines += _sentences(item.worst, manner)
    if len(item.findings) > 1:
        lines += _told(f"{len(item.findings)} elements alike: {elements_of(item.findings)}; the worst is shown", manner)
    return lines


def _row(finding: Finding, name: str, manner: _Manner, kind: str | None = None) -> Line:
    return row(finding, name, kind=kind, ascii_only=manner.ascii_only, wide=manner.wide)


def _told(text: str, manner: _Manner, indent: int = NAME_AT) -> list[Line]:
    lines = wrap(text, manner.text_width - indent, ascii_only=manner.ascii_only)
    return [Line(" " * indent + line) for line in lines]


def _sentences(finding: Finding, manner: _Manner) -> list[Line]:
    """Return the sentence, the remedy of a doubt, and the requirement with the map's line."""
    lines = _told(finding.says, manner)
    if finding.verdict is Verdict.UNDECIDED:
        lines += _told(doubt(finding), manner)
    place = finding.requirement.place
    return lines + _told(finding.id + (f", {place}" if place else ""), manner)


def _staff_block(item: _Item, manner: _Manner) -> list[Line]:
    verdict = item.worst.verdict
    counts = ", ".join(f"{count} {word}" for word, count in count_verdicts(item.findings).items() if count)
    shape = glyphs_for(ascii_only=manner.ascii_only).shapes[verdict]
    head = f"{shape} {pad(str(verdict), WORD_WIDTH)} {pad(manner.names[_item_label(item)], NAME_WIDTH)}"
    texts = wrap(f"{len(item.findings)} elements: {counts}", ROW_WIDTH - len(head) - 1)
    lines = [Line(f"{head} {texts[0]}", (Span(0, 2 + len(str(verdict)), OF_VERDICT[verdict]),))]
    lines += [Line(" " * (len(head) + 1) + text) for text in texts[1:]]
    lines += staff_lines(item.findings, ascii_only=manner.ascii_only)
    decided = [finding for finding in item.findings if finding.verdict is not Verdict.UNTESTED]
    doubtful = [finding for finding in decided if finding.verdict is not Verdict.PASS]
    strips = decided if manner.verbose else doubtful[:_STAFF_STRIPS]
    for finding in strips:
        lines.append(_row(finding, manner.names[label(finding)], manner))
        if finding.verdict is not Verdict.PASS:
            lines += _sentences(finding, manner)
    for word in (Verdict.FAIL, Verdict.UNDECIDED):
        more = [finding for finding in doubtful if finding.verdict is word and finding not in strips]
        if more:
            lines += _told(f"{len(more)} more {word}: {elements_of(more)}", manner, 2)
    for alike in by_reason(item.findings).values():
        lines += _told(f"untested: {elements_of(alike)}; {doubt(alike[0])}", manner, 2)
    return lines


def _rest_lines(rest: Sequence[Finding], manner: _Manner, *, more: bool) -> list[Line]:
    if not rest:
        return []
    kinds = Counter(finding.requirement.kind for finding in rest)
    by_kind = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items(), key=lambda pair: (-pair[1], pair[0])))
    text = f"{len(rest)} more pass: {by_kind}" if more else f"{len(rest)} pass: {by_kind}"
    texts = wrap(text, manner.text_width - 2, ascii_only=manner.ascii_only)
    shape = glyphs_for(ascii_only=manner.ascii_only).shapes[Verdict.PASS]
    first = Line(f"{shape} {texts[0]}", (Span(0, 1, OF_VERDICT[Verdict.PASS]),))
    return [first, *(Line(f"  {text}") for text in texts[1:])]


def _untested_lines(findings: Sequence[Finding], manner: _Manner) -> list[Line]:
    lines: list[Line] = []
    for _, alike in sorted(by_reason(findings).items()):
        if manner.verbose or len(alike) == 1:
            lines += [_row(finding, manner.names[label(finding)], manner) for finding in alike]
        else:
            kinds = {finding.requirement.kind for finding in alike}
            kind = kinds.pop() if len(kinds) == 1 else "several kinds"
            lines.append(_row(alike[0], f"{len(alike)} requirements", manner, kind))
            lines += _told(", ".join(in_short(alike)), manner)
        lines += _told(doubt(alike[0]), manner)
    return lines


def _totals_lines(findings: Sequence[Finding], manner: _Manner) -> list[Line]:
    counts = count_verdicts(findings)
    said = ", ".join(f"{count} {verdict}" for verdict, count in counts.items() if count)
    word, verdict = overall(findings)
    token = OF_VERDICT[verdict]
    texts = wrap(f"{word}: {said or 'no requirement was found'}", manner.text_width)
    return [Line(texts[0], (Span(0, len(word), token),)), *map(Line, texts[1:])]
