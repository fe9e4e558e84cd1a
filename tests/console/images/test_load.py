"""Reading firmware files: worked records of public references, what wrong files are told, and any bytes at all."""

from __future__ import annotations

import contextlib
import os
import struct
from pathlib import Path

import bincopy
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from console.errors import InputTrouble, UsageTrouble
from console.images.image import Image, Segment, joined
from console.images.load import FORMATS, load_image, parse_image, recognise
from tests.firmware import EM_386, ET_REL, elf, hex_record, intel_hex, s_record, s_records

END = ":00000001FF\n"
PARTS = st.lists(st.tuples(st.integers(1, 70_000), st.binary(min_size=1, max_size=90)), min_size=1, max_size=5).map(
    lambda steps: placed(0x0800_0000, steps)
)


def placed(at: int, steps: list[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
    """Gaps and data as parts with addresses."""
    out = []
    for gap, data in steps:
        out.append((at + gap, data))
        at += gap + len(data)
    return out


def read(text: str | bytes, **options: object) -> Image:
    data = text.encode("latin-1") if isinstance(text, str) else text
    return parse_image(data, "tern.img", **options)  # type: ignore[arg-type]


def flat(image: Image) -> list[tuple[int, bytes]]:
    return [(segment.address, segment.data) for segment in image.segments]


# --- Intel HEX


def test_intel_hex_records_of_a_public_reference() -> None:
    # the example of each record type in the public encyclopaedia article "Intel HEX"; what they mean: Intel's
    # specification of 1988 (extended linear: upper half of the address; extended segment: paragraphs of 16 bytes)
    assert flat(read(":02000004FFFFFC\n" + hex_record(0, 0, b"\x01\x02") + "\n" + END)) == [(0xFFFF_0000, b"\x01\x02")]
    assert flat(read(":020000021200EA\n" + hex_record(0, 0x10, b"\x07") + "\n" + END)) == [(0x1_2010, b"\x07")]
    assert flat(read(":0B0010006164647265737320676170A7\n" + END)) == [(0x10, b"address gap")]
    assert read(hex_record(0, 0, b"\x00") + "\n:04000005000000CD2A\n" + END).entry == 0xCD
    assert read(hex_record(0, 0, b"\x00") + "\n:0400000300003800C1\n" + END).entry == 0x3800


def test_intel_hex_file_of_a_public_reference() -> None:
    # the file example of the same article
    text = (
        ":10010000214601360121470136007EFE09D2190140\n:100110002146017E17C20001FF5F16002148011928\n"
        ":10012000194E79234623965778239EDA3F01B2CAA7\n:100130003F0156702B5E712B722B732146013421C7\n" + END
    )
    image = read(text)
    assert [(part.address, part.size) for part in image.segments] == [(0x100, 64)]
    assert image.segments[0].data[:4] == bytes.fromhex("21460136")
    assert image.entry is None


def test_bytes_given_are_given_back_in_the_order_of_addresses() -> None:
    text = f"{hex_record(0, 4, b'cd')}\n\r\n{hex_record(0, 2, b'ab')}  \r\n{hex_record(0, 0x20, b'')}\n{END}\n\n"
    assert flat(read(text)) == [(2, b"abcd")]
    assert read(text.lower()) == read(text)


@pytest.mark.parametrize(
    ("text", "place", "found"),
    [
        (":0000000", "1:8", "odd number"),
        (":1", "1:2", "odd number"),
        (":0100000007G8\n", "1:12", "'G'"),
        (":01 0000007F8\n", "1:4", "' '"),
        (":010000000\x1bF8", "1:11", "'\\x1b'"),
        (":", "1:1", "a record of 0 bytes"),
        (":00000001", "1:9", "a record of 4 bytes"),
        (":0200000007F7\n", "1:2", "says it has 2 bytes, but it has 1"),
        (hex_record(0, 0, b"\x07") + "00\n", "1:2", "1 byte, but it has 2"),
        (":0100000007F7\n" + END, "1:12", "the checksum is F7"),
        ("\n\nhello", "", "text, but neither"),
        (hex_record(0, 0, b"a") + "\n; note\n" + END, "2:1", "'; note'"),
        (hex_record(0, 0, b"a") + "\n", "1:1", "without its end record"),
        (hex_record(0, 0, b"a") + "\n" + END + hex_record(0, 1, b"b"), "3:1", "behind the end record of line 2"),
        (hex_record(0, 0, b"a") + "\n" + END + END, "3:1", "behind the end record of line 2"),
        (hex_record(6, 0, b"a"), "1:8", "type 06"),
        (hex_record(4, 0, b"a"), "1:2", "type 04 with 1 byte"),
        (hex_record(1, 0, b"a"), "1:2", "type 01 with 1 byte"),
        (hex_record(0, 0xFFFF, b"ab") + "\n" + END, "1:4", "64 KiB segment"),
        (":02000004FFFFFC\n" + hex_record(0, 0xFFFF, b"ab") + "\n" + END, "2:1", "behind address 0xFFFFFFFF"),
        (END, "", "no data"),
        (
            hex_record(5, 0, b"abcd") + "\n" + hex_record(5, 0, b"abce") + "\n" + END,
            "2:10",
            "second start address, 0x61626365",
        ),
        (
            "".join(hex_record(0, at, b"ab") + "\n" for at in (0, 2, 8, 3)) + END,
            "4:1",
            "address 0x00000003 is given again, after line 2",
        ),
        (
            "\n".join((hex_record(0, 3, b"e"), hex_record(0, 0, b"ab"), hex_record(0, 2, b"cd"), END)),
            "3:1",
            "address 0x00000003 is given again, after line 1",
        ),
    ],
)  # fmt: skip
def test_wrong_intel_hex_is_told_where_and_what(text: str, place: str, found: str) -> None:
    with pytest.raises(InputTrouble) as refused:
        read(text)
    told = refused.value
    assert told.where == ("tern.img" + (f":{place}" if place else ""))
    assert found in told.message
    assert "\x1b" not in "\n".join(told.lines())
    assert told.help


# --- S-records


def test_s_records_of_the_manual() -> None:
    # M68000 Family Programmer's Reference Manual, Appendix C, its example: header, four S1 records, S9
    text = (
        "S00600004844521B\nS1130000285F245F2212226A000424290008237C2A\nS11300100002000800082629001853812341001813\n"
        "S113002041E900084E42234300182342000824A952\nS107003000144ED492\nS9030000FC\n"
    )
    image = read(text)
    assert [(part.address, part.size) for part in image.segments] == [(0, 0x34)]
    assert image.segments[0].data[-4:] == bytes.fromhex("00144ED4")
    assert image.entry is None


@pytest.mark.parametrize(("kind", "end", "entry"), [(1, 9, 0x1234), (2, 8, 0x12_3456), (3, 7, 0x1234_5678)])
def test_each_width_of_address(kind: int, end: int, entry: int) -> None:
    text = f"{s_record(kind, 0x1000, b'ab')}\n{s_record(end, entry)}\n"
    image = read(text)
    assert (flat(image), image.entry) == ([(0x1000, b"ab")], entry)


def test_a_count_that_comes_last_proves_the_file_whole() -> None:
    body = s_record(1, 0, b"a") + "\n" + s_record(2, 1, b"b") + "\n"
    assert flat(read(body + s_record(5, 2))) == [(0, b"ab")]
    assert flat(read(body + s_record(6, 2))) == [(0, b"ab")]
    for rest in ("", s_record(5, 2) + "\n" + s_record(1, 2, b"c")):
        with pytest.raises(InputTrouble, match="without its end record"):
            read(body + rest)


@pytest.mark.parametrize(
    ("text", "place", "found"),
    [
        ("S1", "1:2", "a record of 0 bytes"),
        ("S10", "1:3", "odd number"),
        ("S4030000FC", "1:2", "no record type 'S4'"),
        (s_record(1, 0, b"a") + "\nSX\n", "2:2", "no record type 'SX'"),
        (s_record(1, 0, b"a") + "\ns9030000FC\n", "2:1", "'s9030000'"),
        ("S10400006X37", "1:10", "'X'"),
        ("S10500006198", "1:3", "5 bytes, but it has 4"),
        ("S1040000619B", "1:11", "the checksum is 9B"),
        (s_record(1, 0, b"a") + "\n" + s_record(5, 2) + "\nS9030000FC", "2:5", "has 2 data records, but 1"),
        (s_record(1, 0, b"a") + "\n" + s_record(9, 0, b"z"), "2:3", "S9 record of 4 bytes"),
        (s_record(1, 0, b"a") + "\nS9030000FC\nS9030000FC", "3:1", "behind the end record of line 2"),
        (s_record(1, 0, b"ab") + "\n" + s_record(1, 1, b"c") + "\nS9030000FC", "2:1", "0x00000001 is given again"),
        (s_record(3, 0xFFFF_FFFF, b"ab") + "\nS9030000FC", "1:1", "behind address"),
        ("S9030000FC", "", "no data"),
    ],
)
def test_wrong_s_records_are_told_where_and_what(text: str, place: str, found: str) -> None:
    with pytest.raises(InputTrouble) as refused:
        read(text)
    assert refused.value.where == ("tern.img" + (f":{place}" if place else ""))
    assert found in refused.value.message


# --- ELF


def test_elf_gives_its_sections_at_their_load_addresses() -> None:
    parts = [(0x0800_0000, b"vectors!"), (0x0800_0100, b"code")]
    image = read(elf(parts, 0x0800_0101))
    assert (flat(image), image.entry, image.format) == (parts, 0x0800_0101, "elf")
    assert flat(read(elf(parts, head=16))) == parts
    assert flat(read(elf(parts[:1], head=16, sections=False))) == [(0x07FF_FFF0, bytes(16) + b"vectors!")]
    assert read(elf(parts)).entry is None


PART = [(0x0800_0000, b"part")]


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (elf(PART, machine=EM_386), "EM_386"),
        (elf(PART, machine=0xFACE), "not for EM_ARM"),
        (elf(PART, order=">"), "big-endian"),
        (elf(PART, bits=64) + bytes(64), "64-bit"),
        (elf(PART, kind=ET_REL), "not linked"),
        (elf(PART, kind=3), "position-independent"),
        (elf(PART, kind=77), "type 77"),
        (elf([]), "loads nothing"),
        (elf([(8, b"abcd"), (10, b"abcd")]), "two parts are loaded at 0x0000000A"),
        (elf([(0xFFFF_FFFE, b"abcd")]), "beyond address"),
        (elf(PART, sections=False)[:86], "cut short"),
        (elf(PART)[:60], "damaged"),
        (b"\x7fELF", "damaged"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_elf_files_that_no_chip_can_use_are_refused(data: bytes, found: str) -> None:
    with pytest.raises(InputTrouble) as refused:
        read(data)
    assert found in refused.value.message
    assert refused.value.code == "image-elf"


def test_elf_files_that_would_fill_the_memory_are_refused() -> None:
    made = bytearray(elf([(0x1_0000 * n, b"x") for n in range(4)], sections=False))
    for n in range(4):  # every segment names the whole file
        struct.pack_into("<I", made, 52 + 32 * n + 4, 0)
        struct.pack_into("<I", made, 52 + 32 * n + 16, len(made))
    with pytest.raises(InputTrouble, match="more bytes than it has"):
        read(bytes(made))
    many = bytearray(elf(PART))
    struct.pack_into("<H", many, 44, 0xFFFF)
    with pytest.raises(InputTrouble, match="65535 segments"):
        read(bytes(many))


def test_text_with_old_line_ends_and_with_very_many_of_them() -> None:
    text = intel_hex(PART)
    assert flat(read(text.replace("\n", "\r"))) == PART
    assert flat(read(text.replace("\n", "\r\n"))) == PART
    with pytest.raises(InputTrouble) as refused:
        read(text.replace(END, "\n" * 200_000))
    assert refused.value.where == "tern.img:200002:1"


# --- raw data, and which format it is


def test_raw_data_needs_an_address_and_no_other_format_takes_one() -> None:
    data = bytes.fromhex("0050002031010008")
    assert flat(read(data, address=0x0800_0000)) == [(0x0800_0000, data)]
    with pytest.raises(UsageTrouble) as refused:
        read(data)
    assert "give --address, for instance 0x0800_0000" in refused.value.help
    with pytest.raises(InputTrouble):
        read(data, address=0xFFFF_FFFC)
    for text in (intel_hex(PART), s_records(PART)):
        with pytest.raises(UsageTrouble):
            read(text, address=0)
        assert read(text, address=5, format="raw").start == 5


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "empty"),
        (b"just words\n", "neither"),
        (intel_hex(PART).encode("utf-16"), "UTF-16"),
        (b"\xfe\xff\x00:", "UTF-16"),
        (b"\xef\xbb\xbf:00000001FF", "byte order mark"),
        (b"PK\x03\x04....", "zip"),
        (b"\x1f\x8b\x08", "gzip"),
        (b"!<arch>\n", "library of object files"),
        (b"MZ\x90\x00", "another system"),
    ],
)
def test_what_is_no_firmware_is_named(data: bytes, found: str) -> None:
    with pytest.raises(InputTrouble) as refused:
        read(data, address=0)
    assert found in refused.value.message


@given(st.integers(0, (1 << 30) - 1), st.binary(max_size=40))
def test_a_program_with_an_aligned_stack_is_always_raw(word: int, rest: bytes) -> None:
    # DDI 0403: the two lowest bits of the initial stack pointer are zero; 0x7F454C46 and PK are no RAM addresses
    data = (0x2000_0000 + word % 0x2000_0000 // 4 * 4).to_bytes(4, "little") + rest + b"\xff"
    assert recognise(data, "x") == "raw"


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for name in ("absent", ".", "pipe", "zero\0byte", "esc\x1b"):
        with pytest.raises(InputTrouble) as refused:
            load_image(tmp_path / name)
        assert refused.value.code == "image-file"
        assert "\x1b" not in "\n".join(refused.value.lines())
    (tmp_path / "tern.hex").write_text(intel_hex(PART))
    assert flat(load_image(tmp_path / "tern.hex")) == PART


def test_a_file_that_spans_all_addresses_takes_no_memory_for_the_gap() -> None:
    image = read(intel_hex([(0, b"a"), (0xFFFF_FFFF, b"z")]))
    assert image.size == 2
    assert [(gap.start, gap.size) for gap in image.gaps] == [(1, 0xFFFF_FFFE)]


# --- properties


@given(PARTS, st.integers(1, 32))
def test_what_the_writers_write_is_read_back(parts: list[tuple[int, bytes]], width: int) -> None:
    expected = joined(Segment(*part) for part in parts)
    for text in (intel_hex(parts, 0x0800_0101, width), s_records(parts, 0x0800_0101, width), elf(parts, 0x0800_0101)):
        image = read(text)
        assert image.segments == expected
        assert image.entry == 0x0800_0101


@given(PARTS, st.sampled_from([1, 7, 16, 32]))
def test_a_general_library_writes_what_we_read(parts: list[tuple[int, bytes]], width: int) -> None:
    # bincopy is a general library for these formats
    binary = bincopy.BinFile()
    for address, data in parts:
        binary.add_binary(data, address=address)
    theirs = [(segment.address, bytes(segment.data)) for segment in binary.segments]
    for text in (binary.as_ihex(width), binary.as_srec(width)):
        assert flat(read(text)) == theirs


TEXTS = st.text(":S0123456789ABCDEF\n\r Gs", max_size=60)


@given(st.one_of(st.binary(max_size=200), TEXTS.map(str.encode)), st.sampled_from([None, *FORMATS]))
def test_any_bytes_are_an_image_or_our_error(data: bytes, format: str | None) -> None:
    try:
        image = read(data, format=format, address=0 if format == "raw" else None)
    except (InputTrouble, UsageTrouble) as error:
        words = error.help
    else:
        words = image.sha256
    assert words


@given(st.data())
def test_a_damaged_file_is_an_image_or_our_error(data: st.DataObject) -> None:
    whole = data.draw(
        st.sampled_from([intel_hex(PART).encode(), s_records(PART).encode(), elf(PART), elf(PART, head=4)])
    )
    at = data.draw(st.integers(0, len(whole) - 1))
    end = data.draw(st.integers(at, min(len(whole), at + 8)))
    damaged = whole[:at] + data.draw(st.binary(max_size=8)) + whole[end:]
    with contextlib.suppress(InputTrouble, UsageTrouble):
        assert read(damaged).size > 0


@given(st.sampled_from([intel_hex, s_records]), st.integers(0, 10_000), st.sampled_from("0123456789ABCDEF"))
def test_one_changed_digit_is_never_taken_silently(write: object, place: int, digit: str) -> None:
    # both checksums find any error in one digit; an S-record's type is outside its checksum
    text: str = write([(0x0800_0000, bytes(range(64)))], 0x0800_0131)  # type: ignore[operator]
    digits = [n for n, char in enumerate(text) if char in "0123456789ABCDEF" and text[n - 1] != "S"]
    at = digits[place % len(digits)]
    assume(text[at] != digit)
    with pytest.raises((InputTrouble, UsageTrouble)):
        read(text[:at] + digit + text[at + 1 :])


@pytest.mark.parametrize(
    ("text", "note"),
    [
        (hex_record(0, 0, b"a") + "\n", "it may be cut short, so nothing of it is taken"),
        (s_record(3, 0xFFFF_FFFF, b"ab") + "\nS70500000000FA\n", "a 32-bit chip has no such address"),
        (hex_record(0, 0, b"a") + "\n:0000000A\n" + END, "right would be: "),
        (s_record(1, 0, b"a") + "\nS5030003F9\nS9030000FC\n", "records were lost on the way, or came twice"),
        (hex_record(0, 0, b"a") + "\n" + hex_record(0, 0, b"b") + "\n" + END, "right would be: each address once;"),
    ],
)
def test_a_note_says_what_would_be_right_or_why_it_matters(text: str, note: str) -> None:
    with pytest.raises(InputTrouble) as refused:
        read(text)
    assert refused.value.note.startswith(note), refused.value.note
    assert ("right would be" in refused.value.note) is ("right would be" in note)
