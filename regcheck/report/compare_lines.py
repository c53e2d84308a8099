"""A comparison of runs in a terminal: what turned for the worse first."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from regcheck.checks.finding import Finding, Verdict
from regcheck.report.compare_words import TITLES, drift_words, limits_words, shift_words, side_words, spread_words
from regcheck.report.comparison import Change, Comparison, Drift, Side, Spread
from regcheck.report.history import RunHead
from regcheck.report.lines import Line, Span
from regcheck.report.strip import NAME_AT, NAME_WIDTH, ROW_WIDTH, WORD_WIDTH, glyphs_for, header, row
from regcheck.report.table import label
from regcheck.report.tokens import FAIL, OF_VERDICT, PASS, Token
from regcheck.report.words import fit, pad, short_names, wrap

_SHOWN = 12  # changes of each turn, and
_SPREADS_SHOWN = 5  # of the spread, without `verbose`
_SIDES_SHOWN = 40  # shapes in a row of verdicts


def compare_lines(found: Comparison, *, ascii_only: bool = False, verbose: bool = False) -> list[Line]:
    """Return the comparison for a terminal of 80 columns: the sides, what turned, what moved, spread, drifts, totals."""
    lines = _sides(found, ascii_only=ascii_only)
    told = {change.id: _subject(change) for change in found.changes} | {one.id: one.finding for one in found.spreads}
    short = short_names([label(finding) for finding in told.values()], NAME_WIDTH, ascii_only=ascii_only)
    names = {id: short[label(finding)] for id, finding in told.items()}
    for turn in ("worse", "other", "better", ""):
        changes = [change for change in found.changes if change.turn == turn]
        if not changes:
            continue
        lines += [Line(""), Line(f"{TITLES[turn]}: {len(changes)}")]
        if any(_subject(change).strip is not None for change in changes):
            lines.append(header())
        shown = changes if verbose else changes[:_SHOWN]
        for change in shown:
            lines += _change(change, found, names, ascii_only=ascii_only)
        if len(changes) > len(shown):
            lines.append(Line(f"  {len(changes) - len(shown)} more; --verbose shows all"))
    lines += _unsteady(found, ascii_only=ascii_only, verbose=verbose)
    lines += _spread(found.spreads, found.sides[-1], names, ascii_only=ascii_only, verbose=verbose)
    lines += _drift(found.drifts, ascii_only=ascii_only)
    return [*lines, Line(""), _totals(found)]


def requirement_lines(id: str, rows: Sequence[tuple[RunHead, Finding | None]], *, ascii_only: bool = False) -> list[Line]:
    """Return one requirement run by run, each with its error strip, in the order of ``rows``."""
    names = short_names([_run_name(run) for run, _ in rows], NAME_WIDTH, ascii_only=ascii_only)
    lines = [Line(id), header()]
    for run, finding in rows:
        name = names[_run_name(run)]
        lines.append(row(finding, name, ascii_only=ascii_only) if finding is not None else Line(f"  {pad('not there', WORD_WIDTH)} {name}"))
    return lines


def _run_name(run: RunHead) -> str:
    return PurePath(run.file).stem if run.file else str(run.number)


def _sides(found: Comparison, *, ascii_only: bool) -> list[Line]:
    sides = list(enumerate(found.sides, 1))
    shown = sides if len(sides) <= 6 else [*sides[:2], *sides[-2:]]
    lines = []
    for place, (number, side) in enumerate(shown):
        if place == 2 and len(shown) < len(sides):
            lines.append(Line(f"     {len(sides) - len(shown)} more between"))
        texts = wrap(side_words(side), ROW_WIDTH - 5, ascii_only=ascii_only)
        lines += [Line(f"{number:>3}  {texts[0]}"), *(Line(" " * 5 + text) for text in texts[1:])]
    first, last = 1, len(found.sides)
    kept = [key for key, state in found.files.items() if state == "same"]
    other = [key for key, state in found.files.items() if state != "same"]
    said = "; ".join(part for part in (f"same {', '.join(kept)}" if kept else "", f"other {', '.join(other)}" if other else "") if part)
    return [*lines, *(Line(text) for text in wrap(f"{first} against {last}: {said}", ROW_WIDTH, ascii_only=ascii_only))]


def _subject(change: Change) -> Finding:
    subject = change.after if change.after is not None else change.before
    assert subject is not None  # noqa: S101 - a change has one side at least
    return subject


def _told(text: str, *, ascii_only: bool) -> list[Line]:
    return [Line(" " * NAME_AT + part) for part in wrap(text, ROW_WIDTH - NAME_AT, ascii_only=ascii_only)]


def _change(change: Change, found: Comparison, names: dict[str, str], *, ascii_only: bool) -> list[Line]:
    subject, name = _subject(change), names[change.id]
    is_gone = change.after is None
    lines = [Line(f"  {pad('gone', WORD_WIDTH)} {name}") if is_gone else row(subject, name, ascii_only=ascii_only)]
    verdicts = found.verdicts[change.id]
    if len(verdicts) > 2:
        lines.append(_shapes(verdicts, ascii_only=ascii_only))
    if change.turn:
        before = str(change.before.verdict) if change.before is not None else "not there"
        lines += _told(f"was {before}: {change.before.says}" if change.before is not None else f"was {before}", ascii_only=ascii_only)
        if not is_gone:
            lines += _told(f"is {subject.verdict}: {subject.says}", ascii_only=ascii_only)
    for shift in change.shifts:
        lines += _told(shift_words(shift), ascii_only=ascii_only)
    if change.limits is not None:
        lines += _told(limits_words(*change.limits), ascii_only=ascii_only)
    return lines + _told(change.id, ascii_only=ascii_only)


def _shapes(verdicts: Sequence[Verdict | None], *, ascii_only: bool) -> Line:
    """Return the verdicts of all sides as shapes, the latest last."""
    shapes = glyphs_for(ascii_only=ascii_only).shapes
    latest = verdicts[-_SIDES_SHOWN:]
    text = " " * NAME_AT + "".join(shapes[one] if one is not None else " " for one in latest)
    spans = tuple(Span(NAME_AT + at, NAME_AT + at + 1, OF_VERDICT[one]) for at, one in enumerate(latest) if one is not None)
    return Line(text + f"  from {len(verdicts) - len(latest) + 1} to {len(verdicts)}", spans)


def _unsteady(found: Comparison, *, ascii_only: bool, verbose: bool) -> list[Line]:
    if not found.unsteady:
        return []
    shown = found.unsteady if verbose else found.unsteady[:_SHOWN]
    lines = [Line(""), Line(f"unsteady, though the ends agree: {len(found.unsteady)}")]
    for id in shown:
        lines += [*_told(id, ascii_only=ascii_only), _shapes(found.verdicts[id], ascii_only=ascii_only)]
    return lines + ([Line(f"  {len(found.unsteady) - len(shown)} more; --verbose shows all")] if len(found.unsteady) > len(shown) else [])


def _spread(spreads: Sequence[Spread], side: Side, names: dict[str, str], *, ascii_only: bool, verbose: bool) -> list[Line]:
    if not spreads:
        return []
    shown = spreads if verbose else spreads[:_SPREADS_SHOWN]
    lines = [Line(""), Line(fit(f"spread over the {len(side.runs)} runs of {side.name}, nearest to its limit first", ROW_WIDTH)), header()]
    for one in shown:
        lines.append(row(one.finding, names[one.id], ascii_only=ascii_only))
        lines += _told(spread_words(one), ascii_only=ascii_only)
    return lines + ([Line(f"  {len(spreads) - len(shown)} more; --verbose shows all")] if len(spreads) > len(shown) else [])


def _drift(drifts: Sequence[Drift], *, ascii_only: bool) -> list[Line]:
    if not drifts:
        return []
    lines = [Line(""), Line(f"drifting from run to run: {len(drifts)}")]
    for one in drifts:
        lines += _told(drift_words(one), ascii_only=ascii_only)
    return lines


def _totals(found: Comparison) -> Line:
    worse, better, other = (len(found.turned(turn)) for turn in ("worse", "better", "other"))
    parts = [f"{worse} worse", f"{better} better"]
    parts += [f"{other} otherwise"] if other else []
    parts += [f"{len(found.moved)} moved", f"{found.alike} alike"]
    word = "worse" if worse else "no worse"
    token: Token = FAIL if worse else PASS
    return Line(f"{word}: {', '.join(parts)}", (Span(0, len(word), token),))
