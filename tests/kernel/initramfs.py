"""The archive that a kernel starts from: cpio's "newc" form, by the kernel's Documentation/driver-api/early-userspace/buffer-format.rst."""

from __future__ import annotations

DIRECTORY = 0o040755
PROGRAM = 0o100755


def archive(files: dict[str, bytes], folders: tuple[str, ...]) -> bytes:
    """Return the archive of these folders and programs; a file's folder is named before it."""
    entries = [(name, DIRECTORY, b"") for name in folders] + [(name, PROGRAM, data) for name, data in files.items()]
    out = bytearray()
    for number, (name, mode, data) in enumerate([*entries, ("TRAILER!!!", 0, b"")], 1):
        path = name.encode() + b"\0"
        # inode, mode, user, group, links, time, size, four of device numbers, length of the name, no checksum
        head = (number, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(path), 0)
        out += b"070701" + b"".join(b"%08X" % value for value in head) + path
        out += bytes(-len(out) % 4) + data
        out += bytes(-len(out) % 4)
    return bytes(out)
