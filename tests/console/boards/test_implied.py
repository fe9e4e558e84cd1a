"""What read-backs imply on a board. Which lines a pattern points at: see readback; the chances: common practice."""

from __future__ import annotations

import pytest

from console.boards.implied import implied
from console.boards.readback import read_back

LINES = {"data-out": "MISO", "clock": "SCK", "select": "CS", "supply": "+3V3", "bit 3": "D3", "bit 4": "D4"}


def test_all_ones_points_at_the_lines_that_keep_a_chip_quiet_and_at_the_chip() -> None:
    found = implied(read_back(0xEF4018, [0xFFFFFF] * 5, "spi", 24), LINES, "U2")
    assert found is not None
    assert found.nets.keys() >= {"MISO", "SCK", "CS", "+3V3"}
    assert found.parts.keys() == {"U2"}
    assert min(found.nets.values()) > found.otherwise
    assert found.says


def test_a_stuck_bit_of_a_parallel_bus_points_at_its_line() -> None:
    found = implied(read_back(0x5A, [0x52] * 5, "parallel", 8), LINES, "U2")
    assert found is not None
    assert found.nets.keys() == {"D3"}
    assert not found.parts


def test_joined_bits_point_at_the_bridge() -> None:
    found = implied(read_back(0x15, [0x1D] * 5, "parallel", 8), LINES, "U2")
    assert found is not None
    assert found.joined.keys() == {frozenset({"D3", "D4"})}


def test_nothing_is_implied_by_a_right_value_or_by_software() -> None:
    assert implied(read_back(0x5A, [0x5A] * 5, "spi", 8), LINES, "U2") is None
    assert implied(read_back(0x1234, [0x3412] * 5, "spi", 16), LINES, "U2") is None
    assert implied(read_back(0x5A, [0xFF] * 5, "uart", 8), {}, "U2") is not None  # the chip alone


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
    assert found.nets["CS"] == found.others["U2"] > found.otherwise


def test_a_value_that_one_wrong_bit_makes_too_is_shared_between_line_and_part() -> None:
    # 5A3114 and 5A3115 differ in bit 0; of the 24 single wrong bits one gives this value
    found = implied(read_back(0x5A3114, [0x5A3115] * 5, "spi", 24, known={0x5A3115: "twice the size"}), LINES, "U2")
    assert found is not None
    assert found.nets.keys() == {"MISO", "SCK"}
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
