"""The staff: one column a cell, the errors of a whole array in a few lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

from regcheck.checks.finding import Finding, Strip, Verdict
from regcheck.report.lines import Line, Span
from regcheck.report.quantity import error_alone
from regcheck.report.strip import ROW_WIDTH, glyphs_for, ratio
from regcheck.report.tokens import OF_VERDICT

STAFF_FROM = 24  # elements; fewer are told in rows
_BANK, _GROUP = 50, 10
_NOTE = 13  # columns: ``100: -14.0 mV``
_LEVELS, _LEVELS_ASCII = "⎽⎼─⎻⎺", "_-'"


def has_staff(findings: Sequence[Finding]) -> bool:
    """Say whether an array is drawn as a staff: enough elements with a number for each that is decided, and few gaps between them."""
    elements = [finding.requirement.element for finding in findings if finding.requirement.element is not None]
    if len(elements) < max(STAFF_FROM, len(findings)) or max(elements) - min(elements) >= 4 * len(elements):
        return False
    decided = [finding for finding in findings if finding.verdict is not Verdict.UNTESTED]
    return len(decided) > 0 and all(finding.strip is not None and math.isfinite(finding.strip.worst) for finding in decided)


def staff_lines(findings: Sequence[Finding], *, ascii_only: bool = False) -> list[Line]:
    """Draw an array that ``has_staff``: 50 elements a bank, groups of 10.

    Height inside the line is the error within its limits; a failed or undecided element leaves the line for the row above or below, an
    untested one is a dot, a number that the array lacks a blank. Beside each bank stands its largest error against its limit.
    """
    by_element = {finding.requirement.element: finding for finding in findings if finding.requirement.element is not None}
    first, last = min(by_element), max(by_element)
    banks = [(start, min(start + _BANK - 1, last)) for start in range(first, last + 1, _BANK)]
    labels = [f"{start}..{end}" for start, end in banks]
    at = 2 + max(5, *map(len, labels)) + 1
    lines: list[Line] = []
    for (start, end), label in zip(banks, labels, strict=True):
        bank = [by_element.get(number) for number in range(start, end + 1)]
        lines += _bank_lines(bank, label, at, ascii_only)
    return lines


def _bank_lines(bank: Sequence[Finding | None], label: str, at: int, ascii_only: bool) -> list[Line]:
    glyphs = glyphs_for(ascii_only=ascii_only)
    rows = [[" "] * (at + _BANK + _BANK // _GROUP - 1) for _ in range(3)]
    spans: list[list[Span]] = [[], [], []]
    for index, finding in enumerate(bank):
        if finding is None:
            continue
        column = at + index + index // _GROUP
        strip, verdict = finding.strip, finding.verdict
        if verdict is Verdict.UNTESTED or strip is None:
            rows[1][column] = glyphs.dot
        elif verdict is Verdict.PASS:
            rows[1][column] = _level(strip, ascii_only)
        else:
            side = 0 if strip.worst > strip.high or (strip.worst >= 0 and strip.worst >= strip.low) else 2
            rows[side][column] = glyphs.shapes[verdict]
            spans[side].append(Span(column, column + 1, OF_VERDICT[verdict]))
    for row, word in zip(rows, ("above", label, "below"), strict=True):
        row[2 : 2 + len(word)] = word
    texts = ["".join(row) for row in rows]
    decided = [finding for finding in bank if finding is not None and finding.verdict is not Verdict.UNTESTED]
    if decided:
        texts[1] += _note(max(decided, key=ratio), ROW_WIDTH - len(texts[1]))
    return [Line(texts[row].rstrip(), tuple(spans[row])) for row in range(3) if row == 1 or spans[row]]


def _note(finding: Finding, room: int) -> str:
    """Return ``38: -14.0 mV`` with the blanks before it, or nothing where that does not fit."""
    number = f"{finding.requirement.element}: "
    if finding.strip is None:
        return ""
    gap = max(2, room - _NOTE)
    error = error_alone(finding.strip.worst, finding.strip.unit, room - gap - len(number))
    return " " * gap + number + error if error else ""


def _level(strip: Strip, ascii_only: bool) -> str:
    levels = _LEVELS_ASCII if ascii_only else _LEVELS
    low = Fraction(0) if math.isinf(strip.low) else Fraction(repr(float(strip.low)))
    high = Fraction(0) if math.isinf(strip.high) else Fraction(repr(float(strip.high)))
    top = len(levels) // 2
    if low >= high:
        return levels[top]
    offset = (2 * (Fraction(repr(float(strip.worst))) - low) / (high - low) - 1) * Fraction(len(levels), 2)
    step = math.floor(abs(offset) + Fraction(1, 2)) * (1 if offset >= 0 else -1)
    return levels[top + min(max(step, -top), top)]
