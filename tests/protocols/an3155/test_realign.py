"""Whatever half of a command a chip was left with, it comes back, and nothing happens that was not asked for.

The chip's side is `target.py`, written from AN3155 Rev 20; what is allowed to change follows from its s.3.6 to s.3.8.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.an3155 import contact, frames, host
from protocols.an3155.realign import LIMIT, fillers, realign
from protocols.an3155.target import COMMANDS_EXTENDED, Chip, Target
from protocols.conversation import Conversation
from protocols.errors import NoReply, UnexpectedReply

FLASH = 0x0800_0000
OLD = bytes((n * 7 + n // 256) & 0xFF for n in range(128 * 1024))
BLOCK = bytes((n * 5 + 3) & 0xFF for n in range(256))
PLAIN = Chip(loader_version=0x31)
EXTENDED = Chip(loader_version=0x33, commands=(*COMMANDS_EXTENDED, 0xA1))
CASES: dict[str, tuple[Chip, Callable[[], Conversation[Any]], range]] = {
    # name: chip, what was going on, which bytes of the flash it may change
    "write": (PLAIN, lambda: host.write_memory(FLASH + 0x400, BLOCK), range(0x400, 0x500)),
    "write-short": (PLAIN, lambda: host.write_memory(FLASH, b"\0\1\2\3"), range(4)),
    "write-blank": (PLAIN, lambda: host.write_memory(FLASH, b"\xff" * 256), range(256)),
    "write-zeros": (PLAIN, lambda: host.write_memory(FLASH, bytes(256)), range(256)),
    # addresses whose checksum a filler can be: 83 and FC
    "write-83-address": (PLAIN, lambda: host.write_memory(0x0800_8B00, BLOCK), range(0x8B00, 0x8C00)),
    "write-fc-address": (PLAIN, lambda: host.write_memory(0x0800_F400, BLOCK), range(0xF400, 0xF500)),
    "write-7f-address": (PLAIN, lambda: host.write_memory(0x0800_7700, BLOCK), range(0x7700, 0x7800)),
    "read": (PLAIN, lambda: host.read_memory(FLASH, 256), range(0)),
    "read-one": (PLAIN, lambda: host.read_memory(FLASH, 1), range(0)),
    "erase": (PLAIN, lambda: host.erase([3, 4, 5]), range(0xC00, 0x1800)),
    "erase-first": (PLAIN, lambda: host.erase([0]), range(0x400)),
    "erase-16": (PLAIN, lambda: host.erase(range(16)), range(0x4000)),
    "extended-erase": (EXTENDED, lambda: host.extended_erase([3, 4]), range(0xC00, 0x1400)),
    "get": (PLAIN, host.get, range(0)),
    "checksum": (EXTENDED, lambda: host.get_checksum(FLASH, 64), range(0)),
}


def make(chip: Chip) -> Target:
    target = Target(chip)
    target.memory.load(FLASH, OLD)
    target.receive(frames.SYNC)
    return target


@pytest.fixture
def sent(converse: Any, pair: Any) -> Callable[[str], bytes]:
    """All bytes the host sends in a case."""

    def all_of(case: str) -> bytes:
        chip, talk, _ = CASES[case]
        return b"".join(converse(talk(), pair(make(chip))).sent)

    return all_of


def check_in_step(target: Target, converse: Any, pair: Any) -> None:
    """The chip takes commands: AN3155 Rev 20 s.3.3, id 0x410."""
    assert converse(host.get_id(), pair(target)).result == 0x410


def changed(target: Target) -> set[int]:
    now = target.memory.read(FLASH, len(OLD))
    return {n for n in range(len(OLD)) if now[n] != OLD[n]} if now != OLD else set()


@pytest.mark.parametrize("case", CASES)
def test_a_command_cut_at_any_byte_is_left_without_harm(case: str, sent: Any, converse: Any, pair: Any) -> None:
    chip, _, may_change = CASES[case]
    whole = sent(case)
    for cut in range(len(whole) + 1):
        target = make(chip)
        for byte in whole[:cut]:
            target.receive(byte)
        run = converse(realign(), pair(target))
        assert run.result <= LIMIT
        check_in_step(target, converse, pair)
        assert not target.running_application
        assert not target.protected
        assert not target.memory.locked
        assert changed(target) <= set(may_change)
        # an erase that was cut, unless nothing but its checksum was missing, has erased nothing
        if "erase" in case and cut < len(whole) - 1:
            assert not changed(target)
        # data that are all alike, or of which only the count was sent, are not completed by chance
        if cut < len(whole) - 1 and (case in ("write-blank", "write-zeros", "write-short") or cut <= 8):
            assert not changed(target)


@pytest.mark.parametrize("case", CASES)
def test_a_lost_byte_harms_at_most_what_the_command_named(case: str, sent: Any, converse: Any, pair: Any) -> None:
    chip, _, may_change = CASES[case]
    whole = sent(case)
    packet = whole[3:] if "erase" in case else b""  # pages up to 15: none is 7F
    for lost in range(len(whole)):
        target = make(chip)
        for byte in whole[:lost] + whole[lost + 1 :]:
            target.receive(byte)
        converse(realign(packet), pair(target))
        check_in_step(target, converse, pair)
        assert changed(target) <= set(may_change)


def test_a_chip_that_was_reset_is_synchronised_by_the_first_filler(converse: Any, pair: Any) -> None:
    target = Target(PLAIN)
    converse(realign(), pair(target))
    check_in_step(target, converse, pair)


def test_an_ordinary_second_sync_would_complete_an_erase_that_was_cut_after_its_count() -> None:
    # AN3155 Rev 20 s.3.7: N 0, page 7F, checksum 00 xor 7F; this is why there is a careful sync
    target = make(PLAIN)
    for byte in (0x43, 0xBC, 0x00, 0x7F, 0x7F):
        target.receive(byte)
    assert target.memory.read(FLASH + 0x1FC00, 0x400) == b"\xff" * 0x400


@pytest.mark.parametrize("case", CASES)
def test_a_careful_sync_completes_nothing_but_what_was_asked_for(
    case: str, sent: Any, converse: Any, pair: Any
) -> None:
    chip, _, may_change = CASES[case]
    whole = sent(case)
    for cut in range(len(whole) + 1):
        target = make(chip)
        for byte in whole[:cut]:
            target.receive(byte)
        with contextlib.suppress(NoReply, UnexpectedReply):
            converse(contact.sync(careful=True), pair(target))
        assert changed(target) <= set(may_change)
        assert not target.protected
        if "erase" in case and cut < len(whole) - 1:
            assert not changed(target)
        if case in ("write-blank", "write-zeros", "write-short") and cut < len(whole) - 1:
            assert not changed(target)


def test_an_erase_of_page_7f_that_lost_a_byte_is_not_completed(converse: Any, pair: Any) -> None:
    # N 1, pages 7E 7F, check 00: without the second page, 7F would complete it (AN3155 Rev 20 s.3.7)
    packet = frames.erase_pages([0x7E, 0x7F])
    target = make(PLAIN)
    for byte in bytes((0x43, 0xBC)) + packet.replace(b"\x7f", b""):
        target.receive(byte)
    converse(realign(packet), pair(target))
    check_in_step(target, converse, pair)
    assert not changed(target)


def test_a_chip_that_never_answers_is_given_up(converse: Any) -> None:
    with pytest.raises(NoReply):
        converse(realign(), lambda data: b"")


@given(st.binary(max_size=300), st.integers(0, 12))
def test_from_any_state_it_ends_in_step(junk: bytes, spare: int) -> None:
    from tests.protocols.an3155.conftest import converse, pair

    target = make(PLAIN)
    for byte in junk + bytes(spare):
        target.receive(byte)
    if target.running_application:
        return
    converse(realign(), pair(target))
    check_in_step(target, converse, pair)


def test_the_sequence_keeps_its_promise() -> None:
    for sync in (True, False):
        sequence = fillers(sync)
        sums, total, last = [], 0, 0xFC
        for _ in range(600):
            byte = next(sequence)
            assert byte ^ last != 0xFF
            total, last = total ^ byte, byte
            sums.append(total)
        assert set(sums[1:]) == {0x83, 0xFC}
        assert sums[0] == (0x7F if sync else 0xFC)
        assert not {0x7F ^ 0xFF, 0xFC ^ 0xFF} & {0, *frames.Opcode}
