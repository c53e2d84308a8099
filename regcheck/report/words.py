"""Text in terminal cells: what may be printed, how wide it is, how it is cut and wrapped."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

# Written as code points: micro and ohm have two each that look alike.
_PLAIN = {
    "\N{DEGREE SIGN}": "deg",
    "\N{MICRO SIGN}": "u",
    "\N{GREEK SMALL LETTER MU}": "u",
    "\N{OHM SIGN}": "ohm",
    "\N{GREEK CAPITAL LETTER OMEGA}": "ohm",
    "\N{PLUS-MINUS SIGN}": "+/-",
    "\N{MULTIPLICATION SIGN}": "x",
    "\N{HORIZONTAL ELLIPSIS}": "...",
    "\N{EN DASH}": "-",
    "\N{MINUS SIGN}": "-",
    "\N{LESS-THAN OR EQUAL TO}": "<=",
    "\N{GREATER-THAN OR EQUAL TO}": ">=",
}


def printable(text: str, *, ascii_only: bool = False) -> str:
    r"""Return text that is safe on a terminal: blanks become spaces, control and bidi characters their escapes (``\x1b``).

    With ``ascii_only`` the usual signs are spelt (``deg``, ``ohm``, ``+/-``) and any other character becomes its escape.
    """
    shown = []
    for char in text:
        if char.isspace():
            shown.append(" ")
        elif not char.isprintable():
            shown.append(escaped(char))
        elif ascii_only and not char.isascii():
            shown.append(_PLAIN.get(char) or escaped(char))
        else:
            shown.append(char)
    return "".join(shown)


def escaped(char: str) -> str:
    r"""Return a character as an escape: ``\x1b``, ``\u202e``."""
    return f"\\x{ord(char):02x}" if ord(char) < 0x80 else char.encode("ascii", "backslashreplace").decode("ascii")


def cell_width(text: str) -> int:
    """Return the columns that printable text takes: 2 for a wide character (Unicode UAX 11, W and F), 0 for a combining mark."""
    return sum(_char_width(char) for char in text)


def _char_width(char: str) -> int:
    if unicodedata.category(char) in ("Mn", "Me"):
        return 0
    return 2 if unicodedata.east_asian_width(char) in "WF" else 1


def pad(text: str, width: int) -> str:
    """Fill text with spaces to ``width`` columns; ValueError when it is wider."""
    missing = width - cell_width(text)
    if missing < 0:
        raise ValueError(f"{text!r} takes {width - missing} columns, {width} are there")
    return text + " " * missing


def _head(text: str, width: int) -> str:
    taken = 0
    for at, char in enumerate(text):
        taken += _char_width(char)
        if taken > width:
            return text[:at]
    return text


def fit(text: str, width: int, *, ascii_only: bool = False) -> str:
    """Return the text if it fits into ``width`` columns, else its beginning, cut at a word where one ends near, and a mark of the cut."""
    text = " ".join(printable(text, ascii_only=ascii_only).split())
    if cell_width(text) <= width:
        return text
    mark = "..." if ascii_only else "…"
    head = _head(text, width - len(mark))
    at_word = head.rfind(" ")
    if text[len(head)] != " " and at_word > len(head) // 2:
        head = head[:at_word]
    return head.rstrip() + mark


def wrap(text: str, width: int, *, ascii_only: bool = False) -> list[str]:
    """Break text at its spaces into lines of at most ``width`` columns; a word wider than a line is broken inside. No text is lost."""
    lines: list[str] = []
    line = ""
    for whole_word in printable(text, ascii_only=ascii_only).split():
        word = whole_word
        if line and cell_width(line) + 1 + cell_width(word) <= width:
            line += " " + word
            continue
        if line:
            lines.append(line)
        while cell_width(word) > width:
            head = _head(word, width) or word[0]
            lines.append(head)
            word = word[len(head) :]
        line = word
    return [*lines, line] if line else lines


def short_names(names: Iterable[str], width: int, *, ascii_only: bool = False) -> dict[str, str]:
    """Give each name a form of at most ``width`` columns that no other name has.

    A long name drops its message where the field alone says it, then its middle; a number tells the rest apart.
    """
    wanted = list(dict.fromkeys(names))
    shown = {name: printable(name, ascii_only=ascii_only) for name in wanted}
    short = {name: shown[name] for name in wanted if cell_width(shown[name]) <= width}
    taken = Counter(short.values())
    clear = {name for name in short if taken[short[name]] == 1}
    short = {name: short[name] for name in wanted if name in clear}
    used = set(short.values())
    forms = {name: _shorter_forms(shown[name]) for name in wanted}
    counts = Counter(form for found in forms.values() for form in found)
    for name in wanted:
        if name in short:
            continue
        fitting = [form for form in forms[name] if counts[form] == 1 and form not in used and cell_width(form) <= width]
        middle = _middle_forms(shown[name], width, ascii_only)
        short[name] = fitting[0] if fitting else next(form for form in middle if form not in used)
        used.add(short[name])
    return short


_PATH = re.compile(r"^(?P<kind>[^/]*/)?(?P<instance>(?:\w+\[[^\]]*\]\.)*)(?:[^.\[]*\.)?(?P<field>[^.]*(?:\[[^\]]*\])?)$")


def _shorter_forms(name: str) -> list[str]:
    """Return a path without its message, and without its instance too; nothing of what is no path."""
    match = _PATH.match(name)
    if match is None:
        return []
    kind, instance, field = (match[part] or "" for part in ("kind", "instance", "field"))
    return list(dict.fromkeys([kind + instance + field, kind + field]))


def _middle_forms(name: str, width: int, ascii_only: bool) -> Iterator[str]:
    """Yield ever other forms of a name: its middle cut out at places further and further left, then its head with a number."""
    mark = "~" if ascii_only else "…"
    room = width - 1
    for head_width in range(room // 2, 2, -1):
        head = _head(name, head_width)
        yield head + mark + _head(name[::-1], room - cell_width(head))[::-1]
    number = 1
    while True:
        number += 1
        tail = f"{mark}#{number}"
        yield _head(name, width - len(tail)) + tail


def number_ranges(numbers: Sequence[int]) -> str:
    """Say whole numbers in short: ``1..5, 7, 9..12``; runs of two stay two numbers."""
    said: list[str] = []
    ordered = sorted(set(numbers))
    at = 0
    while at < len(ordered):
        end = at
        while end + 1 < len(ordered) and ordered[end + 1] == ordered[end] + 1:
            end += 1
        if end - at >= 2:
            said.append(f"{ordered[at]}..{ordered[end]}")
        else:
            said.extend(str(number) for number in ordered[at : end + 1])
        at = end + 1
    return ", ".join(said)
