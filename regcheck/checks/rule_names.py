"""What the rules of a map name: the fields and messages whose readings a check of them needs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from regcheck.device_map.expression_tree import Expression, Name
from regcheck.device_map.limits import Limit
from regcheck.device_map.model import Field, RegisterMap, Rule
from regcheck.device_map.scope import MapScope, UnknownNameError


def rule_expressions(rule: Rule) -> Iterator[Expression]:
    """Give every expression of a rule."""
    for one in (rule.when, rule.require, rule.alarm, rule.which):
        if one is not None:
            yield one
    for level in rule.levels:
        yield level.set
        if level.clear is not None:
            yield level.clear


def limit_names(limit: Limit | None) -> tuple[Name, ...]:
    """Return the fields that a limit is a share of."""
    terms = () if limit is None else (*limit.low, *limit.high)
    return tuple(term.field for term in terms if term.field is not None)


def fitted_count(item: Field) -> Expression | None:
    """Return the formula of an array's last number: what is fitted, else where its `each` ends."""
    if item.fitted is not None:
        return item.fitted
    return item.each.last if item.each is not None and item.each.number is None and item.each.step else None


def fitted_fields(register_map: RegisterMap) -> Iterator[Field]:
    """Give the arrays of a map that say which of their numbers must appear; one of several layouts once."""
    done: set[tuple[str, str]] = set()
    for message in register_map.messages:
        for item in message.all_fields():
            if item.fitted is not None and (item.message, item.name) not in done:
                done.add((item.message, item.name))
                yield item


@dataclass(slots=True)
class Wanted:
    """What a map's rules name: fields as (message, field), those that a host's write sets as well, and messages."""

    fields: set[tuple[str, str]] = field(default_factory=set)
    states: set[tuple[str, str]] = field(default_factory=set)
    messages: set[str] = field(default_factory=set)

    @classmethod
    def of(cls, register_map: RegisterMap) -> Wanted:
        """Return what the rules of a map name."""
        wanted = cls()
        for rule in register_map.rules:
            for expression in rule_expressions(rule):
                wanted.add(register_map, expression.names(), is_state=expression is rule.when)
            wanted.add(register_map, limit_names(rule.within))
            wanted.messages |= {level.latched_until for level in rule.levels if level.latched_until}
        wanted.add_own(register_map)
        return wanted

    def add_own(self, register_map: RegisterMap) -> None:
        """Take what messages and fields ask of others: answers, what a register holds, which numbers must appear, how finely it moves."""
        for message in register_map.messages:
            answers, held = message.answers, register_map.message(message.holds) if message.holds else None
            if answers is not None and answers.within_ns is not None:
                for name in (message.name, answers.to):
                    self.messages.add(name)
                    own = register_map.find_fields((name, answers.same)) if answers.same else []
                    self._field(register_map, own, is_state=False)
            if held is not None:
                self.messages.add(message.name)
                for item in held.all_fields():
                    self._field(register_map, [item], is_state=False)
            for item in message.all_fields():
                if item.granularity is not None:
                    self._field(register_map, [item], is_state=False)
                    scope = MapScope(register_map, message)
                    named = [scope.resolve(name) for name in limit_names(item.granularity)]
                    self._field(register_map, [one for one in named if one is not None], is_state=False)
        for item in fitted_fields(register_map):
            self._field(register_map, [item], is_state=False)

    def add(self, register_map: RegisterMap, names: Sequence[Name], *, is_state: bool = False) -> None:
        """Take what some names mean; labels are no fields."""
        for name in names:
            joined = register_map.values.get(name.parts[0]) if len(name.parts) == 1 else None
            if joined is not None:
                for part in joined.join:
                    self._field(register_map, register_map.find_fields(tuple(part.split("."))), is_state=False)
                continue
            message = register_map.message(name.parts[0])
            if message is not None and len(name.parts) == 1:
                self.messages.add(message.name)
            try:
                found = MapScope(register_map).resolve(name)
            except UnknownNameError:
                continue  # a label, or a message's own name
            if found is not None:
                self._field(register_map, [found], is_state=is_state)

    def _field(self, register_map: RegisterMap, found: Sequence[Field], *, is_state: bool) -> None:
        for one in found[:1]:
            key = (one.message, one.name)
            if is_state:
                self.states.add(key)
            if key in self.fields:
                continue
            self.fields.add(key)
            self.messages.add(one.message)
            last = fitted_count(one)
            for name in last.names() if last is not None else ():
                own = MapScope(register_map, register_map.message(one.message)).resolve(name)
                if own is not None:
                    self._field(register_map, [own], is_state=False)
