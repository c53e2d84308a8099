"""What the faultless board says of what the bench applies, read by hand from the bytes."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from regcheck.errors import UsageError
from regcheck.sim.board import Board
from regcheck.sim.recipe import Recipe

SECOND = 1_000_000_000


@pytest.fixture
def payload(recipe: Recipe) -> Callable[[str, float], bytes]:
    board = Board(recipe.register_map, recipe.design, recipe.stimuli, seed=recipe.seed)

    def at(name: str, time_s: float) -> bytes:
        message = recipe.register_map.message(name)
        assert message is not None
        return board.payload(message, round(time_s * SECOND))

    return at


def number(payload: bytes, *, signed: bool = False) -> int:
    """System Management Bus Specification 3.1, clause 6.5: a word comes low byte first."""
    return int.from_bytes(payload, "little", signed=signed)


# the fifth hold of the schedule ends at 75 s: cells of 3.4008, 3.4601, 3.3504 and 3.4307 V, 27.5 mV on 5 mohm, 10 and -33 degC
def test_cells_in_order(payload: Callable[[str, float], bytes]) -> None:
    data = payload("cells", 74)
    assert data[0] == 4
    values = [number(data[at : at + 2]) for at in (1, 3, 5, 7)]
    assert [abs(value - true) <= 4 for value, true in zip(values, (3400.8, 3460.1, 3350.4, 3430.7), strict=True)] == [True] * 4


def test_pack_voltage_is_from_the_lowest_wire_to_the_highest(payload: Callable[[str, float], bytes]) -> None:
    assert abs(number(payload("voltage", 74)) - 13642.0) <= 12


def test_current_counts_charge_positive(payload: Callable[[str, float], bytes]) -> None:
    assert abs(number(payload("current", 74), signed=True) - 5500) <= 18
    assert abs(number(payload("current", 89), signed=True) + 5600) <= 19
    assert payload("battery_status", 74)[0] & 0x40 == 0  # Smart Battery Data Specification 1.1: bit 6 is discharging
    assert payload("battery_status", 89)[0] & 0x40 == 0x40


def test_average_current_is_the_mean_of_the_last_minute(payload: Callable[[str, float], bytes]) -> None:
    # 15 s of 5.6 A lie before the minute up to 75 s: the mean of 5.8, 5.4, 5.7 and 5.5 A
    assert abs(number(payload("average_current", 75), signed=True) - 5600) <= 60
    # half a minute of -5.6 and -5.8 A after half a minute of 5.7 and 5.5 A
    assert abs(number(payload("average_current", 105), signed=True) + 50) <= 100


def test_temperature_is_in_tenths_of_a_kelvin(payload: Callable[[str, float], bytes]) -> None:
    assert abs(number(payload("temperature", 74)) - 2831.5) <= 5


def test_thermistors_are_codes_of_a_divider(payload: Callable[[str, float], bytes]) -> None:
    # data sheet R4S (invented): code = 4095 R / (R + 10 kohm)
    assert abs(number(payload("thermistor_1", 74)) - 4095 * 18410.4 / 28410.4) <= 3
    assert abs(number(payload("thermistor_2", 74)) - 4095 * 161595.9 / 171595.9) <= 3
    assert number(payload("thermistor_1", 119)) == 4095  # open in the eighth hold
    assert number(payload("thermistor_1", 164)) == 0  # shorted in the eleventh


def test_an_open_thermistor_hands_the_temperature_to_the_other(payload: Callable[[str, float], bytes]) -> None:
    assert abs(number(payload("temperature", 119)) - 10 * (38 + 273.15)) <= 5


def test_the_charge_follows_the_current(payload: Callable[[str, float], bytes]) -> None:
    # 15 s each of 5.6, 5.8, 5.4, 5.7 and 5.5 A after 2900 mAh
    assert abs(number(payload("remaining_capacity", 75)) - (2900 + 28_000 * 15 / 3600)) <= 2


def test_a_full_cell_raises_its_level_and_an_empty_one_does_not(payload: Callable[[str, float], bytes]) -> None:
    assert [payload("protection", time)[0] & 3 for time in (13, 42, 104)] == [0, 3, 0]  # 3.76, 4.48 and 2.66 V at most
    assert payload("protection", 13)[1] == 0x01  # cell_trouble is active low, spare bits are 0


def test_constants_and_texts(payload: Callable[[str, float], bytes]) -> None:
    # Smart Battery Data Specification 1.1: 0x0031 is version 1.1 with PEC, unscaled; dates are packed
    assert payload("specification_info", 1) == bytes([0x31, 0x00])
    assert number(payload("manufacture_date", 1)) == (2026 - 1980) * 512 + 3 * 32 + 2
    assert payload("device_chemistry", 1) == b"LION"
    assert payload("average_time_to_full", 1) == b"\xff\xff"


def test_the_wire_of_a_read_and_of_a_broadcast(recipe: Recipe) -> None:
    board = Board(recipe.register_map, recipe.design, recipe.stimuli, seed=recipe.seed)
    info, sent = recipe.register_map.message("specification_info"), recipe.register_map.message("charging_current_sent")
    assert info is not None
    assert sent is not None
    # check values of the project's bus table: address 0x0B, command 0x1A, 0x0031 gives PEC 0xDA (recomputed by the definition of the PEC)
    assert board.answer(info, 0x0B, SECOND).parts == (bytes.fromhex("16 1A"), bytes.fromhex("17 31 00 DA"))
    (write,) = board.broadcast(sent, SECOND).parts
    assert write[:4] == bytes.fromhex("12 14 B8 0B")  # to the charger, 3000 mA


def test_the_same_seed_gives_the_same_and_another_gives_another_noise(recipe: Recipe) -> None:
    message = recipe.register_map.message("current")
    assert message is not None
    boards = [Board(recipe.register_map, recipe.design, recipe.stimuli, seed=seed) for seed in (4, 4, 5)]
    runs = [[board.payload(message, time * SECOND) for time in range(2, 14)] for board in boards]
    assert runs[0] == runs[1] != runs[2]


def test_a_board_that_reports_what_the_map_lacks_is_refused(recipe: Recipe) -> None:
    from dataclasses import replace

    wrong = replace(recipe.design, constants={**recipe.design.constants, "cycles": 3})
    with pytest.raises(UsageError, match="the board reports 'cycles', which the map lacks"):
        Board(recipe.register_map, wrong, recipe.stimuli, seed=1)
