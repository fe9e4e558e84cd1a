"""What read-backs imply on a board. Which lines a pattern points at: see readback; the chances: common practice."""

from __future__ import annotations

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
