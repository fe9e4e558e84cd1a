"""The simulated chip against worked bytes of the published notes; nothing here uses the host's side."""

from __future__ import annotations

import zlib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.an3155.chip import Chip, Overwrite, Range
from protocols.an3155.frames import Opcode
from protocols.an3155.target import COMMANDS_EXTENDED, Target, crc32_words

FLASH = 0x0800_0000
ALL = Chip(loader_version=0x31, commands=tuple(Opcode))


def synced(chip: Chip = ALL) -> Target:
    target = Target(chip)
    target.receive(0x7F)
    return target


def say(target: Target, text: str) -> str:
    """Send hex, get hex."""
    return b"".join(r.data for b in bytes.fromhex(text) for r in target.receive(b)).hex(" ").upper()


def test_worked_bytes(vector, ready, chip_bytes):
    for ask, reply in vector.turns:
        got = b"".join(chip_bytes(ready.receive(byte)) for byte in bytes.fromhex(ask))
        assert got == bytes.fromhex(reply), f"{vector.source}: {ask}"
    assert vector.check(ready)


# --- AN3155 Rev 20 s.1

# even parity of 7F, 79 and 1F is 1, the level of a stop bit: a host at 8N1 passes the sync, then only pairs with an odd
# number of ones. Worked out from 8E1 (AN3155 Rev 20 s.3) by counting ones.
PASS_AT_8N1 = ["01 FE", "02 FD", "31 CE", "43 BC", "51 AE", "73 8C", "92 6D", "A1 5E"]
FAIL_AT_8N1 = ["00 FF", "11 EE", "21 DE", "44 BB", "50 AF", "63 9C", "82 7D"]


def at_8n1(target: Target, byte: int) -> bytes:
    """The chip reads the host's stop bit as parity: fits when the byte has an odd number of ones."""
    replies = target.receive(byte, parity_ok=byte.bit_count() % 2 == 1)
    return b"".join(reply.data for reply in replies)


def test_the_parity_table_is_complete():
    assert {int(pair[:2], 16) for pair in PASS_AT_8N1 + FAIL_AT_8N1} == set(Opcode)


@pytest.mark.parametrize("pair", PASS_AT_8N1)
def test_host_at_8n1_passes(pair):
    target = Target(ALL)
    assert at_8n1(target, 0x7F) == b"\x79"
    first, second = bytes.fromhex(pair)
    assert at_8n1(target, first) == b""
    assert at_8n1(target, second)[:1] == b"\x79"


@pytest.mark.parametrize("pair", FAIL_AT_8N1)
def test_host_at_8n1_is_refused_at_the_first_byte(pair):
    target = Target(ALL)
    assert at_8n1(target, 0x7F) == b"\x79"
    assert at_8n1(target, bytes.fromhex(pair)[0]) == b"\x1f"


def test_loaders_without_parity_do_not_check_it():
    # AN2606 Rev 70 Tables 194 to 200
    target = synced(Chip(commands=tuple(Opcode), parity=False))
    target.receive(0x02, parity_ok=False)
    assert target.receive(0xFD, parity_ok=False)[0].data == b"\x79"


def test_before_the_sync_all_else_is_ignored():
    target = Target(ALL)
    assert say(target, "00 FF 55 79 1F") == ""
    assert not target.synchronised
    assert say(target, "7F") == "79"
    assert target.synchronised


def test_start_up_oddities():
    # AN2606 Rev 70 Table 163; Table 135
    assert say(Target(Chip(two_acks=True)), "7F") == "79 79"
    assert say(Target(Chip(syncs_needed=2)), "7F") == ""
    assert say(Target(Chip(syncs_needed=2)), "7F 7F") == "79"
    assert say(Target(Chip(stray_before_ack=b"\0")), "7F") == "00 79"


def test_sync_answer_time():
    # AN2606 Rev 70 Table 228: configuration time of F10x is 2 us
    assert Target().receive(0x7F)[0].after_s == pytest.approx(2e-6)


# --- AN3155 Rev 20 s.2 and s.3: what is refused


@pytest.mark.parametrize("code", sorted(set(Opcode) - {0x00, 0x01, 0x02, 0x92}))
@pytest.mark.parametrize("second", [False, True])
def test_read_protected(code, second):
    # Table 2 note 2; two NACKs for Read, Write, Go: AN2606 Rev 70 Tables 30, 34, 54, 74
    target = synced(Chip(commands=tuple(Opcode), readout_protected=True, second_nack=second))
    twice = second and code in (0x11, 0x21, 0x31)
    assert say(target, f"{code:02X} {code ^ 0xFF:02X}") == ("1F 1F" if twice else "1F")


def test_protected_chip_still_tells_who_it_is():
    target = synced(Chip(readout_protected=True))
    assert say(target, "02 FD") == "79 01 04 10 79"
    assert say(target, "01 FE") == "79 22 00 00 79"


@pytest.mark.parametrize("code", [0x43, 0x44])
def test_erase_and_extended_erase_exclude_each_other(code):
    # Table 2 note 4
    commands = COMMANDS_EXTENDED if code == 0x43 else Chip().commands
    assert say(synced(Chip(commands=commands)), f"{code:02X} {code ^ 0xFF:02X}") == "1F"


def test_bad_address_before_v31_the_count_becomes_a_command():
    # Table 3: aborted in silence, the next two bytes are parsed as a pair
    target = synced(Chip(loader_version=0x30))
    assert say(target, "11 EE 60 00 00 00 60") == "79"
    assert say(target, "02 FD") == "79 01 04 10 79"
    assert say(target, "11 EE 60 00 00 00 60") == "79"
    assert say(target, "05 FA") == "1F"


@pytest.mark.parametrize(
    ("text", "reply"),
    [
        ("11 EE 20 00 00 00 20", "79 1F"),  # RAM of the loader: Table 3, v2.2
        ("31 CE 20 00 00 00 20", "79 1F"),
        ("21 DE 1F FF F0 00 10", "79 1F"),  # s.3.5: flash or RAM only
        ("21 DE 1F FF F8 00 18", "79 1F"),
        ("31 CE 1F FF F0 00 10", "79 1F"),  # system memory cannot be written
        ("11 EE 08 00 00 00 08 03 FD", "79 79 1F"),  # wrong complement
        ("11 EE 08 01 FF FF 09 01 FE", "79 79 1F"),  # over the end
        ("31 CE 08 00 00 00 08 03 01 02 03 04 08", "79 79 1F"),  # wrong checksum
        ("31 CE 08 00 00 00 08 00 55 55", "79 79 1F"),  # s.3.6: not a multiple of 4
        ("44 BB 00 00 01 00 02", "79 1F"),  # wrong checksum
        ("44 BB FF F5 0A", "79 1F"),  # s.3.8: reserved code
        ("43 BC 00 80 80", "79 1F"),  # page 128 of 128
        ("44 BB 00 80", "79 1F"),  # more pages than the chip has
        ("A1 5E 08 00 00 00 08 00 00 00 00 00", "79 79 1F"),  # s.3.13: size 0
        ("A1 5E 08 00 00 00 08 00 00 80 01 81", "79 79 1F"),  # too large
        ("50 AF 12 34 26", "79 1F"),  # unknown sub-command
    ],
)
def test_refused(text, reply):
    target = synced()
    assert say(target, text) == reply
    assert say(target, "02 FD") == "79 01 04 10 79"


# --- memories


def test_flash_that_only_clears_bits():
    # common practice, no source: NOR flash
    target = synced(replace(ALL, overwrite=Overwrite.AND))
    target.memory.load(FLASH, b"\x0f\xf0\xff\x00")
    assert say(target, "31 CE 08 00 00 00 08 03 33 33 33 33 03") == "79 79 79"
    assert target.memory.read(FLASH, 4) == b"\x03\x30\x33\x00"


def test_write_protected_sector_is_acknowledged_and_kept():
    # AN3155 Rev 20 s.3.6, s.3.7, s.3.9
    target = synced()
    target.memory.load(FLASH, bytes(8192))
    assert say(target, "63 9C 00 00 00") == "79 79"
    assert target.resets == 1
    assert say(target, "7F") == "79"
    assert say(target, "43 BC FF 00") == "79 79"
    assert target.memory.read(FLASH, 4096) == bytes(4096)
    assert target.memory.read(FLASH + 4096, 4096) == b"\xff" * 4096
    assert say(target, "43 BC 00 01 01") == "79 79"
    assert say(target, "31 CE 08 00 00 00 08 03 FF FF FF FF 03") == "79 79 79"
    assert target.memory.read(FLASH, 4) == bytes(4)
    assert say(target, "73 8C 7F 43 BC FF 00") == "79 79 79 79 79"
    assert target.memory.read(FLASH, 4096) == b"\xff" * 4096


def test_write_protect_replaces_the_set():
    target = synced(Chip(commands=tuple(Opcode), resets_after_option_change=False))
    assert say(target, "63 9C 00 03 03 63 9C 00 05 05") == "79 79 79 79"
    assert target.memory.locked == set()
    target.reset()
    assert target.memory.locked == {5}


def test_readout_protect_and_unprotect():
    # AN3155 Rev 20 s.3.11, s.3.12, Table 3 (RAM is cleared from v2.2 on)
    target = synced()
    target.memory.load(FLASH, b"\x12" * 64)
    target.memory.load(0x2000_1000, b"\x34" * 64)
    assert say(target, "82 7D") == "79 79"
    assert target.protected
    assert not target.synchronised
    assert say(target, "7F 11 EE") == "79 1F"
    assert say(target, "92 6D") == "79 79"
    assert not target.protected
    assert target.memory.read(FLASH, 64) == b"\xff" * 64
    assert target.memory.read(0x2000_1000, 64) == bytes(64)


@pytest.mark.parametrize(("version", "cleared"), [(0x21, False), (0x22, True)])
def test_readout_unprotect_clears_ram_from_v22_on(version, cleared):
    # AN3155 Rev 20 Table 3
    target = synced(Chip(loader_version=version, readout_protected=True))
    target.memory.load(0x2000_1000, b"\x34")
    assert say(target, "92 6D") == "79 79"
    assert (target.memory.read(0x2000_1000, 1) == b"\0") is cleared


def test_go_refuses_aloud_in_every_version():
    # Table 3: the missing NACK before v3.1 concerned Read and Write only
    assert say(synced(Chip(loader_version=0x22)), "21 DE 1F FF F0 00 10") == "79 1F"


def test_protection_that_waits_for_a_reset():
    # AN2606 Rev 70 Table 184: on WB the new level needs more than the loader's own reset
    target = synced(Chip(commands=tuple(Opcode), resets_after_option_change=False))
    assert say(target, "82 7D 11 EE 08 00 00 00 08 00 FF") == "79 79 79 79 79 FF"
    target.power_cycle()
    assert say(target, "7F 11 EE") == "79 1F"


@pytest.mark.parametrize("acks", [True, False])
def test_erase_ff_with_a_wrong_complement(acks):
    # AN3155 Rev 20 s.3.7: nothing is erased, acknowledged all the same
    target = synced(Chip(erase_ff_nonzero_still_acks=acks))
    target.memory.load(FLASH, bytes(1024))
    assert say(target, "43 BC FF 01") == ("79 79" if acks else "79 1F")
    assert target.memory.read(FLASH, 1024) == bytes(1024)


def test_sectors():
    # DS8626 Rev 12: 4 x 16 KB, 64 KB, 7 x 128 KB
    chip = Chip(commands=COMMANDS_EXTENDED, flash_size=1 << 20, sector_sizes=(*[16384] * 4, 65536, *[131072] * 7))
    target = synced(chip)
    target.memory.load(FLASH, bytes(1 << 20))
    assert say(target, "44 BB 00 00 00 04 04") == "79 79"
    assert target.memory.read(FLASH, 0x10000) == bytes(0x10000)
    assert target.memory.read(FLASH + 0x10000, 0x10000) == b"\xff" * 0x10000
    assert target.memory.read(FLASH + 0x20000, 0x20000) == bytes(0x20000)
    assert chip.pages == 12


def test_option_bytes_are_replaced_whole_and_reset():
    # AN3155 Rev 20 s.3.6
    target = synced()
    target.memory.load(0x1FFF_F800, b"\x11" * 16)
    assert say(target, "31 CE 1F FF F8 00 18 03 A5 5A FF 00 03") == "79 79 79"
    assert target.memory.read(0x1FFF_F800, 16) == bytes.fromhex("A55AFF00") + b"\xff" * 12
    assert target.resets == 1
    assert say(target, "7F 31 CE 1F FF F8 04 1C 03 A5 5A FF 00 03") == "79 79 79 1F"


def test_go_ends_the_loader_until_a_reset():
    target = synced()
    assert say(target, "21 DE 08 00 00 00 08") == "79 79"
    assert target.running_application
    assert say(target, "7F 00 FF") == ""
    target.reset()
    assert not target.running_application
    assert say(target, "7F") == "79"


def test_reset_keeps_ram_and_power_cycle_loses_it():
    target = synced()
    target.memory.load(0x2000_1000, b"\x34")
    target.reset()
    assert target.memory.read(0x2000_1000, 1) == b"\x34"
    target.power_cycle()
    assert target.memory.read(0x2000_1000, 1) == b"\0"


def test_reset_in_the_middle_of_a_command():
    target = synced()
    say(target, "31 CE 08 00")
    target.reset()
    assert say(target, "7F 02 FD") == "79 79 01 04 10 79"


def test_work_takes_its_time():
    # DS5319 Rev 20 Table 28: pages 20 to 40 ms, half words 40 to 70 us
    target = synced()
    say(target, "43 BC 01 00 01")
    assert 0.04 <= target.receive(0x00)[-1].after_s <= 0.08
    say(target, "31 CE 08 00 00 00 08 03 01 02 03 04")
    assert 2 * 40e-6 <= target.receive(0x07)[-1].after_s <= 2 * 70e-6


def test_several_rams():
    chip = Chip(ram=(Range(0x2000_0000, 0x8000), Range(0x2400_0000, 0x8000)))
    assert say(synced(chip), "11 EE 24 00 00 00 24 00 FF") == "79 79 79 00"


# --- AN3155 Rev 20 s.3.13


@given(st.binary(min_size=4, max_size=64).filter(lambda data: len(data) % 4 == 0))
def test_crc_against_zlib(data):
    """zlib reflects and inverts: undo both. Word order: each little-endian word enters its top byte first."""

    def mirrored(byte: int) -> int:
        return int(f"{byte:08b}"[::-1], 2)

    stream = b"".join(data[at : at + 4][::-1] for at in range(0, len(data), 4))
    reflected = zlib.crc32(bytes(mirrored(byte) for byte in stream)) ^ 0xFFFF_FFFF
    assert crc32_words(data, 0x04C1_1DB7, 0xFFFF_FFFF) == int(f"{reflected:032b}"[::-1], 2)


def test_crc_of_a_chip_that_cannot_change_it():
    chip = Chip(loader_version=0x33, commands=(*COMMANDS_EXTENDED, 0xA1), crc_fixed=True)
    text = "A1 5E 08 00 00 00 08 00 00 00 40 40 00 00 00 01 01 00 00 00 00 00"
    assert say(synced(chip), text) == "79 79 79 79 79 7B EA EA 80 FB"


# --- anything at all

CHIPS = [ALL, Chip(), Chip(readout_protected=True, second_nack=True), Chip(commands=COMMANDS_EXTENDED, two_acks=True)]
pieces = st.one_of(
    st.binary(max_size=20),
    st.sampled_from(list(Opcode)).map(lambda code: bytes((code, code ^ 0xFF))),
    st.sampled_from([b"\x7f", bytes.fromhex("0800000008"), bytes.fromhex("2000100030"), b"\xff\x00", b"\x03\xfc"]),
)


@given(st.sampled_from(CHIPS), st.lists(st.tuples(pieces, st.booleans()), max_size=30))
def test_any_bytes(chip, given_pieces):
    target = Target(chip)
    for piece, good in given_pieces:
        for byte in piece:
            for reply in target.receive(byte, parity_ok=good):
                assert 0 < len(reply.data) <= 1100
                assert reply.after_s >= 0
    target.reset()
    assert say(target, "7F").startswith("79")


@given(st.integers(0, 255), st.integers(0, 255))
def test_the_longest_packets_are_bounded(high, low):
    """Whatever length is announced, the chip answers within what it can hold: pages of this chip, 128, 1024 bytes."""
    for start in ("44 BB", "50 AF 00 82 82", "51 AE 00 82 82"):
        target = synced(Chip(commands=tuple(Opcode), specials=((0x82, b"", b"\0"),)))
        say(target, start)
        answered = say(target, f"{high:02X} {low:02X}")
        for _ in range(2 * target.chip.pages + 2):
            answered = answered or say(target, "AA")
        assert answered
