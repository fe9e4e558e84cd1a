"""What one simulated chip is: geometry, times, and where it departs from the note. Plain facts, no behaviour."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from protocols.an3155.frames import Opcode

# AN3155 Rev 20 s.3.1: the list of a v3.1 device with Erase / with Extended Erase
COMMANDS_ERASE: Final[tuple[int, ...]] = (0x00, 0x01, 0x02, 0x11, 0x21, 0x31, 0x43, 0x63, 0x73, 0x82, 0x92)
COMMANDS_EXTENDED: Final[tuple[int, ...]] = tuple(
    Opcode.EXTENDED_ERASE if code == Opcode.ERASE else code for code in COMMANDS_ERASE
)


@dataclass(frozen=True, slots=True)
class Range:
    """`size` bytes from `start`."""

    start: int
    size: int

    @property
    def end(self) -> int:
        """The first address behind it."""
        return self.start + self.size


class Overwrite(Enum):
    """What a flash does with a write to a cell that is not erased. The loader does not look and acknowledges."""

    SKIP = "the half word stays as it is, unless zero is written"  # PM0075 on PGERR; F0/F1/F3 (from memory)
    AND = "bits can be cleared, never set"  # sector flash of F2/F4 (from memory)


@dataclass(frozen=True, slots=True)
class FlashTimes:
    """Seconds to erase a page, to erase everything, and to program 4 bytes."""

    page_erase_s: float
    mass_erase_s: float
    program_word_s: float


@dataclass(frozen=True, slots=True)
class Chip:
    """One chip as its boot ROM sees it. The defaults are an F10x of medium density (AN2606 Rev 70 Table 226, id 410;
    flash times DS5319 Rev 20 Table 28: 1 KB pages, 20..40 ms to erase, 52.5 us per half word).

    Times in seconds. `sector_sizes` replaces the uniform `page_size` on chips with sectors (sum = `flash_size`).

    Departures, each off unless the chip is known for it:
    `two_acks`: the sync is answered twice (L412/422, AN2606 Rev 70 Table 163);
    `second_nack`: two NACKs to Read, Write and Go while protected (Tables 30, 34, 54, 74...);
    `silent_bad_address`: a bad address is dropped in silence; None = as the version says (before v3.1, AN3155 Table 3);
    `stray_before_ack`: what the host reads before the first ACK because TX was no output yet (bytes, often 00);
    `syncs_needed`: H74x/75x want two (Table 135);
    `parity`: False for the 8N1 loaders of WB0x and WL3x (Tables 194 to 200);
    `resets_after_option_change`: F0/F2/F4/F7 and some L4 (AN3155 figures' notes); else options wait for a reset;
    `erase_ff_nonzero_still_acks`: FF and a wrong complement erase nothing and are acknowledged (s.3.7);
    `checksum_ack_twice`: Get Checksum sends an ACK of its own before the CRC (s.3.13 can be read both ways);
    `crc_fixed`: polynomial and initial value are ignored (s.3.13);
    `voltage_byte`: the virtual byte at 0xFFFF0000 of F2/F4/F7 (AN2606 Rev 70 Table 4); `by_words` are the times once it
    says 2.7 to 3.6 V, None = no others.
    `specials`: (sub-command, answer, status) of Special and Extended Special.
    """

    product_id: int = 0x410
    loader_version: int = 0x22
    commands: tuple[int, ...] = COMMANDS_ERASE
    flash_start: int = 0x0800_0000
    flash_size: int = 128 * 1024
    page_size: int = 1024
    sector_sizes: tuple[int, ...] = ()
    ram: tuple[Range, ...] = (Range(0x2000_0000, 20 * 1024),)
    loader_ram: Range = Range(0x2000_0000, 0x200)
    option: Range = Range(0x1FFF_F800, 16)
    system_memory: Range = Range(0x1FFF_F000, 2048)
    protect_unit: int = 4096
    connection_s: float = 0.000002
    answer_s: float = 0.00002
    page_erase_s: float = 0.03
    mass_erase_s: float = 0.03
    program_word_s: float = 0.000105
    overwrite: Overwrite = Overwrite.SKIP
    option_s: float = 0.03
    checksum_word_s: float = 0.000001
    readout_protected: bool = False
    two_acks: bool = False
    second_nack: bool = False
    silent_bad_address: bool | None = None
    stray_before_ack: bytes = b""
    syncs_needed: int = 1
    parity: bool = True
    resets_after_option_change: bool = True
    erase_ff_nonzero_still_acks: bool = True
    checksum_ack_twice: bool = False
    crc_fixed: bool = False
    voltage_byte: bool = False
    by_words: FlashTimes | None = None
    specials: tuple[tuple[int, bytes, bytes], ...] = ()

    @property
    def at_start(self) -> FlashTimes:
        """The times of a loader that was told nothing of its supply."""
        return FlashTimes(self.page_erase_s, self.mass_erase_s, self.program_word_s)

    @property
    def at_2v7(self) -> FlashTimes:
        """The times of a loader that was told 2.7 to 3.6 V."""
        return self.at_start if self.by_words is None else self.by_words

    @property
    def drops_bad_address(self) -> bool:
        """Whether a bad address is met with silence."""
        return self.loader_version < 0x31 if self.silent_bad_address is None else self.silent_bad_address

    @property
    def pages(self) -> int:
        """How many units the flash is erased in."""
        return len(self.sector_sizes) or self.flash_size // self.page_size

    def page(self, number: int) -> Range | None:
        """Where an erase unit lies; None if there is no such unit."""
        if not 0 <= number < self.pages:
            return None
        if self.sector_sizes:
            return Range(self.flash_start + sum(self.sector_sizes[:number]), self.sector_sizes[number])
        return Range(self.flash_start + number * self.page_size, self.page_size)
