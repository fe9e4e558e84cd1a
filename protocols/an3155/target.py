"""The chip's side of AN3155 Rev 20, written from the note and never from the host's side.

Belongs here: what the boot ROM does with each byte and how long it takes. Knows no line, no clock and no straps: it
assumes that the ROM runs. Bytes other than the sync are ignored before it; that a real ROM would measure a wrong rate
from them (AN2606 Rev 70 s.101.2) is for whoever models the line.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Final

from protocols.an3155.chip import COMMANDS_ERASE, COMMANDS_EXTENDED, Chip, FlashTimes, Range
from protocols.an3155.flaws import Flaws, Tally
from protocols.an3155.frames import (
    ACK,
    ERASE_ALL,
    MAX_EXTENDED_DATA,
    MAX_SPECIAL_DATA,
    NACK,
    SPECIAL_ERASE_FROM,
    SYNC,
    Opcode,
    SpecialErase,
    xor,
)
from protocols.an3155.memory import Memory
from protocols.an3155.packets import Drop, Reject, Steps, checked, lone, take
from protocols.an3155.words_crc import crc32_words

__all__ = ["COMMANDS_ERASE", "COMMANDS_EXTENDED", "Chip", "Memory", "Range", "Reply", "Target", "crc32_words"]

# AN2606 Rev 70 Table 4: 00..04 are ranges of the supply; that others are refused: from memory
_VOLTAGE_BYTE: Final = 0xFFFF_0000
_VOLTAGE_RANGES: Final = range(5)
_2V7_TO_3V6: Final = 3
_CRC_DEFAULT: Final = (0x04C1_1DB7, 0xFFFF_FFFF)  # AN3155 Rev 20 s.3.13 with the CRC unit's reset values
# s.2, Table 2 note 2
_ALLOWED_PROTECTED: Final = {Opcode.GET, Opcode.GET_VERSION, Opcode.GET_ID, Opcode.READOUT_UNPROTECT}
# AN2606 Rev 70 lists two NACKs for Read and Write, AN3155 Rev 20 warns for Go too
_TWO_NACKS: Final = {Opcode.READ_MEMORY, Opcode.WRITE_MEMORY, Opcode.GO}


@dataclass(frozen=True, slots=True)
class Reply:
    """Bytes the chip sends; `after_s` is chip time before the first start bit, counted from the reply before it,
    or from the end of the byte received."""

    data: bytes
    after_s: float


class Target:
    """One chip in its boot ROM. `receive` takes a byte and returns what the chip sends because of it."""

    def __init__(self, chip: Chip | None = None, flaws: Flaws | None = None) -> None:
        self.chip = chip if chip is not None else Chip()
        self.memory = Memory(self.chip)
        self.resets = 0
        """How often the chip has reset itself."""
        self.power_fails_after_s: float | None = None
        """So long after the last byte the supply goes."""
        self.spoil(flaws if flaws is not None else Flaws())
        self.voltage_range = 0
        self._options_protect = self.chip.readout_protected
        self._options_locked: set[int] = set()
        self.reset()

    def spoil(self, flaws: Flaws) -> None:
        """Have these flaws from now on; their counts begin."""
        self.flaws = self.memory.flaws = flaws
        self._tally = Tally(flaws)

    def reset(self) -> None:
        """The reset pin: back to waiting for the sync, option bytes loaded, RAM kept."""
        self.synchronised = False
        self.running_application = False
        self.entry: tuple[int, int] | None = None
        """Stack pointer and start address that Go took."""
        self.protected = self._options_protect
        self.memory.locked = set(self._options_locked)
        self.voltage_range = 0
        self._replies: list[Reply] = []
        self._self_reset = False
        self._steps = self._rom()
        next(self._steps)

    def power_cycle(self) -> None:
        """Power off and on: as reset, and RAM is lost."""
        self.memory.clear_ram()
        self.reset()

    def receive(self, byte: int, *, parity_ok: bool = True) -> tuple[Reply, ...]:
        """One character (0..255) as the chip's UART took it; a parity error is a NACK once synchronised."""
        self.power_fails_after_s = None
        if self.running_application:
            return ()
        if parity_ok or not self.chip.parity or not self.synchronised:
            self._steps.send(byte & 0xFF)
        else:
            self._steps.throw(Reject())
        replies, self._replies = tuple(self._replies), []
        if self._self_reset:
            self.resets += 1
            self.reset()
        return replies

    def _say(self, *data: int, after_s: float | None = None) -> None:
        wait_s = self.chip.answer_s if after_s is None else after_s
        if data[-1] == ACK and self.synchronised:
            wait_s += self._tally.late_s()
        self._replies.append(Reply(bytes(data), wait_s))

    @property
    def _times(self) -> FlashTimes:
        """How long erasing and writing take at the range the voltage byte names; it starts as the lowest, 0.

        The ranges in between, and 4, which wants a programming supply of its own, are no faster here than the lowest.
        """
        return self.chip.at_2v7 if self.voltage_range == _2V7_TO_3V6 else self.chip.at_start

    def _power_fails(self, whole_s: float) -> bool:
        """Whether the supply goes during the erase or write that begins now and would take `whole_s`."""
        self.power_fails_after_s = whole_s / 2 if self._tally.power_fails() else None
        return self.power_fails_after_s is not None

    # --- s.1 and s.3: sync, then commands

    def _rom(self) -> Steps:
        missing = self.chip.syncs_needed
        while missing > 0:
            if (yield) == SYNC:
                missing -= 1
        if self.chip.stray_before_ack:
            self._say(*self.chip.stray_before_ack, after_s=0.0)
        self._say(ACK, after_s=self.chip.connection_s)
        if self.chip.two_acks:
            self._say(ACK)
        self.synchronised = True
        while True:
            try:
                yield from self._command()
            except Reject:
                self._say(NACK)
            except Drop:
                pass

    def _command(self) -> Steps:
        opcode = yield
        complement = yield
        if opcode ^ complement != 0xFF or opcode not in self.chip.commands or opcode not in _HANDLERS:
            raise Reject
        yield from self._tally.stall()
        if self._tally.refuses():
            raise Reject
        if self.protected and opcode not in _ALLOWED_PROTECTED:
            if self.chip.second_nack and opcode in _TWO_NACKS:
                self._say(NACK)
            raise Reject
        self._say(ACK)
        yield from _HANDLERS[opcode](self)

    def _accessible(self, address: int, count: int, kinds: set[str]) -> bool:
        area = self.memory.area(address, count)
        own = self.chip.loader_ram
        return area is not None and area.kind in kinds and not (address < own.end and own.start < address + count)

    def _address(self, kinds: set[str], *, silent: bool, virtual: bool = False) -> Generator[None, int, int]:
        """An address in one of the memories named, acknowledged (Table 3: before v3.1 a bad one is dropped)."""
        address = int.from_bytes((yield from checked(4)))
        if not self._accessible(address, 1, kinds) and not (virtual and address == _VOLTAGE_BYTE):
            raise Drop if silent and self.chip.drops_bad_address else Reject
        self._say(ACK)
        return address

    def _options_changed(self) -> None:
        """s.3.9 to s.3.12: a system reset follows the last ACK, on the chips that do it."""
        self._self_reset = self.chip.resets_after_option_change

    # --- the commands, in the order of the note

    def _get(self) -> Steps:
        self._say(len(self.chip.commands), self.chip.loader_version, *self.chip.commands, ACK)
        yield from ()

    def _get_version(self) -> Steps:
        self._say(self.chip.loader_version, 0, 0, ACK)
        yield from ()

    def _get_id(self) -> Steps:
        self._say(1, *self.chip.product_id.to_bytes(2), ACK)
        yield from ()

    def _read_memory(self) -> Steps:
        address = yield from self._address({"flash", "ram", "system", "option"}, silent=True)
        count = (yield from lone()) + 1
        if not self._accessible(address, count, {"flash", "ram", "system", "option"}):
            raise Reject
        self._say(ACK)
        self._say(*self.memory.read(address, count))

    def _go(self) -> Steps:
        address = yield from self._address({"flash", "ram"}, silent=False)
        if self._accessible(address, 8, {"flash", "ram"}):
            words = self.memory.read(address, 8)
            self.entry = int.from_bytes(words[:4], "little"), int.from_bytes(words[4:], "little")
        self.running_application = True

    def _write_memory(self) -> Steps:
        chip = self.chip
        address = yield from self._address({"flash", "ram", "option"}, silent=True, virtual=chip.voltage_byte)
        n = yield
        data = yield from checked(n + 1, bytes((n,)))
        if address == _VOLTAGE_BYTE:
            if len(data) > 4 or data[0] not in _VOLTAGE_RANGES:
                raise Reject
            self.voltage_range = data[0]
            self._say(ACK)
            return
        if len(data) % 4 or address % 4 or not self._accessible(address, len(data), {"flash", "ram", "option"}):
            raise Reject
        area = self.memory.area(address)
        assert area is not None
        if area.kind == "option":  # s.3.6: from its base only, the whole area is erased first
            if address != chip.option.start:
                raise Reject
            self.memory.load(address, data.ljust(chip.option.size, b"\xff"))
            self._say(ACK, after_s=chip.option_s)
            self._options_changed()
            return
        if area.kind == "flash" and self._power_fails(len(data) // 4 * self._times.program_word_s):
            self.memory.program_part(address, data)
            raise Drop
        self.memory.program(address, data)
        self._say(ACK, after_s=chip.answer_s if area.kind == "ram" else len(data) // 4 * self._times.program_word_s)

    def _erase_all(self) -> None:
        if self._power_fails(self._times.mass_erase_s):
            self.memory.erase_part(Range(self.chip.flash_start, self.chip.flash_size))
            raise Drop
        self.memory.erase_all()
        self._say(ACK, after_s=self._times.mass_erase_s)

    def _erase_pages(self, numbers: list[int]) -> None:
        pages = [self.chip.page(number) for number in numbers]
        found = [page for page in pages if page is not None]
        if len(found) != len(pages):
            raise Reject
        for done, page in enumerate(found):
            if self._power_fails(self._times.page_erase_s):
                self.memory.erase_part(page)
                self.power_fails_after_s = (done + 0.5) * self._times.page_erase_s
                raise Drop
            self.memory.erase(page)
        self._say(ACK, after_s=len(found) * self._times.page_erase_s)

    def _erase(self) -> Steps:
        n = yield
        if n == ERASE_ALL:
            complement = yield
            if complement == 0:
                self._erase_all()
                return
            if not self.chip.erase_ff_nonzero_still_acks:
                raise Reject
            self._say(ACK)
            return
        self._erase_pages(list((yield from checked(n + 1, bytes((n,))))))

    def _extended_erase(self) -> Steps:
        chip = self.chip
        head = yield from take(2)
        n = int.from_bytes(head)
        if n >= SPECIAL_ERASE_FROM:
            yield from checked(0, head)
            half = chip.flash_size // 2
            match n:
                case SpecialErase.MASS:
                    self._erase_all()
                    return
                case SpecialErase.BANK_1:
                    self.memory.erase(Range(chip.flash_start, half))
                case SpecialErase.BANK_2:
                    self.memory.erase(Range(chip.flash_start + half, half))
                case _:
                    raise Reject
            self._say(ACK, after_s=self._times.mass_erase_s)
            return
        if n >= chip.pages:  # s.3.8: the most pages per command depends on the device
            raise Reject
        data = yield from checked(2 * (n + 1), head)
        self._erase_pages([int.from_bytes(data[at : at + 2]) for at in range(0, len(data), 2)])

    def _write_protect(self) -> Steps:
        n = yield
        self._options_locked = set((yield from checked(n + 1, bytes((n,)))))
        self._say(ACK, after_s=self.chip.option_s)
        self._options_changed()

    def _write_unprotect(self) -> Steps:
        self._options_locked = set()
        self._say(ACK, after_s=self.chip.option_s)
        self._options_changed()
        yield from ()

    def _readout_protect(self) -> Steps:
        self._options_protect = True
        self._say(ACK, after_s=self.chip.option_s)
        self._options_changed()
        yield from ()

    def _readout_unprotect(self) -> Steps:
        self.memory.locked = set()
        self.memory.erase_all()
        if self.chip.loader_version >= 0x22:  # Table 3
            self.memory.clear_ram()
        self._options_protect = False
        self._say(ACK, after_s=self._times.mass_erase_s)
        self._options_changed()
        yield from ()

    def _get_checksum(self) -> Steps:
        address = yield from self._address({"flash", "ram", "system"}, silent=False)
        words = int.from_bytes((yield from checked(4)))
        if words == 0 or address % 4 or not self._accessible(address, words * 4, {"flash", "ram", "system"}):
            raise Reject
        self._say(ACK)
        polynomial = int.from_bytes((yield from checked(4)))
        self._say(ACK)
        initial = int.from_bytes((yield from checked(4)))
        self._say(ACK)
        if self.chip.crc_fixed:
            polynomial, initial = _CRC_DEFAULT
        crc = crc32_words(self.memory.read(address, words * 4), polynomial, initial).to_bytes(4)
        again = (ACK,) if self.chip.checksum_ack_twice else ()
        self._say(*again, *crc, xor(crc), after_s=words * self.chip.checksum_word_s)

    def _sub_command(self) -> Generator[None, int, tuple[bytes, bytes]]:
        code = int.from_bytes((yield from checked(2)))
        for known, answer, status in self.chip.specials:
            if known == code:
                self._say(ACK)
                return answer, status
        raise Reject

    def _packet(self, most: int) -> Steps:
        head = yield from take(2)
        if int.from_bytes(head) > most:
            raise Reject
        yield from checked(int.from_bytes(head), head)
        self._say(ACK)

    def _special(self) -> Steps:
        answer, status = yield from self._sub_command()
        yield from self._packet(MAX_SPECIAL_DATA)
        self._say(*len(answer).to_bytes(2), *answer, *len(status).to_bytes(2), *status, ACK)

    def _extended_special(self) -> Steps:
        _, status = yield from self._sub_command()
        yield from self._packet(MAX_SPECIAL_DATA)
        yield from self._packet(MAX_EXTENDED_DATA)
        self._say(*len(status).to_bytes(2), *status, ACK)


_HANDLERS: Final[dict[int, Callable[[Target], Steps]]] = {
    Opcode.GET: Target._get,
    Opcode.GET_VERSION: Target._get_version,
    Opcode.GET_ID: Target._get_id,
    Opcode.READ_MEMORY: Target._read_memory,
    Opcode.GO: Target._go,
    Opcode.WRITE_MEMORY: Target._write_memory,
    Opcode.ERASE: Target._erase,
    Opcode.EXTENDED_ERASE: Target._extended_erase,
    Opcode.SPECIAL: Target._special,
    Opcode.EXTENDED_SPECIAL: Target._extended_special,
    Opcode.WRITE_PROTECT: Target._write_protect,
    Opcode.WRITE_UNPROTECT: Target._write_unprotect,
    Opcode.READOUT_PROTECT: Target._readout_protect,
    Opcode.READOUT_UNPROTECT: Target._readout_unprotect,
    Opcode.GET_CHECKSUM: Target._get_checksum,
}
