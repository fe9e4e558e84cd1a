"""The supply byte of F2/F4/F7 loaders: AN2606 Rev 70 Table 4, with the worked write of that table's example."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.an3155.chip import COMMANDS_EXTENDED, Chip, FlashTimes
from protocols.an3155.host import tell_supply
from protocols.an3155.observer import An3155Observer
from protocols.an3155.products import PRODUCTS
from protocols.an3155.programmer import programmer
from protocols.an3155.supply import RANGES, supplies_of, words_for
from protocols.an3155.target import Target
from protocols.errors import OurMistake, Refused
from protocols.family import Identity, Role
from protocols.programmer import SupplyRange

NAMES = ("Get", "Get Version", "Get ID", "Read Memory", "Go", "Write Memory", "Extended Erase")
# DS8626 Rev 12 Table 40, typical: 16 KB sector at x8 and x32, everything at both, 16 us per operation of any width
SLOW, FAST = FlashTimes(0.4, 16.0, 4 * 16e-6), FlashTimes(0.25, 8.0, 16e-6)
F40X = Chip(
    product_id=0x413,
    loader_version=0x31,
    commands=COMMANDS_EXTENDED,
    flash_size=1 << 20,
    sector_sizes=(*[0x4000] * 4, 0x10000, *[0x20000] * 7),
    page_erase_s=SLOW.page_erase_s,
    mass_erase_s=SLOW.mass_erase_s,
    program_word_s=SLOW.program_word_s,
    voltage_byte=True,
    by_words=FAST,
)


def awake() -> Target:
    target = Target(F40X)
    target.receive(0x7F)
    return target


def feed(target: Target, text: str) -> tuple[bytes, float]:
    """What the chip answers to these bytes, and its own time to it in seconds."""
    replies = [reply for byte in bytes.fromhex(text) for reply in target.receive(byte)]
    return b"".join(reply.data for reply in replies), sum(reply.after_s for reply in replies)


def test_the_host_sends_the_worked_bytes(converse: Any, pair: Any) -> None:
    target = awake()
    run = converse(tell_supply(SupplyRange(2.7, 3.6, 32)), pair(target))
    # AN2606 Rev 70 Table 4 with AN3155 Rev 20 s.3.6: FF^FF^00^00 = 00; 00^03 = 03
    assert b"".join(run.sent) == bytes.fromhex("31 CE FF FF 00 00 00 00 03 03")
    assert target.voltage_range == 3


def test_only_what_was_read_for_is_offered() -> None:
    # of 00, 01, 02 and 04 only that they exist; 04 wants a programming supply of its own (from memory)
    assert dict(RANGES) == {3: SupplyRange(2.7, 3.6, 32)}
    with pytest.raises(OurMistake):
        tell_supply(SupplyRange(1.8, 2.1, 8))
    assert words_for(3) == "2.7 to 3.6 V"
    assert words_for(2) == "another range of the supply"
    assert words_for(0xFF) == "not one of 00 to 04"


def test_f2_f4_and_f7_have_the_byte_and_nobody_else() -> None:
    # AN2606 Rev 70 Table 4 names the families, Table 226 the ids of their members
    having = {product for product in PRODUCTS if supplies_of(product)}
    assert having == {
        0x411, 0x413, 0x419, 0x421, 0x423, 0x431, 0x433, 0x434, 0x441, 0x449, 0x451, 0x452, 0x458, 0x463,
    }  # fmt: skip
    assert supplies_of(None) == supplies_of(0xFFF) == ()


def test_a_chip_without_the_byte_is_not_told() -> None:
    f10x = programmer(Identity(product_id=0x410, commands=NAMES))
    assert f10x.supplies == ()
    with pytest.raises(OurMistake):
        f10x.tell_supply(RANGES[3])
    with pytest.raises(OurMistake):  # a chip that lists no Write Memory
        programmer(Identity(product_id=0x413, commands=("Get",))).tell_supply(RANGES[3])
    assert programmer(Identity(product_id=0x413, commands=NAMES)).supplies == tuple(RANGES.values())


def test_a_loader_without_the_byte_refuses_it(converse: Any, pair: Any) -> None:
    target = Target(Chip(loader_version=0x31))
    target.receive(0x7F)
    with pytest.raises(Refused):
        converse(tell_supply(RANGES[3]), pair(target))


@pytest.mark.parametrize(("code", "answer"), [(0, "79"), (1, "79"), (2, "79"), (3, "79"), (4, "79"), (5, "1F")])
def test_the_chip_takes_the_codes_of_the_table(code: int, answer: str) -> None:
    target = awake()
    told, _ = feed(target, f"31 CE FF FF 00 00 00 00 {code:02X} {code:02X}")
    assert told == bytes.fromhex("79 79" + answer)
    assert target.voltage_range == (code if answer == "79" else 0)


def test_the_chip_is_faster_after_03_and_until_its_reset() -> None:
    sector, everything, write = "44 BB 00 00 00 01 01", "44 BB FF FF 00", "31 CE 08 00 00 00 08 03 01 02 03 04 07"
    own_s = 3 * F40X.answer_s  # the ACKs before the work
    target = awake()
    for told, times in (("", SLOW), ("31 CE FF FF 00 00 00 00 03 03", FAST)):
        feed(target, told)
        assert feed(target, sector)[1] == pytest.approx(times.page_erase_s, abs=own_s)
        assert feed(target, everything)[1] == pytest.approx(times.mass_erase_s, abs=own_s)
        assert feed(target, write)[1] - 2 * F40X.answer_s == pytest.approx(times.program_word_s)
    target.reset()
    target.receive(0x7F)
    assert feed(target, sector)[1] == pytest.approx(SLOW.page_erase_s, abs=own_s)


def test_a_write_of_four_bytes_with_the_reserved_ones_ff_is_taken() -> None:
    # AN2606 Rev 70 Table 4: 1 to 4 bytes, the reserved ones FF
    target = awake()
    assert feed(target, "31 CE FF FF 00 00 00 03 03 FF FF FF FF")[0] == bytes.fromhex("79 79 79")
    assert target.voltage_range == 3


def named(observer: An3155Observer, turns: list[tuple[str, str]]) -> list[tuple[str, Role, str]]:
    out = []
    for sent, came in turns:
        for direction, text in (("out", sent), ("in", came)):
            out += [(s.data.hex(" "), s.role, s.text) for s in observer.feed(direction, bytes.fromhex(text))]
    return out


def test_the_observer_names_every_byte() -> None:
    turns = [("31 CE", "79"), ("FF FF 00 00 00", "79"), ("00 03 03", "79"), ("02 FD", "79 01 04 13 79")]
    assert named(An3155Observer(), turns)[3:9] == [
        ("ff ff 00 00", Role.ADDRESS, "address 0xFFFF0000: no memory, but where the supply voltage is stated"),
        ("00", Role.CHECK, "checksum"),
        ("79", Role.ACK, "acknowledge (ACK)"),
        ("00", Role.LENGTH, "bytes to write: 1"),
        ("03", Role.VALUE, "supply voltage 0x03: 2.7 to 3.6 V"),
        ("03", Role.CHECK, "checksum"),
    ]
    assert named(An3155Observer(), turns)[-2][2].startswith("product id 0x413")
    # read there, it is an address like any other
    read = named(An3155Observer(), [("11 EE", "79"), ("FF FF 00 00 00", "1F")])
    assert "supply" not in " ".join(text for *_, text in read)


@given(st.binary(min_size=1, max_size=4), st.integers(0, 9))
def test_the_observer_loses_no_byte_however_they_arrive(data: bytes, cut: int) -> None:
    from protocols.an3155 import frames

    sent = frames.write_block(data)
    observer = An3155Observer()
    named(observer, [("31 CE", "79"), ("FF FF 00 00 00", "79")])
    spans = [*observer.feed("out", sent[:cut]), *observer.feed("out", sent[cut:])]
    assert b"".join(span.data for span in spans) == sent
    assert f"supply voltage 0x{data[0]:02X}: {words_for(data[0])}" in [span.text for span in spans]
