"""The parts of the Tern logger that its program talks to, with pins and nets of revision B's netlist.

Only what the application's queries reach; names are those of the netlist. Invented, as the board is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final

MCU, FPGA, FLASH, CLOCK, OSCILLATOR = "U4", "U5", "U6", "U7", "Y1"
SUPPLY, CORE, GROUND = "+3V3", "+1V2", "GND"

_NETS: Final = """
U4.8 GND  U4.23 GND  U4.35 GND  U4.47 GND  U4.9 +3V3  U4.24 +3V3  U4.36 +3V3  U4.48 +3V3
U4.14 FLASH_CS  U4.15 SPI_SCK  U4.16 SPI_MISO  U4.17 SPI_MOSI  U4.18 FPGA_CS  U4.21 FPGA_RST  U4.22 FPGA_DONE
U4.42 I2C_SCL  U4.43 I2C_SDA
U5.1 +3V3  U5.22 +3V3  U5.33 +3V3  U5.5 +1V2  U5.30 +1V2  U5.49 GND
U5.7 FPGA_DONE  U5.8 FPGA_RST  U5.14 SPI_MOSI  U5.15 SPI_SCK  U5.16 FPGA_CS  U5.17 SPI_MISO  U5.20 CLK_FPGA
U6.1 FLASH_CS  U6.2 SPI_MISO  U6.3 +3V3  U6.4 GND  U6.5 SPI_MOSI  U6.6 SPI_SCK  U6.7 +3V3  U6.8 +3V3
U7.3 VBAT  U7.4 GND  U7.5 I2C_SDA  U7.6 I2C_SCL  U7.7 RTC_INT  U7.8 +3V3
Y1.1 +3V3  Y1.2 GND  Y1.3 OSC_OUT  Y1.4 +3V3
R8.1 OSC_OUT  R8.2 CLK_FPGA  R9.1 FLASH_CS  R9.2 +3V3  R10.1 FPGA_CS  R10.2 +3V3
R11.1 I2C_SCL  R11.2 +3V3  R12.1 I2C_SDA  R12.2 +3V3
"""
_words = _NETS.split()
PINS: Final[Mapping[str, str]] = MappingProxyType(dict(zip(_words[::2], _words[1::2], strict=True)))
"""Net of every pin, by part and pin: ``U6.2``."""
PARTS: Final[frozenset[str]] = frozenset(pin.partition(".")[0] for pin in PINS)

# pins of which one of each group must be joined for the part to live
POWER: Final[Mapping[str, tuple[tuple[str, ...], ...]]] = MappingProxyType(
    {
        MCU: (("9", "24", "36", "48"), ("8", "23", "35", "47")),
        FPGA: (("1", "22", "33"), ("5", "30"), ("49",)),
        FLASH: (("8",), ("4",)),
        CLOCK: (("8",), ("4",)),
        OSCILLATOR: (("4",), ("2",)),
    }
)
# two-pin parts between a net and the supply
PULL_UPS: Final = ("R9", "R10", "R11", "R12")
CLOCK_SERIES: Final = "R8"


def pins_of(netlist: Iterable[tuple[str, str, str]]) -> dict[str, str]:
    """Pins as this room names them, from (part, pin, net) of a parsed netlist; pins of other parts are left out."""
    return {f"{part}.{pin}": net for part, pin, net in netlist if part in PARTS and net}
