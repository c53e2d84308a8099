"""regcheck: prove what a battery-management board reports on SMBus or CAN.

The few names that a script needs:

>>> import regcheck
>>> register_map = regcheck.load_map("maps/ridge_4s.yaml")
>>> register_map.name
'ridge-4s'
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from regcheck.api import check, check_and_plot, decode, findings, readings
    from regcheck.device_map.compile import load_map
    from regcheck.report.figures import figure
    from regcheck.traffic.open import open_capture

_HOMES = {
    "check": "regcheck.api",
    "check_and_plot": "regcheck.api",
    "decode": "regcheck.api",
    "figure": "regcheck.report.figures",
    "findings": "regcheck.api",
    "load_map": "regcheck.device_map.compile",
    "open_capture": "regcheck.traffic.open",
    "readings": "regcheck.api",
}

__all__ = ["check", "check_and_plot", "decode", "figure", "findings", "load_map", "open_capture", "readings"]


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for: the command line starts without the heavy libraries."""
    if name not in _HOMES:
        raise AttributeError(f"module 'regcheck' has no attribute '{name}'")
    return getattr(importlib.import_module(_HOMES[name]), name)
