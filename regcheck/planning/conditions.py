"""By how much a condition of the map surely holds for given channels, and by how much it may: limits and guards counted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from regcheck.checks.alarm_bands import NotBuilt, condition_names, split_lasting, spread
from regcheck.checks.decision import Z
from regcheck.device_map.expression_tree import Expression, Name, Number
from regcheck.device_map.scope import MapScope
from regcheck.planning.bench_model import BenchModel, Target
from regcheck.planning.inversion import Array

__all__ = ["Condition", "NotBuilt", "NotDriven", "condition_of"]


class NotDriven(Exception):
    """A condition names what the bench does not apply."""


@dataclass(frozen=True, slots=True, eq=False)
class Condition:
    """A condition over driven fields: its targets by name and number, and how long it must last in ns."""

    expression: Expression
    names: tuple[Name, ...]
    targets: Mapping[tuple[tuple[str, ...], int | None], Target]
    lasting_ns: int
    scope: MapScope

    @property
    def all_targets(self) -> list[Target]:
        """The fields that it hangs on."""
        return list(dict.fromkeys(self.targets.values()))

    def margins(self, model: BenchModel, channels: Mapping[str, Array]) -> tuple[Array, Array]:
        """Return the least and the largest margin in n states of the bench, f8[n]; above 0 the condition holds; NaN where not known.

        Each value may be seen off by its limit and by 1.645 u (verdicts, rule 19).
        """
        root, _ = split_lasting(self.expression)
        seen = model.evaluate(channels, self.all_targets)

        def bounds(name: Name, element: int | None) -> tuple[Array, Array]:
            found = seen[self.targets[name.parts, element].key]
            return found.value + found.low - Z * found.u, found.value + found.high + Z * found.u

        least, largest = spread(root, self.expression, self.scope, self.names, bounds, self.elements)
        count = len(next(iter(channels.values())))
        return np.broadcast_to(least, (count,)), np.broadcast_to(largest, (count,))

    def elements(self, name: Name) -> list[int | None]:
        """Return the numbers of a name's elements, None for a single field."""
        if isinstance(name.index, Number):
            return [int(name.index.value)]
        return [element for parts, element in self.targets if parts == name.parts]


def condition_of(expression: Expression, model: BenchModel, instance: str) -> Condition:
    """Return a condition over what the bench drives of one device; raises NotDriven, and NotBuilt for a form that is not judged."""
    scope = MapScope(model.register_map)
    names = condition_names(expression, scope)
    _, lasting_ns = split_lasting(expression)
    targets: dict[tuple[tuple[str, ...], int | None], Target] = {}
    for name in names:
        field = scope.resolve(replace(name, view="", whole=False))
        shown = ".".join(name.parts)
        if field is None or name.view in ("raw", "reported"):
            raise NotDriven(shown if field is None else f"what the device reports of {shown}")
        found = [one for one in model.targets if one.field.path == field.path and one.applied.instance in ("", instance)]
        if isinstance(name.index, Number):
            found = [one for one in found if one.element == int(name.index.value)]
        elif name.index is not None:
            raise NotBuilt("an element that another field numbers")
        if not found:
            raise NotDriven(shown)
        targets |= {(name.parts, one.element): one for one in found}
    return Condition(expression, names, targets, lasting_ns, scope)
