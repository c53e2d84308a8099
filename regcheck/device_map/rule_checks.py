"""What lint says of rules and joined values."""

from __future__ import annotations

from collections.abc import Iterator

from regcheck.device_map.binding import bind
from regcheck.device_map.expression_tree import Call, Compare, Expression, In, Name, Node, children
from regcheck.device_map.expressions import ExpressionError
from regcheck.device_map.fields import in_unit
from regcheck.device_map.model import AlarmLevel, RegisterMap, Rule
from regcheck.device_map.name_checks import Wanted, bind_problem
from regcheck.device_map.scope import MapScope, UnknownNameError
from regcheck.device_map.units import Unit
from regcheck.device_map.words import nearest
from regcheck.errors import Place, Problem


def check_rules(register_map: RegisterMap, broken: set[str]) -> Iterator[Problem]:
    """Give the faults of a map's rules and joined values: names that it does not have, units that do not fit, labels unknown."""
    for rule in register_map.rules:
        conditions: list[tuple[Expression | None, Wanted, Place]] = [
            (rule.when, "condition", rule.place),
            (rule.require, "condition", rule.place),
            (rule.alarm, "any", rule.place),
            (rule.which, "any", rule.place),
        ]
        for level in rule.levels:
            conditions += [(level.set, "condition", level.place), (level.clear, "condition", level.place)]
            yield from _level(register_map, rule, level, broken)
        for expression, wanted, place in conditions:
            problem = None if expression is None else bind_problem(register_map, None, expression, wanted, place, broken)
            if problem:
                yield problem
        yield from _own_bench(rule)
        yield from _within(register_map, rule, broken)
    names = [field.path for message in register_map.messages for field in message.all_fields()]
    names += [field.name for message in register_map.messages for field in message.all_fields()]
    for joined in register_map.values.values():
        if joined.name in names:
            yield Problem(joined.place, f"'{joined.name}' is a field already", "choose another name for the joined value")
        for part in joined.join:
            if part not in names and part not in broken:
                near = nearest(part, names)
                yield Problem(
                    joined.place, f"'{joined.name}' joins '{part}', which the map does not have", f"did you mean '{near}'?" if near else ""
                )


def _level(register_map: RegisterMap, rule: Rule, level: AlarmLevel, broken: set[str]) -> Iterator[Problem]:
    if level.latched_until and register_map.message(level.latched_until) is None and level.latched_until not in broken:
        yield Problem(level.place, f"`latched_until` names '{level.latched_until}', which the map does not have")
    if rule.alarm is not None and isinstance(rule.alarm.root, Name):
        try:
            labels = MapScope(register_map).labels_of(rule.alarm.root)
        except UnknownNameError:
            return
        if labels and level.state not in labels:
            near = nearest(level.state, list(labels))
            yield Problem(
                level.place,
                f"'{level.state}' is no label of {rule.alarm.text}",
                f"did you mean '{near}'?" if near else "labels: " + ", ".join(labels),
            )


def _sides(node: Node) -> tuple[Node, ...]:
    return (node.left, node.right) if isinstance(node, Compare) else (node.value, node.low, node.high) if isinstance(node, In) else ()


def _seen(node: Node, view: str = "") -> set[str]:
    """Return how the fields below a node are looked at: "applied" inside applied(), else "reported"."""
    if isinstance(node, Name):
        return {view or "reported"} | (_seen(node.index, "") if node.index is not None else set())
    if isinstance(node, Call) and node.function in ("applied", "reported"):
        view = node.function
    return set().union(*(_seen(child, view) for child in children(node)))


def _comparisons(node: Node) -> Iterator[Node]:
    if _sides(node):
        yield node
        return
    for child in children(node):
        yield from _comparisons(child)


def _own_bench(rule: Rule) -> Iterator[Problem]:
    """A requirement is of what the device reports: the bench is never compared with itself."""
    for node in _comparisons(rule.require.root) if rule.require is not None else ():
        if set().union(*(_seen(side) for side in _sides(node))) == {"applied"}:
            text = f"the rule '{rule.name}' compares what the bench applies with itself"
            yield Problem(
                rule.require.place if rule.require is not None else rule.place, text, "take applied() from the side that the device reports"
            )
            return


def _within(register_map: RegisterMap, rule: Rule, broken: set[str]) -> Iterator[Problem]:
    """The `within` of a rule is a difference in the unit of its sides."""
    if rule.within is None or rule.require is None:
        return
    sides = _sides(rule.require.root)
    if not sides:
        yield Problem(
            rule.place, f"`within` of the rule '{rule.name}' needs one comparison", "such as require: voltage = sum(cell_voltage)"
        )
        return
    scope = MapScope(register_map)
    units: list[Unit] = []
    for side in sides:
        expression = Expression(rule.require.text, side, rule.require.place)
        if broken & {part for name in expression.names() for part in name.parts}:
            return
        try:
            unit = bind(expression, scope, "any", allow_temporal=True).unit
        except ExpressionError:
            return  # told already
        units += [unit] if unit is not None else []
    for term in (*rule.within.low, *rule.within.high):
        if term.kind == "absolute":
            try:
                in_unit((term.amount, term.unit), units[0] if units else None, difference=True)
            except ValueError as error:
                text = (
                    str(error)
                    .replace("the field's unit", "the unit of what is compared")
                    .replace("the field has none", "what is compared has none")
                )
                yield Problem(rule.place, f"`within` of the rule '{rule.name}': {text}")
                return
        elif term.kind == "field" and term.field is not None:
            try:
                scope.resolve(term.field)
            except UnknownNameError as error:
                if not broken & set(term.field.parts):
                    yield Problem(rule.place, f"`within` of the rule '{rule.name}': {error}")
                return
