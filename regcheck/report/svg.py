"""What every drawing shares: text made safe for markup, numbers in few characters, a scale with few ticks, the marks of the verdicts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from regcheck.checks.finding import Verdict
from regcheck.report.tokens import TOKENS
from regcheck.report.words import printable


def safe(text: object) -> str:
    """Return any text as it may stand in markup, between tags or in quotes; control and bidi characters become their escapes."""
    return escape(printable(str(text)), quote=True)


def short(number: float, decimals: int = 1) -> str:
    """Return a coordinate in few characters; ValueError where it is no finite number."""
    if not math.isfinite(number):
        raise ValueError(f"a coordinate is {number}")
    text = f"{number:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def colours(theme: str) -> str:
    """Return the tokens of ``light`` or ``dark`` as CSS custom properties."""
    return ";".join(f"--{token.name.replace(' ', '-')}:{token.light if theme == 'light' else token.dark}" for token in TOKENS)


def slab(verdict: Verdict, x: float, y: float) -> str:
    """Return the mark of a verdict, 5 by 14 about (x, y): a slab, a hollow one, two broken halves; a dot for untested."""
    if verdict is Verdict.FAIL:
        path = f"M{short(x)} {short(y - 7)}h4v6.5h-4z M{short(x - 4)} {short(y + 0.5)}h4v6.5h-4z"
    elif verdict is Verdict.UNDECIDED:
        path = f"M{short(x - 3)} {short(y - 6.25)}h6v12.5h-6z"
    elif verdict is Verdict.PASS:
        path = f"M{short(x - 2.5)} {short(y - 7)}h5v14h-5z"
    else:
        path = f"M{short(x - 1.5)} {short(y - 1.5)}h3v3h-3z"
    return f'<path class="m {verdict}" d="{path}"/>'


def word_mark(verdict: Verdict) -> str:
    """Return the mark that stands before a verdict's word."""
    return f'<svg class="mark" viewBox="0 0 12 16" aria-hidden="true">{slab(verdict, 6, 8)}</svg>'


STANDALONE = (
    f"<style>svg{{{colours('light')}}}@media(prefers-color-scheme:dark){{svg{{{colours('dark')}}}}}"
    ".band{fill:var(--band)}.post{fill:none;stroke:var(--post);stroke-width:2}.zero,.dash{fill:none;stroke:var(--rule)}"
    ".m.pass{fill:var(--pass)}.m.fail{fill:var(--fail)}.m.untested{fill:var(--untested)}"
    ".m.undecided{fill:var(--paper);stroke:var(--undecided);stroke-width:1.5}.whisker{fill:var(--rule)}"
    "text{fill:var(--ink);font:11px sans-serif}</style>"
)
"""The looks of a drawing that stands by itself, in a notebook or a file; a page has them in its own style."""


@dataclass(frozen=True, slots=True)
class Scale:
    """An axis from ``low`` to ``high``, with ticks and the decimals that tell them apart."""

    low: float
    high: float
    ticks: tuple[float, ...]
    decimals: int

    def share(self, value: float) -> float:
        """Return where a value stands, 0 at the low end, 1 at the high one."""
        return (value - self.low) / (self.high - self.low)

    def text(self, tick: float, *, signed: bool = False) -> str:
        """Return a tick's number."""
        shown = f"{tick:{'+' if signed and tick else ''}.{self.decimals}f}"
        return f"{tick:g}" if len(shown) > 12 else shown


def scale_over(values: Sequence[float], *, ticks: int = 4, room: float = 0.06) -> Scale:
    """Return an axis that holds finite values with some room at both ends; ticks are 1, 2 or 5 times a power of ten apart."""
    low, high = min(values), max(values)
    if high - low <= abs(high) * 1e-12:
        half = abs(high) * 0.01 or 1.0
        low, high = low - half, high + half
    spare = (high - low) * room
    low, high = low - spare, high + spare
    raw = (high - low) / ticks
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw * 0.999)
    first, last = math.ceil(low / step), math.floor(high / step)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return Scale(low, high, tuple(number * step for number in range(first, last + 1)), decimals)
