"""A recipe's faults as typed -> the faults themselves."""

from __future__ import annotations

from regcheck.sim import faults as kinds
from regcheck.sim import frame_faults as frame_kinds
from regcheck.sim.faults import Fault
from regcheck.sim.frame_faults import Span
from regcheck.sim.recipe_syntax import FaultEntry


def fault_of(entry: FaultEntry) -> Fault:
    """Return the fault that an entry names."""
    span = Span(entry.from_, entry.count)
    found: list[Fault] = []
    if entry.broken_wire is not None:
        found.append(kinds.BrokenWire(entry.broken_wire, entry.by, entry.from_))
    if entry.late_report is not None:
        found.append(kinds.LateReport(entry.late_report, entry.later))
    if entry.wrong_gain is not None:
        found.append(kinds.WrongGain(entry.wrong_gain, entry.factor))
    if entry.wrong_offset is not None:
        found.append(kinds.WrongOffset(entry.wrong_offset, entry.by))
    if entry.slow_update is not None:
        found.append(kinds.SlowUpdate(entry.slow_update, entry.every))
    if entry.slow_start is not None:
        found.append(kinds.SlowStart(entry.slow_start, entry.until))
    if entry.shifted is not None:
        found.append(kinds.Shifted(entry.shifted, *entry.elements, round(entry.by)))
    if entry.swapped is not None:
        if len(entry.swapped) != 2:
            raise ValueError(f"`swapped` names {len(entry.swapped)} fields; expected two")
        found.append(kinds.Swapped(*entry.swapped))
    if entry.sign_flipped is not None:
        found.append(kinds.SignFlipped(entry.sign_flipped))
    if entry.wrong_unit is not None:
        found.append(kinds.WrongUnit(entry.wrong_unit, entry.per_unit, entry.zero))
    if entry.stuck is not None:
        found.append(kinds.Stuck(entry.stuck, entry.from_))
    if entry.plausible_open is not None:
        found.append(kinds.PlausibleOpen(entry.plausible_open, entry.code, entry.open_from))
    if entry.bit_set is not None:
        found.append(kinds.BitSet(entry.bit_set, entry.bit))
    if entry.bytes_swapped is not None:
        found.append(kinds.BytesSwapped(entry.bytes_swapped, entry.byte))
    if entry.bad_pec is not None:
        found.append(kinds.BadPec(entry.bad_pec, span))
    if entry.missing_pec is not None:
        found.append(kinds.MissingPec(entry.missing_pec, span))
    if entry.wrong_count is not None:
        found.append(kinds.WrongCount(entry.wrong_count, round(entry.by), span))
    if entry.dropped is not None:
        found.append(kinds.Dropped(entry.dropped, span))
    if entry.stuck_counter is not None:
        found.append(frame_kinds.StuckCounter(entry.stuck_counter, entry.from_))
    if entry.late is not None:
        found.append(frame_kinds.Late(entry.late, entry.from_, entry.later))
    if entry.omitted is not None:
        found.append(frame_kinds.Omitted(entry.omitted, span))
    if entry.bad_check is not None:
        found.append(frame_kinds.BadCheck(entry.bad_check, span))
    if entry.cut_short is not None:
        found.append(frame_kinds.CutShort(entry.cut_short, round(entry.by), span))
    if len(found) != 1:
        raise ValueError(f"an entry of `faults` names {len(found)} kinds of fault; expected one")
    return found[0]
