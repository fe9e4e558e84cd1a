"""What can make a supply too high, by its netlist. How regulators are steered: common practice, no source."""

from __future__ import annotations

from console.boards.circuit import Circuit, Pin
from console.boards.defects import defects
from console.boards.limits import Limits
from console.boards.plan import Rail
from console.boards.stagerun import Board, Exercises, PartClass, reach
from console.boards.supply import apart_from, too_high

# U1 makes 3.3 V of 5 V over the coil L1, with a divider at its feedback pin 4: R1 from the output, R2 to ground; its
# pin 6 is on the output too
PINS = [
    Pin("U1", "1", "+5V"), Pin("U1", "2", "GND"), Pin("U1", "3", "SW"), Pin("U1", "4", "FB"), Pin("U1", "5", "EN"),
    Pin("U1", "6", "+3V3"),
    Pin("L1", "1", "SW"), Pin("L1", "2", "+3V3"),
    Pin("R1", "1", "+3V3"), Pin("R1", "2", "FB"), Pin("R2", "1", "FB"), Pin("R2", "2", "GND"),
    Pin("R3", "1", "+5V"), Pin("R3", "2", "EN"),
    Pin("U2", "1", "+3V3"), Pin("U2", "2", "GND"), Pin("U2", "3", "+1V8"), Pin("J1", "1", "+5V"), Pin("J1", "2", "GND"),
]  # fmt: skip
BOARD = Board(
    Circuit(PINS),
    {
        "U1": PartClass("U1", "regulator", is_supply=True, makes=frozenset({"+3V3"})),
        "U2": PartClass("U2", "regulator", is_supply=True, makes=frozenset({"+1V8"})),
    },
)
RAILS = {net: Rail(net, Limits(volts * 0.95, volts * 1.05, "V"), "x") for net, volts in
         {"+5V": 5.0, "+3V3": 3.3, "+1V8": 1.8}.items()}  # fmt: skip


def refs(pins: list[Pin]) -> set[str]:
    return {pin.ref for pin in pins}


def test_what_steers_a_supply_is_its_feedback_pin_and_the_divider() -> None:
    assert refs(BOARD.steering("+3V3")) == {"U1.4", "R1.1", "R1.2", "R2.1", "R2.2"}
    assert BOARD.steering("+1V8") == []
    assert BOARD.steering("+5V") == []


def test_whoever_needs_the_supply_needs_what_steers_it() -> None:
    found = reach(BOARD, Exercises(parts=frozenset({"U2"})), defects().strength)
    needed = {pin.ref for pin, chance in found.pins.items() if chance == defects().strength.direct}
    assert {"U1.4", "R1.2", "R2.1"} <= needed


def test_a_supply_that_is_too_high_points_at_its_maker_the_divider_and_higher_supplies() -> None:
    found = too_high(BOARD, RAILS, "+3V3", 4.9)
    assert found.others.keys() == {"U1"}
    assert {"U1.4", "U1.2", "R1.1"} <= found.pins.keys()
    assert "U1.1" not in found.pins
    assert found.joined.keys() == {frozenset({"+3V3", "+5V"})}
    assert found.says == "4.9 V is too high"
    assert min(found.pins.values()) > found.otherwise


def test_no_bridge_lifts_a_supply_above_where_it_comes_from() -> None:
    assert not too_high(BOARD, RAILS, "+3V3", 9.0).joined
    assert too_high(BOARD, RAILS, "+1V8", 3.3).joined.keys() == {frozenset({"+1V8", name}) for name in ("+3V3", "+5V")}


def test_a_reading_in_its_limits_clears_bridges_to_other_voltages_alone() -> None:
    twin = {**RAILS, "+3V3A": Rail("+3V3A", Limits(3.2, 3.4, "V"), "x")}
    assert apart_from(BOARD, twin, "+3V3") == {frozenset({"+3V3", name}) for name in ("+5V", "+1V8")}
    only = {"+3V3": RAILS["+3V3"]}
    assert apart_from(BOARD, only, "+3V3") == {frozenset({"+3V3", "+5V"})}, "what it is made of is never the same"
