"""The error strip in a terminal: how far off, drawn against the limits."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from regcheck.checks.finding import Finding, Strip, Verdict
from regcheck.report.lines import Line, Span
from regcheck.report.quantity import error_and_limit
from regcheck.report.tokens import OF_VERDICT
from regcheck.report.words import cell_width, fit, pad, printable

STRIP_WIDTH, LEFT_POST, ZERO, RIGHT_POST = 31, 4, 15, 26
WORD_WIDTH, NAME_WIDTH, NUMBER_WIDTH = 9, 20, 14
NAME_AT = 1 + 1 + WORD_WIDTH + 1
NUMBER_AT = NAME_AT + NAME_WIDTH + 1
STRIP_AT = NUMBER_AT + NUMBER_WIDTH + 1
ROW_WIDTH = STRIP_AT + STRIP_WIDTH

_REACH = Fraction(136, 100)  # in half widths of the interval; further out the mark stands beside its post


@dataclass(frozen=True, slots=True)
class Glyphs:
    """The signs of one character set."""

    shapes: Mapping[Verdict, str]
    whisker: str
    dot: str


UNICODE = Glyphs({Verdict.FAIL: "▞", Verdict.UNDECIDED: "▯", Verdict.PASS: "▮", Verdict.UNTESTED: "∙"}, "─", "∙")
ASCII = Glyphs({Verdict.FAIL: "X", Verdict.UNDECIDED: "?", Verdict.PASS: "I", Verdict.UNTESTED: "."}, "-", ".")


def glyphs_for(*, ascii_only: bool) -> Glyphs:
    """Return the signs to draw with."""
    return ASCII if ascii_only else UNICODE


@dataclass(frozen=True, slots=True)
class Scale:
    """The line from column to error: left post at ``low``, right post at ``high``; an open side ends at zero."""

    low: Fraction
    high: Fraction

    def share(self, error: float) -> Fraction:
        """Return where an error stands between the posts, not rounded: 0 at the left one, 1 at the right one."""
        return (_exact(error) - self.low) / (self.high - self.low)

    def place(self, error: float) -> Fraction:
        """Return the column of an error, not rounded."""
        return LEFT_POST + (RIGHT_POST - LEFT_POST) * self.share(error)

    def column(self, error: float) -> int:
        """Return the nearest column, halves away from zero."""
        place = self.place(error)
        half = Fraction(1, 2)
        return math.floor(place + half) if error >= 0 else math.ceil(place - half)


def _exact(value: float) -> Fraction:
    return Fraction(repr(float(value)))  # the digits that were printed, so that a half is a half


def scale_of(strip: Strip) -> Scale | None:
    """Return the scale, or None where both limits are zero or both are open."""
    low = Fraction(0) if math.isinf(strip.low) else _exact(strip.low)
    high = Fraction(0) if math.isinf(strip.high) else _exact(strip.high)
    return Scale(low, high) if low < high else None


def strip_text(strip: Strip | None, verdict: Verdict, *, ascii_only: bool = False) -> tuple[str, Span | None]:
    """Draw the 31 columns of a strip, and say where the mark (with its factor) stands.

    Untested is a row of dots. Limits of zero on both sides are words: 'none allowed'. Posts always show, but where the mark of an
    undecided finding stands on one.
    """
    glyphs = glyphs_for(ascii_only=ascii_only)
    if verdict is Verdict.UNTESTED:
        return _untested(glyphs), None
    if strip is None:
        raise ValueError("a finding without a strip is shown in words")
    if math.isnan(strip.worst) or math.isnan(strip.uncertainty):
        raise ValueError(f"an error strip needs numbers, {strip} has none")
    scale = scale_of(strip)
    if scale is None:
        return pad("no limit" if math.isinf(strip.low) or math.isinf(strip.high) else "none allowed", STRIP_WIDTH), None
    cells = [" "] * STRIP_WIDTH
    cells[scale.column(0)] = ":"
    mark, beside = _mark(strip, verdict, scale)
    _draw_whisker(cells, strip, scale, glyphs, (LEFT_POST if beside < 0 else 0, RIGHT_POST if beside > 0 else STRIP_WIDTH - 1))
    cells[LEFT_POST] = ":" if math.isinf(strip.low) else "["
    cells[RIGHT_POST] = ":" if math.isinf(strip.high) else "]"
    cells[mark] = glyphs.shapes[verdict]
    token = OF_VERDICT[verdict]
    if not beside:
        return "".join(cells), Span(mark, mark + 1, token)
    factor = factor_text(strip, beside)
    if beside > 0:
        cells[mark + 1 :] = f"{factor:<3}"
        return "".join(cells), Span(mark, mark + 1 + len(factor), token)
    cells[:mark] = f"{factor:>3}"
    return "".join(cells), Span(mark - len(factor), mark + 1, token)


def _mark(strip: Strip, verdict: Verdict, scale: Scale) -> tuple[int, int]:
    """Return the mark's column, and -1 or 1 where it stands beside the left or right post because the error lies too far out."""
    if math.isinf(strip.worst):
        column, beside = (RIGHT_POST, 1) if strip.worst > 0 else (LEFT_POST, -1)
    else:
        place = scale.place(strip.worst) - ZERO
        reach = _REACH * (RIGHT_POST - ZERO)
        beside = 0 if abs(place) <= reach else 1 if place > 0 else -1
        column = min(max(scale.column(strip.worst), 0), STRIP_WIDTH - 1)
    if verdict is Verdict.PASS:
        return min(max(column, LEFT_POST + 1), RIGHT_POST - 1), 0
    if beside:
        return (RIGHT_POST + 1, 1) if beside > 0 else (LEFT_POST - 1, -1)
    if verdict is Verdict.FAIL and LEFT_POST <= column <= RIGHT_POST:
        right = strip.worst > strip.high or (strip.worst >= strip.low and column >= ZERO)
        column = RIGHT_POST + 1 if right else LEFT_POST - 1
    return column, 0


def _draw_whisker(cells: list[str], strip: Strip, scale: Scale, glyphs: Glyphs, within: tuple[int, int]) -> None:
    if strip.uncertainty <= 0 or math.isinf(strip.worst):
        return
    first, last = within
    if not math.isinf(strip.uncertainty):
        # Decimal digits subtract exactly here; the doubles would not, and a half column must round as written.
        error, spread = _exact(strip.worst), _exact(strip.uncertainty)
        first = max(first, scale.column(float(error - spread)))
        last = min(last, scale.column(float(error + spread)))
    for column in range(first, last + 1):
        cells[column] = glyphs.whisker


def factor_text(strip: Strip, side: int) -> str:
    """Return how many times the limit the error is, in at most three signs; empty where that limit is zero or open."""
    limit = strip.high if side > 0 else strip.low
    if limit == 0 or math.isinf(limit):
        return ""
    if math.isinf(strip.worst):
        return ">1k"
    factor = _exact(strip.worst) / _exact(limit)
    if factor < Fraction(995, 100):
        return f"{float(factor):.1f}"
    return str(math.floor(factor + Fraction(1, 2))) if factor < 999 else ">1k"


def _untested(glyphs: Glyphs) -> str:
    cells = [" "] * STRIP_WIDTH
    cells[LEFT_POST + 1 : RIGHT_POST : 2] = [glyphs.dot] * ((RIGHT_POST - LEFT_POST) // 2)
    cells[LEFT_POST], cells[ZERO], cells[RIGHT_POST] = "[", ":", "]"
    return "".join(cells)


def strip_ratio(strip: Strip | None) -> Fraction:
    """Return error over limit on the error's side; -1 without a strip, a large number where the limit is zero."""
    if strip is None:
        return Fraction(-1)
    limit = strip.high if strip.worst >= 0 else -strip.low
    if math.isinf(limit):
        return Fraction(0)
    if math.isinf(strip.worst) or limit == 0:
        return Fraction(10**9) if strip.worst else Fraction(0)
    return abs(_exact(strip.worst)) / _exact(limit)


def ratio(finding: Finding) -> Fraction:
    """Return a finding's error over limit, to rank findings."""
    return strip_ratio(finding.strip)


def header(*, wide: bool = True) -> Line:
    """Return the line above the rows."""
    cells = list(" " * STRIP_WIDTH)
    cells[1:7], cells[ZERO], cells[24:30] = "-limit", "0", "+limit"
    row = "  " + pad("verdict", WORD_WIDTH + 1) + pad("field", NAME_WIDTH + 1) + f"{'error / limit':>{NUMBER_WIDTH}}"
    return Line(row + " " + "".join(cells) if wide else row)


def _without_name(finding: Finding) -> str:
    """Return the finding's sentence without the name that the row bears already."""
    path = finding.requirement.path
    return finding.says.removeprefix(path).lstrip(": ") if finding.says.startswith(path) else finding.says


def row(finding: Finding, name: str, *, kind: str | None = None, ascii_only: bool = False, wide: bool = True) -> Line:
    """Return the 79 columns of one finding: shape, verdict, name, error / limit, strip.

    ``name`` is printable and at most 20 columns. Without a strip the kind stands in the place of the numbers and the sentence, cut to
    fit, in that of the strip. ``kind`` replaces the finding's own. ``wide=False`` leaves the strip away: 47 columns.
    """
    verdict, strip = finding.verdict, finding.strip
    shape = glyphs_for(ascii_only=ascii_only).shapes[verdict]
    kind = finding.requirement.kind if kind is None else kind
    number = "" if verdict is Verdict.UNTESTED and kind == "accuracy" else kind
    if strip is not None and verdict is not Verdict.UNTESTED:
        number = error_and_limit(strip, NUMBER_WIDTH)
    number = fit(printable(number, ascii_only=ascii_only), NUMBER_WIDTH, ascii_only=ascii_only)
    number = " " * (NUMBER_WIDTH - cell_width(number)) + number
    text = f"{shape} {pad(str(verdict), WORD_WIDTH)} {pad(name, NAME_WIDTH)} {number}"
    token = OF_VERDICT[verdict]
    spans = [Span(0, 2 + len(str(verdict)), token)]
    if not wide:
        return Line(text, tuple(spans))
    at = len(text) + 1
    if strip is None and verdict is not Verdict.UNTESTED:
        return Line(f"{text} {pad(fit(_without_name(finding), STRIP_WIDTH, ascii_only=ascii_only), STRIP_WIDTH)}", tuple(spans))
    drawn, mark = strip_text(strip, verdict, ascii_only=ascii_only)
    if mark is not None:
        spans.append(Span(at + mark.start, at + mark.end, token))
    return Line(f"{text} {drawn}", tuple(spans))
