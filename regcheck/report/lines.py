"""A line of text and the parts of it that carry a token; how a terminal shows them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, TextIO

from regcheck.report.tokens import FAIL, Token

if TYPE_CHECKING:
    from rich.style import Style

_WIDE_LANGUAGES = ("ja", "ko", "zh")  # their fonts show characters of ambiguous width (UAX 11) two columns wide


@dataclass(frozen=True, slots=True)
class Span:
    """Characters ``start`` to ``end`` (not included) of a line carry a token."""

    start: int
    end: int
    token: Token


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a terminal: plain text, and its styled parts."""

    text: str
    spans: tuple[Span, ...] = ()


class Paint(Enum):
    """How much styling a stream takes."""

    PLAIN = "plain"
    INK = "ink"
    LIGHT = "light"
    DARK = "dark"


def choose_paint(stream: TextIO, environment: Mapping[str, str]) -> Paint:
    """Return the styling for a stream: none when piped, bold only when colours are unwanted or the background is unknown.

    Reads NO_COLOR (no-color.org: any value but the empty one) and COLORFGBG (``15;0``; common practice: 7 and 9 to 15 are light).
    """
    if not stream.isatty() or environment.get("TERM") == "dumb":
        return Paint.PLAIN
    background = environment.get("COLORFGBG", "").rpartition(";")[2]
    if environment.get("NO_COLOR") or not background.isdecimal() or not environment.get("TERM", "").endswith("256color"):
        return Paint.INK
    return Paint.LIGHT if int(background) in (7, *range(9, 16)) else Paint.DARK


def wants_ascii(stream: TextIO, environment: Mapping[str, str]) -> bool:
    """Say whether a stream must be given ASCII: it is not UTF-8, its locale is C, or one that shows ambiguous characters wide.

    In the C locale Python writes UTF-8 all the same (PEP 540); what reads it there is not known to.
    """
    encoding = (stream.encoding or "").lower().replace("-", "").replace("_", "")
    locale = environment.get("LC_ALL") or environment.get("LC_CTYPE") or environment.get("LANG") or ""
    return encoding != "utf8" or locale in ("C", "POSIX") or locale.lower().startswith(_WIDE_LANGUAGES)


def _style(token: Token, paint: Paint) -> Style | None:
    from rich.color import Color
    from rich.style import Style

    if paint is Paint.INK:
        return Style(bold=True) if token is FAIL else None
    number = {Paint.LIGHT: token.light_256, Paint.DARK: token.dark_256}.get(paint)
    return None if number is None else Style(color=Color.from_ansi(number))


def painted(lines: Iterable[Line], paint: Paint) -> list[str]:
    """Return the lines as text to write, with the escape sequences of their styles; without any when plain."""
    if paint is Paint.PLAIN:
        return [line.text for line in lines]
    return ["".join(_segment(line, start, end, token, paint) for start, end, token in _parts(line)) for line in lines]


def _parts(line: Line) -> list[tuple[int, int, Token | None]]:
    parts: list[tuple[int, int, Token | None]] = []
    at = 0
    for span in sorted(line.spans, key=lambda span: span.start):
        parts += [(at, span.start, None), (span.start, span.end, span.token)]
        at = span.end
    return [*parts, (at, len(line.text), None)]


def _segment(line: Line, start: int, end: int, token: Token | None, paint: Paint) -> str:
    from rich.color import ColorSystem

    text = line.text[start:end]
    style = None if token is None else _style(token, paint)
    return text if style is None else style.render(text, color_system=ColorSystem.EIGHT_BIT)
