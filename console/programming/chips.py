"""What is known of a chip before it is erased or written: geometry, times, oddities. Plain facts, no I/O, no steps.

The facts stand in `chips.toml`; `chip_file.py` reads them and the files of users.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from console.images.image import Span

# what may be said in `oddities`, with the words for a person
ODDITIES: Final = MappingProxyType(
    {
        # AN2606 Rev 70 s.4.4
        "no-mass-erase": "the loader cannot erase the whole flash at once; it is erased page by page",
        # AN2606 Rev 70 Table 4: the virtual byte at 0xFFFF0000 tells the supply range
        "programs-bytewise": "erases and writes slowly until the loader is told the supply voltage",
        # AN2606 Rev 70 Table 108 (G07/08, loader V11.3): 40 ms
        "pause-after-erase": "needs 40 ms of silence after each erase command",
        # AN2606 Rev 70 Tables 108, 110, 112
        "one-bank-2-page-per-erase": "erases one page of bank 2 per command",
        # no document that was read says how the loader numbers the pages of the second bank
        "bank-2-numbers-unstated": "how the loader numbers the second bank's pages is not documented; check by reading",
        # AN2606 Rev 70 Tables 108, 110, 112
        "blank-reset-hangs": "a chip that is still blank does not come back into the loader by reset, only by power",
        # AN2606 Rev 70 Table 112 (G0B1, loader V9.2)
        "go-ends-debugging": "Go switches the debug port off",
        # AN2606 Rev 70 Tables 30, 34, 54, 74, 76, 161
        "second-nack": "may refuse twice while it is read-protected",
        # AN2606 Rev 70 Tables 52, 54, 74, 153, 155
        "silent-bad-address": "says nothing to an address it does not accept",
    }
)


class Unit(StrEnum):
    """What the loader's erase commands count."""

    PAGE = "page"
    SECTOR = "sector"


@dataclass(frozen=True, slots=True)
class Region:
    """`count` erase units of `size` bytes each, one behind the other from `start`."""

    start: int
    count: int
    size: int

    @property
    def end(self) -> int:
        """The first address behind it."""
        return self.start + self.count * self.size


@dataclass(frozen=True, slots=True)
class FlashTimes:
    """As the times of `Chip`, in seconds; None where no document was read."""

    page_erase_s: float | None = None
    mass_erase_s: float | None = None
    program_s: float | None = None


@dataclass(frozen=True, slots=True)
class Chip:
    """One family of chips as its boot loader sees it. Sizes in bytes, times in seconds, the slowest documented.

    `product_ids` are the answers to Get ID that it gives. `flash_size` is the largest of the family and
    `least_flash_size` the smallest; `sized` gives the chip at hand once its size is known. `pages` is the table of
    erase units (`unit` says what the erase commands call them) and covers the flash without a hole. `granule` is how
    many bytes one flash write needs, and its alignment. `ram` is what the loader can write except `loader_ram`, which
    it uses itself; `core_ram` is RAM that the loader cannot write, where only a stack may be. `mass_erase_s` is None
    where no document gives it. `erased` is the value of an erased byte. `max_pages_per_erase` is how many units one
    erase command may name. `by_words` are the times of a loader that was told a supply at which it works on 32 bits at
    once. `flash_size_address` holds the size in KiB as 16 bits, `unique_id_address` 12 bytes of
    identity. `from_memory` names the fields that no document was read for, `source` where the others come from.
    """

    product_ids: tuple[int, ...]
    name: str
    flash_start: int
    flash_size: int
    least_flash_size: int
    pages: tuple[Region, ...]
    unit: Unit
    granule: int
    ram: tuple[Span, ...]
    loader_ram: tuple[Span, ...]
    page_erase_s: float
    program_s: float
    """For 256 bytes."""
    source: str
    mass_erase_s: float | None = None
    core_ram: tuple[Span, ...] = ()
    option_bytes: tuple[Span, ...] = ()
    system_memory: tuple[Span, ...] = ()
    oddities: frozenset[str] = frozenset()
    flash_size_address: int | None = None
    unique_id_address: int | None = None
    max_pages_per_erase: int = 1
    erased: int = 0xFF
    from_memory: frozenset[str] = frozenset()
    by_words: FlashTimes = FlashTimes()

    @property
    def flash(self) -> Span:
        """Where the flash lies."""
        return Span(self.flash_start, self.flash_size)

    @property
    def vectors(self) -> Span:
        """What the core takes its stack and its first instruction from, out of reset with the boot strap for flash.

        DDI 0403, "The vector table": words 0 and 1; flash then appears at address 0 ("Boot configuration" in the
        reference manuals, from memory).
        """
        return Span(self.flash_start, 8)

    @property
    def page_count(self) -> int:
        """How many erase units the flash has."""
        return sum(region.count for region in self.pages)

    def working_by_words(self) -> Chip:
        """The same chip with the times of `by_words` where they are known: the others are the slowest there are."""
        fast = self.by_words
        return replace(
            self,
            page_erase_s=self.page_erase_s if fast.page_erase_s is None else fast.page_erase_s,
            mass_erase_s=self.mass_erase_s if fast.mass_erase_s is None else fast.mass_erase_s,
            program_s=self.program_s if fast.program_s is None else fast.program_s,
        )

    def page_of(self, address: int) -> int:
        """The number of the erase unit that holds `address`. Raises ValueError outside the flash."""
        number = 0
        for region in self.pages:
            if region.start <= address < region.end:
                return number + (address - region.start) // region.size
            number += region.count
        raise ValueError(f"0x{address:08X} is not in the flash of {self.name}")

    def page_range(self, number: int) -> Span:
        """Where erase unit `number` (from 0) lies. Raises ValueError where there is no such unit."""
        left = number
        for region in self.pages:
            if 0 <= left < region.count:
                return Span(region.start + left * region.size, region.size)
            left -= region.count
        raise ValueError(f"{self.name} has no {self.unit} {number}: they go from 0 to {self.page_count - 1}")

    def pages_covering(self, ranges: Iterable[Span]) -> tuple[int, ...]:
        """The numbers of all erase units that `ranges` touch, ascending. Raises ValueError outside the flash."""
        found: set[int] = set()
        for part in ranges:
            if part.size:
                found.update(range(self.page_of(part.start), self.page_of(part.end - 1) + 1))
        return tuple(sorted(found))

    def sized(self, flash_size: int) -> Chip:
        """The same chip with the flash it really has.

        Raises ValueError for a size that the family does not come in, or that ends inside an erase unit.
        """
        if not self.least_flash_size <= flash_size <= self.flash_size:
            raise ValueError(f"{flash_size} bytes of flash are no size of {self.name}")
        end, kept = self.flash_start + flash_size, []
        for region in self.pages:
            count = min(region.count, max(0, end - region.start) // region.size)
            if count:
                kept.append(replace(region, count=count))
        if not kept or kept[-1].end != end:
            raise ValueError(f"{flash_size} bytes of flash are no whole number of {self.unit}s of {self.name}")
        return replace(self, flash_size=flash_size, least_flash_size=flash_size, pages=tuple(kept))
