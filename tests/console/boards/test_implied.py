"""What read-backs imply on a board. Which lines a pattern points at: see readback; the chances: common practice."""

from __future__ import annotations

import pytest

from console.boards.board_file import load_board
from console.boards.circuit import Circuit
from console.boards.implied import implied as implied_on
from console.boards.readback import Findings, read_back
from console.boards.stagerun import Board, Implication, PartClass
from tests.console.boards.bench_board import row

# U2 with its lines; on the way to U1 a resistor in the data line and a pull-up on the select; a clock behind R3
BOARD = Board(
    Circuit(
        [
            *row("U1", 0, 0, 3.0, "MISO_U1", "SCK", "CS", "+3V3", "GND"),
            *row("U2", 0, 9, 3.0, "MISO", "SCK", "CS", "+3V3", "GND", "CLK", "D3", "D4"),
            *row("R1", 0, 18, 3.0, "MISO", "MISO_U1"),
            *row("R2", 0, 27, 3.0, "CS", "+3V3"),
            *row("R3", 0, 36, 3.0, "OSC", "CLK"),
            *row("R4", 0, 45, 3.0, "D3", "D3_FAR"),
            *row("Y1", 0, 54, 3.0, "+3V3", "GND", "OSC"),
            *row("C1", 0, 63, 3.0, "CLK", "GND"),
            *row("U3", 0, 72, 3.0, "VBUS", "GND", "+3V3"),
        ]
    ),
    {"U3": PartClass("U3", "regulator", is_supply=True, makes=frozenset({"+3V3"}))},
)
LINES = {"data-out": "MISO", "clock": "SCK", "select": "CS", "supply": "+3V3", "bit 3": "D3", "bit 4": "D4"}


def implied(found: Findings, lines: dict[str, str], part: str, *neighbours: set[int]) -> Implication | None:
    return implied_on(found, lines, part, BOARD, *neighbours)


def test_all_ones_points_at_the_lines_that_keep_a_chip_quiet_and_at_the_chip() -> None:
    found = implied(read_back(0xEF4018, [0xFFFFFF] * 5, "spi", 24), LINES, "U2")
    assert found is not None
    assert found.nets.keys() == {"MISO", "MISO_U1", "SCK", "CS"}
    assert found.rails.keys() == {"+3V3"}
    assert "U2" in found.parts
    assert min(found.nets.values()) > found.otherwise
    assert found.says


def test_a_stuck_bit_of_a_parallel_bus_points_at_its_line() -> None:
    found = implied(read_back(0x5A, [0x52] * 5, "parallel", 8), LINES, "U2")
    assert found is not None
    assert found.nets.keys() == {"D3", "D3_FAR"}
    assert found.parts.keys() == {"R4"}


def test_joined_bits_point_at_the_bridge() -> None:
    found = implied(read_back(0x15, [0x1D] * 5, "parallel", 8), LINES, "U2")
    assert found is not None
    assert found.joined.keys() == {frozenset({"D3", "D4"}), frozenset({"D3_FAR", "D4"})}


def test_nothing_is_implied_by_a_right_value_or_by_software() -> None:
    assert implied(read_back(0x5A, [0x5A] * 5, "spi", 8), LINES, "U2") is None
    assert implied(read_back(0x1234, [0x3412] * 5, "spi", 16), LINES, "U2") is None
    assert implied(read_back(0x5A, [0xFF] * 5, "uart", 8), {}, "U2") is not None  # the chip alone


def test_what_is_said_of_a_line_holds_for_the_parts_in_line_and_for_the_clock_that_drives_it() -> None:
    found = implied(read_back(0x5A, [0x00] * 5, "spi", 8), {"hold": "CLK"}, "U2")
    assert found is not None
    assert found.nets.keys() == {"CLK", "OSC"}
    assert found.parts.keys() == {"U2", "R3", "Y1"}, "the capacitor to ground carries nothing on"
    assert found.pins.keys() == {"R3.1", "R3.2", "Y1.1", "Y1.2", "Y1.3"}
    assert len({*found.nets.values(), *found.parts.values(), *found.pins.values()}) == 1


def test_a_pull_is_as_bad_missing_as_open_at_either_end() -> None:
    found = implied(read_back(0x5A, [0xFF] * 5, "spi", 8), {"select": "CS"}, "U2")
    assert found is not None
    assert found.pins["R2.1"] == found.pins["R2.2"] == found.parts["R2"] == found.nets["CS"]
    assert "+3V3" not in found.nets


@pytest.mark.parametrize("lines", [{}, {"supply": "+3V3"}])
def test_a_chip_without_power_is_its_own_joints_and_who_makes_the_supply(lines: dict[str, str]) -> None:
    found = implied(read_back(0x5A, [0xFF] * 5, "spi", 8), lines, "U2")
    assert found is not None
    assert found.pins.keys() == {"U2.4", "U2.5", "U3.1", "U3.2", "U3.3"}
    assert found.rails.keys() == {"+3V3"}
    assert found.parts.keys() == {"U2", "U3"}
    assert not found.nets, "the joints of others on the supply say nothing"


def test_a_pin_that_is_only_tied_to_the_supply_does_not_take_the_power_away() -> None:
    board = load_board("tern-b").board
    found = implied_on(read_back(0x5A3114, [0xFFFFFF] * 5, "spi", 24), {}, "U6", board)
    assert found is not None
    assert {pin for pin in found.pins if pin.startswith("U6")} == {"U6.8", "U6.4"}


def test_lines_that_the_plan_does_not_name_are_passed_over() -> None:
    found = implied(read_back(0x5A, [0x00] * 5, "spi", 8), {"clock": "SCK"}, "U2")
    assert found is not None
    assert not found.nets


# JEDEC ids of serial memories, from memory: two makers' parts of 128 Mbit, and the first one's of half the size
FLASH, HALF, SECOND_SOURCE = 0xEF4018, 0xEF4017, 0xC84018
KNOWN = {HALF: "half the size", SECOND_SOURCE: "a second source"}


def test_the_own_value_of_another_part_points_at_it_and_at_no_line() -> None:
    # C84018 differs from EF4018 in four bits of the first byte: no stuck bit, no shift makes it
    found = implied(read_back(FLASH, [SECOND_SOURCE] * 5, "spi", 24, known=KNOWN), LINES, "U2")
    assert found is not None
    assert found.others.keys() == {"U2"}
    assert not found.nets
    # any other way to just this value is one of 2^24
    assert found.others["U2"] / found.otherwise > 2**24 / 10


def test_a_neighbour_that_answers_points_at_the_select_line_too() -> None:
    found = implied(read_back(FLASH, [SECOND_SOURCE] * 5, "spi", 24, known=KNOWN), LINES, "U2", {SECOND_SOURCE})
    assert found is not None
    assert found.nets.keys() == {"CS"}
    assert found.parts.keys() == {"R2"}
    assert found.nets["CS"] == found.others["U2"] > found.otherwise


def test_a_value_that_one_wrong_bit_makes_too_is_shared_between_line_and_part() -> None:
    # 5A3114 and 5A3115 differ in bit 0; of the 24 single wrong bits one gives this value
    found = implied(read_back(0x5A3114, [0x5A3115] * 5, "spi", 24, known={0x5A3115: "twice the size"}), LINES, "U2")
    assert found is not None
    assert found.nets.keys() == {"MISO", "MISO_U1", "SCK"}
    assert found.others["U2"] / found.nets["SCK"] == pytest.approx(24)
    assert found.nets["SCK"] > found.otherwise


def test_a_steady_value_on_no_list_is_rather_another_part_than_a_joint() -> None:
    found = implied(read_back(FLASH, [0x123456] * 5, "spi", 24), LINES, "U2")
    assert found is not None
    assert found.others["U2"] > found.otherwise
    assert found.says
    # fewer readings do not tell steady from changing; and what changes is no part's own value
    assert implied(read_back(FLASH, [0x123456] * 2, "spi", 24), LINES, "U2") is None
    changing = implied(read_back(FLASH, [HALF, FLASH] * 3, "spi", 24, known=KNOWN), LINES, "U2")
    assert changing is not None
    assert not changing.others


def test_dead_lines_say_nothing_of_another_part() -> None:
    found = implied(read_back(FLASH, [0xFFFFFF] * 5, "spi", 24, known=KNOWN), LINES, "U2")
    assert found is not None
    assert not found.others
