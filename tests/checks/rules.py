"""Maps with rules in a few lines."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from textwrap import dedent, indent

from regcheck.device_map.compile import load_map
from regcheck.device_map.model import RegisterMap

FOLDER = TemporaryDirectory(prefix="rules-")


def ruled(registers: str, rules: str, *, more: str = "") -> RegisterMap:
    """Return a map of registers and rules; ``more`` stands before them, such as `values:`."""
    text = (
        "regcheck: 1\n"
        'device: {name: probe-1, title: "Probe 1 (invented)"}\n'
        "smbus: {address: 0x0B, pec: optional}\n"
        "names: {severity: {0: ok, 1: warning, 2: limit, 3: fault}}\n"
        "registers:\n" + indent(dedent(registers).strip("\n"), "  ") + "\n" + dedent(more) + "\n"
        "rules:\n" + indent(dedent(rules).strip("\n"), "  ") + "\n"
    )
    path = Path(FOLDER.name) / "map.yaml"
    path.write_text(text, encoding="utf-8")
    return load_map(path)
