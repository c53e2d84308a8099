"""A register's entry as typed -> the model's Message."""

from __future__ import annotations

from regcheck.device_map.fields import compile_field, whole_payload
from regcheck.device_map.merge import child
from regcheck.device_map.message_parts import MessageParts, given_places, name_fault
from regcheck.device_map.model import Field, FieldType, Length, Message, Pec, Through, TransferKind
from regcheck.device_map.places import Order
from regcheck.device_map.syntax import FieldEntry, RegisterEntry
from regcheck.device_map.yaml_source import Mapping
from regcheck.errors import Place, Problem

NO_PAYLOAD = (TransferKind.SEND_BYTE,)


def compile_register(parts: MessageParts, name: str, entry: RegisterEntry, node: Mapping, place: Place) -> Message | None:
    """Return the register, None where it has no command; every fault goes to the compilation's list."""
    fault = name_fault(name, "register", place)
    if fault:
        parts.problems.append(fault)
    kind, count = entry.transfer
    author = parts.author(node, place)
    order = entry.order or Order.LITTLE
    inline = [key for key in FieldEntry.model_fields if key not in ("order", "see", "note", "like") and getattr(entry, key) is not None]
    if entry.command is None and entry.through is None and kind is not TransferKind.RECEIVE_BYTE:
        parts.problems.append(Problem(place, f"register '{name}' has no `command`", "its command code, such as command: 0x09"))
        return None
    if entry.command is not None and entry.through is not None:
        author.fault("command", f"'{name}' has both `command` and `through`", "with `through`, the command read is its `then`")
    writes_only = entry.access == frozenset({"write"})
    if kind is TransferKind.SEND_BYTE and not writes_only:
        author.fault(
            "access" if "access" in node else "transfer",
            f"a send byte goes to the device; '{name}' cannot be read",
            "write access: [write]",
        )
    if kind is TransferKind.RECEIVE_BYTE and "write" in entry.access:
        author.fault("access", f"a receive byte comes from the device; '{name}' cannot be written", "write access: [read]")
    if entry.to is not None and not writes_only:
        author.fault("to", f"`to` says that the device itself writes '{name}'", "write access: [write]")
    length = parts.length(entry.length)
    fields: tuple[Field, ...]
    if entry.fields is not None or entry.layouts is not None:
        if inline:
            author.fault(
                inline[0], f"`{inline[0]}` stands beside `fields` in '{name}'", "move it into one of the fields, or take `fields` out"
            )
        fields = parts.fields(name, entry.fields or {}, child(node, "fields"), place, order)
    elif kind in NO_PAYLOAD:
        if inline:
            author.fault(inline[0], f"a send byte carries no data, so '{name}' has no field for `{inline[0]}`")
        fields = ()
    else:
        stated = length.high if length is not None and length.low == length.high else None
        runs_on = entry.type in (FieldType.TEXT, FieldType.BYTES)
        whole = whole_payload(count or (None if runs_on else stated), order)
        only = compile_field(name, name, entry, author, order=order, whole=whole)
        fields = (only,) if only is not None else ()
    layouts = parts.layouts(name, entry.layouts, child(node, "layouts"), place, order)
    if length is not None and kind not in (TransferKind.BLOCK, TransferKind.BLOCK_PROCESS_CALL):
        author.fault("length", f"the length of a {kind.value} is fixed ({count} bytes)", "take `length` out")
        length = None
    if count and kind not in (TransferKind.BLOCK, TransferKind.BLOCK_PROCESS_CALL):
        length = Length(count, count)
    smbus = parts.entry.smbus
    # layouts inside others repeat the fields of those
    all_fields = tuple({id(field): field for field in (*fields, *(field for layout in layouts for field in layout.fields))}.values())
    examples = parts.examples(name, entry.examples or (), child(node, "examples"), place, all_fields)
    through = entry.through
    return Message(
        name=name,
        place=place,
        kind="register",
        fields=fields,
        layouts=layouts,
        length=length,
        order=order,
        transfer=kind,
        plain_bytes=count if kind is TransferKind.PLAIN else 0,
        command=through.then if through else entry.command,
        address=entry.address if entry.address is not None else (smbus.address if smbus else None),
        access=entry.access,
        pec=entry.pec if entry.pec is not None else (smbus.pec if smbus else Pec.OPTIONAL),
        through=Through(through.write, through.word, through.then, through.within, through.sticky) if through else None,
        holds=entry.holds or "",
        to=entry.to,
        poll_ns=entry.poll or 0,
        every=entry.every or (),
        bus=entry.bus or "",
        examples=tuple(example for example, _, _ in examples),
        see=entry.see or "",
        note=entry.note or "",
        given_keys=given_places(node),
    )
