"""Get a Linux kernel with I2C and CAN drivers, and QEMU to boot it: Debian's packages, unpacked and never installed.

`python -m tests.kernel.fetch` leaves the rig in `.cache/kernel-rig/MACHINE` of the checkout, about 100 MB, and does nothing where a
sound one stands already. No root is needed.
The rig's folder appears whole or not at all, and `rig.json` holds the SHA-256 of what is booted from.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[2]
CACHE = CHECKOUT / ".cache"
FORM = 1
"""Raised when what a rig holds changes: an older one is fetched anew."""

BOOT_MODULES = ("virtio_pci", "9pnet_virtio", "9p", "overlay")
"""What the guest needs before it sees this machine's files."""
BUS_MODULES = ("i2c-dev", "i2c-stub", "vhci-hcd", "i2c-diolan-u2c", "vcan", "can-raw")


class CannotRunError(Exception):
    """The kernel suite cannot run here; the text is one line that says why."""


@dataclass(frozen=True, slots=True)
class Machine:
    """One kind of computer: what Debian calls it and its QEMU. The guest runs this machine's own Python, so both are of one kind."""

    name: str
    package: str
    emulator: str
    options: tuple[str, ...]
    console: str


MACHINES = {
    "x86_64": Machine("amd64", "qemu-system-x86", "qemu-system-x86_64", ("-machine", "q35", "-cpu", "max"), "ttyS0"),
    "aarch64": Machine("arm64", "qemu-system-arm", "qemu-system-aarch64", ("-machine", "virt", "-cpu", "cortex-a72"), "ttyAMA0"),
}


@dataclass(frozen=True, slots=True)
class Rig:
    """An unpacked rig: all that a boot needs."""

    folder: Path
    machine: Machine
    kernel: str

    @property
    def vmlinuz(self) -> Path:
        """The kernel."""
        return self.folder / "vmlinuz"

    @property
    def busybox(self) -> Path:
        """The guest's first program, statically linked."""
        return self.folder / "busybox"

    @property
    def modules(self) -> list[Path]:
        """The kernel's modules in an order in which they load."""
        return sorted((self.folder / "modules").iterdir())

    def emulator(self) -> tuple[list[str], dict[str, str]]:
        """Return the start of QEMU's command line, and its environment: the unpacked one, or this machine's own where that is installed."""
        unpacked = self.folder / "qemu"
        program = unpacked / "usr/bin" / self.machine.emulator
        if not program.exists():
            return [self.machine.emulator], dict(os.environ)
        libraries = {str(path.parent) for path in unpacked.rglob("lib*.so*") if "qemu" not in path.parent.name}
        shares = [part for name in ("qemu", "seabios") for part in ("-L", str(unpacked / "usr/share" / name))]
        return [str(program), *shares], os.environ | {"LD_LIBRARY_PATH": ":".join(sorted(libraries))}


def this_machine() -> Machine:
    """Return the kind of this computer; CannotRunError: it is none that the rig knows."""
    if sys.platform != "linux" or platform.machine() not in MACHINES:
        raise CannotRunError(
            f"not on this machine: the rig is for Linux on {' or '.join(MACHINES)}, not {sys.platform} on {platform.machine()}"
        )
    return MACHINES[platform.machine()]


def stored_rig(*, whole: bool = True) -> Rig:
    """Return the rig that was fetched before; CannotRunError: there is none, or (looked at when ``whole``) a file has changed since."""
    machine = this_machine()
    folder = CACHE / "kernel-rig" / machine.name
    try:
        marker = json.loads((folder / "rig.json").read_bytes())
    except FileNotFoundError:
        raise CannotRunError("no rig: fetch it with `python -m tests.kernel.fetch`") from None
    if marker["form"] != FORM:
        raise CannotRunError(f"the rig is of form {marker['form']}, not {FORM}: fetch it with `python -m tests.kernel.fetch`")
    if whole and (changed := [name for name, digest in marker["sha256"].items() if _digest(folder / name) != digest]):
        raise CannotRunError(f"the rig's {changed[0]} is not what was fetched: remove {folder} and fetch it again")
    return Rig(folder, machine, marker["kernel"])


def fetch() -> Rig:
    """Return the rig, fetched first where no sound one stands; CannotRunError: it cannot be had, and why."""
    machine = this_machine()
    try:
        return stored_rig()
    except CannotRunError:
        pass
    for program in ("apt-get", "apt-cache", "dpkg-deb"):
        if not shutil.which(program):
            raise CannotRunError(f"no {program}: the rig is made of Debian's packages")
    place = CACHE / "kernel-rig" / machine.name
    place.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="partial-", dir=place.parent) as work:
        made = Path(work) / "rig"
        _make(machine, Path(work), made)
        if place.exists():
            place.rename(Path(work) / "old")
        made.rename(place)
    return stored_rig()


def _make(machine: Machine, work: Path, rig: Path) -> None:
    apt = _Apt(work / "apt")
    image = apt.dependency(f"linux-image-{machine.name}", r"linux-image-[0-9][^ ]*")
    rig.mkdir()
    kernel = image.removeprefix("linux-image-")
    unpacked = _unpack(apt.download(image), work / "image")
    shutil.copy(unpacked / "boot" / f"vmlinuz-{kernel}", rig / "vmlinuz")
    (rig / "modules").mkdir()
    tree = next(path for path in (unpacked / "lib/modules", unpacked / "usr/lib/modules") if path.exists())
    for number, path in enumerate(_in_loading_order(tree / kernel, (*BOOT_MODULES, *BUS_MODULES))):
        (rig / "modules" / f"{number:02}-{_module_name(path)}.ko").write_bytes(_module_bytes(path))
    busybox = _unpack(apt.download("busybox-static"), work / "busybox")
    shutil.copy(next(path for path in (busybox / "bin/busybox", busybox / "usr/bin/busybox") if path.exists()), rig / "busybox")
    if not shutil.which(machine.emulator):
        _unpack(apt.download_missing(machine.package), rig / "qemu")
    files = [path.relative_to(rig) for path in sorted(rig.rglob("*")) if path.is_file() and not path.is_symlink()]
    held = {str(path): _digest(rig / path) for path in files if path.parts[0] != "qemu" or path.name == machine.emulator}
    (rig / "rig.json").write_text(json.dumps({"form": FORM, "kernel": kernel, "sha256": held}, indent=1), encoding="utf-8")


class _Apt:
    """apt with lists and archives of its own, so that nothing of this machine is changed and no root is needed."""

    def __init__(self, state: Path) -> None:
        self.state = state
        self.archives = 0
        for name in ("lists/partial", "cache/archives/partial"):
            (state / name).mkdir(parents=True)
        options = {
            "APT::Sandbox::User": "root",
            "Debug::NoLocking": "true",
            "Dir::State::lists": f"{state}/lists",
            "Dir::Cache": f"{state}/cache",
            "Acquire::Retries": "1",
            "Acquire::http::Timeout": "20",
            "Acquire::Languages": "none",
        }
        (state / "conf").write_text("".join(f'{key} "{value}";\n' for key, value in options.items()), encoding="utf-8")
        # one list that cannot be had still leaves the others, so the next step says what is missing
        self.run("apt-get", "update", "-qq", check=False)

    def run(self, *command: str, cwd: Path | None = None, check: bool = True) -> str:
        """Return what an apt command prints; CannotRunError: it failed."""
        environment = os.environ | {"APT_CONFIG": str(self.state / "conf"), "LC_ALL": "C"}
        done = subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, check=False)
        if check and done.returncode:
            said = (done.stderr.strip() or "no word").splitlines()
            raise CannotRunError(f"no network, or no such package: {' '.join(command[:2])} {command[-1]}: {said[0]}")
        return done.stdout

    def dependency(self, package: str, pattern: str) -> str:
        """Return the package that a metapackage stands for."""
        shown = self.run("apt-cache", "show", "--no-all-versions", package)
        found = re.search(rf"^Depends:.*?({pattern})", shown, re.MULTILINE)
        if not found:
            raise CannotRunError(f"no network, or not Debian: no package list holds {package}")
        return found[1]

    def _folder(self) -> Path:
        self.archives += 1
        folder = self.state / f"archives-{self.archives}"
        (folder / "partial").mkdir(parents=True)
        return folder

    def download(self, package: str) -> Iterable[Path]:
        """Return the package's own archive."""
        folder = self._folder()
        self.run("apt-get", "download", "-qq", package, cwd=folder)
        return sorted(folder.glob("*.deb"))

    def download_missing(self, package: str) -> Iterable[Path]:
        """Return the package's archive and that of everything that it needs and this machine lacks."""
        folder = self._folder()
        options = ("-qq", "-y", "--download-only", "--no-install-recommends", "-o", f"Dir::Cache::archives={folder}")
        self.run("apt-get", "install", *options, package)
        return sorted(folder.glob("*.deb"))


def _unpack(archives: Iterable[Path], into: Path) -> Path:
    for archive in archives:
        subprocess.run(["dpkg-deb", "-x", archive, into], check=True)
        archive.unlink()
    return into


def _module_name(path: Path) -> str:
    return path.name.split(".ko")[0].replace("-", "_")


def _module_bytes(path: Path) -> bytes:
    if path.suffix == ".xz":
        import lzma

        return lzma.decompress(path.read_bytes())
    return path.read_bytes()


def _in_loading_order(tree: Path, wanted: Iterable[str]) -> list[Path]:
    """Return the files of the wanted modules and of those that they need, each after what it needs (its own `depends=`)."""
    files = {_module_name(path): path for path in tree.rglob("*.ko*")}
    ordered: list[Path] = []

    def add(name: str) -> None:
        path = files.get(name)
        if path is None:  # built into the kernel
            return
        if path in ordered:
            return
        needs = re.search(rb"\0depends=([^\0]*)\0", _module_bytes(path))
        for need in needs[1].decode().split(",") if needs and needs[1] else ():
            add(need.replace("-", "_"))
        ordered.append(path)

    for name in wanted:
        add(name.replace("-", "_"))
    return ordered


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return "missing"


def main() -> int:
    """Fetch; say in one line what stands where, or why there is nothing."""
    try:
        rig = fetch()
    except CannotRunError as error:
        print(f"kernel suite: {error}", file=sys.stderr)  # noqa: T201
        return 1
    except KeyboardInterrupt:
        print("kernel suite: the download was stopped", file=sys.stderr)  # noqa: T201
        return 1
    print(f"kernel suite: Linux {rig.kernel} stands in {rig.folder}")  # noqa: T201
    return 0


if __name__ == "__main__":
    sys.exit(main())
