"""What a stage needs on a board follows from what it names. The rules are reasoned (common practice, no source)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.circuit import Circuit, Pin
from console.boards.defects import defects
from console.boards.stagerun import RAILS, Board, Exercises, Implication, PartClass, Reach, guessed_class, reach, wild

PINS = [
    Pin("U1", "1", "+3V3"), Pin("U1", "2", "GND"), Pin("U1", "3", "CS"), Pin("U1", "4", "SCK"), Pin("U1", "5", "CLK"),
    Pin("U1", "6", "+3V3"), Pin("U1", "7", "RX_A"),
    Pin("U2", "1", "CS"), Pin("U2", "2", "SCK"), Pin("U2", "3", "+3V3"), Pin("U2", "4", "GND"),
    Pin("U3", "1", "VBUS"), Pin("U3", "2", "GND"), Pin("U3", "3", "VBUS"), Pin("U3", "4", "+3V3"),
    Pin("J1", "1", "VBUS"), Pin("J1", "2", "GND"),
    Pin("U4", "1", "RX"), Pin("U4", "2", "VBUS"), Pin("U4", "3", "GND"),
    Pin("U5", "1", "SCK"), Pin("U5", "2", "+3V3"), Pin("U5", "3", "GND"),
    Pin("R1", "1", "RX"), Pin("R1", "2", "RX_A"),
    Pin("R2", "1", "CS"), Pin("R2", "2", "+3V3"),
    Pin("Y1", "1", "CLK"), Pin("Y1", "2", "GND"), Pin("Y1", "3", "+3V3"),
]  # fmt: skip
MAKERS = {
    "U3": PartClass("U3", "regulator", is_supply=True, makes=frozenset({"+3V3"})),
    "J1": PartClass("J1", "connector", is_supply=True, makes=frozenset({"VBUS"})),
}
BOARD = Board(Circuit(PINS), MAKERS)
STRENGTH = defects().strength


def needs(parts: str = "", nets: str = "", pins: str = "") -> Reach:
    return reach(BOARD, Exercises(*(frozenset(words.split()) for words in (parts, nets, pins))), STRENGTH)


def at(found: Reach, ref: str) -> float:
    return {pin.ref: chance for pin, chance in found.pins.items()}.get(ref, 0.0)


def test_joints_of_named_parts_on_named_nets() -> None:
    found = needs("U1 U2", "CS SCK")
    assert [at(found, ref) for ref in ("U1.3", "U1.4", "U2.1", "U2.2")] == [STRENGTH.direct] * 4
    assert at(found, "U5.1") == 0  # on the net, not in the stage: its open joint harms nobody
    assert found.parts["U5"] == STRENGTH.bystander
    assert at(found, "U1.7") == 0
    assert found.nets == {"CS", "SCK"}


def test_a_pull_up_may_matter() -> None:
    found = needs("U1 U2", "CS SCK")
    assert at(found, "R2.1") == at(found, "R2.2") == found.parts["R2"] == STRENGTH.pull


def test_supplies_back_to_their_source() -> None:
    found = needs("U1 U2", "CS")
    assert found.rails.keys() == {"+3V3", "VBUS"}
    assert found.grounded == {"+3V3", "VBUS", "GND"}
    assert at(found, "U2.3") == STRENGTH.direct
    assert at(found, "U1.1") == at(found, "U1.6") == STRENGTH.shared
    assert at(found, "U3.1") == at(found, "U3.3") == STRENGTH.direct  # input and enable: each has its own task
    assert at(found, "J1.1") == STRENGTH.direct
    assert found.parts["U3"] == found.parts["J1"] == STRENGTH.direct


def test_what_a_supply_feeds_is_not_needed_by_what_feeds_it() -> None:
    found = needs("U4", pins="U4.1")
    assert found.rails.keys() == {"VBUS"}
    assert at(found, "U3.4") == 0


def test_series_parts_conduct_when_both_their_nets_are_named() -> None:
    found = needs("U1 U4", "RX*")
    assert at(found, "R1.1") == at(found, "R1.2") == found.parts["R1"] == STRENGTH.direct
    assert at(needs("U4", "RX"), "R1.2") == STRENGTH.pull


def test_two_parts_alone_mean_the_nets_between_them_through_series_parts() -> None:
    assert needs("U1 U4").nets == {"RX", "RX_A"}
    assert needs("U1 U2").nets == {"CS", "SCK"}


def test_one_part_alone_means_all_of_it_weakly() -> None:
    found = needs("U2")
    assert at(found, "U2.1") == STRENGTH.whole_part
    assert found.parts["U2"] == STRENGTH.direct


def test_nets_alone_mean_all_parts_on_them() -> None:
    found = needs(nets="SCK")
    assert {ref for ref, chance in found.parts.items() if chance == STRENGTH.direct} >= {"U1", "U2", "U5"}


def test_a_clock_is_needed_perhaps_or_surely() -> None:
    assert needs("U1 U2", "CS").parts["Y1"] == STRENGTH.clock
    assert at(needs("U1 U2", "CS"), "U1.5") == STRENGTH.clock
    assert needs("U1 Y1", "CLK").parts["Y1"] == STRENGTH.direct
    assert "Y1" not in needs("U4", "RX").parts


def test_unknown_names_are_told_and_passed_over() -> None:
    wrong = Exercises(frozenset({"U9"}), frozenset({"XY*", "SCK"}), frozenset({"U1.99"}))
    assert wrong.missing(BOARD.circuit) == ("U9", "XY*", "U1.99")
    assert reach(BOARD, wrong, STRENGTH).nets == {"SCK"}


def test_rail_names() -> None:
    # common practice, no source
    rails = "GND AGND VSS VDD VDDA VCC IOVDD VBUS VSYS VUSB VLOGIC VPP V+ VBAT V_BAT +BATT +3V3 3V3 +3.3V 3.3V +1V2"
    for name in (*rails.split(), "P3V3", "5V", "+1.8V", "+5V_USB", "USB_5V", "/+3V3", "/Power/VDD"):
        assert RAILS.fullmatch(name), name
    for name in ("SPI_SCK", "D0", "V_SENSE", "RESET", "A3", "CLK_3V", "GUARD", "EN_VCC", "PG_3V3", "BAT_SENSE"):
        assert not RAILS.fullmatch(name), name
    assert Board(BOARD.circuit).is_supply_rail("+3V3")
    assert not BOARD.is_supply_rail("GND")
    assert Board(BOARD.circuit, power={"SCK"}).is_rail("SCK")


def test_guesses_from_the_class_letters() -> None:
    # from memory of IEEE Std 315
    roles = {ref: guessed_class(ref).role for ref in ("R7", "C1", "U4", "Y2", "J1", "FB3", "BT1", "TP1", "IC5", "42")}
    assert roles == {
        "R7": "resistor", "C1": "capacitor", "U4": "chip", "Y2": "clock", "J1": "connector", "FB3": "inductor",
        "BT1": "battery", "TP1": "testpoint", "IC5": "chip", "42": "chip",
    }  # fmt: skip
    assert guessed_class("Y2").is_clock
    assert guessed_class("BT1").is_supply


def test_values_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="role"):
        PartClass("U1", "wizard")
    with pytest.raises(ValueError, match="minutes"):
        PartClass("U1", inspect_min=0)
    with pytest.raises(ValueError, match="chances"):
        Implication("all ones", nets={"SCK": 0})


@given(st.text(max_size=12))
def test_only_stars_and_marks_are_wild(text: str) -> None:
    assert wild(text).fullmatch(text) or "\n" in text
    plain = text.replace("*", "").replace("?", "")
    assert wild(plain).fullmatch(plain)
    assert not wild(plain).fullmatch(plain + "x")


def test_many_stars_take_no_longer() -> None:
    assert not wild("*" * 60 + "a").fullmatch("b" * 5000)
    assert not wild("*a" * 30).fullmatch("a" * 29 + "b" * 2000)


NAMES = st.sampled_from(["U1", "U2", "U9", "R1", "CS", "S*", "*", "U1.3", "R1.1", "RX?A", ""])


@given(st.frozensets(NAMES), st.frozensets(NAMES), st.frozensets(NAMES))
def test_any_names_give_chances(parts: frozenset[str], nets: frozenset[str], pins: frozenset[str]) -> None:
    found = reach(BOARD, Exercises(parts, nets, pins), STRENGTH)
    assert all(0 < chance < 1 for table in (found.pins, found.parts, found.rails) for chance in table.values())
    assert found.parts.keys() <= BOARD.circuit.parts.keys()
    assert not any(BOARD.is_rail(net) for net in found.nets)
