"""The traps of YAML that stand in the text itself, and structure errors, said in words that help."""

from __future__ import annotations

import re
from typing import Any, TypeAlias

from regcheck.errors import Place, Problem

_Error: TypeAlias = Any  # errors and marks of the C parser and of the pure one are two families of classes

_FOLDED = str.maketrans({"−": "-", "–": "-", "—": "-", "‐": "-", "‑": "-", "‒": "-", "―": "-", "μ": "µ", "\u2126": "\u03a9"})
_STRAY = re.compile("[\t\x85\xa0\u1680\u2000-\u200f\u2028\u2029\u202f\u205f\u2060\u3000\ufeff]")
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufffe\uffff]")
_COMMENT = re.compile(r"(?:^|\s)#")
_MISSING_SPACE = re.compile(r"([A-Za-z_][\w.\-]*):(?!//)[^\s:]")
_LINE_MISSING_SPACE = re.compile(r"\s*(?:- +)*([A-Za-z_][\w.\-]*|0x[0-9A-Fa-f]+|[0-9]+|\"[^\"]*\"):(?!//)[^\s:]")


def fold(text: str) -> str:
    """Return the text with each typographic minus and dash as ``-``, both micro signs as U+00B5, both ohm signs as U+03A9; columns stay."""
    return text if text.isascii() else text.translate(_FOLDED)


def scan_characters(text: str, file: str) -> tuple[list[Problem], bool]:
    """Return the stray spaces and tabs outside comments, and whether the rest can be read (False: control characters, no text at all)."""
    control = _CONTROL.search(text)
    if control:
        place = _place(text, control.start(), file)
        return [
            Problem(place, f"the control character U+{ord(control[0]):04X} was found; the file is binary, expected YAML text in UTF-8")
        ], False
    problems = []
    readable = True
    for match in _STRAY.finditer(text):
        line = text[text.rfind("\n", 0, match.start()) + 1 : match.start()]
        if _COMMENT.search(line):
            continue
        if match[0] == "\t":
            problems.append(Problem(_place(text, match.start(), file), "a tab was found", "use spaces"))
        else:
            readable = readable and match[0] not in "\x85\u2028\u2029"  # YAML takes these for line breaks
            what = "a no-break space" if match[0] == "\xa0" else "an odd space"
            problems.append(Problem(_place(text, match.start(), file), f"{what} (U+{ord(match[0]):04X}) was found", "type a plain space"))
    return problems, readable


def is_missing_space(text: str) -> str:
    """Return the hint for a text such as ``scale:10``, which YAML reads as one text; empty where it is none."""
    match = _MISSING_SPACE.search(text.split("\n")[0]) if ":" in text else None
    if match is None or (match.start() and text[match.start() - 1] != " "):
        return ""
    return f"a space is missing after the colon: {match[1]}: {text[match.end() - 1 :]}"


def _place(text: str, index: int, file: str) -> Place:
    return Place(file, text.count("\n", 0, index) + 1, index - text.rfind("\n", 0, index))


def explain(error: _Error, text: str, file: str) -> list[Problem]:
    """Return what a structure error of the YAML parser means; ``error`` is a yaml.MarkedYAMLError."""
    mark = error.problem_mark or error.context_mark
    end = len(text.rstrip())  # what is missing is told where the text ends, not on a line that is not there
    place = _place(text, min(mark.index, max(end - 1, 0)), file)
    start = error.context_mark.index if error.context_mark else mark.index
    context = _place(text, min(start, max(end - 1, 0)), file)
    found = text[mark.index : mark.index + 1]
    before = text[mark.index - 1 : mark.index] if mark.index else ""
    opens = text[start : start + 1]
    about = f"{error.context or ''} {error.problem or ''}"
    lines = text.split("\n")
    line = lines[mark.line][: mark.column] if mark.line < len(lines) else ""
    if "nesting depth" in about:
        return [Problem(place, "more than 50 levels of nesting were found")]

    if found == "%" and "start any token" in about:
        return [Problem(place, "a plain % cannot start a value in YAML", "write percent, or quote the text")]
    if found and found in "@`" and "start any token" in about:
        return [Problem(place, f"a plain {found} cannot start a value in YAML", "quote the text")]
    if "block scalar" in about:
        return [Problem(context, f"a value cannot start with {opens}: YAML reads it as a block text", "quote the text")]
    if "quoted scalar" in about:
        return [Problem(context, "the quote that opens here is never closed", "close it on the same line")]
    if "alias" in about or "anchor" in about:
        return [Problem(context, f"a value cannot start with a bare {opens}", "quote the text")]
    if "tag" in about or "directive" in about:
        return [Problem(context, "tags and directives (! and %) are not part of the language", "quote the text")]
    if "flow" in about:
        return [_flow(context, place, found, before, opens)]
    for number in sorted({context.line - 1, place.line - 1, place.line - 2}):
        match = _LINE_MISSING_SPACE.match(lines[number]) if 0 <= number < len(lines) else None
        if match:
            rest = lines[number][match.end() - 1 :]
            return [
                Problem(
                    Place(file, number + 1, match.end()),
                    "YAML reads this line as one text",
                    f"a space is missing after the colon: {match[1]}: {rest}",
                )
            ]
    if "simple key" in about:
        return [Problem(context, "YAML finds no colon after this key", "a key is followed by a colon and a space")]
    if "mapping values" in about:
        if ": " in line:
            return [Problem(place, "YAML finds a second colon in this line", "quote a text that holds a colon and a space")]
        return [
            Problem(
                place,
                "YAML does not expect a key here",
                "give keys of one level the same indent; a key with a value of its own holds no others",
            )
        ]
    if line.rstrip().endswith(('"', "'")):
        return [Problem(place, "YAML finds more text after the closing quote", "put the whole text in quotes")]
    if re.search(r"[:\-] +\*\S+ *$", line):
        return [Problem(place, "YAML finds more text after an alias", "quote a text that starts with *")]
    if line.rstrip().endswith(("]", "}")):
        return [Problem(place, "YAML finds more text after the closing bracket", "quote a text that starts with a bracket or brace")]
    return [Problem(place, "YAML does not expect this here", "give keys of one level the same indent, and do not mix them with list items")]


def _flow(context: Place, place: Place, found: str, before: str, opens: str) -> Problem:
    """Say what went wrong inside braces or brackets."""
    if found == ":":
        return Problem(place, "a value without a key was found", "write the key before the colon")
    if found and found in "[{" and before.strip() and before not in "[{,:":
        return Problem(place, f"a {found} inside an unquoted text within braces", "quote the whole text, or write one key a line")
    if found and found in "]}" and opens in ("[", "{"):
        closing = {"[": "]", "{": "}"}[opens]
        return Problem(
            place,
            f"a {found} was found, but the {opens} of line {context.line}, column {context.column} is open",
            f"close it with {closing}, or quote the text",
        )
    if not found or place.line > context.line:
        return Problem(
            context,
            f"the {opens if opens in ('[', '{') else 'bracket'} that opens here is not closed",
            "close it, and put commas between its items",
        )
    if found in "\"'" or before in "\"'":
        return Problem(place, "quotes stand around part of a text", "put the whole text in quotes")
    return Problem(
        place,
        "YAML expects a comma or the closing bracket here",
        "put commas between the items; quote a text that holds a comma, bracket, brace or #",
    )
