"""A trial: the folder that ties together map, captures, bench file, stimulus log and what was tested."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field as Key

from regcheck.device_map import leaves
from regcheck.device_map.merge import child
from regcheck.device_map.syntax import Entry, Text, leaf
from regcheck.device_map.validate import validate
from regcheck.device_map.yaml_source import Mapping as MappingNode
from regcheck.device_map.yaml_source import Node, Scalar, Sequence, read_yaml
from regcheck.errors import Place, Problem, SourceError, UsageError

TRIAL_FILE = "trial.yaml"


def _texts(node: Node) -> tuple[str, ...]:
    return leaves.one_or_list(node, leaves.text)


def _keep(node: Node) -> Node:
    return node


Texts = Annotated[tuple[str, ...], *leaf(_texts, {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]})]


class TrialEntry(Entry):
    """A trial file, version 1."""

    regcheck_trial: Annotated[int, *leaf(leaves.integer(1, 1, "version of the trial file (this is 1)"), {"const": 1})]
    map: Text | None = None
    maps: Texts | None = None
    captures: Texts
    bench: Text | None = None
    stimulus: Text | None = None
    buses: dict[str, Text] = {}
    instances: Annotated[Any, *leaf(_keep, {"type": "object"})] = None
    signals: Text | None = Key(None, description="the wires of a capture of levels: SCL=name,SDA=name")
    tested: Annotated[Any, *leaf(_keep, {"type": "object"})] = None
    note: Text | None = None


@dataclass(frozen=True, slots=True)
class Trial:
    """What one check needs: files, and the free text of what was tested. ``bench`` and ``stimulus`` go together, or are both None."""

    map: Path
    captures: tuple[Path, ...]
    bench: Path | None = None
    stimulus: Path | None = None
    signals: tuple[str, str] | None = None
    tested: Mapping[str, str] = field(default_factory=dict)
    file: Path | None = None


def parse_signals(text: str) -> tuple[str, str]:
    """Return the names of clock and data out of `SCL=name,SDA=name`, in either order. Raises ValueError."""
    pairs = [part.partition("=") for part in text.split(",")]
    names = {key.strip().lower(): value.strip() for key, _, value in pairs}
    if set(names) != {"scl", "sda"} or not all(names.values()):
        raise ValueError(f"'{text}' does not name the two wires; write SCL=name,SDA=name")
    return names["scl"], names["sda"]


def load_trial(folder: Path) -> Trial:
    """Return the trial in a folder. Raises SourceError with every fault of its trial.yaml, missing files among them."""
    path = folder / TRIAL_FILE if folder.is_dir() else folder
    if not path.is_file():
        raise UsageError(f"{folder}: no trial here; a trial is a folder with a {TRIAL_FILE}")
    problems: list[Problem] = []
    node = read_yaml(path)
    entry = validate(TrialEntry, node, problems, set())
    if entry is None:
        raise SourceError(problems)
    home = path.parent
    maps = [entry.map] if entry.map is not None else list(entry.maps or ())
    if not maps:
        problems.append(Problem(node.place, "the trial names no map", "write such as map: ../../maps/pack.yaml"))
    if len(maps) > 1:
        at = child(node, "maps")
        problems.append(
            Problem(
                at.place if at is not None else node.place,
                "the trial names several maps; one is checked at a time for now",
                "make a trial of each",
            )
        )
    if (entry.bench is None) != (entry.stimulus is None):
        missing = "stimulus" if entry.stimulus is None else "bench"
        problems.append(Problem(node.place, f"the trial has no `{missing}`", "a bench file and its stimulus log go together"))
    signals = None
    if entry.signals is not None:
        try:
            signals = parse_signals(entry.signals)
        except ValueError as error:
            problems.append(Problem(_place(node, "signals"), str(error)))
    for key, names in (("map", maps[:1]), ("captures", list(entry.captures)), ("bench", [entry.bench]), ("stimulus", [entry.stimulus])):
        for name in names:
            if name is not None and not (home / name).is_file():
                problems.append(
                    Problem(_place(node, key), f"`{key}` names '{name}', which is not there", f"it is looked for at {home / name}")
                )
    if problems:
        raise SourceError(problems)
    return Trial(
        home / maps[0],
        tuple(home / name for name in entry.captures),
        home / entry.bench if entry.bench is not None else None,
        home / entry.stimulus if entry.stimulus is not None else None,
        signals,
        {str(key): str(value) for key, value in entry.tested.items()} if isinstance(entry.tested, MappingNode) else {},
        path,
    )


def _place(node: MappingNode, key: str) -> Place:
    found = child(node, key)
    if isinstance(found, Sequence) and found:
        return found[0].place
    return found.place if isinstance(found, Scalar) else node.place
