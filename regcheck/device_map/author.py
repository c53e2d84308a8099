"""Where an entry was written and where its faults go: what compiling it needs beside it."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import field as dataclass_field

from regcheck.device_map import leaves
from regcheck.device_map.merge import child, key_place
from regcheck.device_map.yaml_source import Mapping, Scalar
from regcheck.errors import Place, Problem


@dataclass(slots=True)
class Author:
    """What compiling needs beside the entry: where it was written, what the map shares, and the list that faults go to."""

    node: Mapping
    problems: list[Problem]
    shared_names: dict[str, dict[int, str]]
    broken: set[str] = dataclass_field(default_factory=set)

    def at(self, key: str) -> Place:
        """Return the place of what was written for a key."""
        value = child(self.node, key)
        return value.place if isinstance(value, Scalar) else key_place(self.node, key)

    def fault(self, key: str, text: str, hint: str = "") -> None:
        """Note a fault at a key."""
        self.problems.append(Problem(self.at(key), text, hint))

    def fault_inside(self, key: str, raw: int, text: str, hint: str = "") -> None:
        """Note a fault at the raw value, or range of them, that ends with ``raw`` in the mapping under a key."""
        inner = child(self.node, key)
        raws = inner if isinstance(inner, Mapping) else ()
        place = next((found.place for found in raws if leaves.number_range(found)[1] == raw), self.at(key))
        self.problems.append(Problem(place, text, hint))
