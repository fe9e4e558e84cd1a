"""What a chip offers for programming follows from what it says about itself (AN3155 Rev 20 s.3, Table 2 note 4)."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.an3155 import frames
from protocols.an3155.programmer import checksum_of, programmer
from protocols.an3155.target import COMMANDS_EXTENDED, Chip, Target, crc32_words
from protocols.errors import OurMistake, Refused
from protocols.family import Identity

OLD = Identity(loader_version="2.2", commands=("Get", "Read Memory", "Write Memory", "Erase"))
NEW = Identity(loader_version="3.3", commands=("Read Memory", "Write Memory", "Extended Erase", "Get Checksum", "Go"))


def sent(talk: Any, converse: Any, target: Target, pair: Any) -> bytes:
    return b"".join(converse(talk, pair(target)).sent)


def test_the_erase_is_the_one_that_the_chip_lists(converse: Any, pair: Any) -> None:
    old, new = Target(Chip()), Target(Chip(loader_version=0x33, commands=COMMANDS_EXTENDED))
    for target in (old, new):
        target.receive(frames.SYNC)
    assert sent(programmer(OLD).erase([0, 1], 1.0), converse, old, pair) == bytes.fromhex("43BC 01000100")
    assert sent(programmer(NEW).erase([0, 1], 1.0), converse, new, pair) == bytes.fromhex("44BB 0001 0000 0001 00")
    assert sent(programmer(OLD).erase_all(1.0), converse, old, pair) == bytes.fromhex("43BC FF00")
    assert sent(programmer(NEW).erase_all(1.0), converse, new, pair) == bytes.fromhex("44BB FFFF00")


def test_the_cost_of_a_command_is_its_characters(converse: Any, pair: Any) -> None:
    for identity, chip in ((OLD, Chip()), (NEW, Chip(loader_version=0x33, commands=COMMANDS_EXTENDED))):
        offer = programmer(identity)
        for talk, cost in (
            (lambda offer=offer: offer.read(0x0800_0000, 100), offer.read_chars(100)),
            (lambda offer=offer: offer.write(0x0800_0000, bytes(100), 1.0), offer.write_chars(100)),
            (lambda offer=offer: offer.erase([4, 5, 6], 1.0), offer.erase_chars(3)),
        ):
            target = Target(chip)
            target.receive(frames.SYNC)
            answer, came = pair(target), 0

            def counted(data: bytes, answer: Any = answer) -> bytes:
                nonlocal came
                back: bytes = answer(data)
                came += len(data) + len(back)
                return back

            converse(talk(), counted)
            assert came == cost


@pytest.mark.parametrize("name", ["erase", "go", "unprotect", "erase_all"])
def test_what_the_chip_does_not_list_is_never_sent(name: str, converse: Any) -> None:
    offer = programmer(Identity(commands=("Get", "Read Memory")))
    call = getattr(offer, name)
    arguments: tuple[object, ...] = ([0], 1.0) if name == "erase" else (0x0800_0000,) if name == "go" else (1.0,)
    with pytest.raises(OurMistake, match="does not list"):
        call(*arguments)
    assert offer.checksum is None


def test_only_a_refusal_at_the_opcode_means_protection(converse: Any, pair: Any) -> None:
    offer = programmer(OLD)
    shut, bad = Target(Chip(readout_protected=True)), Target(Chip(loader_version=0x31))
    for target, denied, address in ((shut, True, 0x0800_0000), (bad, False, 0x6000_0000)):
        target.receive(frames.SYNC)
        with pytest.raises(Refused) as caught:
            converse(offer.read(address, 4), pair(target))
        assert offer.denied(caught.value) is denied


def test_silence_to_an_address_is_a_refusal_before_v3_1(converse: Any, pair: Any) -> None:
    target = Target(Chip(loader_version=0x22))  # AN3155 Rev 20 Table 3
    target.receive(frames.SYNC)
    with pytest.raises(Refused):
        converse(programmer(OLD).read(0x6000_0000, 4), pair(target))


@given(st.binary(max_size=400).map(lambda data: data[: len(data) // 4 * 4]))
def test_the_checksum_is_that_of_the_chips_side(data: bytes) -> None:
    assert checksum_of(data) == crc32_words(data, 0x04C1_1DB7, 0xFFFF_FFFF)


def test_the_checksum_of_a_blank_block() -> None:
    # 64 words FFFFFFFF; flavour as users measured it on the I2C sibling, value by arithmetic
    assert checksum_of(b"\xff" * 256) == 0x7BEA_EA80
