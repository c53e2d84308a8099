"""Base maps (`builds_on`) and sibling keys (`like`), resolved on the YAML nodes so that every value keeps its own place."""

from __future__ import annotations

from pathlib import Path

from regcheck.device_map.words import nearest
from regcheck.device_map.yaml_source import Mapping, Node, Scalar, Sequence, read_yaml
from regcheck.errors import Place, Problem, SourceError

NOT_COPIED = ("examples", "note", "see")
"""What `like` leaves behind."""


def mapping_of(entries: dict[Scalar, Node], place: Place) -> Mapping:
    """Return entries as a mapping node."""
    mapping = Mapping(place)
    mapping.update(entries)
    return mapping


def child(node: Node | None, key: str | int) -> Node | None:
    """Return what stands under a key of a mapping or at an index of a list, None where it does not."""
    if isinstance(node, Mapping) and isinstance(key, str):
        return node.get(Scalar(key))
    if isinstance(node, Sequence) and isinstance(key, int) and key < len(node):
        return node[key]
    return None


def key_place(mapping: Mapping, key: str) -> Place:
    """Return the place of a key in a mapping, the mapping's own where the key is not there."""
    return next((found.place for found in mapping if found == key), mapping.place)


def _over(base: Mapping, own: Mapping, depth: int) -> Mapping:
    """Return ``base`` with the keys of ``own`` over it, mappings merged ``depth`` levels down; own keys keep their places."""
    merged: dict[Scalar, Node] = dict(base.items())
    for key, value in own.items():
        before = merged.pop(key, None)
        if depth and isinstance(before, Mapping) and isinstance(value, Mapping):
            merged[key] = _over(before, value, depth - 1)
        else:
            merged[key] = value
    order = [*base, *(key for key in own if key not in base)]
    own_keys = {key: key for key in own}
    return mapping_of({own_keys.get(key, key): merged[key] for key in order}, own.place)


def _merge_registers(base: Mapping, own: Mapping) -> Mapping:
    """Merge messages key by key, and the fields inside `fields` key by key; what stands deeper is replaced whole."""
    merged: dict[Scalar, Node] = {}
    for name in [*base, *(name for name in own if name not in base)]:
        old, new = base.get(name), own.get(name)
        if isinstance(old, Mapping) and isinstance(new, Mapping):
            body = _over(old, new, 0)
            inner_old, inner_new = child(old, "fields"), child(new, "fields")
            if isinstance(inner_old, Mapping) and isinstance(inner_new, Mapping):
                body = mapping_of(
                    {key: (_over(inner_old, inner_new, 1) if key == "fields" else value) for key, value in body.items()}, body.place
                )
            merged[name] = body
        else:
            merged[name] = new if new is not None else old  # type: ignore[assignment]  # one of the two is there
    return mapping_of(merged, own.place)


def with_base(path: Path, seen: tuple[Path, ...] = ()) -> tuple[Mapping, tuple[str, ...]]:
    """Return a map's node with all that it builds on beneath it, and the files it came from, base first.

    Raises SourceError when a file is wrong, missing, or builds on itself.
    """
    own = read_yaml(path)
    name = child(own, "builds_on")
    if not isinstance(name, Scalar):
        return own, (str(path),)
    base_path = path.parent / str(name)
    resolved = base_path.resolve()
    if resolved in (*seen, path.resolve()):
        raise SourceError([Problem(name.place, f"this map builds on itself through '{name}'", "take one `builds_on` out")])
    if not base_path.is_file():
        raise SourceError([Problem(name.place, f"the base map '{name}' is not there", f"it is looked for at {base_path}")])
    base, files = with_base(base_path, (*seen, path.resolve()))
    merged: dict[Scalar, Node] = {}
    for key in [*base, *(key for key in own if key not in base)]:
        old, new = base.get(key), own.get(key)
        if key in ("registers", "frames") and isinstance(old, Mapping) and isinstance(new, Mapping):
            merged[key] = _merge_registers(old, new)
        elif isinstance(old, Mapping) and isinstance(new, Mapping):
            merged[key] = _over(old, new, 0)
        elif key != "builds_on":
            merged[key] = new if new is not None else old  # type: ignore[assignment]  # one of the two is there
    return mapping_of(merged, own.place), (*files, str(path))


def _like(entry: Mapping, siblings: dict[str, Mapping], problems: list[Problem], chain: tuple[str, ...]) -> Mapping | None:
    """Return an entry with its sibling's keys beneath its own, None where that is no sibling."""
    name = child(entry, "like")
    if not isinstance(name, Scalar):
        return entry
    if name in chain or name not in siblings:
        near = nearest(str(name), [word for word in siblings if word not in chain])
        what = "leads back to itself" if name in chain else "names nothing beside it"
        hint = f"did you mean '{near}'?" if near else "name a message or field beside it"
        problems.append(Problem(name.place, f"`like: {name}` {what}", hint))
        return None
    base = _like(siblings[str(name)], siblings, problems, (*chain, str(name)))
    if base is None:
        return None
    kept = mapping_of({key: value for key, value in base.items() if key not in NOT_COPIED}, base.place)
    own = mapping_of({key: value for key, value in entry.items() if key != "like"}, entry.place)
    return _over(kept, own, 0)


def with_like(entries: Mapping, problems: list[Problem], broken: set[str], beside: Mapping | None = None) -> Mapping:
    """Return messages (and the fields inside them) with every `like` filled in from its sibling, or from what stands ``beside`` them.

    What is like nothing is left out: its fault goes to ``problems``, its name to ``broken``.
    """
    siblings = {str(name): entry for name, entry in (*(beside or {}).items(), *entries.items()) if isinstance(entry, Mapping)}
    filled: dict[Scalar, Node] = {}
    for name, entry in entries.items():
        if not isinstance(entry, Mapping):
            filled[name] = entry
            continue
        body = _like(entry, siblings, problems, (str(name),))
        if body is None:
            broken.add(str(name))
            continue
        filled[name] = _fields_with_like(body, problems, broken)
    return mapping_of(filled, entries.place)


def _fields_with_like(message: Mapping, problems: list[Problem], broken: set[str]) -> Mapping:
    """Return a message with the `like` of its fields filled in, those of its layouts too, where the message's own fields are siblings."""
    fields, layouts = child(message, "fields"), child(message, "layouts")
    body: dict[Scalar, Node] = dict(message.items())
    common = fields if isinstance(fields, Mapping) else Mapping(message.place)
    if isinstance(fields, Mapping):
        body[Scalar("fields")] = with_like(fields, problems, broken)
    if isinstance(layouts, Sequence):
        filled = Sequence(layouts.place)
        for layout in layouts:
            inner = child(layout, "fields")
            if isinstance(layout, Mapping) and isinstance(inner, Mapping):
                layout = mapping_of({**layout, Scalar("fields"): with_like(inner, problems, broken, common)}, layout.place)
            filled.append(layout)
        body[Scalar("layouts")] = filled
    return mapping_of(body, message.place)
