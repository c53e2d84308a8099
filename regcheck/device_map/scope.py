"""What the names of an expression mean in a map: which field, its unit, its labels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from regcheck.device_map.expression_tree import Name
from regcheck.device_map.model import Field, FieldType, Message, RegisterMap
from regcheck.device_map.units import Unit
from regcheck.device_map.words import nearest

OWN_WORDS = ("raw", "length", "last")
"""Names that every message's own formulas know: the raw value, the bytes that came, the last byte's number."""


def instance_names(register_map: RegisterMap, message: Message | None) -> tuple[str, ...]:
    """Return the names that a frame's formulas know as numbers: of like devices, and of its own `each`."""
    if message is None or message.kind != "frame":
        return ()
    names = [axis.name for axis in register_map.instances if axis.numbers]
    return (*names, message.each.variable) if message.each is not None else tuple(names)


class UnknownNameError(LookupError):
    """A name that the map does not know, or that may mean several fields."""


class MapScope:
    """The names that expressions in ``message`` (or, with None, anywhere in the map) may use.

    A bare name means a field of the message itself first, then any field of that name that the map has only once.
    ``local_names`` are loop variables, plain numbers, and names such as ``applied`` with their units; in a frame's own formulas its
    instance names and its `each` variable are numbers too.
    """

    def __init__(
        self, register_map: RegisterMap, message: Message | None = None, local_names: Mapping[str, Unit | None] | None = None
    ) -> None:
        self.register_map, self.message = register_map, message
        self.local_names = dict.fromkeys(instance_names(register_map, message)) | dict(local_names or {})

    def resolve(self, name: Name) -> Field | None:
        """Return the field that a name means, None for a plain number (a loop variable, ``raw``, ``length``).

        Raises UnknownNameError with the nearest known name.
        """
        parts = tuple(name.parts)
        if len(parts) == 1 and (parts[0] in self.local_names or (self.message is not None and parts[0] in OWN_WORDS)):
            return None
        if len(parts) > 2:
            raise UnknownNameError(f"'{'.'.join(parts)}' has too many dots; a field is named message.field")
        if self.message is not None and len(parts) == 1:
            own = [field for field in self.message.all_fields() if field.name == parts[0]]
            if own:
                return own[0]
        if parts[0] in self.register_map.values and len(parts) == 1:
            return None
        found = self.register_map.find_fields(parts)
        messages = sorted({field.message for field in found})
        if len(messages) > 1:
            raise UnknownNameError(f"'{parts[0]}' is a field of {' and of '.join(messages)}: say which, such as {messages[0]}.{parts[0]}")
        if found:
            return found[0]
        alone = self.register_map.message(parts[0])
        if alone is not None and len(parts) == 1:
            fields = [field.name for field in alone.all_fields()]
            hint = f"name one, such as {parts[0]}.{fields[0]}" if fields else "it has no field"
            raise UnknownNameError(f"'{parts[0]}' has no field of its own name: {hint}")
        known = [field.path for message in self.register_map.messages for field in message.all_fields()]
        known += [field.name for message in self.register_map.messages for field in message.all_fields()] + list(self.local_names)
        near = nearest(".".join(parts), known)
        raise UnknownNameError(f"the map has no field '{'.'.join(parts)}'" + (f"; did you mean '{near}'?" if near else ""))

    def unit_of(self, name: Name) -> Unit | None:
        """Return the unit of a named field, None for a plain number."""
        joined = self.register_map.values.get(name.parts[0]) if len(name.parts) == 1 else None
        field = self.resolve(name)
        if field is None:
            return joined.meanings[0].unit if joined is not None else self.local_names.get(name.parts[0])
        return field.unit

    def labels_of(self, name: Name) -> Mapping[str, int]:
        """Return the labels of a named field and the raw values that they stand for."""
        field = self.resolve(name)
        return {} if field is None else {word: raw for raw, word in field.names.items()}

    def kind_of(self, name: Name) -> Literal["number", "version", "text", "message"]:
        """Return what a name stands for."""
        parts = tuple(name.parts)
        if (
            len(parts) == 1
            and parts[0] not in self.local_names
            and self.register_map.message(parts[0]) is not None
            and not self.register_map.find_fields(parts)
        ):
            return "message"
        field = self.resolve(name)
        if field is None:
            return "number"
        if field.type is FieldType.VERSION:
            return "version"
        return "text" if field.type in (FieldType.TEXT, FieldType.BYTES) else "number"
