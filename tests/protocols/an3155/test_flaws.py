"""Chips with something wrong inside, and what a flash makes of a second write; nothing here uses the host's side."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.an3155.chip import Chip, Overwrite
from protocols.an3155.flaws import Flaws, StuckBit
from protocols.an3155.frames import xor
from protocols.an3155.target import Target

FLASH = 0x0800_0000


def synced(flaws: Flaws | None = None, chip: Chip | None = None) -> Target:
    target = Target(chip or Chip(), flaws)
    target.receive(0x7F)
    return target


def say(target: Target, data: bytes) -> bytes:
    return b"".join(reply.data for byte in data for reply in target.receive(byte))


def write(target: Target, address: int, data: bytes) -> bytes:
    head = address.to_bytes(4)
    body = bytes((len(data) - 1,)) + data
    return say(target, b"\x31\xce" + head + bytes((xor(head),)) + body + bytes((xor(body),)))


def erase(target: Target, *pages: int) -> bytes:
    body = bytes((len(pages) - 1, *pages))
    return say(target, b"\x43\xbc" + body + bytes((xor(body),)))


# PM0075 Rev 2 s.2.3.3 (from memory): a half word that is not FFFF is skipped, except that 0000 is always written
@pytest.mark.parametrize(
    ("old", "new", "skip", "both"),
    [
        ("ffffffff", "12345678", "12345678", "12345678"),
        ("12345678", "ffffffff", "12345678", "12345678"),
        ("1234ffff", "00000102", "00000102", "00000102"),
        ("0ff0ffff", "33333333", "0ff03333", "03303333"),
        ("12345678", "12345678", "12345678", "12345678"),
    ],
)
def test_a_second_write_is_acknowledged_and_shows_only_on_reading(old: str, new: str, skip: str, both: str) -> None:
    for rule, left in ((Overwrite.SKIP, skip), (Overwrite.AND, both)):
        target = synced(chip=Chip(overwrite=rule))
        target.memory.load(FLASH, bytes.fromhex(old))
        assert write(target, FLASH, bytes.fromhex(new)) == b"\x79\x79\x79"
        assert target.memory.read(FLASH, 4).hex() == left


@given(st.binary(min_size=4, max_size=64).map(lambda data: data[: len(data) // 4 * 4]), st.sampled_from(Overwrite))
def test_what_is_written_to_erased_flash_is_read_and_no_write_sets_a_bit(data: bytes, rule: Overwrite) -> None:
    target = synced(chip=Chip(overwrite=rule))
    target.memory.program(FLASH, data)
    assert target.memory.read(FLASH, len(data)) == data
    target.memory.program(FLASH, data[::-1])
    again = target.memory.read(FLASH, len(data))
    assert all(new & ~old & 0xFF == 0 for old, new in zip(data, again, strict=True))


@pytest.mark.parametrize("level", [0, 1])
def test_a_stuck_bit_reads_the_same_whatever_is_done(level: int) -> None:
    target = synced(Flaws(stuck_bits=(StuckBit(FLASH + 5, 3, level),)))
    for value in (0x00, 0xFF):
        assert erase(target, 0) == b"\x79\x79"
        assert write(target, FLASH + 4, bytes((value,) * 4)) == b"\x79\x79\x79"
        wrong = value & ~0x08 | level << 3
        assert target.memory.read(FLASH + 4, 4) == bytes((value, wrong, value, value))


def test_a_stubborn_page_and_a_locked_sector_are_acknowledged_and_kept() -> None:
    # AN3155 Rev 20 s.3.6, s.3.7: no error is told for protected pages
    target = synced(Flaws(stubborn_pages=(2,), locked_sectors=(1,)))
    target.memory.load(FLASH, bytes(8 * 1024))
    assert erase(target, *range(8)) == b"\x79\x79"
    pages = [target.memory.read(FLASH + n * 1024, 1024) for n in range(8)]
    kept = [page == bytes(1024) for page in pages]
    assert kept == [False, False, True, False, True, True, True, True]  # sector 1 is pages 4 to 7
    assert say(target, b"\x43\xbc\xff\x00") == b"\x79\x79"
    assert target.memory.read(FLASH + 2048, 1024) == bytes(1024)
    target.memory.load(FLASH + 4096, b"\xff" * 4)
    assert write(target, FLASH + 4096, b"\x01\x02\x03\x04") == b"\x79\x79\x79"
    assert target.memory.read(FLASH + 4096, 4) == b"\xff" * 4


def test_the_nth_command_is_refused_once() -> None:
    target = synced(Flaws(nack_at=2))
    assert [say(target, b"\x02\xfd")[:1].hex() for _ in range(3)] == ["79", "1f", "79"]


def test_a_stalled_command_is_not_answered_until_a_reset() -> None:
    target = synced(Flaws(stall_at=2))
    assert say(target, b"\x02\xfd")
    assert say(target, b"\x02\xfd" * 20) == b""
    target.reset()
    assert say(target, b"\x7f\x02\xfd")[:2] == b"\x79\x79"


def test_one_acknowledge_comes_late() -> None:
    target = synced(Flaws(late_at=3, late_s=0.5))
    waits = [reply.after_s for _ in range(4) for byte in b"\x02\xfd" for reply in target.receive(byte)]
    # each answer is an acknowledge, then length, id and a second acknowledge: the third is that of the second question
    assert [wait > 0.4 for wait in waits] == [False, False, True, False, False, False, False, False]


@pytest.mark.parametrize("act", [lambda t: write(t, FLASH, bytes(range(64))), lambda t: erase(t, 0)])
def test_the_supply_goes_half_way(act: object) -> None:
    before = bytes(range(100, 164)) if "erase" in act.__code__.co_names else b"\xff" * 64  # type: ignore[attr-defined]
    left = []
    for _ in range(2):
        target = synced(Flaws(power_fails_at=1, seed=3))
        target.memory.load(FLASH, before)
        answer = act(target)  # type: ignore[operator]
        assert answer == answer.rstrip(b"\x79") + b"\x79" * (len(answer))  # the last acknowledge never comes
        assert target.power_fails_after_s is not None
        left.append(target.memory.read(FLASH, 64))
    assert left[0] == left[1]  # the same seed, the same damage
    assert left[0] not in (before, b"\xff" * 64, bytes(range(64)))
