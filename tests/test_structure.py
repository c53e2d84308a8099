"""Imports only go down: a file imports only from rooms below its own (DEVELOPERS.md)."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import regcheck

PACKAGE = Path(regcheck.__file__).parent
ROOMS = ("device_map", "traffic", "codec", "bench", "checks", "planning", "report", "live", "cli")
"""From the lowest to the highest. `sim` stands beside them: it may use the rooms up to `bench`, and only `cli` uses it."""

FOUNDATION = {"errors"}
PUBLIC = {"api"}
FILES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else parts[0].removesuffix(".py")


def imported(path: Path) -> set[str]:
    """Every room that a file imports from, wherever in the file the import stands."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        assert not (isinstance(node, ast.ImportFrom) and node.level), f"{path}: a relative import hides which room is meant"
        found |= {name.split(".")[1] for name in names if name.startswith("regcheck.") and name.count(".")}
    return found


def allowed(room: str) -> set[str]:
    if room in FOUNDATION:
        return set()
    if room == "sim":
        return {"sim", "errors", *ROOMS[: ROOMS.index("bench") + 1]}
    if room in ("api", "__init__"):
        return {"errors", "api", *ROOMS[: ROOMS.index("report") + 1]}
    below = {"errors", *ROOMS[: ROOMS.index(room) + 1]}
    return below | {"sim"} if room == "cli" else below


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_only_go_down(path: Path) -> None:
    room = room_of(path)
    assert room in {*ROOMS, "sim", "__init__", *FOUNDATION, *PUBLIC}, f"{path} stands in no room"
    assert imported(path) <= allowed(room)


def test_there_are_rooms_to_look_at() -> None:
    assert {room_of(path) for path in FILES} >= {*ROOMS, "sim"}


def test_the_public_names_are_all_there() -> None:
    assert sorted(regcheck.__all__) == ["check", "check_and_plot", "decode", "figure", "findings", "load_map", "open_capture", "readings"]
    for name in regcheck.__all__:
        assert callable(getattr(regcheck, name))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        regcheck.nothing  # noqa: B018 - the access is what is tested


def test_no_exception_is_caught_whole_but_at_the_outermost_edge() -> None:
    caught = [
        path.relative_to(PACKAGE).as_posix()
        for path in FILES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ExceptHandler)
        and (node.type is None or (isinstance(node.type, ast.Name) and node.type.id in ("Exception", "BaseException")))
    ]
    assert caught == ["cli/__init__.py"]
