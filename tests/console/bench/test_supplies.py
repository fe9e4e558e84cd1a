"""Volts and ohms of the staged board, against Ohm's law and the limits of supplies; the source beside each check."""

from __future__ import annotations

from importlib import resources

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench import circuit, meter, supplies, tern
from console.bench.joints import Joints
from console.bench.setup import Setup
from console.boards.netlist import parse_netlist


def setup(**wrong: object) -> Setup:
    return Setup(joints=Joints(**wrong))  # type: ignore[arg-type]


def test_every_pin_is_that_of_the_example() -> None:
    # the packaged netlist, IPC-D-356A
    text = resources.files("console.boards.examples.tern_b").joinpath("tern-b.356").read_bytes()
    pins = parse_netlist(text).circuit.pins
    assert {pin.ref for pin in pins} == tern.PINS
    assert {pin.ref: pin.net for pin in pins if pin.net} == tern.NETS


def test_a_good_board_has_its_supplies() -> None:
    shown = supplies.volts(Joints())
    assert 4.4 <= shown["VBUS"] <= 5.25  # USB 2.0 s.7.2.1, Table 7-7
    assert 3.135 <= shown["+3V3"] <= 3.465  # 5 % either way, as the board file has them
    assert 1.14 <= shown["+1V2"] <= 1.26
    assert all(supplies.lives(Joints(), part) for part in tern.POWER)


@pytest.mark.parametrize(
    ("bridges", "a", "b", "ohm"),
    [
        ((("U4.8", "U4.9"),), "+3V3", "GND", 0.5),
        ((("U4.8", "U4.9"), ("C5.1", "C5.2")), "+3V3", "GND", 0.25),  # two alike side by side halve
        ((("C8.1", "C8.2"),), "+1V2", "GND", 0.5),
        ((("J1.1", "J1.5"),), "VBUS", "GND", 0.5),
        ((("U4.30", "U4.31"),), "MCU_TX", "MCU_RX", 0.5),
        ((("U4.30", "U4.31"),), "U1.16", "U1.17", 940.5),  # through both series resistors
        ((), "BR_TXD", "U4.31", 470.0),
        ((), "U4.8", "U4.23", circuit.WIRE_OHM),
    ],
)
def test_what_an_ohmmeter_shows(bridges: tuple[tuple[str, str], ...], a: str, b: str, ohm: float) -> None:
    # Ohm's law for resistors in series and side by side; solder is 0.5 ohm here
    assert supplies.ohms(Joints(bridges=bridges), a, b) == pytest.approx(ohm, rel=0.01)


def test_what_is_not_joined_is_an_overload() -> None:
    assert supplies.ohms(Joints(), "MCU_TX", "MCU_RX") == circuit.UNREADABLE_OHM
    assert supplies.ohms(Joints(opens=("U4.31",)), "BR_TXD", "U4.31") == circuit.UNREADABLE_OHM
    assert supplies.ohms(Joints(dead=("R1",)), "BR_TXD", "MCU_RX") == circuit.UNREADABLE_OHM
    assert meter.ohms(setup(), "MCU_TX", "MCU_RX") == float("inf")


@pytest.mark.parametrize(
    ("wrong", "usb", "main", "core"),
    [
        ({"dead": ("U3",)}, True, True, False),
        ({"opens": ("U3.5",)}, True, True, False),
        ({"opens": ("U3.2",)}, True, True, False),
        ({"dead": ("U2",)}, True, False, False),
        ({"opens": ("U2.3",)}, True, False, False),  # its enable pin
        ({"opens": ("J1.1",)}, False, False, False),
        ({"opens": ("J1.5",)}, True, True, True),  # the shell is on ground too
        ({"opens": ("J1.5", "J1.S")}, False, False, False),
        ({"bridges": (("U4.8", "U4.9"),)}, True, False, False),
        ({"bridges": (("C8.1", "C8.2"),)}, True, True, False),
        ({"bridges": (("J1.1", "J1.5"),)}, False, False, False),
        ({"opens": ("C8.1", "C2.2", "TP1.1")}, True, True, True),
    ],
)
def test_which_supplies_are_up(wrong: dict[str, object], usb: bool, main: bool, core: bool) -> None:
    # a regulator gives nothing without its input, its ground, its enable or its output; what it feeds falls with it
    shown = supplies.volts(Joints(**wrong))  # type: ignore[arg-type]
    assert (shown["VBUS"] > 4, shown["+3V3"] > 3, shown["+1V2"] > 1) == (usb, main, core)


def test_two_supplies_that_are_joined_show_the_higher() -> None:
    # a linear regulator gives current and takes none: the higher source wins
    assert supplies.volts(Joints(bridges=(("C7.1", "C8.1"),)))["+1V2"] == pytest.approx(3.3, abs=0.1)
    assert supplies.volts(Joints(bridges=(("U1.6", "U1.7"),)))["+3V3"] == pytest.approx(5.0, abs=0.2)


def test_a_meter_shows_no_volts_without_power_and_none_where_a_chip_decides() -> None:
    from dataclasses import replace

    good = setup()
    assert meter.volts(good, "C8.1") == pytest.approx(1.2, abs=0.05)
    assert meter.volts(replace(good, wiring=replace(good.wiring, powered=False)), "+1V2") == 0.0
    assert meter.volts(good, "GND") == 0.0
    assert meter.volts(good, "MCU_TX") is None


@settings(max_examples=80)
@given(
    st.lists(st.sampled_from(sorted(tern.PINS)), max_size=4, unique=True),
    st.lists(st.tuples(st.sampled_from(sorted(tern.PINS)), st.sampled_from(sorted(tern.PINS))), max_size=3),
    st.lists(st.sampled_from(sorted(tern.PARTS)), max_size=2, unique=True),
    st.sampled_from(sorted(tern.NETS)),
)
def test_whatever_is_wrong_readings_are_possible(
    opens: list[str], bridges: list[tuple[str, str]], dead: list[str], place: str
) -> None:
    joints = Joints(opens=tuple(opens), bridges=tuple(bridges), dead=tuple(dead))
    assert all(-0.01 <= volts <= 5.01 for volts in supplies.volts(joints).values())  # nothing here makes more
    assert 0 <= supplies.ohms(joints, place, "GND") <= circuit.UNREADABLE_OHM
