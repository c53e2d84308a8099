"""A CRC as a map writes it: by its catalogue name, or by its parameters."""

from __future__ import annotations

from regcheck.device_map import leaves
from regcheck.device_map.crc_catalogue import CRC_CATALOGUE, CrcAlgorithm
from regcheck.device_map.numbers import as_integer
from regcheck.device_map.words import known_list, nearest
from regcheck.device_map.yaml_source import Mapping, Node, Scalar

CRC_KEYS = ("width", "poly", "init", "refin", "refout", "xorout")
"""Keys of a CRC that a map gives by its parameters; those after ``poly`` are 0 or false unless said."""


def crc_by_name(name: str) -> CrcAlgorithm:
    """Return a catalogue entry; raises ValueError with the nearest name."""
    if name in CRC_CATALOGUE:
        return CRC_CATALOGUE[name]
    near = nearest(name, CRC_CATALOGUE) or next((known for known in CRC_CATALOGUE if known.partition("/")[2] == name.upper()), None)
    family = name.upper().partition("/")[0]
    alike = [known for known in CRC_CATALOGUE if known.startswith(f"{family}/")]
    hint = (
        f"did you mean '{near}'?"
        if near
        else f"expected {known_list(alike)}"
        if alike
        else "expected such as CRC-8/SAE-J1850, or its parameters"
    )
    raise ValueError(f"'{name}' is no CRC of the catalogue; {hint}")


def crc_leaf(node: Node) -> CrcAlgorithm:
    """Return the CRC of a catalogue name, or of ``{width: 8, poly: 0x2F, init: 0xFF, refin: false, refout: false, xorout: 0xFF}``."""
    if isinstance(node, Scalar):
        return crc_by_name(str(node))
    if not isinstance(node, Mapping):
        raise ValueError("a CRC is given by its catalogue name, or by {width: 8, poly: 0x2F, ...}")
    for typed in node:
        if typed not in CRC_KEYS:
            raise ValueError(leaves.unknown(str(typed), list(CRC_KEYS), "parameter of a CRC"))
    for key in ("width", "poly"):
        if key not in node:
            raise ValueError(f"a CRC needs its {key}, such as {{width: 8, poly: 0x2F}}")
    numbers = {key: as_integer(leaves.scalar(node[Scalar(key)], key)) for key in ("width", "poly", "init", "xorout") if key in node}
    width = numbers["width"]
    if not 1 <= width <= 64:
        raise ValueError(f"a CRC of {width} bits was found; expected 1 .. 64")
    for name, number in numbers.items():
        if name != "width" and not 0 <= number < 1 << width:
            raise ValueError(f"{name} {number:#x} does not fit into the {width} bits of the CRC (poly goes without its top bit)")
    refin, refout = (leaves.truth(node[Scalar(key)]) if key in node else False for key in ("refin", "refout"))
    text = f"CRC-{width} of poly {numbers['poly']:#x}"
    return CrcAlgorithm(text, width, numbers["poly"], numbers.get("init", 0), refin, refout, numbers.get("xorout", 0))
