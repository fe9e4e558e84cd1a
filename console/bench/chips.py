"""The chips the bench can solder, and what makes one of them run a program."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from protocols.an3155.chip import COMMANDS_EXTENDED, Chip, FlashTimes, Overwrite, Range
from protocols.an3155.flaws import Flaws
from protocols.an3155.target import Target

# stack and first instruction of a program, so that a flash with one is not blank
_VECTORS: Final = bytes.fromhex("00500020 31010008")
_ERASED: Final = (0x0000_0000, 0xFFFF_FFFF)


@dataclass(frozen=True, slots=True)
class Product:
    """A chip, its name for a person, whether its ROM runs on the crystal where it finds one swinging at start, and
    where its unique id is."""

    chip: Chip
    title: str
    rom_uses_crystal: bool
    unique_id_address: int


UNIQUE_ID: Final = b"wakeline sim"
"""The 96 bits that every simulated chip has: no real one is likely to."""
F10X: Final = "f10x-medium"
F303: Final = "f303xc"
F40X: Final = "f40x"
PRODUCTS: Final[Mapping[str, Product]] = MappingProxyType(
    {
        F10X: Product(
            Chip(), "F10x medium density", rom_uses_crystal=False, unique_id_address=0x1FFF_F7E8
        ),  # from memory
        # AN2606 Rev 70 Table 226: id 422; its table on clock sources: an external oscillator found at start becomes the
        # system clock. 2 KB pages, 40 KB of RAM, the loader's first 5 KB: from memory
        F303: Product(
            Chip(
                product_id=0x422,
                loader_version=0x31,
                commands=COMMANDS_EXTENDED,
                flash_size=256 * 1024,
                page_size=2048,
                ram=(Range(0x2000_0000, 40 * 1024),),
                loader_ram=Range(0x2000_0000, 0x1400),
                system_memory=Range(0x1FFF_D800, 8192),
            ),
            "F303xB-C",
            rom_uses_crystal=True,
            unique_id_address=0x1FFF_F7AC,  # from memory
        ),
        # AN2606 Rev 70 Table 226: id 413, loader V3.1; Table 74: two NACKs; Table 4: its byte for the supply. DS8626
        # Rev 12 Table 40: typical times of a 16 KB sector and of everything; 16 us per operation, of 8 bits, then of 32
        F40X: Product(
            Chip(
                product_id=0x413,
                loader_version=0x31,
                commands=COMMANDS_EXTENDED,
                flash_size=1 << 20,
                sector_sizes=(*[0x4000] * 4, 0x10000, *[0x20000] * 7),
                ram=(Range(0x2000_0000, 128 * 1024),),
                loader_ram=Range(0x2000_0000, 0x2000),
                option=Range(0x1FFF_C000, 16),
                system_memory=Range(0x1FFF_0000, 0x7A40),
                page_erase_s=0.4,
                mass_erase_s=16.0,
                program_word_s=4 * 16e-6,
                overwrite=Overwrite.AND,
                second_nack=True,
                voltage_byte=True,
                by_words=FlashTimes(0.25, 8.0, 16e-6),
            ),
            "F40x, whose loader can be told the supply voltage",
            rom_uses_crystal=False,
            unique_id_address=0x1FFF_7A10,  # from memory
        ),
    }
)


def target_for(product: str, *, readout_protected: bool, programmed: bool, flaws: Flaws) -> Target:
    """A chip of this product; `programmed` = with a program in its flash."""
    chip = replace(PRODUCTS[product].chip, readout_protected=readout_protected)
    target = Target(chip, flaws)
    target.memory.load(PRODUCTS[product].unique_id_address, UNIQUE_ID)
    if programmed:
        target.memory.load(chip.flash_start, _VECTORS)
    return target


def has_program(target: Target) -> bool:
    """Whether a program starts: the one that Go named, else the one in the flash. Blank memory runs into nothing."""
    words = target.memory.read(target.chip.flash_start, 8)
    start = target.entry[1] if target.entry is not None else int.from_bytes(words[4:], "little")
    return start not in _ERASED
