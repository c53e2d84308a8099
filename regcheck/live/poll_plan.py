"""What is polled on an SMBus: which registers, in which groups, how often, which selector writes that takes, and what is left out."""

from __future__ import annotations

from dataclasses import dataclass

from regcheck.codec.framing import COUNTED, count_limits, fixed_bytes
from regcheck.device_map.limits import Cadence, Conditional
from regcheck.device_map.model import Message, Pec, RegisterMap, TransferKind

READ_KINDS = frozenset(
    {
        TransferKind.RECEIVE_BYTE,
        TransferKind.BYTE,
        TransferKind.WORD,
        TransferKind.BITS_32,
        TransferKind.BITS_64,
        TransferKind.BLOCK,
        TransferKind.PLAIN,
    }
)
"""Transfers that only read; the command byte that names the register is part of the read (SMBus 3.1, clause 6.5)."""


@dataclass(frozen=True, slots=True)
class Selector:
    """The write of a word that an indirect read needs first, as the map's `through` says."""

    address: int
    command: int
    word: int

    def __str__(self) -> str:
        return f"write word 0x{self.word:04X} to command 0x{self.command:02X} of address 0x{self.address:02X}"


@dataclass(frozen=True, slots=True)
class Read:
    """One register to be read: ``size`` data bytes, or of a counted block ``least`` to ``most``; ``command`` None: a receive byte."""

    name: str
    address: int
    command: int | None
    kind: TransferKind
    size: int
    least: int
    most: int
    pec: Pec
    selector: Selector | None = None

    @property
    def is_counted(self) -> bool:
        """Whether the device sends a count before the data."""
        return self.kind in COUNTED


@dataclass(frozen=True, slots=True)
class Group:
    """Registers that are read one right after the other, each ``period_ns``: one that freezes another, and that other one."""

    reads: tuple[Read, ...]
    period_ns: int


@dataclass(frozen=True, slots=True)
class PollPlan:
    """What is polled, in the order of the map; ``skipped`` says of every other register why it is not."""

    groups: tuple[Group, ...]
    skipped: tuple[tuple[str, str], ...]
    selectors: tuple[Selector, ...]

    @property
    def reads(self) -> tuple[Read, ...]:
        """Every register that is read."""
        return tuple(read for group in self.groups for read in group.reads)


def poll_plan(register_map: RegisterMap, *, default_ns: int, allow_writes: bool, bus: str = "") -> PollPlan:
    """Return the plan for one bus; a register's period is its `poll`, else its `every`, else ``default_ns``.

    ``bus`` is what the map calls it: registers that the map puts on another one are skipped.
    """
    reads: dict[str, Read] = {}
    skipped: list[tuple[str, str]] = []
    for message in register_map.messages:
        if message.kind != "register":
            continue
        reason = _reason(message, bus, allow_writes=allow_writes)
        if reason:
            skipped.append((message.name, reason))
        else:
            reads[message.name] = _read(message)
    frozen = {message.holds for message in register_map.messages if message.name in reads and message.holds in reads}
    frozen -= {name for name in frozen if _held(register_map, name) == name}
    groups = []
    for name in reads:
        if name in frozen:
            continue
        chain = [name]
        while (held := _held(register_map, chain[-1])) in reads and held not in chain:
            chain.append(held)
        frozen -= set(chain)
        groups.append(Group(tuple(reads[one] for one in chain), min(_period_ns(register_map, one, default_ns) for one in chain)))
    grouped = {read.name for group in groups for read in group.reads}
    groups += [Group((read,), _period_ns(register_map, name, default_ns)) for name, read in reads.items() if name not in grouped]
    selectors = dict.fromkeys(read.selector for read in reads.values() if read.selector is not None)
    return PollPlan(tuple(groups), tuple(skipped), tuple(selectors))


def _held(register_map: RegisterMap, name: str) -> str:
    message = register_map.message(name)
    return message.holds if message is not None else ""


def _reason(message: Message, bus: str, *, allow_writes: bool) -> str:
    """Return why a register is not polled, "" where it is."""
    if message.to is not None:
        return "the device sends it by itself, to another address; an adapter does not hear that"
    if "read" not in message.access:
        return "the map says that it is not read"
    if message.address is None:
        return "the map gives no address for it"
    if message.transfer not in READ_KINDS:
        return f"a {message.transfer} writes data to the device; only reads are polled"
    if message.bus and message.bus != bus:
        return f"the map puts it on bus '{message.bus}'"
    if message.through is not None and not allow_writes:
        return f"its read needs a write: {_selector(message)}; --allow-writes lets it happen"
    return ""


def _selector(message: Message) -> Selector | None:
    if message.through is None:
        return None
    return Selector(message.address or 0, message.through.write, message.through.word)


def _read(message: Message) -> Read:
    assert message.transfer is not None  # noqa: S101 - every register has one
    assert message.address is not None  # noqa: S101 - `_reason` has seen it
    counted = message.transfer in COUNTED
    command = message.through.then if message.through is not None else message.command
    return Read(
        message.name,
        message.address,
        None if message.transfer is TransferKind.RECEIVE_BYTE else command,
        message.transfer,
        0 if counted else fixed_bytes(message),
        *(count_limits(message) if counted else (0, 0)),
        message.pec,
        _selector(message),
    )


def _period_ns(register_map: RegisterMap, name: str, default_ns: int) -> int:
    message = register_map.message(name)
    assert message is not None  # noqa: S101
    return message.poll_ns or _every_ns(message.every) or default_ns


def _every_ns(every: tuple[Conditional[Cadence], ...]) -> int:
    """Return the shortest period that a register is to come with, 0 where the map gives none."""
    periods = [case.item.period_ns or case.item.low_ns for case in every if case.item is not None]
    return min((period for period in periods if period), default=0)
