"""Each fault changes what it names, and nothing else on the bus."""

from __future__ import annotations

from collections.abc import Callable
from typing import get_args

import crcmod
import pytest

from regcheck.errors import UsageError
from regcheck.sim.faults import (
    BadPec,
    BitSet,
    BrokenWire,
    BytesSwapped,
    Dropped,
    Fault,
    HarnessFault,
    LateReport,
    MissingPec,
    PayloadFault,
    PlausibleOpen,
    ReportFault,
    SensedFault,
    Shifted,
    SignFlipped,
    SlowStart,
    SlowUpdate,
    Stuck,
    Swapped,
    WireFault,
    WrongCount,
    WrongGain,
    WrongOffset,
    WrongUnit,
)
from regcheck.sim.frame_faults import Span
from regcheck.sim.recipe import Recipe, record

# Smart Battery Data Specification 1.1, the command codes of clause 5.1; 0xB0 and up are the invented pack's own
TEMPERATURE, VOLTAGE, CURRENT, AVERAGE, CHARGE, STATUS = 0x08, 0x09, 0x0A, 0x0B, 0x0F, 0x16
CELLS, NTC_1, NTC_2, PROTECTION = 0xB0, 0xB4, 0xB5, 0xB6
SECOND = 1_000_000_000
FROM_CURRENT = {CURRENT, AVERAGE, CHARGE}  # the charge in percent, too, but 2 % of 117 mAh stays within its 1 %

Reads = dict[int, list[tuple[bytes, ...]]]
ReadsWith = Callable[..., Reads]

smbus_pec = crcmod.mkCrcFun(0x107, initCrc=0, rev=False)
"""CRC-8 of polynomial x^8 + x^2 + x + 1 by an independent library."""


def signed(word: bytes) -> int:
    return int.from_bytes(word[:2], "little", signed=True)


CASES: list[tuple[Fault, set[int]]] = [
    (BrokenWire("wire_2", 0.12, 20 * SECOND), {CELLS}),  # the pack's sum has wires of its own
    (WrongGain("current", 1.02), FROM_CURRENT),
    (WrongOffset("voltage", 40.0), {VOLTAGE}),
    (SlowUpdate("voltage", 7 * SECOND), {VOLTAGE}),
    (Swapped("cells.cell_voltage[2]", "cells.cell_voltage[3]"), {CELLS}),
    (Swapped("thermistor_1", "thermistor_2"), {NTC_1, NTC_2}),
    (Shifted("cells.cell_voltage", 2, 3, 1), {CELLS}),
    (SignFlipped("average_current"), {AVERAGE}),
    (WrongUnit("temperature", 10, 273.15), {TEMPERATURE}),
    (Stuck("voltage", 40 * SECOND), {VOLTAGE}),
    (LateReport("voltage", 3 * SECOND), {VOLTAGE}),
    (PlausibleOpen("thermistor_1", 2047, 4070), {NTC_1}),
    (BitSet("protection", 12), {PROTECTION}),
    (BytesSwapped("voltage"), {VOLTAGE}),
    (BadPec("voltage", Span(40 * SECOND, 3)), {VOLTAGE}),
    (MissingPec("voltage"), {VOLTAGE}),
    (WrongCount("cells", 2), {CELLS}),
    (Dropped("battery_status", Span(40 * SECOND, 1)), {STATUS}),
]


@pytest.mark.parametrize(("fault", "commands"), CASES, ids=[type(fault).__name__ for fault, _ in CASES])
def test_a_fault_changes_only_its_own(fault: Fault, commands: set[int], reads_with: ReadsWith, faultless: Reads) -> None:
    faulty = reads_with(fault)
    assert faulty.keys() == faultless.keys()
    assert {command for command, reads in faulty.items() if reads != faultless[command]} == commands


def test_every_kind_of_fault_is_tried_here() -> None:
    kinds = {kind for family in (SensedFault, ReportFault, PayloadFault, WireFault) for kind in get_args(family)}
    # this pack has no code for "not yet": the rack has (test_can_faults.py)
    assert {type(fault) for fault, _ in CASES} | {SlowStart} == kinds | {HarnessFault}


def test_a_wrong_gain_reaches_what_is_worked_out_from_the_same_front_end(reads_with: ReadsWith, faultless: Reads) -> None:
    faulty = reads_with(WrongGain("current", 1.02))
    for command in (CURRENT, AVERAGE):
        pairs = [(signed(one[1][1:]), signed(other[1][1:])) for one, other in zip(faulty[command], faultless[command], strict=True)]
        assert all(abs(wrong - 1.02 * right) <= 1.1 for wrong, right in pairs)  # both rounded to 1 mA
    assert faulty[STATUS] == faultless[STATUS]


def test_swapped_cells_change_places_within_their_block(reads_with: ReadsWith, faultless: Reads) -> None:
    faulty = reads_with(Swapped("cells.cell_voltage[2]", "cells.cell_voltage[3]"))
    for wrong, right in zip(faulty[CELLS], faultless[CELLS], strict=True):
        block, other = wrong[1][2:-1], right[1][2:-1]
        assert block == other[:3] + other[5:7] + other[3:5] + other[7:]


def test_a_wrong_unit_is_tenths_of_a_degree_celsius_instead_of_kelvin(reads_with: ReadsWith, faultless: Reads) -> None:
    faulty = reads_with(WrongUnit("temperature", 10, 273.15))
    for wrong, right in zip(faulty[TEMPERATURE], faultless[TEMPERATURE], strict=True):
        assert abs(signed(wrong[1][1:]) - (signed(right[1][1:]) - 2731.5)) <= 1


def test_a_stuck_value_is_the_one_of_its_moment(reads_with: ReadsWith, faultless: Reads) -> None:
    faulty = reads_with(Stuck("voltage", 40 * SECOND))
    assert len(set(faulty[VOLTAGE][-50:])) == 1
    assert faulty[VOLTAGE][:20] == faultless[VOLTAGE][:20]


def test_a_slow_value_is_older(reads_with: ReadsWith) -> None:
    readings = [signed(parts[1][1:]) for parts in reads_with(SlowUpdate("voltage", 7 * SECOND))[VOLTAGE]]
    assert len(set(readings)) < len(readings) // 2


def test_an_open_thermistor_is_told_or_is_not(reads_with: ReadsWith, faultless: Reads) -> None:
    right = [signed(parts[1][1:]) for parts in faultless[NTC_1]]
    wrong = [signed(parts[1][1:]) for parts in reads_with(PlausibleOpen("thermistor_1", 2047, 4070))[NTC_1]]
    assert right[-1] >= 4070  # the map's codes of an open thermistor
    assert wrong[-1] == 2047
    assert [one for one in wrong if one != 2047] == [one for one in right if one < 4070]


def test_a_burst_of_bad_pecs_is_as_long_as_told(reads_with: ReadsWith, faultless: Reads) -> None:
    faulty = reads_with(BadPec("voltage", Span(40 * SECOND, 3)))
    bad = [index for index, parts in enumerate(faulty[VOLTAGE]) if smbus_pec(b"".join(parts)[:-1]) != parts[1][-1]]
    assert len(bad) == 3
    assert bad == list(range(bad[0], bad[0] + 3))
    assert all(one[1][:-1] == other[1][:-1] for one, other in zip(faulty[VOLTAGE], faultless[VOLTAGE], strict=True))


def test_other_faults_keep_the_pec_right(reads_with: ReadsWith) -> None:
    for fault in (WrongCount("cells", 2), BytesSwapped("voltage"), BitSet("protection", 12)):
        for reads in reads_with(fault).values():
            assert all(smbus_pec(b"".join(parts)[:-1]) == parts[1][-1] for parts in reads)


def test_a_missing_pec_ends_the_read_one_byte_early(reads_with: ReadsWith, faultless: Reads) -> None:
    for wrong, right in zip(reads_with(MissingPec("voltage"))[VOLTAGE], faultless[VOLTAGE], strict=True):
        assert wrong == (right[0], right[1][:-1])


def test_a_dropped_transfer_ends_at_the_refused_second_address(short_recipe: Recipe) -> None:
    dropped = [
        transfer for transfer in record(short_recipe, (Dropped("battery_status", Span(40 * SECOND, 1)),)) if transfer.nack is not None
    ]
    (transfer,) = dropped
    assert transfer.parts == (bytes([0x16, STATUS]), bytes([0x17]))
    assert transfer.nack == 2


def test_a_wrong_count_promises_more_than_comes(reads_with: ReadsWith) -> None:
    for parts in reads_with(WrongCount("cells", 2))[CELLS]:
        assert parts[1][1] == len(parts[1]) - 3 + 2  # address, count and PEC are not counted


def test_a_fault_of_what_is_not_there_is_refused(short_recipe: Recipe) -> None:
    with pytest.raises(UsageError, match="BadPec names 'volts', which this board does not have"):
        record(short_recipe, (BadPec("volts"),))
    with pytest.raises(UsageError, match="WrongGain names 'cycle_count'"):
        record(short_recipe, (WrongGain("cycle_count", 2),))
