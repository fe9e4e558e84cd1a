"""The simulated chip's memories and how they take a write: erase sets flash bits, a write clears some, RAM is RAM."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from protocols.an3155.chip import Chip, Overwrite, Range
from protocols.an3155.flaws import Flaws


@dataclass(slots=True)
class Area:
    """One memory: `kind` is flash, ram, option or system."""

    kind: str
    range: Range
    data: bytearray = field(repr=False)


class Memory:
    """All memories of a chip; addresses are absolute. Flash and option bytes begin erased, RAM zeroed."""

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        self.flaws = Flaws()
        flash = Range(chip.flash_start, chip.flash_size)
        self.areas = (
            Area("flash", flash, bytearray(b"\xff") * flash.size),
            Area("option", chip.option, bytearray(b"\xff") * chip.option.size),
            Area("system", chip.system_memory, bytearray(b"\xff") * chip.system_memory.size),
            *(Area("ram", part, bytearray(part.size)) for part in chip.ram),
        )
        self.locked: set[int] = set()
        """Write-protected sectors of `chip.protect_unit` bytes."""

    def area(self, address: int, count: int = 1) -> Area | None:
        """The memory that holds all `count` bytes from `address`, or None."""
        for area in self.areas:
            if area.range.start <= address and address + count <= area.range.end:
                return area
        return None

    def read(self, address: int, count: int) -> bytes:
        """`count` bytes; IndexError when they are not in one memory."""
        area = self.area(address, count)
        if area is None:
            raise IndexError(f"no memory holds {count} bytes at 0x{address:08X}")
        at = address - area.range.start
        data = bytearray(area.data[at : at + count])
        for stuck in self.flaws.stuck_bits if area.kind == "flash" else ():
            if address <= stuck.address < address + count:
                mask = 1 << stuck.bit
                data[stuck.address - address] &= ~mask
                data[stuck.address - address] |= mask if stuck.level else 0
        return bytes(data)

    def load(self, address: int, data: bytes) -> None:
        """Put bytes in place as they are, past all rules (a test's or a scene's start); IndexError as in `read`."""
        area = self.area(address, len(data))
        if area is None:
            raise IndexError(f"no memory holds {len(data)} bytes at 0x{address:08X}")
        at = address - area.range.start
        area.data[at : at + len(data)] = data

    def program(self, address: int, data: bytes) -> None:
        """Write as the chip does: RAM takes the bytes, flash what `Overwrite` says, locked sectors stay as they are."""
        area = self.area(address, len(data))
        if area is None:
            raise IndexError(f"no memory holds {len(data)} bytes at 0x{address:08X}")
        if area.kind == "flash":
            old = self.read(address, len(data))
            data = _over(old, data, self._chip.overwrite)
            if self._locked:
                first, unit = address - self._chip.flash_start, self._chip.protect_unit
                data = bytes(old[i] if (first + i) // unit in self._locked else data[i] for i in range(len(data)))
        self.load(address, data)

    def program_part(self, address: int, data: bytes) -> None:
        """A write that lost its supply: words up to a point are done, one has some of its bits, the rest none."""
        chance = random.Random(self.flaws.seed)
        done = chance.randrange(len(data) // 4) * 4
        torn = bytes(byte | chance.randrange(256) for byte in data[done : done + 4])
        self.program(address, data[:done] + torn)

    def erase_part(self, part: Range) -> None:
        """An erase that lost its supply: of the cleared bits some are set, drawn by chance."""
        chance = random.Random(self.flaws.seed)
        old = self.read(part.start, part.size)
        if not self._kept(part.start):
            self.load(part.start, bytes(byte | chance.randrange(256) for byte in old))

    @property
    def _locked(self) -> set[int]:
        return self.locked | set(self.flaws.locked_sectors)

    def _kept(self, address: int) -> bool:
        """Whether an erase leaves the cell at `address` as it is."""
        if (address - self._chip.flash_start) // self._chip.protect_unit in self._locked:
            return True
        pages = (self._chip.page(number) for number in self.flaws.stubborn_pages)
        return any(page is not None and page.start <= address < page.end for page in pages)

    def erase(self, part: Range) -> None:
        """Set flash to FF, except where it is locked or will not erase."""
        step = min(self._chip.protect_unit, self._chip.page_size, part.size)
        for start in range(part.start, part.end, step):
            if not self._kept(start):
                self.load(start, b"\xff" * min(step, part.end - start))

    def erase_all(self) -> None:
        """Mass erase: the whole flash except locked sectors."""
        self.erase(Range(self._chip.flash_start, self._chip.flash_size))

    def clear_ram(self) -> None:
        """Zero all RAM."""
        for area in self.areas:
            if area.kind == "ram":
                area.data[:] = bytes(area.range.size)


def _over(old: bytes, new: bytes, rule: Overwrite) -> bytes:
    if rule is Overwrite.AND:
        return bytes(a & b for a, b in zip(old, new, strict=True))
    out = bytearray(old)
    for at in range(0, len(new), 2):
        if old[at : at + 2] == b"\xff\xff" or new[at : at + 2] == b"\0\0":
            out[at : at + 2] = new[at : at + 2]
    return bytes(out)
