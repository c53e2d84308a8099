"""A trial: the folder that ties together map, captures, bench file, stimulus log and what was tested."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field as Key

from regcheck.device_map import leaves
from regcheck.device_map.frames import Fitted
from regcheck.device_map.merge import child, key_place
from regcheck.device_map.model import Axis, RegisterMap
from regcheck.device_map.syntax import Entry, Text, leaf
from regcheck.device_map.validate import validate
from regcheck.device_map.words import nearest
from regcheck.device_map.yaml_source import Mapping as MappingNode
from regcheck.device_map.yaml_source import Node, Scalar, Sequence, read_yaml
from regcheck.errors import Place, Problem, SourceError, UsageError
from regcheck.traffic.open import Capture

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
    buses: dict[str, Text] | None = Key(None, description="what the captures call the map's buses: {string_a: can0}")
    instances: Annotated[Any, *leaf(_keep, {"type": "object"})] = Key(
        None, description="which of several like devices are fitted: {rack: [1, 2, 5]}"
    )
    signals: Text | None = Key(None, description="the wires of a capture of levels: SCL=name,SDA=name")
    columns: Text | None = Key(None, description="the columns of a CSV of levels: TIME,SCL,SDA, names or numbers from 1")
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
    columns: tuple[str, str, str] | None = None
    fitted: Fitted = field(default_factory=dict)
    buses: Mapping[str, str] = field(default_factory=dict)
    places: Mapping[str, Place] = field(default_factory=dict)


def parse_signals(text: str) -> tuple[str, str]:
    """Return the names of clock and data out of `SCL=name,SDA=name`, in either order. Raises ValueError."""
    pairs = [part.partition("=") for part in text.split(",")]
    names = {key.strip().lower(): value.strip() for key, _, value in pairs}
    if set(names) != {"scl", "sda"} or not all(names.values()):
        raise ValueError(f"'{text}' does not name the two wires; write SCL=name,SDA=name")
    return names["scl"], names["sda"]


def parse_columns(text: str) -> tuple[str, str, str]:
    """Return the columns of time, clock and data out of `TIME,SCL,SDA`, names or numbers from 1. Raises ValueError."""
    names = [part.strip() for part in text.split(",")]
    if len(names) != 3 or not all(names) or len(set(names)) != 3:
        raise ValueError(f"'{text}' does not name three columns; write TIME,SCL,SDA, names or numbers from 1")
    return names[0], names[1], names[2]


def load_trial(folder: Path) -> Trial:
    """Return the trial in a folder, or the one that a trial.yaml tells.

    Raises SourceError with every fault of it, missing files among them; UsageError where there is no trial.
    """
    trial, problems = examine_trial(folder)
    if problems or trial is None:
        raise SourceError(problems)
    return trial


def examine_trial(folder: Path) -> tuple[Trial | None, list[Problem]]:
    """Return a trial without the files that are not there, and every fault of its trial.yaml; None where it names no map that is there.

    Raises UsageError where there is no trial at all.
    """
    path = folder / TRIAL_FILE if folder.is_dir() else folder
    if not path.is_file():
        raise UsageError(f"{folder}: no trial here; a trial is a folder with a {TRIAL_FILE}")
    problems: list[Problem] = []
    try:
        node = read_yaml(path)
    except SourceError as error:
        return None, list(error.problems)
    entry = validate(TrialEntry, node, problems, set())
    if entry is None:
        return None, problems
    home = path.parent
    maps = [entry.map] if entry.map is not None else list(entry.maps or ())
    problems += _problems(node, entry, maps)
    told: dict[str, Any] = {}
    for key, text, parse in (("signals", entry.signals, parse_signals), ("columns", entry.columns, parse_columns)):
        try:
            told[key] = parse(text) if text is not None else None
        except ValueError as error:
            problems.append(Problem(_place(node, key), str(error)))
    named = {"map" if entry.map is not None else "maps": maps[:1], "captures": list(entry.captures)}
    named |= {key: [name] for key, name in (("bench", entry.bench), ("stimulus", entry.stimulus)) if name is not None}
    there: dict[str, list[Path]] = {}
    for key, names in named.items():
        for number, name in enumerate(names):
            if (home / name).is_file():
                there.setdefault(key, []).append(_beside(home, name))
            else:
                what = "is a folder, not a file" if (home / name).is_dir() else "is not there"
                problems.append(
                    Problem(_place(node, key, number), f"`{key}` names '{name}', which {what}", f"it is looked for at {home / name}")
                )
    problems.sort(key=lambda problem: problem.place)
    map_files = there.get("map", []) or there.get("maps", [])
    if not map_files:
        return None, problems
    trial = Trial(
        map_files[0],
        tuple(there.get("captures", ())),
        next(iter(there.get("bench", ())), None),
        next(iter(there.get("stimulus", ())), None),
        told.get("signals"),
        {str(key): str(value) for key, value in entry.tested.items()} if isinstance(entry.tested, MappingNode) else {},
        path,
        told.get("columns"),
        fitted=_fitted(child(node, "instances"), problems),
        buses={str(name): str(bus) for name, bus in (entry.buses or {}).items()},
        places=_key_places(node, "instances") | _key_places(node, "buses"),
    )
    return trial, problems


def _key_places(node: MappingNode, key: str) -> dict[str, Place]:
    inner = child(node, key)
    return {str(name): name.place for name in inner} if isinstance(inner, MappingNode) else {}


def _fitted(node: Node | None, problems: list[Problem]) -> dict[str, tuple[int | str, ...]]:
    """Return what is fitted of `{rack: [1, 2, 5]}`, or of `{rack: 1..5}`: numbers, or names of buses."""
    if node is None:
        return {}
    if not isinstance(node, MappingNode):
        problems.append(Problem(node.place, "`instances` says what is fitted of each kind", "write such as instances: {rack: [1, 2, 5]}"))
        return {}
    fitted: dict[str, tuple[int | str, ...]] = {}
    for name, value in node.items():
        items: list[int | str] = []
        try:
            for text in leaves.one_or_list(value, leaves.text):
                if text[:1].isdigit():
                    low, high = leaves.number_range(Scalar(text, value.place))
                    items += range(low, high + 1)
                else:
                    items.append(text)
        except ValueError as error:
            problems.append(Problem(value.place, str(error)))
        fitted[str(name)] = tuple(items)
    return fitted


def misfits(trial: Trial, register_map: RegisterMap) -> list[Problem]:
    """Return where the trial fits devices, or names buses, that the map does not know."""
    problems = []
    file = str(trial.file) if trial.file is not None else str(trial.map)
    axes = {axis.name: axis for axis in register_map.instances}
    for name, items in trial.fitted.items():
        at = trial.places.get(name, Place(file))
        axis = axes.get(name)
        if axis is None:
            near = nearest(name, axes)
            text = f"the map has no instances named '{name}'"
            problems.append(Problem(at, text, f"did you mean '{near}'?" if near else "it has: " + (", ".join(axes) or "none")))
            continue
        strange = [str(item) for item in items if item not in (*axis.numbers, *axis.buses)]
        if strange:
            problems.append(Problem(at, f"the map has no {name} {', '.join(strange)}", f"it has {_spread(axis)}"))
    known = {bus for axis in register_map.instances for bus in axis.buses} | {m.bus for m in register_map.messages if m.bus}
    for name in trial.buses:
        if name not in known:
            at = trial.places.get(name, Place(file))
            has = ", ".join(sorted(known)) or "only the one bus"
            problems.append(Problem(at, f"the map has no bus named '{name}'", f"it has: {has}"))
    return problems


def refuse_misfits(trial: Trial, register_map: RegisterMap) -> None:
    """Raise SourceError where the trial fits devices, or names buses, that the map does not know."""
    problems = misfits(trial, register_map)
    if problems:
        raise SourceError(problems)


def _spread(axis: Axis) -> str:
    return f"{axis.numbers[0]} to {axis.numbers[-1]}" if axis.numbers else ", ".join(axis.buses)


def refuse_lacking(trial: Trial, captures: Iterable[Capture]) -> None:
    """Raise SourceError where the trial names a bus that no capture has."""
    if not trial.buses:
        return
    there = {bus for capture in captures for bus in capture.buses}
    problems = []
    for name, bus in trial.buses.items():
        if bus not in there:
            near = nearest(bus, there)
            text = f"`buses` says that {name} is '{bus}', which no capture has"
            has = ", ".join(sorted(one for one in there if one)) or "one bus without a name"
            hint = f"did you mean '{near}'?" if near else f"the captures have: {has}"
            problems.append(Problem(trial.places.get(name, Place(str(trial.file))), text, hint))
    if problems:
        raise SourceError(problems)


def _problems(node: MappingNode, entry: TrialEntry, maps: list[str]) -> list[Problem]:
    """Return what the keys of a trial say wrongly together, whatever files are there."""
    problems = []
    if not maps:
        problems.append(Problem(node.place, "the trial names no map", "write such as map: ../../maps/pack.yaml"))
    if entry.map is not None and entry.maps is not None:
        problems.append(
            Problem(_place(node, "maps"), "the trial has both `map` and `maps`", "one map is checked at a time: take `maps` out")
        )
    elif len(maps) > 1:
        text = "the trial names several maps; one is checked at a time for now"
        problems.append(Problem(_place(node, "maps"), text, "make a trial of each"))
    for number, name in enumerate(entry.captures):
        if name in entry.captures[:number]:
            text = f"`captures` names '{name}' twice"
            problems.append(Problem(_place(node, "captures", number), text, "its readings would count twice: take one out"))
    if (entry.bench is None) != (entry.stimulus is None):
        missing = "stimulus" if entry.stimulus is None else "bench"
        problems.append(Problem(node.place, f"the trial has no `{missing}`", "a bench file and its stimulus log go together"))
    tested = child(node, "tested")
    if isinstance(tested, MappingNode):
        problems += [
            Problem(key_place(tested, key), f"`tested: {key}` is no text", f"write such as {key}: 1.10")
            for key, value in tested.items()
            if not isinstance(value, Scalar)
        ]
    elif tested is not None:
        problems.append(Problem(tested.place, "`tested` holds names with texts", "write such as tested: {firmware: 1.10}"))
    return problems


def _beside(home: Path, name: str) -> Path:
    """Return a file named from the trial's folder, without steps back where that means the same file."""
    plain = Path(os.path.normpath(home / name))
    return plain if plain.exists() and plain.samefile(home / name) else home / name


def _place(node: MappingNode, key: str, number: int = 0) -> Place:
    found = child(node, key)
    if isinstance(found, Sequence) and number < len(found):
        return found[number].place
    return found.place if isinstance(found, Scalar) else key_place(node, key)
