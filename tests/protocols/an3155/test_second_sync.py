"""Which second byte of a sync a chip survives that was left in the middle of a command, and why it is 7F all the same.

A loader has no timeout (AN3155 Rev 20 is silent, AN2606 Rev 70 s.101.4 has none for the USART) and stands in one of
three states when a host comes back: waiting for the sync, waiting for a command, inside a command. The sync sends 7F,
and only where nothing answered a second byte. `target.py` is the chip; what a command takes is in s.3.1 to s.3.15.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from protocols.an3155 import frames
from protocols.an3155.chip import COMMANDS_EXTENDED, Chip, Range
from protocols.an3155.target import Target
from protocols.uart import EIGHT_E_ONE
from protocols.waveform import encode

FLASH, RAM = 0x0800_0000, 0x2000_0000
EVERY = frozenset(range(256))
# 512 pages, so that Extended Erase can name one whose number has a first byte other than 00
SMALL = {
    "loader_version": 0x33,
    "flash_size": 4096,
    "page_size": 8,
    "protect_unit": 8,
    "ram": (Range(RAM, 1024),),
    "loader_ram": Range(RAM, 4),
    "system_memory": Range(0x1FFF_F000, 16),
    "voltage_byte": True,
}
ONE = Chip(**SMALL, commands=(0x00, 0x01, 0x02, 0x11, 0x21, 0x31, 0x43, 0x63, 0x73, 0x82, 0x92, 0xA1))  # type: ignore[arg-type]
TWO = Chip(**SMALL, commands=(*COMMANDS_EXTENDED, 0x50, 0x51, 0xA1), specials=((0x82, b"", b"\0"),))  # type: ignore[arg-type]
# every byte has bits that an erase sets, but for what is written to
BLANK = {*range(8), *range(0x100, 0x104)}
OLD = bytes(0xFF if n in BLANK else (n * 7 + 1) & 0xFE for n in range(4096))


def whole(opcode: int, *packets: bytes) -> bytes:
    return b"".join((frames.command(opcode), *packets))


SPECIAL = (frames.special_opcode(0x82), frames.special_data(b"\0\0\0\0"))
COMMANDS: dict[str, tuple[Chip, bytes]] = {
    "get": (ONE, whole(0x00)),
    "get-version": (ONE, whole(0x01)),
    "get-id": (ONE, whole(0x02)),
    "read": (ONE, whole(0x11, frames.address(FLASH), frames.read_count(256))),
    "read-ram": (ONE, whole(0x11, frames.address(RAM + 0x200), frames.read_count(4))),
    "go": (ONE, whole(0x21, frames.address(FLASH))),
    "go-0800": (ONE, whole(0x21, frames.address(FLASH + 0x800))),
    "write": (ONE, whole(0x31, frames.address(FLASH + 0x100), frames.write_block(b"\x11\x22\x33\x44"))),
    "write-blank": (ONE, whole(0x31, frames.address(FLASH), frames.write_block(b"\xff" * 8))),
    "supply": (ONE, whole(0x31, frames.address(0xFFFF_0000), frames.write_block(b"\x03"))),
    "erase-one": (ONE, whole(0x43, frames.erase_pages([5]))),
    "erase-two": (ONE, whole(0x43, frames.erase_pages([5, 6]))),
    "erase-all": (ONE, whole(0x43, frames.erase_global())),
    "extended-erase-one": (TWO, whole(0x44, frames.extended_erase_pages([5]))),
    "extended-erase-high": (TWO, whole(0x44, frames.extended_erase_pages([0x105]))),
    "extended-erase-two": (TWO, whole(0x44, frames.extended_erase_pages([5, 6]))),
    "extended-erase-all": (TWO, whole(0x44, frames.extended_erase_special(0xFFFF))),
    "write-protect": (ONE, whole(0x63, frames.write_protect_sectors([2]))),
    "write-unprotect": (ONE, whole(0x73)),
    "readout-protect": (ONE, whole(0x82)),
    "readout-unprotect": (ONE, whole(0x92)),
    "checksum": (ONE, whole(0xA1, frames.address(FLASH), frames.word(64), frames.word(1), frames.word(0))),
    "special": (TWO, whole(0x50, *SPECIAL)),
    "extended-special": (TWO, whole(0x51, *SPECIAL, frames.special_data(b"\0"))),
}


@dataclass(frozen=True)
class State:
    """All of a chip that a command can change."""

    flash: bytes
    ram: bytes
    locked: frozenset[int]
    protected: bool
    running: bool
    range: int
    resets: int


def state(target: Target) -> State:
    memory = target.memory
    return State(
        memory.read(FLASH, 4096),
        memory.read(RAM, 1024),
        frozenset(memory.locked),
        target.protected,
        target.running_application,
        target.voltage_range,
        target.resets,
    )


def left_at(chip: Chip, sent: bytes) -> Target:
    """A synchronised chip to which these bytes came."""
    target = Target(chip)
    target.memory.load(FLASH, OLD)
    target.receive(frames.SYNC)
    for byte in sent:
        target.receive(byte)
    return target


def silent_cuts(chip: Chip, command: bytes) -> Iterator[bytes]:
    """The beginnings of a command after which the first 7F is not answered: only then a second byte is sent."""
    for cut in range(len(command) + 1):
        if not left_at(chip, command[:cut]).receive(frames.SYNC):
            yield command[:cut]


def harmful(chip: Chip, sent: bytes) -> set[int]:
    """The second bytes that, after `sent` and 7F, change anything on the chip."""
    found = set()
    before = state(left_at(chip, sent))
    for second in EVERY:
        target = left_at(chip, sent)
        target.receive(frames.SYNC)
        target.receive(second)
        if state(target) != before:
            found.add(second)
    return found


# what 7F and a second byte complete: s.3.7 and s.3.9, a count of 0 (one page, one sector), 7F as its number and the
# checksum 00^7F; s.3.8 the same with a count and the number's first byte of 00 or, above 255 pages, of 01
COMPLETED = {
    ("erase-one", 3): {0x7F},
    ("extended-erase-one", 5): {0x7F},
    ("extended-erase-high", 5): {0x7E},
    ("write-protect", 3): {0x7F},
    # two pages: count and first number are in the checksum too: 01^05^7F
    ("erase-two", 4): {0x7B},
    ("extended-erase-two", 7): {0x7B},
    # data, of which the last byte and the checksum are missing: 03^11^22^33^7F; FF seven times and a count of 07
    ("write", 11): {0x7C},
    ("write-blank", 15): {0x87},
    # s.3.5: the address' last byte and the checksum, 08^00^00^7F
    ("go", 5): {0x77},
    ("go-0800", 5): {0x7F},
}


@pytest.mark.parametrize("name", COMMANDS)
def test_what_a_second_byte_completes_in_a_command_that_was_cut(name: str) -> None:
    chip, command = COMMANDS[name]
    found = {(name, len(sent)): bad for sent in silent_cuts(chip, command) if (bad := harmful(chip, sent))}
    assert found == {key: bad for key, bad in COMPLETED.items() if key[0] == name}
    # the careful sync's byte completes none of them (`realign` has the rule and what it cannot rule out)
    assert all(frames.FILLER not in bad for bad in found.values())


def test_a_chip_that_waits_for_a_command_takes_any_second_byte_and_says_so() -> None:
    # s.3: no command 7F; the NACK says "already synchronised"
    for second in EVERY:
        target = left_at(ONE, b"")
        assert not target.receive(frames.SYNC)
        assert [reply.data for reply in target.receive(second)] == [bytes((frames.NACK,))]
        assert state(target) == state(left_at(ONE, b""))


def test_no_other_byte_is_a_sync_for_a_chip_that_missed_the_first() -> None:
    # AN2606 Rev 70 s.101.2: the rate is the time from the rising edge of the first data bit to the falling edge of the
    # last, 7 bit times in 7F; any other character is measured too, and gives a wrong rate
    as_long = {byte for byte in range(256) if measured(byte) == pytest.approx(7)}
    assert as_long == {frames.SYNC}
    # AN3155 Rev 20 s.2: host and chip may differ by 2.5 %; FC is taken for a rate that is 17 % off
    assert measured(frames.FILLER) == pytest.approx(6)
    assert abs(7 / 6 - 1) > 0.025


def measured(byte: int) -> float | None:
    """Bit times from the first rising edge to the falling edge after it, within the character; None: there is none."""
    edges = encode([(0.0, byte)], EIGHT_E_ONE, 1.0)
    rises = [at for at, level in edges if level == 1]
    falls = [at for at, level in edges if level == 0 and rises and at > rises[0]]
    return falls[0] - rises[0] if falls else None


def test_some_chips_want_7f_twice() -> None:
    # AN2606 Rev 70 Table 135: H74x/75x on USART1
    for second, answers in ((frames.SYNC, True), (frames.FILLER, False)):
        target = Target(Chip(syncs_needed=2))
        assert not target.receive(frames.SYNC)
        assert bool(target.receive(second)) is answers
