"""Writes the netlist of the Tern river-level logger, revision B: our own invention, for demos and tests.

`python tests/console/boards/make_tern_b.py` writes the packaged file anew; a test compares it byte for byte. Places
come from usual package geometry (0.5 mm pitch for the fine parts), so that a pin's neighbours are real ones.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

PACKAGED = Path(__file__).resolve().parents[3] / "console/boards/examples/tern_b/tern-b.356"
BOARD_MM = (58, 40)
NO_NET = "N/C"
# longer than the 14 columns of a name, so they stand in the header
LONG_NAMES = {"PRESSURE_SENSOR_READY": "NNAME1", "RADIO_POWER_ENABLE": "NNAME2"}


class Pad(NamedTuple):
    """A pad: pin name, centre, size in mm; a hole makes it through-hole."""

    pin: str
    x: float
    y: float
    width: float
    height: float
    hole: float = 0.0
    turn: int = 0


def quad(count: int, pitch: float, row: float, pad: tuple[float, float], thermal: float = 0.0) -> Iterator[Pad]:
    """Pins on four sides, 1 at the upper end of the left side, counter-clockwise; then the pad underneath."""
    side = count // 4
    for n in range(count):
        along = ((side - 1) / 2 - n % side) * pitch
        x, y, turn = ((-row, along, 0), (-along, -row, 90), (row, -along, 180), (along, row, 270))[n // side]
        yield Pad(str(n + 1), x, y, *pad, turn=turn)
    if thermal:
        yield Pad(str(count + 1), 0, 0, thermal, thermal)


def dual(count: int, pitch: float, row: float, pad: tuple[float, float]) -> Iterator[Pad]:
    """Pins on two sides, 1 at the upper end of the left side, counter-clockwise."""
    side = count // 2
    for n in range(count):
        along = ((side - 1) / 2 - n % side) * pitch
        yield Pad(str(n + 1), -row if n < side else row, along if n < side else -along, *pad)


def small_outline_5() -> Iterator[Pad]:
    """Three pins left, two right, 0.95 mm apart."""
    for pin, x, y in (("1", -1.3, 0.95), ("2", -1.3, 0), ("3", -1.3, -0.95), ("4", 1.3, -0.95), ("5", 1.3, 0.95)):
        yield Pad(pin, x, y, 1.0, 0.6)


def chip() -> Iterator[Pad]:
    """A resistor or capacitor of 1.6 mm by 0.8 mm."""
    for pin, x in (("1", -0.8), ("2", 0.8)):
        yield Pad(pin, x, 0, 0.9, 0.95)


def header(count: int) -> Iterator[Pad]:
    """A row of through-hole pins, 2.54 mm apart, 1 at the upper end."""
    for n in range(count):
        yield Pad(str(n + 1), 0, ((count - 1) / 2 - n) * 2.54, 1.7, 1.7 if n == 0 else 0, 1.0)


def usb() -> Iterator[Pad]:
    """Five contacts 0.65 mm apart, and four shield tabs that are one pin."""
    for n in range(5):
        yield Pad(str(n + 1), 2.6, (2 - n) * 0.65, 1.35, 0.4)
    for x, y in ((0.0, 3.5), (0.0, -3.5), (2.7, 2.9), (2.7, -2.9)):
        yield Pad("S", x, y, 1.5, 1.5)


def pairs(**places: tuple[float, float]) -> Iterator[Pad]:
    """Pads of one size at given places."""
    for pin, (x, y) in places.items():
        yield Pad(pin.removeprefix("_"), x, y, 1.4, 1.2)


class Part(NamedTuple):
    """A part: pads about its own centre, where that is, how it is turned (degrees), which side, and its nets."""

    pads: tuple[Pad, ...]
    x: float
    y: float
    nets: Mapping[str, str]
    turn: int = 0
    bottom: bool = False


def two(a: str, b: str, x: float, y: float, turn: int = 0, bottom: bool = False) -> Part:
    """A two-pin chip part."""
    return Part(tuple(chip()), x, y, {"1": a, "2": b}, turn, bottom)


def row_of(*nets: str) -> dict[str, str]:
    """Nets of pins 1, 2, 3 …"""
    return {str(n): net for n, net in enumerate(nets, 1)}


PARTS: dict[str, Part] = {
    # USB, supply
    "J1": Part(tuple(usb()), 1.5, 20, row_of("VBUS", "USB_DM", "USB_DP", NO_NET, "GND") | {"S": "GND"}),
    "U2": Part(tuple(small_outline_5()), 11, 31, row_of("VBUS", "GND", "VBUS", NO_NET, "+3V3")),
    "C1": two("VBUS", "GND", 7, 31, 90),
    "C2": two("+3V3", "GND", 15, 31, 90),
    "TP1": Part((Pad("1", 0, 0, 1.5, 0),), 15, 35, row_of("+3V3")),
    # USB to UART bridge
    "U1": Part(
        tuple(quad(24, 0.5, 1.95, (0.8, 0.28), 2.6)),
        12, 20,
        {"2": "+3V3", "3": "GND", "4": "USB_DP", "5": "USB_DM", "6": "VBUS", "7": "+3V3", "14": "BR_DTR",
         "15": "BR_RTS", "16": "BR_RXD", "17": "BR_TXD", "25": "GND"},
    ),
    "C3": two("+3V3", "GND", 9, 23.8, 0),
    "R1": two("BR_TXD", "MCU_RX", 17.2, 21.2),
    "R2": two("BR_RXD", "MCU_TX", 17.2, 19.2),
    "R6": two("BR_DTR", "NRST", 17.2, 17.2),
    "R7": two("BR_RTS", "BOOT0", 17.2, 23.2),
    # microcontroller, its strap, reset and debug header
    "U4": Part(
        tuple(quad(48, 0.5, 4.25, (1.2, 0.3))),
        28, 20,
        {"1": "VBAT", "2": "LED", "7": "NRST", "8": "GND", "9": "+3V3", "10": "RTC_INT", "12": "RADIO_RX",
         "13": "RADIO_TX", "14": "FLASH_CS", "15": "SPI_SCK", "16": "SPI_MISO", "17": "SPI_MOSI", "18": "FPGA_CS",
         "19": "RADIO_IRQ", "20": "GND", "21": "FPGA_RST", "22": "FPGA_DONE", "23": "GND", "24": "+3V3",
         "29": "RADIO_POWER_ENABLE", "30": "MCU_TX", "31": "MCU_RX", "34": "SWDIO", "35": "GND", "36": "+3V3",
         "37": "SWCLK", "41": "PRESSURE_SENSOR_READY", "42": "I2C_SCL", "43": "I2C_SDA", "44": "BOOT0",
         "47": "GND", "48": "+3V3"},
    ),
    "C4": two("+3V3", "GND", 21.8, 17.2, 90),
    "C5": two("+3V3", "GND", 32.6, 13.2, 0),
    "C6": two("+3V3", "GND", 34.4, 23.6, 90),
    "C11": two("NRST", "GND", 21.8, 20.6, 90),
    "R4": two("BOOT0", "GND", 25.4, 27.4, 90),
    "R5": two("NRST", "+3V3", 21.8, 23.8, 90),
    "SW1": Part(tuple(pairs(_1=(-3.0, 0), _2=(3.0, 0))), 18, 12, row_of("NRST", "GND")),
    "J2": Part(tuple(header(5)), 28, 4, row_of("+3V3", "SWCLK", "GND", "SWDIO", "NRST"), 90),
    "R3": two("LED", "LED_A", 21.8, 27.2, 90),
    "D1": two("GND", "LED_A", 21.8, 30.8, 90),
    # field-programmable gate array with its core supply and oscillator, on SPI
    "U5": Part(
        tuple(quad(48, 0.5, 3.45, (0.8, 0.28), 5.4)),
        44, 22,
        {"1": "+3V3", "5": "+1V2", "7": "FPGA_DONE", "8": "FPGA_RST", "14": "SPI_MOSI", "15": "SPI_SCK",
         "16": "FPGA_CS", "17": "SPI_MISO", "20": "CLK_FPGA", "22": "+3V3", "30": "+1V2", "33": "+3V3", "49": "GND"},
    ),
    "U3": Part(tuple(small_outline_5()), 44, 30, row_of("+3V3", "GND", "+3V3", NO_NET, "+1V2")),
    "C7": two("+3V3", "GND", 38.6, 26.4, 90),
    "C8": two("+1V2", "GND", 48, 30, 90),
    "Y1": Part(tuple(pairs(_1=(-1.1, -0.9), _2=(1.1, -0.9), _3=(1.1, 0.9), _4=(-1.1, 0.9))), 51.5, 14.5,
               row_of("+3V3", "GND", "OSC_OUT", "+3V3")),
    "R8": two("OSC_OUT", "CLK_FPGA", 47.8, 16.2, 180),
    "R10": two("FPGA_CS", "+3V3", 43.6, 16.2, 0),
    # flash memory on the same SPI
    "U6": Part(tuple(dual(8, 1.27, 2.7, (1.5, 0.6))), 42, 8,
               row_of("FLASH_CS", "SPI_MISO", "+3V3", "GND", "SPI_MOSI", "SPI_SCK", "+3V3", "+3V3")),
    "C9": two("+3V3", "GND", 47, 9.9, 90),
    "R9": two("FLASH_CS", "+3V3", 36.4, 9.9, 90),
    # real-time clock with crystal and cell, pressure sensor, radio
    "U7": Part(tuple(dual(8, 1.27, 2.7, (1.5, 0.6))), 31.6, 33,
               row_of("RTC_X1", "RTC_X2", "VBAT", "GND", "I2C_SDA", "I2C_SCL", "RTC_INT", "+3V3")),
    "Y2": Part(tuple(pairs(_1=(0, 1.25), _2=(0, -1.25))), 25.6, 34, row_of("RTC_X1", "RTC_X2")),
    "C10": two("+3V3", "GND", 36.6, 32.4, 90),
    "R11": two("I2C_SCL", "+3V3", 31, 27.4, 90),
    "R12": two("I2C_SDA", "+3V3", 28.4, 27.4, 90),
    "BT1": Part(tuple(pairs(_1=(-7.5, 0), _2=(7.5, 0))), 30, 31, row_of("VBAT", "GND"), 0, True),
    "J3": Part(tuple(header(5)), 41, 36.5, row_of("+3V3", "GND", "I2C_SCL", "I2C_SDA", "PRESSURE_SENSOR_READY"), 90),
    "J4": Part(
        tuple(header(6)), 55, 26,
        row_of("+3V3", "GND", "RADIO_RX", "RADIO_TX", "RADIO_POWER_ENABLE", "RADIO_IRQ"),
    ),
}  # fmt: skip

# net, place in mm, whether solder mask covers it
VIAS = (
    ("GND", 5.2, 26.0, True), ("GND", 12.0, 20.0, True), ("GND", 20.0, 26.0, True), ("GND", 28.0, 20.0, False),
    ("GND", 44.0, 22.0, True), ("GND", 52.0, 8.0, True), ("+3V3", 18.0, 31.0, True), ("+3V3", 34.6, 15.6, True),
    ("VBAT", 22.5, 33.0, True), ("SPI_SCK", 35.4, 12.4, True), ("SPI_MISO", 36.6, 14.0, False),
    ("MCU_TX", 35.6, 18.2, True), ("MCU_TX", 19.4, 14.6, True), ("MCU_RX", 35.6, 19.4, True),
    ("MCU_RX", 19.4, 25.2, True), ("RADIO_TX", 50.6, 26.8, True), ("RADIO_RX", 50.6, 25.2, True),
)  # fmt: skip


def render() -> str:
    """The whole file."""
    lines = [
        "C  Tern river-level logger, revision B. Netlist of a board invented for wakeline's",
        "C  examples and tests; not the data of any real board. Units 0.001 mm, seen from the top.",
        "P  JOB   TERN-B",
        "P  CODE  00",
        "P  UNITS CUST 1",
        "P  VER   IPC-D-356A",
        *(f"P  {alias} {name}" for name, alias in LONG_NAMES.items()),
        "P  IMAGE PRIMARY",
    ]
    for ref, part in PARTS.items():
        for pad in part.pads:
            lines.append(_pin(ref, part, pad))
    for net, x, y, covered in VIAS:
        place = f"{_at('X', x)}{_at('Y', y)}"
        lines.append(f"317{_net(net)}   VIA        MD0300PA00{place}X0600Y0000R000 S{3 if covered else 0}")
    lines += [f"367{'':14}         -     D3200UA00{_at('X', x)}{_at('Y', y)}" for x, y in ((4, 4), (54, 36))]
    right, top = BOARD_MM
    edge = " ".join(_at("X", x) + _at("Y", y) for x, y in ((0, 0), (right, 0), (right, top), (0, top), (0, 0)))
    return "\n".join([*lines, f"389BOARD_EDGE         {edge}", "999", ""])


def _pin(ref: str, part: Part, pad: Pad) -> str:
    turned = math.radians(part.turn)
    side = -1 if part.bottom else 1  # seen from the top, a part below is mirrored
    x = part.x + side * (pad.x * math.cos(turned) - pad.y * math.sin(turned))
    y = part.y + pad.x * math.sin(turned) + pad.y * math.cos(turned)
    hole = f"D{round(pad.hole * 1000):04}P" if pad.hole else " " * 6
    code, access = ("317", "00") if pad.hole else ("327", "02" if part.bottom else "01")
    size = f"X{round(pad.width * 1000):04}Y{round(pad.height * 1000):04}R{(part.turn + pad.turn) % 360:03}"
    net = _net(part.nets.get(pad.pin, NO_NET))
    return f"{code}{net}   {ref:6}-{pad.pin:4} {hole}A{access}{_at('X', x)}{_at('Y', y)}{size} S0"


def _net(name: str) -> str:
    return f"{LONG_NAMES.get(name, name):14}"


def _at(axis: str, mm: float) -> str:
    return f"{axis}{round(mm * 1000):+07}"


if __name__ == "__main__":
    PACKAGED.write_text(render(), encoding="ascii")
