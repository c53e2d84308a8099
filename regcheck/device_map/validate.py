"""YAML nodes against the language's pydantic models: every fault at once, each at its own place."""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from regcheck.device_map import leaves
from regcheck.device_map.expressions import ExpressionError
from regcheck.device_map.merge import key_place, mapping_of
from regcheck.device_map.words import known_list, nearest
from regcheck.device_map.yaml_source import Mapping, Node, Scalar, Sequence
from regcheck.errors import Place, Problem

M = TypeVar("M", bound=BaseModel)

COLLECTIONS = ("registers", "frames", "fields", "values", "rules", "layouts", "examples", "channels", "applied", "instances")
"""Keys whose entries stand alone: one that is wrong is left out, so that the others are still looked at."""


def _walk(node: Node, loc: tuple[Any, ...]) -> tuple[Node, Place]:
    """Return the deepest node that ``loc`` reaches, and the place to name."""
    place = node.place
    for part in loc:
        if isinstance(node, Mapping) and part in node:
            place, node = key_place(node, part), node[Scalar(part)]
        elif isinstance(node, Sequence) and isinstance(part, int) and part < len(node):
            node = node[part]
            place = node.place
        else:
            break
    return node, place


def known_keys(model: type[BaseModel], loc: tuple[Any, ...]) -> list[str]:
    """Return the keys that the model at ``loc`` (without its last part) takes."""
    schema = model.model_json_schema()
    definitions = schema.get("$defs", {})

    def inside(entry: dict[str, Any]) -> dict[str, Any]:
        for option in [entry, *entry.get("anyOf", []), *entry.get("allOf", [])]:
            if "$ref" in option:
                return dict(definitions[option["$ref"].rpartition("/")[2]])
        return next(
            (
                option
                for option in entry.get("anyOf", [])
                if "properties" in option or "additionalProperties" in option or "items" in option
            ),
            entry,
        )

    for part in loc[:-1]:
        schema = inside(schema)
        if isinstance(part, int):
            schema = schema.get("items", {})
        else:
            schema = schema.get("properties", {}).get(part) or schema.get("additionalProperties", {})
            if not isinstance(schema, dict):
                return []
    return list(inside(schema).get("properties", {}))


def _problem(model: type[BaseModel], node: Node, error: Any) -> Problem:
    loc: tuple[Any, ...] = error["loc"]
    found, place = _walk(node, loc)
    kind = error["type"]
    if kind == "extra_forbidden":
        known = known_keys(model, loc)
        near = nearest(str(loc[-1]), known)
        return Problem(place, f"'{loc[-1]}' is no key here", f"did you mean '{near}'?" if near else "known keys: " + known_list(known))
    if kind == "missing":
        return Problem(place, f"the key '{loc[-1]}' is missing here")
    if kind in ("value_error", "assertion_error"):
        at = found.place if not isinstance(found, Mapping) else place
        return Problem(_inside(at, found, error["ctx"]["error"]), leaves.sentence(error["ctx"]["error"]))
    if kind in ("dict_type", "model_type", "mapping_type"):
        return Problem(place, f"'{found}' was found where a mapping of keys is expected")
    if kind == "list_type":
        return Problem(place, "a list is expected here, each item behind a dash or in brackets")
    return Problem(place, error["msg"])


def _inside(place: Place, found: Node, error: Exception) -> Place:
    """Return the place of what is wrong inside an expression that is written in one line."""
    if not isinstance(error, ExpressionError) or not isinstance(found, Scalar) or found != error.text or "\n" in found:
        return place
    return Place(place.file, place.line, place.column + error.column + int(found.quoted))


def _without(node: Node, loc: tuple[Any, ...]) -> Node:
    """Return ``node`` without the entry at ``loc``."""
    if isinstance(node, Mapping):
        inner = {
            key: (_without(value, loc[1:]) if len(loc) > 1 and key == loc[0] else value)
            for key, value in node.items()
            if len(loc) > 1 or key != loc[0]
        }
        return mapping_of(inner, node.place)
    if isinstance(node, Sequence):
        items = [
            _without(value, loc[1:]) if len(loc) > 1 and index == loc[0] else value
            for index, value in enumerate(node)
            if len(loc) > 1 or index != loc[0]
        ]
        pruned = Sequence(node.place)
        pruned.extend(items)
        return pruned
    return node


def validate(model: type[M], node: Mapping, problems: list[Problem], broken: set[str]) -> M | None:
    """Return the node as ``model``, without the entries that are wrong; their faults go to ``problems``, their names to ``broken``.

    None where what is wrong stands at the top.
    """
    first = True
    while True:
        try:
            return model.model_validate(node)
        except ValidationError as error:
            faults = error.errors(include_url=False)
        if first:  # what comes later is a consequence of leaving entries out
            problems += [_problem(model, node, fault) for fault in faults]
            first = False
        cut: set[tuple[Any, ...]] = set()
        for fault in faults:
            loc: tuple[Any, ...] = fault["loc"]
            if fault["type"] == "extra_forbidden":
                cut.add(loc)
                continue
            depth = max((index for index, part in enumerate(loc[:-1]) if part in COLLECTIONS), default=None)
            if depth is None:
                return None
            cut.add(loc[: depth + 2])
            broken.update(str(part) for part in loc[depth + 1 : depth + 2] if isinstance(part, str))
        for loc in sorted(cut, key=lambda part: (len(part), [str(item).rjust(6, "0") for item in part]), reverse=True):
            pruned = _without(node, loc)
            assert isinstance(pruned, Mapping)  # noqa: S101 - the top is a mapping, and stays one
            node = pruned
