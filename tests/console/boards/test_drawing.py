"""A net, a part, a pin as text: what is drawn is what the netlist says, in lines that any terminal can hold."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.drawing import draw_net, draw_part, draw_pin, probe_line
from console.boards.examples import example_netlist
from console.boards.netlist import Netlist, parse_netlist


@pytest.fixture(scope="module")
def tern() -> Netlist:
    return parse_netlist(example_netlist("tern-b"))


def test_a_net(tern: Netlist) -> None:
    assert draw_net(tern, "MCU_RX") == [
        "net MCU_RX: 2 parts, 2 pins, 2 vias",
        "├─ R1 (on to net BR_TXD)",
        "│  └ 2     x 18.00 y 21.20 mm, on top",
        "│         1.60 mm to R1.1, net BR_TXD",
        "│         2.00 mm to R2.2, net MCU_TX",
        "├─ U4",
        "│  └ 31    x 32.25 y 20.25 mm, on top",
        "│         0.50 mm to U4.30, net MCU_TX",
        "│         0.50 mm to U4.32, no net",
        "└─ vias",
        "   ├ x 35.60 y 19.40 mm, under solder mask",
        "   └ x 19.40 y 25.20 mm, under solder mask",
        "probe: R1.2 on top (1.60 mm to the next net), U4.31 on top (0.50 mm to the next net)",
    ]


def test_pins_of_the_same_net_are_no_neighbours_that_matter(tern: Netlist) -> None:
    lines = draw_net(tern, "VBUS")
    assert any("0.95 mm to U2.2, net GND" in line for line in lines)
    assert not any("net VBUS" in line for line in lines[1:])


def test_the_probe_goes_where_there_is_most_room(tern: Netlist) -> None:
    # the via is the roomiest place of this net and not covered; the microcontroller's pin the tightest
    assert probe_line(tern, "SPI_MISO").startswith("probe: via at x 36.60 y 14.00 mm from both sides")
    assert "U4.16" in probe_line(tern, "SPI_MISO").split(",")[-1]
    assert probe_line(tern, "no such net") == "probe: no bare metal of this net is known"


def test_a_part(tern: Netlist) -> None:
    assert draw_part(tern, "J4") == [
        "part J4: 6 pins, from both sides",
        "  1  +3V3                U2.5, C2.1, TP1.1, U1.2 and 30 more",
        "  2  GND                 J1.5, J1.S, U2.2, C1.2 and 28 more",
        "  3  RADIO_RX            U4.12",
        "  4  RADIO_TX            U4.13",
        "  5  RADIO_POWER_ENABLE  U4.29",
        "  6  RADIO_IRQ           U4.19",
    ]
    assert draw_part(tern, "U2")[4] == "  4  no net"


def test_a_pin_and_one_with_several_pads(tern: Netlist) -> None:
    lines = draw_pin(tern, "U4", "44", within_mm=0.9)
    assert lines == [
        "pin U4.44: net BOOT0, x 27.25 y 24.25 mm, on top",
        "joined to R7.2, R4.1",
        "within 0.9 mm, centre to centre:",
        "   0.50 mm  U4.43  net I2C_SDA",
        "   0.50 mm  U4.45  no net",
        *lines[-1:],
    ]
    shield = draw_pin(tern, "J1", "S")
    assert shield[0].count("; x ") == 3
    assert "   1.60 mm  J1.1  net VBUS" in shield
    assert "   1.60 mm  J1.5  net GND (the same net)" in shield
    assert draw_pin(tern, "TP1", "1", within_mm=1)[-2] == "no other pin within 1 mm"


@pytest.mark.parametrize(
    ("mask", "words"), [("S0", "from both sides"), ("S1", "bare only at the bottom"), ("S3", "under")]
)
def test_a_via_says_where_its_metal_is_bare(mask: str, words: str) -> None:
    text = f"317A                VIA        MD0300PA00X+000000Y+000000X0600Y0000R000 {mask}\n999"
    lines = draw_net(parse_netlist(text.encode()), "A")
    assert f"x 0.00 y 0.00 mm, {words}" in lines[-2]


@pytest.mark.parametrize("places", ["P  UNITS CUST 0", "P  UNITS FURLONG"])
def test_every_net_and_part_can_be_drawn(tern: Netlist, places: str) -> None:
    other = parse_netlist(example_netlist("tern-b").replace(b"P  UNITS CUST 1", places.encode()))
    for netlist in (tern, other):
        for net, pins in netlist.circuit.nets.items():
            lines = draw_net(netlist, net)
            assert all(any(f" {pin.name} " in line + " " for line in lines) for pin in pins)
            assert max(map(len, lines[:-1])) < 80
        for part, pins in netlist.circuit.parts.items():
            assert len(draw_part(netlist, part)) == 1 + len({pin.name for pin in pins})
            assert draw_pin(netlist, part, pins[0].name)[0].startswith(f"pin {pins[0].ref}: ")


def test_what_is_not_there_cannot_be_drawn(tern: Netlist) -> None:
    for draw in (lambda: draw_net(tern, "X"), lambda: draw_part(tern, "X"), lambda: draw_pin(tern, "U4", "X")):
        with pytest.raises(KeyError):
            draw()


@given(st.binary(min_size=1, max_size=14).filter(lambda name: not set(name) & set(b"\n\r")))
def test_hostile_names_stay_text(name: bytes) -> None:
    netlist = parse_netlist(b"327" + name.ljust(14) + b"   U\x1b1   -\x9b1         A01X+000000Y+000000\n999")
    for net in netlist.circuit.nets:
        assert all(line.isprintable() for line in draw_net(netlist, net))
    (pin,) = netlist.circuit.pins
    assert all(line.isprintable() for line in draw_part(netlist, pin.part) + draw_pin(netlist, pin.part, pin.name))
