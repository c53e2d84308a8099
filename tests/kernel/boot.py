"""Boot the rig's kernel under QEMU and run one command in it as root, with this machine's files visible.

What the guest writes is thrown away, but for one folder that both sides see. The guest is emulated, some ten times slower than this
machine; nothing in it reaches this machine's buses or network, for it is given none.
"""

from __future__ import annotations

import os
import shlex
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.kernel.fetch import BOOT_MODULES, CannotRunError, Rig
from tests.kernel.initramfs import archive

SHARED = "/run/shared"
"""Where the guest sees the folder that both sides see."""

_INIT = """\
#!/busybox sh
/busybox mount -t proc proc /proc; /busybox mount -t sysfs sysfs /sys; /busybox mount -t devtmpfs dev /dev
for module in {modules}; do /busybox insmod /modules/$module || /busybox echo "init: $module does not load"; done
share() {{ /busybox mount -t 9p -o trans=virtio,version=9p2000.L,msize=262144,$3 $1 $2; }}
share root /host ro,cache=loose && /busybox mount -t tmpfs memory /memory && /busybox mkdir /memory/upper /memory/work &&
/busybox mount -t overlay -o lowerdir=/host,upperdir=/memory/upper,workdir=/memory/work new /new || /busybox poweroff -f
cd /new && /busybox mkdir -p proc sys dev run tmp root; cd /
/busybox mount -t tmpfs run /new/run; /busybox mount -t tmpfs tmp /new/tmp
/busybox mkdir /new/run/modules /new{shared}
share shared /new{shared} rw || /busybox poweroff -f
/busybox cp /busybox /new/run/busybox; /busybox cp /modules/* /new/run/modules/; /busybox cp /command /new/run/command
for kind in proc sys dev; do /busybox mount --move /$kind /new/$kind; done
exec /busybox switch_root /new /run/busybox sh /run/command
"""

_COMMAND = """\
busybox=/run/busybox
$busybox mkdir -p /dev/pts /dev/shm
$busybox mount -t devpts devpts /dev/pts; $busybox mount -t tmpfs shm /dev/shm
$busybox ip link set lo up
{exports}
(cd {folder} && exec {command}) </dev/null >{shared}/output 2>&1
echo $? >{shared}/status.new && $busybox mv {shared}/status.new {shared}/status
$busybox sync
$busybox poweroff -f
"""


@dataclass(frozen=True, slots=True)
class Ended:
    """What came of the guest's command: its exit code, and all that it printed."""

    status: int
    output: str


def boot(rig: Rig, command: Sequence[str], *, folder: Path, shared: Path, environment: Mapping[str, str], timeout_s: float) -> Ended:
    """Run ``command`` in a guest, in ``folder``, and wait for its end.

    ``shared`` is an empty folder of this machine, which the guest sees at ``SHARED`` and writes through to. CannotRunError: QEMU does not
    start. RuntimeError: the guest did not come to the command's end; the text ends with what its kernel said.
    """
    modules = {path.name.split("-", 1)[1]: path.read_bytes() for path in rig.modules}
    last = max(list(modules).index(f"{name}.ko") for name in BOOT_MODULES)
    exports = "\n".join(f"export {name}={shlex.quote(value)}" for name, value in environment.items())
    order = "\n".join(name.removesuffix(".ko") for name in modules)
    files = {
        "busybox": rig.busybox.read_bytes(),
        "init": _INIT.format(modules=" ".join(list(modules)[: last + 1]), shared=SHARED).encode(),
        "command": _COMMAND.format(exports=exports, folder=shlex.quote(str(folder)), command=shlex.join(command), shared=SHARED).encode(),
        "modules/order": order.encode(),
        **{f"modules/{name}": data for name, data in modules.items()},
    }
    initramfs, console = shared / "initramfs", shared / "console"
    initramfs.write_bytes(archive(files, ("proc", "sys", "dev", "host", "memory", "new", "modules")))
    program, variables = rig.emulator()
    line = [
        *(*program, *rig.machine.options, "-accel", "tcg", "-smp", "1", "-m", "512M"),
        *("-no-user-config", "-nodefaults", "-display", "none", "-no-reboot", "-nic", "none"),
        *("-chardev", f"file,id=console,path={_comma(console)}", "-serial", "chardev:console"),
        *_share("root", Path("/"), read_only=True),
        *_share("shared", shared, read_only=False),
        *("-kernel", str(rig.vmlinuz), "-initrd", str(initramfs)),
        *("-append", f"console={rig.machine.console} panic=-1 quiet mitigations=off random.trust_cpu=on"),
    ]
    try:
        done = subprocess.run(line, env=variables, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=timeout_s, check=False)
    except FileNotFoundError:
        raise CannotRunError(f"no {program[0]}") from None
    except subprocess.TimeoutExpired:
        raise RuntimeError(f"the guest was not done after {timeout_s:g} s\n{_last_words(shared)}") from None
    finally:
        initramfs.unlink()
    status = shared / "status"
    if not status.exists():
        raise RuntimeError(f"the guest did not come to the command's end; QEMU says: {done.stderr.strip()}\n{_last_words(shared)}")
    return Ended(int(status.read_text()), (shared / "output").read_text(errors="replace"))


def guest_environment(**more: str) -> dict[str, str]:
    """Return what a guest's command finds around it: a PATH, a home, and ``more``."""
    return {"PATH": os.environ["PATH"], "HOME": "/root", "LANG": "C.UTF-8", **more}


def _share(tag: str, path: Path, *, read_only: bool) -> tuple[str, ...]:
    writing = "on" if read_only else "off"
    told = f"local,id={tag},path={_comma(path)},security_model=none,multidevs=remap,readonly={writing}"
    return ("-fsdev", told, "-device", f"virtio-9p-pci,fsdev={tag},mount_tag={tag}")


def _comma(path: Path) -> str:
    """A path in one of QEMU's option lists, where a comma is written twice."""
    return str(path).replace(",", ",,")


def _last_words(shared: Path) -> str:
    parts = []
    for name in ("console", "output"):
        path = shared / name
        text = path.read_text(errors="replace") if path.exists() else ""
        parts.append(f"--- the end of its {name}:\n" + "\n".join(text.splitlines()[-40:]))
    return "\n".join(parts)
