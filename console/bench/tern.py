"""The Tern logger on the simulated bench: every pin of revision B's netlist, and what its parts do with them.

Names are those of the netlist. Invented, as the board is. Values of parts are usual ones: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

MCU, FPGA, FLASH, CLOCK, OSCILLATOR, BRIDGE, LAMP = "U4", "U5", "U6", "U7", "Y1", "U1", "D1"
SUPPLY, CORE, USB, GROUND = "+3V3", "+1V2", "VBUS", "GND"

_NETS: Final = """
VBUS: J1.1 U2.1 U2.3 C1.1 U1.6
GND: J1.5 J1.S U2.2 C1.2 C2.2 U1.3 U1.25 C3.2 U4.8 U4.20 U4.23 U4.35 U4.47 C4.2 C5.2 C6.2 C11.2 R4.2 SW1.2 J2.3 D1.1
GND: U5.49 U3.2 C7.2 C8.2 Y1.2 U6.4 C9.2 U7.4 C10.2 BT1.2 J3.2 J4.2
+3V3: U2.5 C2.1 TP1.1 U1.2 U1.7 C3.1 U4.9 U4.24 U4.36 U4.48 C4.1 C5.1 C6.1 R5.2 J2.1 U5.1 U5.22 U5.33 U3.1 U3.3 C7.1
+3V3: Y1.1 Y1.4 R10.2 U6.3 U6.7 U6.8 C9.1 R9.2 U7.8 C10.1 R11.2 R12.2 J3.1 J4.1
+1V2: U5.5 U5.30 U3.5 C8.1
VBAT: U4.1 U7.3 BT1.1
USB_DM: J1.2 U1.5
USB_DP: J1.3 U1.4
BR_DTR: U1.14 R6.1
BR_RTS: U1.15 R7.1
BR_RXD: U1.16 R2.1
BR_TXD: U1.17 R1.1
MCU_RX: R1.2 U4.31
MCU_TX: R2.2 U4.30
NRST: R6.2 U4.7 C11.1 R5.1 SW1.1 J2.5
BOOT0: R7.2 U4.44 R4.1
LED: U4.2 R3.1
LED_A: R3.2 D1.2
RTC_INT: U4.10 U7.7
RTC_X1: U7.1 Y2.1
RTC_X2: U7.2 Y2.2
RADIO_RX: U4.12 J4.3
RADIO_TX: U4.13 J4.4
RADIO_IRQ: U4.19 J4.6
RADIO_POWER_ENABLE: U4.29 J4.5
PRESSURE_SENSOR_READY: U4.41 J3.5
SWDIO: U4.34 J2.4
SWCLK: U4.37 J2.2
FLASH_CS: U4.14 U6.1 R9.1
SPI_SCK: U4.15 U5.15 U6.6
SPI_MISO: U4.16 U5.17 U6.2
SPI_MOSI: U4.17 U5.14 U6.5
FPGA_CS: U4.18 U5.16 R10.1
FPGA_RST: U4.21 U5.8
FPGA_DONE: U4.22 U5.7
I2C_SCL: U4.42 U7.6 R11.1 J3.3
I2C_SDA: U4.43 U7.5 R12.1 J3.4
CLK_FPGA: U5.20 R8.2
OSC_OUT: Y1.3 R8.1
"""
# joined to nothing on the board
_ALONE: Final = """
J1.4 U2.4 U3.4 U1.1 U1.8-13 U1.18-24 U4.3-6 U4.11 U4.25-28 U4.32-33 U4.38-40 U4.45-46
U5.2-4 U5.6 U5.9-13 U5.18-19 U5.21 U5.23-29 U5.31-32 U5.34-48
"""


def _joined() -> dict[str, str]:
    rows = (row.partition(": ") for row in _NETS.strip().splitlines())
    return {pin: net for net, _, pins in rows for pin in pins.split()}


def _alone() -> list[str]:
    found = []
    for word in _ALONE.split():
        part, _, pins = word.partition(".")
        first, _, last = pins.partition("-")
        found += [f"{part}.{pin}" for pin in range(int(first), int(last or first) + 1)]
    return found


NETS: Final[Mapping[str, str]] = MappingProxyType(_joined())
"""Net of every pin that is on one, by part and pin: ``U6.2``."""
PINS: Final[frozenset[str]] = frozenset((*NETS, *_alone()))
PARTS: Final[frozenset[str]] = frozenset(pin.partition(".")[0] for pin in PINS)

# pins of which one of each group must be joined for the part to live. The F10x stays in reset while VDD or VDDA is low
# (RM0008 s.5.2.1, from memory), so VDDA stands for itself; grounds are joined inside the chip
POWER: Final[Mapping[str, tuple[tuple[str, ...], ...]]] = MappingProxyType(
    {
        MCU: (("9",), ("24", "36", "48"), ("8", "23", "35", "47")),
        FPGA: (("1", "22", "33"), ("5", "30"), ("49",)),
        FLASH: (("8",), ("4",)),
        CLOCK: (("8",), ("4",)),
        OSCILLATOR: (("4",), ("2",)),
        BRIDGE: (("6",), ("2", "7"), ("3", "25")),
    }
)
# two-pin parts between a net and the supply
PULL_UPS: Final = ("R9", "R10", "R11", "R12")
CLOCK_SERIES: Final = "R8"
RESISTORS: Final[Mapping[str, float]] = MappingProxyType(
    {
        "R1": 470.0, "R2": 470.0, "R3": 680.0, "R4": 10e3, "R5": 10e3, "R6": 1e3,
        "R7": 1e3, "R8": 33.0, "R9": 10e3, "R10": 10e3, "R11": 4.7e3, "R12": 4.7e3,
    }
)  # fmt: skip
"""In ohms."""

# the serial line: the chip's pin, its series resistor from the chip to the bridge, the bridge's pin
TX_LINE: Final = ("U4.30", "R2.2", "R2.1", "U1.16")
RX_LINE: Final = ("U4.31", "R1.2", "R1.1", "U1.17")
TX_NETS: Final = frozenset(("MCU_TX", "BR_RXD"))
RX_NETS: Final = frozenset(("MCU_RX", "BR_TXD"))
RESET, STRAP, STRAP_LOW = "U4.7", "U4.44", "U4.20"
WATCHED: Final = (LAMP, "J4")
"""What the example's plan has the operator see at work."""
LAMP_LINE: Final = ("U4.2", "R3.1", "R3.2", "D1.2")
DRIVEN: Final[Mapping[str, int]] = MappingProxyType(
    {"U1.14": 1, "U1.15": 1, "U1.17": 1, "U4.30": 1, "U4.13": 1, "U4.29": 0, "BOOT0": 1}
)
"""Who holds a pin or a net while the program asks its parts: idle lines, the radio off, the strap at the boot level."""
