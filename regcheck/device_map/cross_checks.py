"""What lint looks for once a map can be read: bits, limits, names and rules that cannot be, commands and ids twice."""

from __future__ import annotations

from collections.abc import Iterator

from regcheck.device_map.bit_checks import check_bits, check_cover, check_layouts
from regcheck.device_map.circles import check_circles
from regcheck.device_map.frame_checks import check_frames
from regcheck.device_map.limit_checks import check_limit_units, check_limits, check_own_words
from regcheck.device_map.model import Message, RegisterMap, TransferKind
from regcheck.device_map.name_checks import check_field_formulas, check_message_formulas
from regcheck.device_map.rule_checks import check_rules
from regcheck.errors import Problem


def cross_check(register_map: RegisterMap, broken: set[str], *, is_whole: bool) -> list[Problem]:
    """Return every fault and note that takes more than one key to see.

    ``broken`` names what is missing for another fault's sake; ``is_whole`` says that no fault was found before.
    """
    problems: list[Problem] = []
    problems += _commands(register_map)
    for message in register_map.messages:
        for layout in (None, *message.layouts):
            problems += check_bits(message, layout, is_whole=is_whole)
        problems += check_layouts(message)
        problems += check_cover(message)
        for field in message.all_fields():
            problems += check_limits(field)
            problems += check_own_words(message, field)
            problems += check_limit_units(register_map, message, field, broken)
            problems += check_field_formulas(register_map, message, field, broken)
        problems += check_message_formulas(register_map, message, broken)
        if message.holds and register_map.message(message.holds) is None and message.holds not in broken:
            problems.append(
                Problem(message.given_keys.get("holds", message.place), f"`holds` names '{message.holds}', which the map does not have")
            )
    problems += check_frames(register_map, broken)
    problems += check_rules(register_map, broken)
    problems += check_circles(register_map)
    return problems


def _commands(register_map: RegisterMap) -> Iterator[Problem]:
    """Two registers with one command and direction, unless `through` or the address tells them apart."""
    taken: dict[tuple[object, ...], Message] = {}
    for message in register_map.messages:
        if message.kind == "frame":
            continue
        if message.transfer is TransferKind.RECEIVE_BYTE:
            keys: list[tuple[object, ...]] = [(message.address, None, "read", None)]
        else:
            selector = (message.through.write, message.through.word) if message.through else None
            keys = [
                (message.to if message.to is not None else message.address, message.command, way, selector)
                for way in sorted(message.access)
            ]
        for key in keys:
            other = taken.setdefault(key, message)
            if other is not message:
                command = "receive byte" if message.command is None else f"command 0x{message.command:02X}"
                at = f"line {other.place.line}" if other.place.file == message.place.file else str(other.place)
                yield Problem(
                    next((message.given_keys[key] for key in ("command", "through") if key in message.given_keys), message.place),
                    f"{command} is '{other.name}' already ({at}), for the same direction",
                    "`through` tells indirect registers apart",
                )
                break
