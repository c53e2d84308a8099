"""A USB-to-I2C adapter that the kernel's own driver drives, in a process of its own beside the tests in the guest.

It speaks USB/IP (the kernel's Documentation/usb/usbip_protocol.rst) to `vhci-hcd` of the same kernel, and to `i2c-diolan-u2c` the few
commands that this driver sends: start, repeated start, stop, a byte out, a byte in. The kernel composes and checks PEC itself on it.
One thread serves the kernel and the tests: `handle` returns once a request has taken effect.
"""

from __future__ import annotations

import selectors
import socket
import struct
import time
from collections import deque
from multiprocessing.connection import Connection
from pathlib import Path

from tests.kernel.target import Target

CONTROLLER = Path("/sys/devices/platform/vhci_hcd.0")
ADAPTERS = Path("/sys/bus/i2c/devices")
PORT = 0
HIGH_SPEED = 3  # enum usb_device_speed, include/uapi/linux/usb/ch9.h

# USB 2.0, 9.6: the device (the identity that the driver looks for), one configuration of one interface, a bulk endpoint each way
_DEVICE = struct.pack("<BBHBBBBHHHBBBB", 18, 1, 0x200, 0, 0, 0, 64, 0x0ABF, 0x3370, 0x100, 0, 0, 0, 1)
_CONFIGURATION = (
    struct.pack("<BBHBBBBB", 9, 2, 32, 1, 1, 0, 0x80, 50)
    + struct.pack("<BBBBBBBBB", 9, 4, 0, 0, 2, 255, 0, 0, 0)
    + struct.pack("<BBBBHB", 7, 5, 0x02, 2, 512, 0)
    + struct.pack("<BBBBHB", 7, 5, 0x84, 2, 512, 0)
)
_CONTROL = {(0x80, 6, 0x100): _DEVICE, (0x80, 6, 0x200): _CONFIGURATION, (0x80, 0, 0): b"\0\0"}

# drivers/i2c/busses/i2c-diolan-u2c.c: what it sends, and how many bytes go with it; every one is answered, with a status at the end
FIRMWARE, SERIAL, START, STOP, START_AGAIN, PUT_BYTE, GET_BYTE = 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x13, 0x14
_ARGUMENTS = {FIRMWARE: 0, SERIAL: 0, START: 0, STOP: 0, START_AGAIN: 0, PUT_BYTE: 1, GET_BYTE: 1, 0x1B: 1, 0x24: 1, 0x26: 2}
OK, NACK = b"\x00", b"\x07"


class Adapter:
    """The adapter and the target on its bus; ``serve`` runs until the tests' end of ``requests`` is closed."""

    def __init__(self, target: Target, requests: Connection) -> None:
        self.target, self.requests = target, requests
        self.kernel: socket.socket | None = None
        self.selector = selectors.DefaultSelector()
        self.selector.register(requests, selectors.EVENT_READ)
        self.addressing = False
        self.replies: deque[bytes] = deque()
        self.waiting: deque[int] = deque()
        self.unplug_in: int | None = None

    def serve(self) -> None:
        """Serve the kernel and the tests."""
        while True:
            for key, _ in self.selector.select():
                if key.fileobj is self.requests:
                    try:
                        self.requests.send(self.handle(*self.requests.recv()))
                    except EOFError:
                        self.unplug()
                        return
                elif self.kernel is not None:
                    self._serve_kernel(self.kernel)

    def handle(self, name: str, value: object = None) -> object:
        """Do what a test asks for, and return its answer."""
        if name == "plug":
            self.plug()
        elif name == "unplug":
            self.unplug()
        elif name == "unplug_in":  # in the middle of the transfer after so many more bytes
            assert isinstance(value, int)
            self.unplug_in = value
        elif name == "target":
            assert isinstance(value, Target)
            self.target = value
        elif name == "set":
            assert isinstance(value, dict)
            for attribute, content in value.items():
                setattr(self.target, attribute, content)
        elif name == "registers":
            assert isinstance(value, dict)
            self.target.registers.update(value)
        elif name == "reset":
            self.target.reset()
        elif name == "take_log":
            log, self.target.log = self.target.log, []
            return log
        elif name == "read":
            return dict(self.target.registers)
        else:
            raise ValueError(name)
        return None

    def plug(self) -> None:
        """Plug the adapter in; its bus appears a moment later."""
        ours, theirs = socket.socketpair()
        self.kernel = ours
        self.selector.register(ours, selectors.EVENT_READ)
        self.replies.clear()
        self.waiting.clear()
        self.addressing = False
        with theirs:
            (CONTROLLER / "attach").write_text(f"{PORT} {theirs.fileno()} {1 << 16 | 2} {HIGH_SPEED}")

    def unplug(self) -> None:
        """Pull the plug: the kernel loses the device at once, whatever is under way."""
        self.unplug_in = None
        if self.kernel is not None:
            self.selector.unregister(self.kernel)
            self.kernel.close()
            self.kernel = None
            self.target.stop()

    def _serve_kernel(self, kernel: socket.socket) -> None:
        try:
            command, sequence, _, inward, endpoint = struct.unpack_from(">5I", head := _receive(kernel, 48))
            (length,) = struct.unpack_from(">i", head, 24)
            if command == 2:  # take a request back
                (victim,) = struct.unpack_from(">I", head, 20)
                found = victim in self.waiting
                if found:
                    self.waiting.remove(victim)
                kernel.sendall(struct.pack(">5Ii24x", 4, sequence, 0, 0, 0, -104 if found else 0))
            elif endpoint == 0:
                if not inward and length:
                    _receive(kernel, length)
                kind, request, value = struct.unpack_from("<BBH", head, 40)
                answer = _CONTROL.get((kind, request, value))
                refused = bool(kind & 0x80) and answer is None
                _complete(kernel, sequence, (answer or b"")[:length], status=-32 if refused else 0)
            elif inward:
                self.waiting.append(sequence)
            else:
                self._execute_all(_receive(kernel, length))
                if self.kernel is None:
                    return
                _complete(kernel, sequence, b"", length=length)
            while self.replies and self.waiting:
                _complete(kernel, self.waiting.popleft(), self.replies.popleft())
        except (EOFError, ConnectionError):
            self.unplug()

    def _execute_all(self, data: bytes) -> None:
        while data:
            count = 1 + _ARGUMENTS[data[0]]
            self.replies.append(self._execute(data[0], data[1:count]))
            data = data[count:]
            if self.unplug_in is not None:
                self.unplug_in -= 1
                if self.unplug_in <= 0:
                    self.unplug()
                    return

    def _execute(self, command: int, arguments: bytes) -> bytes:
        match command:
            case 0x0A:
                return bytes([1, 0]) + OK
            case 0x0B:
                return struct.pack("<I", 1) + OK
            case 0x0C | 0x0E:
                self.addressing = True
                self.target.start()
            case 0x0D:
                self.target.stop()
            case 0x13 if self.addressing:
                self.addressing = False
                return OK if self.target.addressed(arguments[0]) else NACK
            case 0x13:
                return OK if self.target.put(arguments[0]) else NACK
            case 0x14:
                return bytes([self.target.get()]) + OK
        return OK


def _receive(kernel: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        more = kernel.recv(size - len(data))
        if not more:
            raise EOFError
        data += more
    return data


def _complete(kernel: socket.socket, sequence: int, data: bytes, *, length: int | None = None, status: int = 0) -> None:
    head = struct.pack(">5I5i8x", 3, sequence, 0, 0, 0, status, len(data) if length is None else length, 0, 0, 0)
    kernel.sendall(head + data)


def buses() -> dict[int, str]:
    """Every I2C bus of this kernel that a program can open: its number and its adapter's name."""
    found = {}
    for path in ADAPTERS.glob("i2c-*"):
        number = int(path.name.removeprefix("i2c-"))
        try:
            if Path(f"/dev/i2c-{number}").exists():
                found[number] = (path / "name").read_text().strip()
        except FileNotFoundError:  # it went away meanwhile
            continue
    return found


def bus_of_adapter(*, present: bool = True, within_s: float = 20) -> int:
    """Return the bus number of the plugged adapter, once it is there (or -1 once it is gone); TimeoutError: it did not come (or go)."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        numbers = [number for number, name in buses().items() if "diolan" in name.lower()]
        if bool(numbers) == present:
            return numbers[0] if numbers else -1
        time.sleep(0.02)
    raise TimeoutError(f"the adapter's bus {'did not come up' if present else 'did not go away'} within {within_s:g} s")
