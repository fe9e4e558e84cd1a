"""The voltage byte of F2/F4/F7 loaders (AN2606 Rev 70 Table 4): who has it, and what it says. Plain facts.

A loader of these families starts as if the supply were the lowest (Tables 51 to 103): it erases and programs 8 bits at
a time. The byte lies at an address that is no memory; 00 to 04 stand for ranges of the supply. Only 03 is offered: of
the others no document was read for what they stand for, and a higher one than the supply allows spoils the flash.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from protocols.an3155.products import names_for
from protocols.errors import OurMistake
from protocols.programmer import SupplyRange

SUPPLY_ADDRESS: Final = 0xFFFF_0000
# the range: AN2606 Rev 70 Table 4; that its operations are 32 bits wide: RM0090, parallelism of program and erase (from
# memory; no time limit and no safety rests on it)
RANGES: Final[Mapping[int, SupplyRange]] = MappingProxyType({0x03: SupplyRange(2.7, 3.6, 32)})
_HIGHEST: Final = 0x04
_FAMILIES: Final = ("F2", "F4", "F7")


def supplies_of(product_id: int | None) -> tuple[SupplyRange, ...]:
    """What the loader of this product can be told of its supply; nothing where it has no such byte."""
    names = names_for(product_id) if product_id is not None else ()
    return tuple(RANGES.values()) if names and all(name.startswith(_FAMILIES) for name in names) else ()


def code_for(supply: SupplyRange) -> int:
    """The byte that states this range, one of `RANGES`. Raises OurMistake for another."""
    for code, known in RANGES.items():
        if known == supply:
            return code
    raise OurMistake(f"no byte is known that states a supply of {supply.least_v:g} to {supply.most_v:g} V")


def words_for(code: int) -> str:
    """What a voltage byte (0..255) says."""
    if code in RANGES:
        supply = RANGES[code]
        return f"{supply.least_v:g} to {supply.most_v:g} V"
    return "another range of the supply" if code <= _HIGHEST else "not one of 00 to 04"
