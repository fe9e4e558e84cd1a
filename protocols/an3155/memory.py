"""The simulated chip's memories and how they take a write: flash only clears bits, erase sets them, RAM is RAM."""

from __future__ import annotations

from dataclasses import dataclass, field

from protocols.an3155.chip import Chip, Range


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
        return bytes(area.data[at : at + count])

    def load(self, address: int, data: bytes) -> None:
        """Put bytes in place as they are, past all rules (a test's or a scene's start); IndexError as in `read`."""
        area = self.area(address, len(data))
        if area is None:
            raise IndexError(f"no memory holds {len(data)} bytes at 0x{address:08X}")
        at = address - area.range.start
        area.data[at : at + len(data)] = data

    def program(self, address: int, data: bytes) -> None:
        """Write as the chip does: RAM takes the bytes, flash only clears bits, locked sectors stay as they are."""
        area = self.area(address, len(data))
        if area is None:
            raise IndexError(f"no memory holds {len(data)} bytes at 0x{address:08X}")
        if area.kind == "flash":
            old = self.read(address, len(data))
            data = (int.from_bytes(old) & int.from_bytes(data)).to_bytes(len(data))
            if self.locked:
                first, unit = address - self._chip.flash_start, self._chip.protect_unit
                data = bytes(old[i] if (first + i) // unit in self.locked else data[i] for i in range(len(data)))
        self.load(address, data)

    def erase(self, part: Range) -> None:
        """Set flash to FF, except where it is locked."""
        unit = self._chip.protect_unit
        for start in range(part.start, part.end, min(unit, part.size)):
            if (start - self._chip.flash_start) // unit not in self.locked:
                self.load(start, b"\xff" * min(unit, part.end - start))

    def erase_all(self) -> None:
        """Mass erase: the whole flash except locked sectors."""
        self.erase(Range(self._chip.flash_start, self._chip.flash_size))

    def clear_ram(self) -> None:
        """Zero all RAM."""
        for area in self.areas:
            if area.kind == "ram":
                area.data[:] = bytes(area.range.size)
