"""Formats: worked bytes beside each, round trips, and nothing but construct's own errors on rubbish."""

from __future__ import annotations

from contextlib import suppress

import pytest
from construct import ChecksumError, ConstError, ConstructError, StreamError
from hypothesis import given
from hypothesis import strategies as st

from protocols.an3155 import frames

words = st.integers(0, 0xFFFF_FFFF)


@pytest.mark.parametrize(
    ("built", "worked"),
    [
        # AN3155 Rev 20 s.3: opcode and complement
        (frames.command(0x00), "00 FF"),
        (frames.command(0x11), "11 EE"),
        (frames.command(0xA1), "A1 5E"),
        # s.3.4: address with xor, N with complement
        (frames.address(0x0800_0000), "08 00 00 00 08"),
        (frames.address(0x1FFF_F7E0), "1F FF F7 E0 F7"),
        (frames.read_count(1), "00 FF"),
        (frames.read_count(4), "03 FC"),
        (frames.read_count(256), "FF 00"),
        # s.3.6
        (frames.write_block(b"\1\2\3\4"), "03 01 02 03 04 07"),
        (frames.write_block(bytes.fromhex("DEADBEEF00112233")), "07 DE AD BE EF 00 11 22 33 25"),
        # s.3.7
        (frames.erase_pages([0, 1, 2]), "02 00 01 02 01"),
        (frames.erase_global(), "FF 00"),
        # s.3.8
        (frames.extended_erase_pages([3, 260]), "00 01 00 03 01 04 07"),
        (frames.extended_erase_pages([7]), "00 00 00 07 07"),
        (frames.extended_erase_special(0xFFFF), "FF FF 00"),
        (frames.extended_erase_special(0xFFFE), "FF FE 01"),
        (frames.extended_erase_special(0xFFFD), "FF FD 02"),
        # s.3.9
        (frames.write_protect_sectors([0, 3]), "01 00 03 02"),
        # s.3.13
        (frames.word(0x04C1_1DB7), "04 C1 1D B7 6F"),
        (frames.word(64), "00 00 00 40 40"),
        # s.3.14
        (frames.special_opcode(0x82), "00 82 82"),
        (frames.special_data(bytes(4)), "00 04 00 00 00 00 04"),
    ],
)
def test_worked_bytes(built, worked):
    assert built == bytes.fromhex(worked)


def test_replies():
    # s.3.1, its H5 example; s.3.2; s.3.3; s.3.14
    got = frames.GET_REPLY.parse(bytes.fromhex("79 0A 40 00 01 02 11 21 31 44 50 63 73 79"))
    assert (got.version, len(got.commands)) == (0x40, 10)
    assert frames.GET_VERSION_REPLY.parse(bytes.fromhex("79 31 00 00 79")).version == 0x31
    assert frames.GET_ID_REPLY.parse(bytes.fromhex("79 01 04 10 79")).product == b"\x04\x10"
    assert frames.SPECIAL_REPLY.parse(bytes.fromhex("00 00 00 01 00 79")).status == b"\0"
    assert frames.EXTENDED_SPECIAL_REPLY.parse(bytes.fromhex("00 01 00 79")).status == b"\0"


def test_what_is_wrong_is_told_apart():
    with pytest.raises(StreamError):  # more bytes are needed
        frames.ADDRESS.parse(bytes.fromhex("08 00 00"))
    with pytest.raises(ChecksumError):
        frames.ADDRESS.parse(bytes.fromhex("08 00 00 00 09"))
    with pytest.raises(ChecksumError):
        frames.COMMAND.parse(b"\0\0")
    with pytest.raises(ConstError):
        frames.GET_ID_REPLY.parse(bytes.fromhex("1F 01 04 10 79"))


def test_names():
    # AN3155 Rev 20 Table 2, Table 3
    assert [frames.opcode_name(code) for code in (0x00, 0x02, 0x44, 0xA1)] == [
        "Get",
        "Get ID",
        "Extended Erase",
        "Get Checksum",
    ]
    assert frames.opcode_name(0x55) == "0x55"
    assert frames.version_text(0x31) == "3.1"
    assert len(frames.Opcode) == 15


@given(st.integers(0, 255))
def test_command_round_trip(code):
    built = frames.command(code)
    assert frames.COMMAND.parse(built) == code
    assert built[0] ^ built[1] == 0xFF  # s.3.4's examples


@given(words)
def test_word_round_trip(value):
    built = frames.address(value)
    assert frames.ADDRESS.parse(built) == frames.WORD.parse(built) == value
    assert frames.xor(built) == 0  # s.3: xor over the packet with its checksum


@given(st.binary(min_size=1, max_size=256))
def test_block_round_trip(data):
    built = frames.write_block(data)
    assert bytes(frames.WRITE_BLOCK.parse(built).data) == data
    assert frames.xor(built) == 0
    assert frames.READ_COUNT.parse(frames.read_count(len(data))) == len(data) - 1


@given(st.lists(st.integers(0, 255), min_size=1, max_size=255))
def test_short_lists_round_trip(numbers):
    assert list(frames.ERASE_PAGES.parse(frames.erase_pages(numbers)).pages) == numbers
    assert list(frames.WRITE_PROTECT_SECTORS.parse(frames.write_protect_sectors(numbers)).sectors) == numbers


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=300))
def test_long_lists_round_trip(numbers):
    assert list(frames.EXTENDED_ERASE_PAGES.parse(frames.extended_erase_pages(numbers)).pages) == numbers


@given(st.integers(0, 0xFFFF), st.binary(max_size=1024))
def test_special_round_trip(code, data):
    assert frames.SPECIAL_OPCODE.parse(frames.special_opcode(code)) == code
    assert bytes(frames.SPECIAL_DATA.parse(frames.special_data(data)).data) == data


@given(st.integers(0, 255), st.binary(max_size=255), st.binary(min_size=1, max_size=256))
def test_replies_round_trip(version, codes, product):
    built = frames.GET_REPLY.build({"version": version, "commands": codes})
    parsed = frames.GET_REPLY.parse(built)
    assert (parsed.version, bytes(parsed.commands), built[1]) == (version, codes, len(codes))
    assert bytes(frames.GET_ID_REPLY.parse(frames.GET_ID_REPLY.build({"product": product})).product) == product


FORMATS = [
    getattr(frames, name) for name in sorted(vars(frames)) if name.isupper() and hasattr(getattr(frames, name), "parse")
]


@given(st.sampled_from(FORMATS), st.binary(max_size=300))
def test_rubbish_raises_only_construct_errors(subject, data):
    with suppress(ConstructError):
        subject.parse(data)
    assert len(FORMATS) > 10
