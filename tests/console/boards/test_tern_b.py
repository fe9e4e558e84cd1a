"""The packaged example board: it is what its script writes, a general reader reads it as we do, and it makes sense."""

from __future__ import annotations

import hashlib
import math
import re

import pytest

from console.boards.circuit import Circuit
from console.boards.examples import NETLISTS, example_netlist
from console.boards.netlist import Netlist, parse_netlist
from tests.console.boards.make_tern_b import BOARD_MM, LONG_NAMES, PACKAGED, PARTS, render

SUPPLIES = re.compile(r"GND|VBUS|VBAT|\+\dV\d")
# ref, pin, net, x, y of all 249 places as the free reader gerbonara 1.5.0 gives them, as one digest
READ_BY_ANOTHER = "b13798ea3da9b48c810e1a467a0f172e5999106b0266ec3f00703ad4322f6906"


@pytest.fixture(scope="module")
def tern() -> Netlist:
    return parse_netlist(example_netlist("tern-b"), "tern-b.356")


def test_the_packaged_file_is_what_the_script_writes() -> None:
    assert PACKAGED.read_text(encoding="ascii") == render()
    assert example_netlist("tern-b") == render().encode()
    assert list(NETLISTS) == ["tern-b"]


def test_it_says_that_it_is_invented_and_keeps_to_80_columns() -> None:
    lines = render().split("\n")
    assert "invented" in lines[0] + lines[1]
    assert all(len(line) <= 80 for line in lines if not line.startswith(("C", "389")))


def test_another_reader_reads_the_same_places(tern: Netlist) -> None:
    places = [
        (pin.part, pin.name, pin.net, f"{pin.x_mm:.4f}", f"{pin.y_mm:.4f}") for pin in tern.circuit.pins + tern.vias
    ]
    assert hashlib.sha256(repr(sorted(places)).encode()).hexdigest() == READ_BY_ANOTHER


def test_nothing_in_it_needs_a_notice_and_every_net_joins_something(tern: Netlist) -> None:
    assert tern.notices == ()
    assert set(tern.circuit.parts) == set(PARTS)
    assert 25 <= len(PARTS) <= 40
    assert all(len({pin.ref for pin in pins}) >= 2 for pins in tern.circuit.nets.values())
    assert set(LONG_NAMES) <= set(tern.circuit.nets)


def test_all_of_it_lies_on_the_board_and_no_two_parts_overlap(tern: Netlist) -> None:
    boxes: dict[str, tuple[float, float, float, float, bool]] = {}
    for ref, pads in tern.circuit.parts.items():
        xs = [pin.place[0] for pin in pads if pin.place]
        ys = [pin.place[1] for pin in pads if pin.place]
        assert 0 <= min(xs) <= max(xs) <= BOARD_MM[0]
        assert 0 <= min(ys) <= max(ys) <= BOARD_MM[1]
        boxes[ref] = (min(xs), min(ys), max(xs), max(ys), PARTS[ref].bottom)
    for a, (left, low, right, high, bottom) in boxes.items():
        for b, (left_b, low_b, right_b, high_b, bottom_b) in boxes.items():
            if a < b and bottom == bottom_b:
                assert left > right_b or left_b > right or low > high_b or low_b > high, f"{a} lies on {b}"


def test_fine_pins_have_real_neighbours(tern: Netlist) -> None:
    circuit = tern.circuit
    strap = circuit.pin("U4", "44")
    assert strap is not None
    assert strap.net == "BOOT0"
    near = circuit.neighbours(strap, 0.6)
    assert [(n.pin.name, n.pin.net, round(n.distance_mm, 3)) for n in near] == [("43", "I2C_SDA", 0.5), ("45", "", 0.5)]
    bridge_tx = circuit.pin("U1", "17")
    assert bridge_tx is not None
    assert "BR_RXD" in {n.pin.net for n in circuit.neighbours(bridge_tx, 0.6)}
    cell = circuit.pin("BT1", "1")
    assert cell is not None
    assert cell.side == "bottom"
    assert circuit.neighbours(cell, 1.0) == (), "what lies above it on the other side is no neighbour"


def ways(circuit: Circuit, a: str, b: str) -> set[tuple[str, str, tuple[str, ...]]]:
    resistors = [ref for ref in circuit.parts if ref.startswith("R")]
    return {(way.start.ref, way.end.ref, way.through) for way in circuit.pins_between(a, b, resistors, SUPPLIES)}


def test_the_ways_that_a_bring_up_needs(tern: Netlist) -> None:
    circuit = tern.circuit
    assert ways(circuit, "U1", "U4") == {
        ("U1.14", "U4.7", ("R6",)),  # reset
        ("U1.15", "U4.44", ("R7",)),  # boot strap
        ("U1.16", "U4.30", ("R2",)),
        ("U1.17", "U4.31", ("R1",)),
    }
    assert {net for way in circuit.pins_between("U4", "U6") for net in way.nets if not SUPPLIES.fullmatch(net)} == {
        "FLASH_CS", "SPI_SCK", "SPI_MISO", "SPI_MOSI",
    }  # fmt: skip
    assert {start for start, _, _ in ways(circuit, "U4", "U5")} == {
        "U4.15",
        "U4.16",
        "U4.17",
        "U4.18",
        "U4.21",
        "U4.22",
    }
    assert ways(circuit, "Y1", "U5") == {("Y1.3", "U5.20", ("R8",))}
    assert {through for _, _, through in ways(circuit, "U7", "U4")} == {()}
    assert {way[:2] for way in ways(circuit, "U7", "J3")} == {("U7.5", "J3.4"), ("U7.6", "J3.3")}


def test_a_pin_pitch_of_half_a_millimetre_runs_round_the_fine_parts(tern: Netlist) -> None:
    for ref, count in (("U1", 24), ("U4", 48), ("U5", 48)):
        side = count // 4
        for n in range(1, count):
            a, b = tern.circuit.pin(ref, str(n)), tern.circuit.pin(ref, str(n + 1))
            assert a is not None
            assert b is not None
            assert a.place is not None
            assert b.place is not None
            if n % side:
                assert math.isclose(math.dist(a.place, b.place), 0.5, abs_tol=2e-3)
