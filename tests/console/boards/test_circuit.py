"""Pins by net and by place, against brute force; ways between parts on a small circuit drawn by hand."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.circuit import Circuit, Pin

SIDES = st.sampled_from(["top", "bottom", "both", ""])
COORDINATES = (
    st.none() | st.floats(-60, 60, allow_nan=False) | st.sampled_from([0.0, 0.5, 1.0, -1.0, math.nan, math.inf])
)


@st.composite
def pins(draw: st.DrawFn) -> list[Pin]:
    out = []
    for n in range(draw(st.integers(0, 25))):
        part, net = draw(st.sampled_from(["U1", "U2", "R1"])), draw(st.sampled_from(["", "A", "B"]))
        out.append(Pin(part, str(n // 2), net, draw(COORDINATES), draw(COORDINATES), draw(SIDES)))
    return out


def near_by_brute_force(everything: list[Pin], pin: Pin, within_mm: float) -> list[tuple[float, str, str]]:
    """Each pin against every other, as the docstring says."""
    out = []
    for other in everything:
        places = (pin.x_mm, pin.y_mm, other.x_mm, other.y_mm)
        if any(value is None or not math.isfinite(value) for value in places):
            continue
        opposite = {pin.side, other.side} == {"top", "bottom"}
        if (other.part, other.name) == (pin.part, pin.name) or opposite:
            continue
        distance = math.dist(places[:2], places[2:])  # type: ignore[arg-type]
        if distance <= within_mm + 1e-6:
            out.append((distance, other.part, other.name))
    return sorted(out)


@given(pins(), st.sampled_from([0.0, 0.4, 1.0, 2.5, 7.0, 200.0, 1e9, math.inf]), st.none() | st.integers(0, 5))
def test_neighbours_are_those_of_brute_force(everything: list[Pin], within_mm: float, most: int | None) -> None:
    circuit = Circuit(everything)
    for pin in everything:
        found = [(near.distance_mm, near.pin.part, near.pin.name) for near in circuit.neighbours(pin, within_mm, most)]
        expected = near_by_brute_force(everything, pin, within_mm)
        rounded = [(round(d, 9), part, name) for d, part, name in found]
        assert rounded == [(round(d, 9), part, name) for d, part, name in expected][:most]


@pytest.mark.parametrize("y_mm", [29.2, 30.2, 16.4, 9.1])
def test_a_pad_just_at_the_reach_is_near_wherever_it_lies(y_mm: float) -> None:
    # 30.8 - 29.2 is 1.6 in decimal and a little more in binary
    circuit = Circuit([Pin("C1", "1", "A", 48.0, y_mm, "top"), Pin("C1", "2", "B", 48.0, round(y_mm + 1.6, 3), "top")])
    assert [near.pin.ref for near in circuit.neighbours(circuit.pins[0], 1.6)] == ["C1.2"]


@given(pins())
def test_every_pin_is_in_its_part_and_in_its_net(everything: list[Pin]) -> None:
    circuit = Circuit(everything)
    together = [pin for group in circuit.parts.values() for pin in group]
    assert sorted(together, key=repr) == sorted(everything, key=repr)
    assert all(pin.net == net for net, group in circuit.nets.items() for pin in group)
    assert sum(map(len, circuit.nets.values())) == sum(1 for pin in everything if pin.net)
    for pin in everything:
        first = circuit.pin(pin.part, pin.name)
        assert first is not None
        assert first.ref == pin.ref
    assert circuit.pin("U1", "no such pin") is None


def test_pins_far_apart_do_not_make_a_search_slow() -> None:
    circuit = Circuit([Pin("A", "1", "", 0.0, 0.0), Pin("B", "1", "", 1e8, 0.0)])
    assert circuit.neighbours(circuit.pins[0], 1e7) == ()
    assert [near.pin.part for near in circuit.neighbours(circuit.pins[0], 1e8)] == ["B"]


#   U1.1 --A-- R1 --B-- R2 --C-- U2.1        U1.2 --B-- (joined to R1 and R2)
#   U1.3 --VDD-- R3 --C--                    U1.4 --D-- R4 --E (R4 has three pins)-- U2.2
LADDER = [
    Pin("U1", "1", "A"), Pin("U1", "2", "B"), Pin("U1", "3", "VDD"), Pin("U1", "4", "D"), Pin("U1", "5", ""),
    Pin("R1", "1", "A"), Pin("R1", "2", "B"), Pin("R2", "1", "B"), Pin("R2", "2", "C"), Pin("R3", "1", "VDD"),
    Pin("R3", "2", "C"), Pin("R4", "1", "D"), Pin("R4", "2", "E"), Pin("R4", "3", "E"),
    Pin("U2", "1", "C"), Pin("U2", "2", "E"), Pin("U2", "3", "VDD"), Pin("U2", "4", ""),
]  # fmt: skip


def ways(circuit: Circuit, *args: object) -> list[tuple[list[str], tuple[str, ...], tuple[str, ...]]]:
    links = circuit.pins_between(*args)  # type: ignore[arg-type]
    return [([pin.ref for pin in link.pins], link.nets, link.through) for link in links]


def test_ways_between_parts_pass_series_parts_but_no_supply() -> None:
    circuit = Circuit(LADDER)
    assert ways(circuit, "U1", "U2", {"R1", "R2", "R3", "R4"}, {"VDD"}) == [
        (["U1.1", "R1.1", "R1.2", "R2.1", "R2.2", "U2.1"], ("A", "B", "C"), ("R1", "R2")),
        (["U1.2", "R2.1", "R2.2", "U2.1"], ("B", "C"), ("R2",)),
    ]


def test_without_series_parts_only_one_net_joins() -> None:
    circuit = Circuit(LADDER)
    assert ways(circuit, "U1", "U2") == [(["U1.3", "U2.3"], ("VDD",), ())]
    assert ways(circuit, "U1", "U2", (), re.compile("V.*")) == []
    assert ways(circuit, "U1", "U2", (), re.compile("V")) == [(["U1.3", "U2.3"], ("VDD",), ())], "whole names only"


def test_a_part_is_not_joined_to_itself_and_an_unknown_part_to_nothing() -> None:
    circuit = Circuit(LADDER)
    assert ways(circuit, "U1", "U1", {"R1"}) == []
    assert ways(circuit, "U1", "U9", {"R1"}) == ways(circuit, "U9", "U1", {"R1"}) == []


def test_a_way_that_begins_at_a_series_part_does_not_pass_it() -> None:
    circuit = Circuit(LADDER)
    assert ways(circuit, "R1", "U2", {"R1", "R2"}) == [(["R1.2", "R2.1", "R2.2", "U2.1"], ("B", "C"), ("R2",))]
    assert ways(circuit, "U1", "R2", {"R1", "R2"}) == [
        (["U1.1", "R1.1", "R1.2", "R2.1"], ("A", "B"), ("R1",)),
        (["U1.2", "R2.1"], ("B",), ()),
    ]


def test_ends_of_a_way_and_a_ring_of_resistors_ends() -> None:
    ring = [Pin("U1", "1", "A"), Pin("R1", "1", "A"), Pin("R1", "2", "B"), Pin("R2", "1", "B"), Pin("R2", "2", "A")]
    circuit = Circuit([*ring, Pin("J1", "1", "B"), Pin("J1", "2", "B"), Pin("J1", "3", "A")])
    links = circuit.pins_between("U1", "J1", {"R1", "R2"})
    assert [(link.start.ref, link.end.ref, link.through) for link in links] == [
        ("U1.1", "J1.3", ()),
        ("U1.1", "J1.1", ("R1",)),
        ("U1.1", "J1.2", ("R1",)),
    ]


def test_several_pads_of_a_pin_are_one_joint_on_the_way() -> None:
    pads = [Pin("J1", "S", "G", 0.0, 0.0), Pin("J1", "S", "G", 5.0, 0.0), Pin("U1", "1", "G", 1.0, 0.0)]
    circuit = Circuit(pads)
    assert [link.start for link in circuit.pins_between("J1", "U1")] == [pads[0]]
    assert [link.end for link in circuit.pins_between("U1", "J1")] == [pads[0]]
    assert [near.pin.ref for near in circuit.neighbours(pads[0], 10)] == ["U1.1"]
