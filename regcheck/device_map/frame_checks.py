"""What lint says of frames: ids that cannot be or that two frames share, lengths that CAN does not have, instances unknown or unused."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, product
from math import prod

from regcheck.device_map.bit_checks import LARGEST_CLASSIC, LARGEST_FD, LARGEST_GROUP
from regcheck.device_map.expression_tree import Expression
from regcheck.device_map.frames import (
    EXTENDED_LAST,
    IDENTITIES,
    PDU2_FIRST,
    STANDARD_LAST,
    FrameId,
    GroupId,
    each_numbers,
    id_formulas,
    message_ids,
    names_in,
    number_at,
)
from regcheck.device_map.model import Length, Message, RegisterMap
from regcheck.device_map.places import BitsPlace
from regcheck.device_map.protection import PROFILES
from regcheck.device_map.scope import instance_names
from regcheck.device_map.words import nearest
from regcheck.errors import Place, Problem, Severity

FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)
"""Data bytes that a CAN FD frame can have: ISO 11898-1, the coding of its data length code."""

MOST_IDS = 1 << 16
"""Ids that one frame may have over all of its instances."""

_DATA_ID_LAST = {"P01": 0xFFFF, "P02": 0xFF, "P05": 0xFFFF}


def check_frames(register_map: RegisterMap, broken: set[str]) -> Iterator[Problem]:
    """Give every fault and note of a map's frames and instances."""
    frames = [message for message in register_map.messages if message.kind == "frame"]
    yield from _instances(register_map, frames, broken)
    known: list[tuple[Message, list[FrameId | GroupId]]] = []
    for message in frames:
        faults = [*_formulas(register_map, message, broken)]
        yield from faults
        yield from _lengths(message)
        yield from _partners(register_map, message, broken)
        yield from _times(message)
        yield from _elements(register_map, message)
        yield from _examples(register_map, message)
        if not faults:
            yield from _protected(register_map, message)
            ids = message_ids(register_map, message)
            wrong = [*_ids(message, ids)]
            yield from wrong
            if not wrong:
                known.append((message, ids))
    yield from _shared(known)


def _at(message: Message, *keys: str) -> Place:
    return next((message.given_keys[key] for key in keys if key in message.given_keys), message.place)


def _instances(register_map: RegisterMap, frames: list[Message], broken: set[str]) -> Iterator[Problem]:
    """Names that something else has, two axes of buses, a name that no id uses."""
    taken = {message.name for message in register_map.messages}
    taken |= {field.name for message in register_map.messages for field in message.all_fields()} | set(register_map.values)
    for axis in register_map.instances:
        if axis.name in taken:
            yield Problem(axis.place, f"'{axis.name}' names instances, and a message or field too", "choose another name for one of them")
        used = any(axis.name in names_in(id_formulas(message).values()) for message in frames)
        if axis.numbers and not used and not broken:
            text = f"no id uses the instance name '{axis.name}', so nothing tells these devices apart"
            yield Problem(axis.place, text, f"write it into the ids, such as 0x200 + {axis.name} * 16", Severity.NOTE)
    buses = [axis for axis in register_map.instances if axis.buses]
    if len(buses) > 1:
        yield Problem(buses[1].place, f"both '{buses[0].name}' and '{buses[1].name}' are buses", "keep one")
    for message in frames:
        names = [name for axis in buses for name in (axis.name, *axis.buses)]
        near = nearest(message.bus, names)
        if message.bus and message.bus not in names and near:
            yield Problem(_at(message, "bus"), f"'{message.bus}' is no bus of the map's instances", f"did you mean '{near}'?")


def _formulas(register_map: RegisterMap, message: Message, broken: set[str]) -> Iterator[Problem]:
    """An id is made of numbers and instance names alone, and of all that tell the frame's elements and secrets apart."""
    names = instance_names(register_map, message)
    formulas = id_formulas(message)
    for key, formula in formulas.items():
        place = formula.place
        unknown = sorted(names_in([formula]) - set(names)) + [".".join(name.parts) for name in formula.names() if len(name.parts) > 1]
        if unknown:
            if not broken & set(unknown):
                near = nearest(unknown[0], names)
                hint = (
                    f"did you mean '{near}'?" if near else f"instance names: {', '.join(names)}" if names else "write it under `instances`"
                )
                yield Problem(place, f"`{key}` of '{message.name}' names '{unknown[0]}', which is no instance name", hint)
        elif not any(number_at(formula, dict.fromkeys(names, number)) is not None for number in (1, 2)):
            yield Problem(place, f"`{key}: {formula.text}` of '{message.name}' gives no whole number")
    told = names_in(formulas.values())
    count = prod([len(axis.numbers) for axis in register_map.instances if axis.name in told] + [max(len(each_numbers(message)), 1)])
    if count > MOST_IDS:
        yield Problem(_at(message, *IDENTITIES), f"'{message.name}' has {count} ids; expected at most {MOST_IDS}", "fewer instances")
    if message.each is not None and message.each.variable not in told:
        text = f"the id of '{message.name}' does not use '{message.each.variable}', so all its frames would have one id"
        yield Problem(_at(message, "each"), text, f"such as id: 0x400 + {message.each.variable}")
    others = [field.each.number for field in message.all_fields() if field.each is not None and field.each.number is not None]
    others += message.protect.data_ids if message.protect is not None else ()
    for formula in others:
        axes = sorted(names_in([formula]) & {axis.name for axis in register_map.instances if axis.numbers} - told)
        if axes:
            yield Problem(formula.place, f"'{axes[0]}' cannot be known from the id of '{message.name}', which does not use it")


def _ids(message: Message, ids: list[FrameId | GroupId]) -> Iterator[Problem]:
    """Give the first id that cannot be, and ids of both sizes under one formula."""
    places = {key: formula.place for key, formula in id_formulas(message).items()}
    sizes = set()
    for one in ids:
        if isinstance(one, GroupId):
            fault = _group_fault(one)
            if fault:
                key, text, hint = fault
                yield Problem(places[key], text.format(f"of '{message.name}'{_for(one)}"), hint)
                return
            continue
        for key, id in (("id" if message.carrier is None else "iso_tp", one.id), ("asked_by", one.asked_by)):
            fault = _id_fault(id, message.extended) if id is not None else None
            if fault:
                _, text, hint = fault
                yield Problem(places[key], text.format(f"of '{message.name}'{_for(one)}"), hint)
                return
        sizes.add(one.id > STANDARD_LAST)
    if len(sizes) > 1 and message.extended is None:
        text = f"some ids of '{message.name}' fit into 11 bits and some do not"
        yield Problem(places["id" if message.carrier is None else "iso_tp"], text, "write extended: true if all of them have 29 bits")


def _id_fault(id: int, extended: bool | None) -> tuple[str, str, str] | None:
    """Return key, text (with a gap for the frame) and hint of what is wrong with an id."""
    if id < 0:
        return "id", f"the id -0x{-id:X} {{}} is below 0", "an id has 11 or 29 bits"
    if id >> 31 == 1:
        hint = f"write 0x{id & EXTENDED_LAST:X}; 29 bits go by its size, or by extended: true"
        return "id", f"the id 0x{id:X} {{}} has bit 31, which is no part of an id", hint
    if id > EXTENDED_LAST:
        return "id", f"the id 0x{id:X} {{}} does not fit into 29 bits", f"the largest is 0x{EXTENDED_LAST:X}"
    if id > STANDARD_LAST and extended is False:
        return "id", f"the id 0x{id:X} {{}} does not fit into 11 bits", "`extended: false` says 11 bits; take it out for 29"
    return None


def _group_fault(one: GroupId) -> tuple[str, str, str] | None:
    """Return key, text (with a gap for the frame) and hint of what is wrong with a parameter group or its addresses."""
    if not 0 <= one.pgn <= 0x3FFFF:
        return "pgn", f"the parameter group {one.pgn} {{}} does not fit into 18 bits", "the largest is 0x3FFFF"
    is_direct = one.pgn >> 8 & 0xFF < PDU2_FIRST
    if is_direct and one.pgn & 0xFF:
        hint = f"below 0xF000 the low byte is the destination: pgn: 0x{one.pgn & 0x3FF00:X}, destination: 0x{one.pgn & 0xFF:02X}"
        return "pgn", f"the parameter group 0x{one.pgn:X} {{}} has a low byte", hint
    for key, address in (("source", one.source), ("destination", one.destination)):
        if address is not None and not 0 <= address <= 0xFF:
            return key, f"the {key} {address} {{}} does not fit into 8 bits", "an address is 0 .. 0xFF"
    if one.destination is not None and not is_direct:
        return "destination", f"the parameter group 0x{one.pgn:X} {{}} goes to all, so it has no destination", "take `destination` out"
    return None


def _for(one: FrameId | GroupId) -> str:
    """Return what stands behind an id for the numbers that it was made of."""
    return f" (for {', '.join(f'{name} {number}' for name, number in one.numbers.items())})" if one.numbers else ""


def _shared(known: list[tuple[Message, list[FrameId | GroupId]]]) -> Iterator[Problem]:
    """Give every pair of frames that one frame on the bus could be: one id, or one group, on one bus."""
    by_id: dict[tuple[int, bool] | int, list[tuple[Message, FrameId | GroupId]]] = {}
    for message, ids in known:
        for one in ids:
            key = one.pgn if isinstance(one, GroupId) else (one.id, one.extended)
            by_id.setdefault(key, []).append((message, one))
    told: set[tuple[str, str]] = set()
    for key, users in by_id.items():
        for (first, one), (second, other) in combinations(users, 2):
            names = (first.name, second.name)
            if (
                names in told
                or (first is second and one.numbers == other.numbers)
                or not _same_bus(one, other)
                or _begin_apart(first, second)
                or not _same_addresses(one, other)
            ):
                continue
            told.add(names)
            what = f"the id 0x{key[0]:X}" if isinstance(key, tuple) else f"the parameter group 0x{key:X}"
            if first is second:
                text = f"{what} is that of '{first.name}' twice, {_for(one).strip(' ()')} and {_for(other).strip(' ()')}"
                yield Problem(_at(first, *IDENTITIES), text, "the ids of like devices must differ")
            else:
                at = f"line {first.place.line}" if first.place.file == second.place.file else str(first.place)
                text = f"{what} of '{second.name}'{_for(other)} is '{first.name}'{_for(one)} already ({at})"
                hint = "`begins` tells frames of one id apart" if isinstance(key, tuple) else "the `source` of both would tell them apart"
                yield Problem(_at(second, *IDENTITIES), text, hint)
    groups = [(message, one) for message, ids in known for one in ids if isinstance(one, GroupId)]
    frames = [(message, one) for message, ids in known for one in ids if isinstance(one, FrameId) and one.extended]
    for (message, one), (group, other) in product(frames, groups):
        if other.matches(one.id) and _same_bus(one, other) and (message.name, group.name) not in told:
            told.add((message.name, group.name))
            text = f"the id 0x{one.id:X} of '{message.name}'{_for(one)} carries the group of '{group.name}', too"
            yield Problem(_at(message, "id", "carrier"), text, "an id goes before a pgn", Severity.NOTE)


def _same_bus(one: FrameId | GroupId, other: FrameId | GroupId) -> bool:
    return one.bus == other.bus or not one.bus or not other.bus


def _same_addresses(one: FrameId | GroupId, other: FrameId | GroupId) -> bool:
    if not isinstance(one, GroupId) or not isinstance(other, GroupId):
        return True
    pairs = ((one.source, other.source), (one.destination, other.destination))
    return all(first is None or second is None or first == second for first, second in pairs)


def _begin_apart(one: Message, other: Message) -> bool:
    """Return whether the first bytes tell two messages of one id apart, or the address byte of their segments."""
    if one.carrier is not None and other.carrier is not None and one.carrier.extended_address != other.carrier.extended_address:
        return None not in (one.carrier.extended_address, other.carrier.extended_address)
    if one is other or (one.carrier is None) != (other.carrier is None):
        return False
    count = min(len(one.begins), len(other.begins))
    return count > 0 and one.begins[:count] != other.begins[:count]


def _lengths(message: Message) -> Iterator[Problem]:
    """Give lengths that no frame of the message's kind has."""
    lengths: list[tuple[Length | None, Place]] = [(message.length, _at(message, "length"))]
    lengths += [(layout.length, layout.place) for layout in message.layouts]
    most = LARGEST_GROUP if message.pgn is not None else LARGEST_FD if message.fd else LARGEST_CLASSIC
    for length, place in lengths:
        if length is None or length.high is None or message.carrier is not None:
            continue
        low, high = length.low + message.after, length.high + message.after
        behind = f" behind the {message.after} that `after` skips" if message.after else ""
        if high > most:
            what = "a J1939 message" if message.pgn is not None else "an FD frame" if message.fd else "a classic frame"
            more = "" if message.fd or message.pgn is not None or high > LARGEST_FD else "write fd: true if it is an FD frame"
            yield Problem(place, f"'{message.name}' has {length.high} bytes{behind}; {what} has at most {most}", more)
        elif message.fd and message.pgn is None:
            for count in dict.fromkeys((low, high)):
                if count not in FD_LENGTHS:
                    near = [next(one for one in reversed(FD_LENGTHS) if one < count), next(one for one in FD_LENGTHS if one > count)]
                    hint = f"the nearest are {near[0]} and {near[1]}" + (f", {message.after} of them skipped" if message.after else "")
                    yield Problem(place, f"no FD frame has {count} bytes", hint)
                    break
        if len(message.begins) > high:
            yield Problem(_at(message, "begins"), f"'{message.name}' begins with {len(message.begins)} bytes, but has only {high}")
    if message.carrier is None and message.length is None and max(message.after, len(message.begins)) > most:
        yield Problem(_at(message, "after", "begins"), f"'{message.name}' has at most {most} bytes")
    if message.protect is not None:
        profile = PROFILES[message.protect.profile]
        shortest = min(
            (length.low for length, _ in lengths if length is not None and length.high is not None), default=profile.header_bytes
        )
        if shortest < profile.header_bytes:
            text = f"the protection of '{message.name}' takes {profile.header_bytes} bytes, but it may have {shortest}"
            yield Problem(_at(message, "protect"), text)


def _partners(register_map: RegisterMap, message: Message, broken: set[str]) -> Iterator[Problem]:
    """Give what `answers` names that is not there."""
    answers = message.answers
    if answers is None or answers.to in broken:
        return
    asking = register_map.message(answers.to)
    if asking is None or asking.kind != "frame":
        near = nearest(answers.to, [one.name for one in register_map.messages if one.kind == "frame"])
        text = f"'{message.name}' answers '{answers.to}', which the map does not have"
        yield Problem(_at(message, "answers"), text, f"did you mean '{near}'?" if near else "")
        return
    if asking is message:
        yield Problem(_at(message, "answers"), f"'{message.name}' answers itself")
    for one in (message, asking):
        names = [field.name for field in one.all_fields()]
        if answers.same and answers.same not in names and answers.same not in broken:
            near = nearest(answers.same, names)
            text = f"`same: {answers.same}` is no field of '{one.name}'"
            yield Problem(_at(message, "answers"), text, f"did you mean '{near}'?" if near else "both frames carry it")


def _times(message: Message) -> Iterator[Problem]:
    """Give times that contradict each other."""
    cadences = [case.item for case in message.every if case.item is not None and case.item.high_ns]
    if message.late_after_ns is not None and cadences and message.late_after_ns <= min(one.high_ns for one in cadences):
        yield Problem(_at(message, "late_after"), f"'{message.name}' would be late before it is due", "`late_after` is longer than `every`")
    if message.not_before_ns is not None and cadences and message.not_before_ns > max(one.high_ns for one in cadences):
        yield Problem(_at(message, "not_before"), f"'{message.name}' may not come before it is due", "`not_before` is shorter than `every`")
    if message.not_before_ns is not None and message.late_after_ns is not None and message.not_before_ns >= message.late_after_ns:
        yield Problem(
            _at(message, "not_before"), f"'{message.name}' would be late before it may come", "`not_before` is shorter than `late_after`"
        )


def _elements(register_map: RegisterMap, message: Message) -> Iterator[Problem]:
    """An array in a frame that is repeated is numbered over all of its frames; a running variable has a name of its own."""
    axes = {axis.name for axis in register_map.instances}
    if message.each is not None and message.each.variable in axes:
        yield Problem(_at(message, "each"), f"'{message.each.variable}' names instances already", "choose another variable")
    outer = axes | ({message.each.variable} if message.each is not None else set())
    for field in message.all_fields():
        if field.each is not None and field.each.variable in outer:
            text = f"'{field.each.variable}' is an instance name, or the variable of the frame's own `each`"
            yield Problem(field.given_keys.get("each", field.place), text, f"choose another variable for '{field.name}'")
    if message.each is None:
        return
    for field in message.all_fields():
        each = field.each
        if each is not None and each.variable and (each.number is None or message.each.variable not in names_in([each.number])):
            text = f"each frame of '{message.name}' would have the same elements of '{field.name}'"
            yield Problem(
                field.given_keys.get("number", field.given_keys.get("each", field.place)),
                text,
                f"number them by both, such as number: {message.each.variable} * 4 + {each.variable} + 1",
            )


def _protected(register_map: RegisterMap, message: Message) -> Iterator[Problem]:
    """Give data ids that are no instance's number or do not fit their profile, and counters that count otherwise than it."""
    if message.protect is None:
        return
    profile = PROFILES[message.protect.profile]
    for field in message.all_fields():
        if field.counter not in (None, (0, profile.last_count)) and field.where == BitsPlace(profile.counter_bits):
            text = f"'{field.name}' is the counter of profile {message.protect.profile}, which counts 0..{profile.last_count}"
            yield Problem(field.given_keys.get("counter", field.place), text)
    last = _DATA_ID_LAST[message.protect.profile]
    names = instance_names(register_map, message)
    told = names_in(id_formulas(message).values())
    for formula in dict.fromkeys(message.protect.data_ids):
        unknown = sorted(names_in([formula]) - set(names))
        if unknown:
            yield Problem(formula.place, f"`data_id` of '{message.name}' names '{unknown[0]}', which is no instance name")
            continue
        for one in message_ids(register_map, message) if names_in([formula]) <= told else ():
            number = number_at(formula, one.numbers)
            if number is None or not 0 <= number <= last:
                shown = f"the data id {formula.text} of '{message.name}'"
                text = f"{shown} gives no whole number" if number is None else f"{shown} does not fit{_for(one)}"
                yield Problem(formula.place, text, f"profile {message.protect.profile} takes 0 .. 0x{last:X}")
                break


def _examples(register_map: RegisterMap, message: Message) -> Iterator[Problem]:
    """An example fills every instance name that its bytes hang on, with a number of the map's."""
    hangs: list[Expression] = [
        field.each.number for field in message.all_fields() if field.each is not None and field.each.number is not None
    ]
    hangs += message.protect.data_ids if message.protect is not None else ()
    needed = sorted(names_in(hangs) & set(instance_names(register_map, message)))
    choices: dict[str, tuple[int | str, ...]] = {axis.name: axis.numbers or axis.buses for axis in register_map.instances}
    if message.each is not None and message.each.last is not None:
        choices[message.each.variable] = tuple(range(message.each.first, int(message.each.last.constant() or 0) + 1))
    for example in message.examples:
        missing = [name for name in needed if name not in example.numbers]
        if missing:
            yield Problem(example.place, f"this example does not say '{missing[0]}'", f"such as {missing[0]}: {choices[missing[0]][0]}")
        for name, number in example.numbers.items():
            if number not in choices[name]:
                yield Problem(example.place, f"{name} {number} is no instance of the map", f"it has {_listed(choices[name])}")


def _listed(values: tuple[int | str, ...]) -> str:
    first, last = values[0], values[-1]
    is_run = isinstance(first, int) and isinstance(last, int) and list(values) == list(range(first, last + 1))
    return f"{first}..{last}" if is_run and len(values) > 1 else ", ".join(map(str, values))
