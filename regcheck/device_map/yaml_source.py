"""The one YAML loader: the C parser's events, values made from the source text, every trap of YAML refused in words.

The C parser is 13 times faster than the pure one, which serves where C is missing; both give the same values, places and refusals.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeAlias, Union

import yaml

from regcheck.device_map.numbers import as_fraction
from regcheck.device_map.yaml_traps import explain, fold, is_missing_space, scan_characters
from regcheck.errors import Place, Problem, SourceError

MOST_BYTES = 10_000_000
MOST_NODES = 100_000
DEEPEST = 50


class Scalar(str):
    """A text as typed (unfolded where plain, the content where quoted), with its place.

    ``quoted`` is true for a text in quotes and for a block text after ``|`` or ``>``.
    """

    place: Place
    quoted: bool

    def __new__(cls, text: str, place: Place | None = None, quoted: bool = False) -> Scalar:
        """Make a scalar; one that no file holds has the empty place."""
        scalar = super().__new__(cls, text)
        scalar.place = place if place is not None else Place("")
        scalar.quoted = quoted
        return scalar


class Mapping(dict[Scalar, "Node"]):
    """Keys and values in the order of the file, with the place of the first key or the brace. A plain text finds a key too."""

    place: Place

    def __init__(self, place: Place | None = None) -> None:
        super().__init__()
        self.place = place if place is not None else Place("")


class Sequence(list["Node"]):
    """A list, with the place of its first dash or its bracket."""

    place: Place

    def __init__(self, place: Place | None = None) -> None:
        super().__init__()
        self.place = place if place is not None else Place("")


Node: TypeAlias = Union[Scalar, Mapping, Sequence]  # noqa: UP007 - the classes name it in quotes

_Event: TypeAlias = Any  # events and marks of the C parser and of the pure one are two families of classes

_NUMERIC = re.compile(r"[-+.]?[0-9]")
_NULLS = frozenset({"null", "Null", "NULL"})
_NON_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
_CURLY = re.compile("[‘’‚‛“”„‟]")
_BLOCK_HEADER = re.compile(r"[|>][-+0-9]*(?:\s+#.*|\s*)")
_PROPERTIES = re.compile(r"(?:[&!]\S*\s+)+")


class _StopError(Exception):
    """The rest of the file cannot be read."""


class _Composer:
    """Makes nodes of one text's events, and collects problems."""

    def __init__(self, text: str, file: str, pure: bool) -> None:
        self.text, self.file = text, file
        self.problems: list[Problem] = []
        self.structure: list[Problem] = []
        loader: Any = yaml.BaseLoader if pure or not yaml.__with_libyaml__ else yaml.CBaseLoader
        self.events: Iterator[_Event] = yaml.parse(text, Loader=loader)
        self.anchors: dict[str, tuple[Node, int, Place]] = {}
        self.used: set[str] = set()
        self.count = 0

    def complain(self, place: Place, text: str, hint: str = "") -> None:
        self.problems.append(Problem(place, text, hint))

    def place(self, mark: _Event) -> Place:
        return Place(self.file, mark.line + 1, mark.column + 1)

    def document(self) -> Mapping:
        top: Node | None = None
        try:
            for event in self.events:
                if isinstance(event, yaml.DocumentStartEvent):
                    self.start(event, first=top is None)
                elif isinstance(event, yaml.NodeEvent):
                    top = self.node(event, 1, labels=False)
        except yaml.MarkedYAMLError as error:
            self.structure += explain(error, self.text, self.file)
        except _StopError:
            pass
        else:
            for name, (_, _, place) in self.anchors.items():
                if name not in self.used:
                    self.complain(place, f"the anchor &{name} is never used", f"quote the text if it starts with &, or use it: *{name}")
        if isinstance(top, Mapping):
            return top
        if isinstance(top, Scalar) and not top and not top.quoted:
            top = None
        if top is not None:
            found = "a list" if isinstance(top, Sequence) else "a text"
            hint = is_missing_space(top) if isinstance(top, Scalar) else ""
            self.structure.append(Problem(top.place, f"{found} was found; expected keys with values", hint))
        elif not self.problems and not self.structure:
            self.complain(Place(self.file), "the file is empty; expected keys with values")
        return Mapping(Place(self.file, 1, 1))

    def start(self, event: _Event, *, first: bool) -> None:
        place = self.place(event.start_mark)
        if not first:
            self.complain(place, "a second document starts here", "a file holds one document: remove the --- line")
            raise _StopError
        if event.version or event.tags:
            self.complain(place, "a YAML directive was found", "remove the line that starts with %")

    def node(self, event: _Event, depth: int, *, labels: bool) -> Node:
        if isinstance(event, yaml.AliasEvent):
            return self.alias(event)
        place = self.place(event.start_mark)
        if depth > DEEPEST:
            self.complain(place, f"more than {DEEPEST} levels of nesting were found")
            raise _StopError
        before = self.count
        self.grow(1, place)
        if event.tag is not None:
            tag = event.tag.replace("tag:yaml.org,2002:", "!!")
            self.complain(place, f"the tag {tag} is not part of the language", "quote the text if it starts with !")
        node: Node
        if isinstance(event, yaml.ScalarEvent):
            node = self.scalar(event)
        elif isinstance(event, yaml.SequenceStartEvent):
            node = self.sequence(place, depth, labels=labels)
        else:
            node = self.mapping(place, depth, flow=bool(event.flow_style), labels=labels)
        if event.anchor is not None:
            if event.anchor in self.anchors:
                self.complain(place, f"the anchor &{event.anchor} stands twice")
            self.anchors[event.anchor] = node, self.count - before, place
        return node

    def grow(self, nodes: int, place: Place) -> None:
        self.count += nodes
        if self.count > MOST_NODES:
            self.complain(place, f"more than {MOST_NODES} values, aliases counted in full")
            raise _StopError

    def alias(self, event: _Event) -> Node:
        place = self.place(event.start_mark)
        self.used.add(event.anchor)
        if event.anchor not in self.anchors:
            self.complain(place, f"the alias *{event.anchor} stands for nothing above it", "quote the text if it starts with *")
            return Scalar(f"*{event.anchor}", place)
        node, size, _ = self.anchors[event.anchor]
        self.grow(size, place)
        return node

    def scalar(self, event: _Event) -> Scalar:
        mark = event.start_mark
        skipped = 0
        if event.anchor is not None or event.tag is not None:
            match = _PROPERTIES.match(self.text, mark.index, event.end_mark.index)
            skipped = match.end() - match.start() if match and "\n" not in match[0] else 0
        found = Scalar(event.value, Place(self.file, mark.line + 1, mark.column + 1 + skipped), bool(event.style))
        if event.style in ("|", ">"):
            header = self.text[mark.index + skipped :].partition("\n")[0]
            if not _BLOCK_HEADER.fullmatch(header):  # the C parser takes `|#` for a comment
                self.complain(found.place, f"a value cannot start with {event.style}: YAML reads it as a block text", "quote the text")
        elif not event.style and found:
            self.look_behind(event, found, mark.index + skipped)
        return found

    def look_behind(self, event: _Event, found: Scalar, start: int) -> None:
        """Refuse a comment that stands one space after a plain value, and curly quotes in it."""
        end = start + len(found)
        if mark_is_later := event.end_mark.line > event.start_mark.line:
            end = start + len(self.text[start : event.end_mark.index].rstrip())
        if self.text.startswith(" #", end):
            column = 0 if mark_is_later else found.place.column + len(found) + 1
            line = found.place.line + self.text.count("\n", start, end)
            column = column or end + 2 - (self.text.rfind("\n", 0, end) + 1)
            self.complain(
                Place(self.file, line, column),
                "a # one space after a value starts a comment in YAML",
                "quote a text that holds #; put two spaces before a comment",
            )
        curly = _CURLY.search(found)
        if curly:
            column = found.place.column + (0 if mark_is_later else curly.start())
            self.complain(Place(self.file, found.place.line, column), f"a curly quote {curly[0]} was found", "use straight quotes: \" or '")

    def value(self, event: _Event, depth: int, place: Place, *, labels: bool, empty: tuple[str, str]) -> Node:
        """Return the node of a value, after refusing what no value may be; ``empty`` is what to say, at ``place``, where there is none."""
        node = self.node(event, depth, labels=labels)
        if not isinstance(node, Scalar) or node.quoted or isinstance(event, yaml.AliasEvent):
            return node
        if not node:
            self.complain(place, *empty)
            return Scalar("", place)
        elif node == "~" or (node in _NULLS and not labels):
            self.complain(node.place, f"{node} is no value of the language", "remove the key, or quote the text")
        elif _NON_FINITE.fullmatch(node):
            self.complain(node.place, f"{node} is no finite number", "remove it, or quote the text")
        return node

    def sequence(self, place: Place, depth: int, *, labels: bool) -> Sequence:
        found = Sequence(place)
        empty = ("an item of the list is empty", "write the item, or remove its dash or comma")
        for event in self.events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            item = self.value(event, depth + 1, place, labels=labels, empty=empty)
            if isinstance(item, Scalar) and not item.quoted and (hint := is_missing_space(item)):
                self.complain(item.place, f"'{item}' is read as one text", hint)
            found.append(item)
        return found

    def mapping(self, place: Place, depth: int, *, flow: bool, labels: bool) -> Mapping:
        found = Mapping(place)
        seen: dict[Fraction | str, Scalar] = {}
        numeric: Scalar | None = None
        wordy: Scalar | None = None
        for event in self.events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            key = self.node(event, depth + 1, labels=False)
            if not isinstance(key, Scalar):
                self.complain(
                    key.place,
                    "a key is one word or number; a list or mapping was found",
                    "quote the key, or a comma or bracket is missing before it",
                )
                raise _StopError
            if not key and not key.quoted:
                self.complain(key.place, "a value without a key was found", "write the key before the colon")
            if key == "<<" and not key.quoted:
                self.complain(key.place, "merge keys (<<) are not part of the language", "write the keys out, or use like:")
            value = self.value(next(self.events), depth + 1, key.place, labels=labels or key == "names", empty=_no_value(key, flow))
            if value and not key.quoted and (hint := is_missing_space(key)):
                self.complain(key.place, f"'{key}' is read as one key", hint)
            if isinstance(value, Scalar) and not value.quoted and value.place.line > key.place.line and (hint := is_missing_space(value)):
                self.complain(value.place, f"'{value}' is read as one text", hint)
            same = _resolved(key)
            if same in seen:
                first = seen[same]
                alike = "" if first == key else f" as '{first}'"
                self.complain(
                    key.place, f"the key '{key}' stands twice", f"first{alike} in line {first.place.line}, column {first.place.column}"
                )
                continue
            seen[same] = key
            if isinstance(same, Fraction) or (not key.quoted and ".." in key and _NUMERIC.match(key)):
                numeric = numeric or key
            else:
                wordy = wordy or key
            if numeric is not None and wordy is not None and key in (numeric, wordy):
                self.complain(
                    key.place, f"numbers and words are mixed as keys: '{numeric}' and '{wordy}'", "quote a word that looks like a number"
                )
            found[key] = value
        return found


def _no_value(key: Scalar, flow: bool) -> tuple[str, str]:
    text = f"the key '{key}' has no value"
    if not key.quoted and (hint := is_missing_space(key)):
        return text, hint
    if flow:
        return text, "a comma inside braces ends the value: quote it, or write one key a line"
    return text, "write the value after the colon, or remove the key"


def _resolved(key: Scalar) -> Fraction | str:
    """Return what a key stands for: 0x0B and 11 are one key."""
    if key.quoted or not _NUMERIC.match(key):
        return str(key)
    try:
        return as_fraction(key)
    except ValueError:
        return str(key)


def load_yaml(text: str, file: str, *, pure: bool = False) -> tuple[Mapping, list[Problem]]:
    """Return the file's mapping and all its problems in order of place; the mapping is what could be read.

    ``file`` is what places name. A structure error stops the reading, every other problem does not. ``pure`` asks for the parser without C.
    """
    text = fold(text.removeprefix("\ufeff")).replace("\r\n", "\n").replace("\r", "\n")
    problems, readable = scan_characters(text, file)
    if not readable:
        return Mapping(Place(file, 1, 1)), problems
    if not text.strip():
        return Mapping(Place(file, 1, 1)), [Problem(Place(file), "the file is empty; expected keys with values")]
    composer = _Composer(text, file, pure)
    found = composer.document()
    # a stray character is told by its own name; what it does to the structure after it is not told again
    told = min((problem.place for problem in problems), default=None)
    problems += composer.problems + [problem for problem in composer.structure if told is None or problem.place.line < told.line]
    return found, sorted(dict.fromkeys(problems), key=lambda problem: problem.place)


def read_yaml(path: Path) -> Mapping:
    """Return a file's mapping; raise SourceError with every problem at once (one for a file that is no text at all)."""
    place = Place(str(path))
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise SourceError([Problem(place, f"the file has {size} bytes; expected at most {MOST_BYTES}")])
        data = path.read_bytes()
    except OSError as error:
        raise SourceError([Problem(place, f"the file cannot be read: {error.strerror or error}")]) from error
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        if b"\0" in data[:4096]:
            raise SourceError([Problem(place, "the file is binary or UTF-16; expected YAML text in UTF-8")]) from error
        line = data.count(b"\n", 0, error.start) + 1
        column = len(data[data.rfind(b"\n", 0, error.start) + 1 : error.start].decode("utf-8")) + 1
        where = Place(str(path), line, column)
        raise SourceError([Problem(where, f"the byte {data[error.start]:#04x} is not UTF-8", "save the file as UTF-8")]) from error
    found, problems = load_yaml(text, str(path))
    if problems:
        raise SourceError(problems)
    return found
