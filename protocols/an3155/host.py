"""The host's side of AN3155 Rev 20: one conversation per command, in the order of the note.

Belongs here: what to send, what to expect, and what the answer means. Each function reads like the note's flow chart.
Every one raises `Refused` on a NACK, `NoReply` on silence (from the driver) and `UnexpectedReply` on bytes the note
does not allow; `OurMistake` comes before anything is sent. After any of these three but `Refused` it is not known
whether the chip waits for a command or for the rest of one.
`within_s` is what the chip itself may take, in seconds. The sync is in `contact`, s.3.14 and s.3.15 in `special`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from protocols.an3155 import frames, times
from protocols.an3155.acks import ack_before_data, ask, closing_ack, lone_ack, send_address, start
from protocols.an3155.frames import ACK, NACK, Opcode
from protocols.an3155.supply import SUPPLY_ADDRESS, code_for
from protocols.conversation import Conversation, Send, Stray, Want
from protocols.errors import NoReply, OurMistake, Refused, UnexpectedReply
from protocols.programmer import SupplyRange

# AN3155 Rev 20 s.3.13 and the CRC unit's reset values
CRC_POLYNOMIAL: Final = 0x04C1_1DB7
CRC_INITIAL: Final = 0xFFFF_FFFF


def _check_address(address: int, alignment: int = 1) -> None:
    if not 0 <= address <= 0xFFFF_FFFF:
        raise OurMistake(f"address {address:#x} does not fit into 32 bits")
    if address % alignment:
        raise OurMistake(f"address 0x{address:08X} is not a multiple of {alignment}")


def _check_list(what: str, numbers: Sequence[int], most: int, highest: int) -> None:
    if not 1 <= len(numbers) <= most:
        raise OurMistake(f"{len(numbers)} {what}: one command takes 1 to {most}")
    for number in numbers:
        if not 0 <= number <= highest:
            raise OurMistake(f"{what}: {number} is outside 0..{highest}")


def get(within_s: float = times.ANSWER_S) -> Conversation[tuple[int, tuple[int, ...]]]:
    """Get (s.3.1): the version byte and the codes of the commands the chip knows."""
    name = yield from ask(Opcode.GET, within_s)
    count = (yield Want(1, within_s, "the number of command codes"))[0]
    rest = yield Want(count + 2, within_s, "version, command codes and ACK")
    body = closing_ack(name, rest)
    return body[0], tuple(body[1:])


def get_version(within_s: float = times.ANSWER_S) -> Conversation[tuple[int, bytes]]:
    """Get Version (s.3.2): the version byte and the two option bytes (0 on current loaders)."""
    name = yield from ask(Opcode.GET_VERSION, within_s)
    body = closing_ack(name, (yield Want(4, within_s, "version, two option bytes and ACK")))
    return body[0], body[1:]


def get_id(within_s: float = times.ANSWER_S) -> Conversation[int]:
    """Get ID (s.3.3): the product id; its width follows N, because v2.0 loaders differ."""
    name = yield from ask(Opcode.GET_ID, within_s)
    count = (yield Want(1, within_s, "the length of the product id"))[0]
    body = closing_ack(name, (yield Want(count + 2, within_s, "product id and ACK")))
    return int.from_bytes(body)


def read_memory(
    address: int, count: int, within_s: float = times.ANSWER_S, *, silent_refusal: bool = False
) -> Conversation[bytes]:
    """Read Memory (s.3.4): `count` bytes, 1..256.

    `silent_refusal` is for loaders before v3.1: silence on the address is then taken as the refusal it is.
    """
    _check_address(address)
    if not 1 <= count <= frames.MAX_BLOCK:
        raise OurMistake(f"{count} bytes: one Read Memory takes 1 to {frames.MAX_BLOCK}")
    name = yield from start(Opcode.READ_MEMORY, within_s)
    yield from send_address(name, address, within_s, silent_refusal)
    yield Send(frames.read_count(count), f"{name}: {count} bytes")
    yield from ack_before_data(name, "the length", within_s)
    return (yield Want(count, within_s, f"{count} bytes from 0x{address:08X}"))


def go(address: int, within_s: float = times.ANSWER_S) -> Conversation[None]:
    """Go (s.3.5): stack pointer from `address`, start from the word at `address` + 4."""
    _check_address(address, 4)
    name = yield from start(Opcode.GO, within_s)
    yield from send_address(name, address, within_s)


def write_memory(
    address: int,
    data: bytes,
    within_s: float = times.ANSWER_S,
    *,
    program_s: float = times.PROGRAM_S,
    silent_refusal: bool = False,
) -> Conversation[None]:
    """Write Memory (s.3.6): 4..256 bytes, a multiple of 4 at a multiple of 4 (AN2606 Rev 70 s.4.4).

    The voltage byte of F2/F4/F7 may be written with 1..4 bytes (AN2606 Rev 70 Table 4). An ACK does not prove that
    flash was programmed: a write-protected sector is acknowledged too, so read back.
    """
    _check_address(address, 4)
    if not 1 <= len(data) <= frames.MAX_BLOCK:
        raise OurMistake(f"{len(data)} bytes: one Write Memory takes 4 to {frames.MAX_BLOCK}")
    if len(data) % 4 and not (address == SUPPLY_ADDRESS and len(data) < 4):
        raise OurMistake(f"{len(data)} bytes: Write Memory takes multiples of 4")
    name = yield from start(Opcode.WRITE_MEMORY, within_s)
    yield from send_address(name, address, within_s, silent_refusal)
    yield Send(frames.write_block(data), f"{name}: {len(data)} bytes")
    yield from lone_ack(name, "the data", within_s + program_s)


def tell_supply(supply: SupplyRange, within_s: float = times.ANSWER_S) -> Conversation[None]:
    """State the range of the supply to an F2, F4 or F7 (AN2606 Rev 70 Table 4); it holds until the chip's next reset.

    Raises OurMistake for a range that has no byte.
    """
    return write_memory(SUPPLY_ADDRESS, bytes((code_for(supply),)), within_s)


def erase(
    pages: Sequence[int] | None = None,
    within_s: float = times.ANSWER_S,
    *,
    page_s: float = times.PAGE_ERASE_S,
    mass_s: float = times.MASS_ERASE_S,
) -> Conversation[None]:
    """Erase (s.3.7): 1..255 page numbers of one byte, or None for everything."""
    if pages is not None:
        _check_list("pages", pages, frames.MAX_ERASE_PAGES, 0xFF)
    name = yield from start(Opcode.ERASE, within_s)
    if pages is None:
        yield Send(frames.erase_global(), f"{name}: everything")
        yield from lone_ack(name, "the global erase", within_s + mass_s)
    else:
        yield Send(frames.erase_pages(pages), f"{name}: {len(pages)} pages")
        yield from lone_ack(name, "the pages", within_s + len(pages) * page_s)


def extended_erase(
    pages: Sequence[int] | frames.SpecialErase,
    within_s: float = times.ANSWER_S,
    *,
    page_s: float = times.PAGE_ERASE_S,
    mass_s: float = times.MASS_ERASE_S,
) -> Conversation[None]:
    """Extended Erase (s.3.8): page numbers of two bytes (sector numbers on F2/F4/F7/H7), or a special code."""
    if not isinstance(pages, frames.SpecialErase):
        _check_list("pages", pages, frames.SPECIAL_ERASE_FROM, 0xFFFF)
    name = yield from start(Opcode.EXTENDED_ERASE, within_s)
    if isinstance(pages, frames.SpecialErase):
        what = pages.name.lower().replace("_", " ")
        yield Send(frames.extended_erase_special(pages), f"{name}: {what}")
        yield from lone_ack(name, f"the {what} erase", within_s + mass_s)
    else:
        yield Send(frames.extended_erase_pages(pages), f"{name}: {len(pages)} pages")
        yield from lone_ack(name, "the pages", within_s + len(pages) * page_s)


def write_protect(
    sectors: Sequence[int], within_s: float = times.ANSWER_S, *, option_s: float = times.OPTION_S
) -> Conversation[None]:
    """Write Protect (s.3.9): 1..256 sector numbers; replaces the set before. The chip may reset afterwards."""
    _check_list("sectors", sectors, 256, 0xFF)
    name = yield from start(Opcode.WRITE_PROTECT, within_s)
    yield Send(frames.write_protect_sectors(sectors), f"{name}: {len(sectors)} sectors")
    yield from lone_ack(name, "the sectors", within_s + option_s)


def _twice(opcode: Opcode, within_s: float, work_s: float) -> Conversation[None]:
    """The commands that take no data: one ACK for the opcode, one when done."""
    name = yield from start(opcode, within_s)
    yield from lone_ack(name, "the work itself", within_s + work_s)


def write_unprotect(within_s: float = times.ANSWER_S, *, option_s: float = times.OPTION_S) -> Conversation[None]:
    """Write Unprotect (s.3.10), all sectors. The chip may reset afterwards."""
    yield from _twice(Opcode.WRITE_UNPROTECT, within_s, option_s)


def readout_protect(within_s: float = times.ANSWER_S, *, option_s: float = times.OPTION_S) -> Conversation[None]:
    """Readout Protect (s.3.11). The chip may reset afterwards."""
    yield from _twice(Opcode.READOUT_PROTECT, within_s, option_s)


def readout_unprotect(within_s: float = times.ANSWER_S, *, mass_s: float = times.MASS_ERASE_S) -> Conversation[None]:
    """Readout Unprotect (s.3.12): **erases the whole flash**. The chip may reset afterwards."""
    yield from _twice(Opcode.READOUT_UNPROTECT, within_s, mass_s)


def get_checksum(
    address: int,
    words: int,
    polynomial: int = CRC_POLYNOMIAL,
    initial: int = CRC_INITIAL,
    within_s: float = times.ANSWER_S,
    *,
    compute_s: float = times.CHECKSUM_S,
) -> Conversation[int]:
    """Get Checksum (s.3.13): the CRC over `words` 32-bit words from `address`.

    The note leaves open whether the last ACK comes once or twice; both are accepted.
    """
    _check_address(address, 4)
    for value, what in ((words, "number of words"), (polynomial, "polynomial"), (initial, "initial value")):
        if not 0 <= value <= 0xFFFF_FFFF:
            raise OurMistake(f"{what} {value:#x} does not fit into 32 bits")
    if words == 0:
        raise OurMistake("a checksum over 0 words is refused by the chip")
    name = yield from start(Opcode.GET_CHECKSUM, within_s)
    yield from send_address(name, address, within_s)
    yield Send(frames.word(words), f"{name}: {words} words")
    yield from lone_ack(name, "the size", within_s)
    yield Send(frames.word(polynomial), f"{name}: polynomial 0x{polynomial:08X}")
    yield from lone_ack(name, "the polynomial", within_s)
    yield Send(frames.word(initial), f"{name}: initial value 0x{initial:08X}")
    yield from ack_before_data(name, "the initial value", within_s)
    try:
        got = yield Want(5, compute_s, "the CRC and its checksum")
    except NoReply as silence:
        if silence.got == bytes((NACK,)):
            raise Refused(name, "the computation") from silence
        raise
    if got[0] == ACK:  # a second ACK, or a CRC that begins with 0x79: the checksum decides
        got += yield Want(1, times.TRAIL_S, "the last byte of the CRC, after a second ACK", optional=True)
    for answer in (got[-5:], got[:5]):
        if frames.xor(answer) == 0:
            if len(got) > 5 and answer == got[:5] != got[1:]:
                yield Stray(got[5:], "after a complete CRC")
            return int.from_bytes(answer[:4])
    raise UnexpectedReply("a CRC that fits its checksum", got)
