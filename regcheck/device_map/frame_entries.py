"""A frame's entry as typed -> the model's Message."""

from __future__ import annotations

from dataclasses import replace

from regcheck.device_map.author import Author
from regcheck.device_map.expressions import parse_expression, parse_range
from regcheck.device_map.frames import IDENTITIES
from regcheck.device_map.leaves import MOST_INSTANCES, scalar, sentence, unknown
from regcheck.device_map.merge import child
from regcheck.device_map.message_parts import MessageParts, given_places, name_fault
from regcheck.device_map.model import Answers, Carrier, Each, Example, Field, Layout, Message, Protection
from regcheck.device_map.numbers import as_integer
from regcheck.device_map.places import Order
from regcheck.device_map.protection import PROFILES
from regcheck.device_map.syntax import Example as ExampleEntry
from regcheck.device_map.syntax import FrameEntry, ProtectEntry
from regcheck.device_map.yaml_source import Mapping, Node
from regcheck.errors import Place, Problem


def _each(entry: FrameEntry, author: Author) -> Each | None:
    if entry.each is None:
        return None
    author.broken.update(str(key) for key in entry.each)  # until it is known to be right
    if len(entry.each) != 1 or "step" in entry.each:
        author.fault("each", "the `each` of a frame names one running variable", "write such as each: {n: 0..7}, with n in the id")
        return None
    ((variable, values),) = entry.each.items()
    try:
        low, high = parse_range(scalar(values, "a range such as 0..7"))
        first, last = (None if end is None else end.constant() for end in (low, high))
        if first is None or last is None or low is high or first.denominator != 1 or last.denominator != 1 or not 0 <= first <= last:
            raise ValueError(f"`{variable}: {values}` is no range of whole numbers; expected such as 0..7")
        if last - first >= MOST_INSTANCES:
            raise ValueError(f"`{variable}: {values}` names {int(last - first) + 1} frames; expected at most {MOST_INSTANCES}")
    except ValueError as error:
        author.fault("each", sentence(error))
        return None
    fault = name_fault(str(variable), "variable", variable.place)
    if fault:
        author.problems.append(fault)
    author.broken.difference_update(entry.each)
    return Each(str(variable), int(first), high, 0)


def _numbered(field: Field, each: Each | None) -> Field:
    """Return a field of a frame that is repeated: one without a number of its own is the element of the frame's number."""
    if each is None or field.each is not None:
        return field
    return replace(field, each=Each("", 0, None, 0, parse_expression(each.variable, field.place)))


def _protection(entry: ProtectEntry | None, node: Node | None, author: Author) -> Protection | None:
    if entry is None:
        return None
    within = Author(node if isinstance(node, Mapping) else author.node, author.problems, author.shared_names)
    profile = PROFILES[entry.e2e]
    count = len(entry.data_id)
    if count not in (1, profile.ids):
        expected = "one, or 16 by counter" if profile.ids > 1 else "one"
        within.fault("data_id", f"{count} data ids were found; profile {entry.e2e} takes {expected}")
    if entry.mode is not None and entry.e2e != "P01":
        within.fault("mode", f"`mode` is how profile P01 takes its data id in; this is {entry.e2e}", "take `mode` out")
    return Protection(entry.e2e, entry.data_id * (profile.ids if count == 1 else 1), entry.mode or "both")


def _example(example: Example, entry: ExampleEntry, node: Mapping, names: list[str], buses: list[str], author: Author) -> Example:
    numbers: dict[str, int | str] = {}
    for key in entry.model_extra or {}:
        value = child(node, key)
        place = next((found.place for found in node if found == key), node.place)
        if key not in names:
            known = [*names, *(name for name in type(entry).model_fields if name != "transfer")]
            author.problems.append(Problem(place, unknown(key, known, "key of an example, nor an instance name")))
            continue
        try:
            typed = scalar(value, "a number") if value is not None else ""
            numbers[key] = str(typed) if key in buses else as_integer(typed)
        except ValueError as error:
            author.problems.append(Problem(value.place if value is not None else place, str(error)))
    return replace(example, numbers=numbers)


def compile_frame(parts: MessageParts, name: str, entry: FrameEntry, node: Mapping, place: Place) -> Message | None:
    """Return the frame, None where nothing says how it is known; every fault goes to the compilation's list."""
    fault = name_fault(name, "frame", place)
    if fault:
        parts.problems.append(fault)
    author = parts.author(node, place)
    given = [key for key in IDENTITIES if getattr(entry, key) is not None]
    if not given:
        parts.problems.append(Problem(place, f"frame '{name}' has no id", "write id: 0x123, a pgn, or the carrier that it comes in"))
        return None
    if len(given) > 1:
        author.fault(given[1], f"frame '{name}' has both `{given[0]}` and `{given[1]}`", "keep one")
        return None
    for key in ("source", "destination"):
        if entry.pgn is None and getattr(entry, key) is not None:
            author.fault(key, f"`{key}` belongs to a pgn; '{name}' has an {given[0]}" if given[0] == "id" else f"`{key}` belongs to a pgn")
    if entry.extended is not None and entry.pgn is not None:
        author.fault("extended", "a pgn always has an id of 29 bits", "take `extended` out")
    can = parts.entry.can
    order = entry.order or (can.order if can else None) or Order.LITTLE
    codes = (can.codes if can else None) or ""
    each = _each(entry, author)
    fields = tuple(_numbered(field, each) for field in parts.fields(name, entry.fields, child(node, "fields"), place, order, codes=codes))
    layouts = parts.layouts(name, entry.layouts, child(node, "layouts"), place, order, codes=codes)
    layouts = tuple(_numbered_layout(layout, each) for layout in layouts)
    every = tuple({id(field): field for field in (*fields, *(field for layout in layouts for field in layout.fields))}.values())
    names = [axis.name for axis in parts.axes] + ([each.variable] if each is not None else [])
    buses = [axis.name for axis in parts.axes if axis.buses]
    examples = tuple(
        _example(example, typed, inner, names, buses, author)
        for example, typed, inner in parts.examples(name, entry.examples or (), child(node, "examples"), place, every)
        if not _is_transfer(example, inner, parts)
    )
    answers, carrier = entry.answers, entry.carrier
    return Message(
        name=name,
        place=place,
        kind="frame",
        fields=fields,
        layouts=layouts,
        length=parts.length(entry.length),
        order=order,
        every=entry.every or (),
        bus=entry.bus or "",
        id=entry.id,
        extended=entry.extended,
        pgn=entry.pgn,
        source=entry.source,
        destination=entry.destination,
        each=each,
        fd=entry.fd,
        late_after_ns=entry.late_after,
        not_before_ns=entry.not_before,
        sender=entry.sender or "",
        answers=Answers(answers.to, answers.same or "", answers.within) if answers else None,
        optional=entry.optional,
        carrier=Carrier(carrier.iso_tp, carrier.asked_by, carrier.extended_address) if carrier else None,
        begins=entry.begins or b"",
        after=entry.after or 0,
        protect=_protection(entry.protect, child(node, "protect"), author),
        examples=examples,
        see=entry.see or "",
        note=entry.note or "",
        given_keys=given_places(node),
    )


def _numbered_layout(layout: Layout, each: Each | None) -> Layout:
    return replace(layout, fields=tuple(_numbered(field, each) for field in layout.fields))


def _is_transfer(example: Example, node: Mapping, parts: MessageParts) -> bool:
    if example.is_transfer:
        parts.problems.append(Problem(node.place, "`transfer` is for registers; a frame's bytes are its `data`"))
    return example.is_transfer
