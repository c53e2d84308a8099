"""What the guest's tests share: the drivers, the emulated adapter, and a CAN interface."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.kernel.bench import Bench, emulated_adapter
from tests.kernel.guest.scene import ridge

sys.modules["asammdf"] = None  # type: ignore[assignment]  # python-can would import it, which takes ten seconds here

BUSYBOX = "/run/busybox"


def load(module: str, *parameters: str) -> None:
    """Load a module of the rig."""
    subprocess.run([BUSYBOX, "insmod", f"/run/modules/{module}.ko", *parameters], check=True)


@pytest.fixture(scope="session", autouse=True)
def drivers() -> None:
    """Load the rest of the rig's modules, in order."""
    loaded = {line.split()[0] for line in Path("/proc/modules").read_text().splitlines()}
    parameters = {"i2c_stub": ("chip_addr=0x0b", "functionality=0xffffffff")}
    for name in Path("/run/modules/order").read_text().split():
        if name not in loaded:
            load(name, *parameters.get(name, ()))


@pytest.fixture(scope="session")
def adapter(drivers: None) -> Iterator[Bench]:
    """The emulated adapter, in its own process."""
    with emulated_adapter(ridge()) as bench:
        yield bench


@pytest.fixture
def bench(adapter: Bench) -> Iterator[Bench]:
    """The emulated adapter, unplugged, with a fresh target."""
    adapter.put(ridge())
    yield adapter
    adapter.unplug()


@pytest.fixture
def vcan(drivers: None) -> Iterator[str]:
    """A CAN interface that takes FD frames, up."""
    interface("add", "vcan0", "type", "vcan")
    interface("set", "vcan0", "mtu", "72")
    interface("set", "vcan0", "up")
    yield "vcan0"
    interface("del", "vcan0")


def interface(*arguments: str) -> None:
    """Change a network interface."""
    subprocess.run([BUSYBOX, "ip", "link", *arguments], check=True)
