"""The tables of keys in maps/README.md, made from the models that read a map, so that the two cannot part."""

from __future__ import annotations

import re

from pydantic import BaseModel

from regcheck.device_map.syntax import (
    AnswersEntry,
    CanEntry,
    CarrierEntry,
    DeviceEntry,
    Example,
    FieldKeys,
    FrameEntry,
    JoinedEntry,
    LayoutEntry,
    LevelEntry,
    MapEntry,
    MeaningEntry,
    ProtectEntry,
    RegisterEntry,
    RuleEntry,
    SmbusEntry,
    ThroughEntry,
    ValueKeys,
)

_BLOCK = re.compile(r"(<!-- keys: (?P<name>[a-z ]+) -->\n).*?(<!-- end of keys -->)", re.DOTALL)


def key_table(model: type[BaseModel], without: type[BaseModel] | None = None) -> str:
    """Return a Markdown table of a model's keys, those that must be there marked, leaving out what ``without`` has already."""
    known = without.model_fields if without is not None else {}
    rows = []
    for name, key in model.model_fields.items():
        if name not in known:
            says = (key.description or "").replace("|", "\\|")
            rows.append(f"| `{key.alias or name}`{' (needed)' if key.is_required() else ''} | {says} |")
    return "\n".join(["| key | what it says |", "|--|--|", *rows]) + "\n"


def language_tables() -> dict[str, str]:
    """Return every table of the map language by name."""
    return {
        "map": key_table(MapEntry),
        "device": key_table(DeviceEntry),
        "smbus": key_table(SmbusEntry),
        "register": key_table(RegisterEntry, without=FieldKeys),
        "through": key_table(ThroughEntry),
        "can": key_table(CanEntry),
        "frame": key_table(FrameEntry),
        "answers": key_table(AnswersEntry),
        "carrier": key_table(CarrierEntry),
        "protect": key_table(ProtectEntry),
        "layout": key_table(LayoutEntry),
        "place": key_table(FieldKeys, without=ValueKeys),
        "value": key_table(ValueKeys),
        "meaning": key_table(MeaningEntry),
        "example": key_table(Example),
        "joined value": key_table(JoinedEntry, without=ValueKeys),
        "rule": key_table(RuleEntry),
        "level": key_table(LevelEntry),
    }


def fill_tables(text: str, tables: dict[str, str]) -> str:
    """Return a Markdown text with every table between ``<!-- keys: NAME -->`` and ``<!-- end of keys -->`` as it is now.

    Raises KeyError for a NAME that ``tables`` lacks.
    """
    return _BLOCK.sub(lambda match: match[1] + tables[match["name"]] + match[3], text)
