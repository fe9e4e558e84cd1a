"""AN3155's commands as `protocols.programmer` wants them: which erase a chip has follows from its Get list."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import Final

from protocols.an3155 import contact, frames, host
from protocols.an3155.acks import AT_OPCODE
from protocols.an3155.frames import Opcode, SpecialErase, opcode_name
from protocols.an3155.realign import realign
from protocols.an3155.supply import supplies_of
from protocols.conversation import Conversation
from protocols.errors import OurMistake, Refused
from protocols.family import Identity
from protocols.programmer import Programmer, SupplyRange

# s.3.4 and s.3.6: opcode 2 and ACK, address 5 and ACK; then count 2 and ACK, or count, checksum and ACK
_AROUND_BLOCK: Final = 12
_REVERSED: Final = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
# s.3.7: opcode 2 and ACK, count, checksum and ACK; s.3.8 has a count of two bytes
_AROUND_ERASE: Final = 6
_AROUND_EXTENDED_ERASE: Final = 7


def programmer(identity: Identity) -> Programmer:
    """What a chip with this identity offers. Erase and Extended Erase exclude each other (Table 2 note 4)."""

    def has(opcode: Opcode) -> bool:
        return opcode_name(opcode) in identity.commands

    extended = has(Opcode.EXTENDED_ERASE)
    # Table 3: before v3.1 an address that is not allowed is met with silence
    silent = _before_3_1(identity.loader_version)

    def need(opcode: Opcode) -> None:
        if not has(opcode):
            raise OurMistake(f"the chip does not list the command {opcode_name(opcode)}")

    def read(address: int, count: int) -> Conversation[bytes]:
        need(Opcode.READ_MEMORY)
        return host.read_memory(address, count, silent_refusal=silent)

    def write(address: int, data: bytes, within_s: float) -> Conversation[None]:
        need(Opcode.WRITE_MEMORY)
        return host.write_memory(address, data, program_s=within_s, silent_refusal=silent)

    def erase(pages: Sequence[int], within_s: float) -> Conversation[None]:
        page_s = within_s / max(1, len(pages))
        if extended:
            return host.extended_erase(pages, page_s=page_s)
        need(Opcode.ERASE)
        return host.erase(pages, page_s=page_s)

    def erase_all(within_s: float) -> Conversation[None]:
        if extended:
            return host.extended_erase(SpecialErase.MASS, mass_s=within_s)
        need(Opcode.ERASE)
        return host.erase(mass_s=within_s)

    def go(address: int) -> Conversation[None]:
        need(Opcode.GO)
        return host.go(address)

    def unprotect(within_s: float) -> Conversation[None]:
        need(Opcode.READOUT_UNPROTECT)
        return host.readout_unprotect(mass_s=within_s)

    supplies = supplies_of(identity.product_id)

    def state(supply: SupplyRange) -> Conversation[None]:
        need(Opcode.WRITE_MEMORY)
        if supply not in supplies:
            raise OurMistake("the loader of this chip has no place to state that supply")
        return host.tell_supply(supply)

    def checksum(address: int, count: int) -> Conversation[int]:
        if count % 4:
            raise OurMistake(f"{count} bytes: Get Checksum counts whole 32-bit words")
        return host.get_checksum(address, count // 4)

    def erase_chars(pages: int) -> int:
        return _AROUND_EXTENDED_ERASE + 2 * pages if extended else _AROUND_ERASE + pages

    return Programmer(
        read=read,
        write=write,
        erase=erase,
        erase_all=erase_all,
        go=go,
        unprotect=unprotect,
        sync=lambda: contact.sync(careful=True),
        tell_supply=state,
        supplies=supplies,
        realign=realign,
        checksum=checksum if has(Opcode.GET_CHECKSUM) else None,
        checksum_of=checksum_of,
        read_chars=lambda count: _AROUND_BLOCK + count,
        write_chars=lambda count: _AROUND_BLOCK + count,
        erase_chars=erase_chars,
        denied=_denied,
        max_block=frames.MAX_BLOCK,
        write_unit=4,  # AN2606 Rev 70 s.4.4
        max_pages=frames.SPECIAL_ERASE_FROM if extended else frames.MAX_ERASE_PAGES,
        max_page_number=0xFFFF if extended else 0xFF,
    )


def _before_3_1(version: str | None) -> bool:
    major, _, minor = (version or "").partition(".")
    return major.isdecimal() and minor.isdecimal() and (int(major), int(minor)) < (3, 1)


def checksum_of(data: bytes) -> int:
    """What Get Checksum should say over whole 32-bit words of `data`, with its default polynomial and initial value.

    The note does not state the flavour (s.3.13); users measured it on the sibling I2C command: words in little-endian
    order, most significant bit first, no reflection, no final xor. That is zlib's CRC-32 with every bit order reversed.
    """
    words = b"".join(data[at : at + 4][::-1] for at in range(0, len(data), 4))
    crc = zlib.crc32(words.translate(_REVERSED)) ^ 0xFFFF_FFFF
    return int(f"{crc:032b}"[::-1], 2)


def _denied(refusal: Refused) -> bool:
    """s.2: a protected chip refuses at the opcode."""
    return refusal.step == AT_OPCODE
