"""The declarations of a value change dump (IEEE 1364-2001, clause 18): time scale, signals, and which two are clock and data."""

from __future__ import annotations

import re
from dataclasses import dataclass

from regcheck.errors import CaptureError, Place

SCL_WORDS = ("scl", "clk", "clock", "smbclk", "sck")
SDA_WORDS = ("sda", "data", "smbdat", "dat")
_UNITS = {b"s": 15, b"ms": 12, b"us": 9, b"ns": 6, b"ps": 3, b"fs": 0}
_TOKEN = re.compile(rb"\S+")
_SCALE = re.compile(rb"(1|10|100)(s|ms|us|ns|ps|fs)")
_RANGE = re.compile(r"\[(\d+)(?::(\d+))?\]")
_TYPES_OF_NUMBERS = frozenset({b"real", b"realtime", b"string", b"event", b"parameter"})
_LISTED = 40


@dataclass(frozen=True, slots=True)
class Variable:
    """One ``$var``: its name with its scopes, its identifier code, its width in bits and the numbers of its leftmost and rightmost bit."""

    name: str
    code: bytes
    width: int
    left: int
    right: int
    is_bits: bool


@dataclass(frozen=True, slots=True)
class Signal:
    """One wire of a dump: an identifier code, and the bit of its vector, counted from the right."""

    code: bytes
    bit: int = 0


@dataclass(frozen=True, slots=True)
class Header:
    """What a dump declares. A time stamp counts ``scale_fs`` femtoseconds; the value changes begin ``length`` bytes into the file."""

    scale_fs: int
    variables: tuple[Variable, ...]
    length: int


def parse_header(text: bytes, file: str) -> Header | None:
    """Return the declarations at the start of ``text``, or None where it ends inside them; CaptureError: no dump's declarations."""
    scale = 0
    variables: list[Variable] = []
    scopes: list[str] = []
    position = 0
    while True:
        token = _TOKEN.search(text, position)
        if token is None or token.end() == len(text):
            return None
        keyword, at = token.group(), token.start()
        if not keyword.startswith(b"$"):
            raise CaptureError(
                Place(file, offset=at), f"{_shown(keyword)} stands among the declarations of the VCD; expected a word that begins with $"
            )
        body: list[bytes] = []
        for token in _TOKEN.finditer(text, token.end()):  # noqa: B020 (the section's last token is where the next one begins)
            if token.end() == len(text) and token.group() != b"$end":
                return None
            if token.group() == b"$end":
                break
            body.append(token.group())
        else:
            return None
        position = token.end()
        if keyword == b"$enddefinitions":
            if not scale:
                raise CaptureError(Place(file), "the VCD has no $timescale", "add one of 1, 10, 100 with s, ms, us, ns, ps, fs")
            return Header(scale, tuple(variables), position)
        if keyword == b"$timescale":
            scale = _scale(b"".join(body), file, at)
        elif keyword == b"$scope":
            scopes.append(body[-1].decode("utf-8", "replace") if body else "")
        elif keyword == b"$upscope":
            if scopes:
                scopes.pop()
        elif keyword == b"$var":
            variables.append(_variable(body, scopes, file, at))


def _scale(text: bytes, file: str, at: int) -> int:
    match = _SCALE.fullmatch(text)
    if match is None:
        raise CaptureError(Place(file, offset=at), f"$timescale is {_shown(text)}; expected 1, 10 or 100 with s, ms, us, ns, ps or fs")
    scale: int = int(match[1]) * 10 ** _UNITS[match[2]]
    return scale


def _variable(body: list[bytes], scopes: list[str], file: str, at: int) -> Variable:
    if len(body) < 4 or not body[1].isdigit() or not 1 <= int(body[1][:9]) <= 1 << 20:
        found = _shown(b" ".join(body))
        raise CaptureError(Place(file, offset=at), f"$var is {found}; expected a type, a width, an identifier code and a name")
    width = int(body[1][:9])
    name = b"".join(body[3:]).decode("utf-8", "replace")
    match = _RANGE.search(name)
    left, right = width - 1, 0
    if match and match.end() == len(name) and (match[2] is not None or width == 1):
        left, right = int(match[1]), int(match[2] if match[2] is not None else match[1])
        if abs(left - right) + 1 == width and (width > 1 or match[2] is not None):
            name = name[: match.start()]
    return Variable(".".join([*filter(None, scopes), name]), body[2], width, left, right, body[0] not in _TYPES_OF_NUMBERS)


def _shown(text: bytes) -> str:
    return repr(text[:40].decode("ascii", "backslashreplace"))


def find_signals(header: Header, names: tuple[str, str] | None, file: str) -> tuple[Signal, Signal]:
    """Return clock and data: as told, or the one signal each whose last name part is a usual word; CaptureError lists what there is."""
    found = [
        _told(header, name, file) if names else _guessed(header, words, what, file)
        for name, words, what in zip(names or ("", ""), (SCL_WORDS, SDA_WORDS), ("SCL", "SDA"), strict=True)
    ]
    scl, sda = found
    if scl == sda:
        raise CaptureError(Place(file), "SCL and SDA are one and the same signal", _remedy(header))
    return scl, sda


def _guessed(header: Header, words: tuple[str, ...], what: str, file: str) -> Signal:
    signals = {Signal(v.code): v.name for v in header.variables if v.is_bits and v.width == 1 and _last_part(v.name) in words}
    if len(signals) == 1:
        return next(iter(signals))
    text = (
        f"several signals may be {what}: {', '.join(sorted(signals.values()))}"
        if signals
        else f"no signal is named as {what} usually is ({', '.join(words)})"
    )
    raise CaptureError(Place(file), text, _remedy(header))


def _last_part(name: str) -> str:
    return _RANGE.sub("", re.split(r"[./:]", name)[-1]).lower()


def _told(header: Header, name: str, file: str) -> Signal:
    """Find a signal by its whole name, else by its last part, case mattering only where it must; ``name[3]`` is a bit of a vector."""
    for fold in (str, str.lower):
        for whole in (True, False):
            signals = {signal for v in header.variables if (signal := _match(v, name, whole, fold)) is not None}
            if len(signals) == 1:
                return signals.pop()
            if signals:
                raise CaptureError(Place(file), f"several signals are named {name!r}", "give the name with its scopes; " + _remedy(header))
    raise CaptureError(Place(file), f"no signal is named {name!r}", _remedy(header))


def _match(variable: Variable, name: str, whole: bool, fold: type[str] | object) -> Signal | None:
    if not variable.is_bits:
        return None
    lower = fold is not str
    own = variable.name if whole else re.split(r"[./:]", variable.name)[-1]
    own, told = (own.lower(), name.lower()) if lower else (own, name)
    if own == told:
        return Signal(variable.code) if variable.width == 1 else None
    bit = _RANGE.search(told)
    if bit is None or bit.end() != len(told) or bit[2] is not None or own != told[: bit.start()]:
        return None
    number = int(bit[1])
    inside = min(variable.left, variable.right) <= number <= max(variable.left, variable.right)
    return Signal(variable.code, abs(number - variable.right)) if inside else None


def _remedy(header: Header) -> str:
    names = [v.name + (f"[{v.left}:{v.right}]" if v.width > 1 else "") for v in header.variables if v.is_bits]
    more = f" and {len(names) - _LISTED} more" if len(names) > _LISTED else ""
    listed = ", ".join(names[:_LISTED]) + more if names else "none"
    return f"tell them with --signals SCL=name,SDA=name; signals of the file: {listed}"
