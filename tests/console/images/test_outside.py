"""The same bytes as GNU objcopy and srec_cat: we read what they write, and of a program we read what they copy."""

from __future__ import annotations

import random
import shutil
import subprocess
from pathlib import Path

import pytest

from console.images.image import Image
from console.images.load import load_image
from tests.firmware import EM_ARM, elf, intel_hex, s_records

pytestmark = [
    pytest.mark.outside,
    pytest.mark.skipif(shutil.which("objcopy") is None, reason="objcopy is not installed (Debian package binutils)"),
    pytest.mark.skipif(shutil.which("srec_cat") is None, reason="srec_cat is not installed (Debian package srecord)"),
]

BYTES = random.Random(7).randbytes(70_000)
PARTS = [(0x0800_0000, BYTES), (0x0802_0004, b"calibration"), (0x0802_FFF0, BYTES[:40])]
ENTRY = 0x0800_0131
# without the word for the input it takes several of its formats to be possible
OBJCOPY = ("objcopy", "-I", "elf32-little", "-O")
# a program with its data kept in flash and used in RAM, with padding and with memory that no file holds
PROGRAM = """
    .section .vectors, "a"
    .long 0x20005000, 0x08000131
    .section .text
    .skip 301, 0x5A
    .section .data
    .ascii "river level"
    .section .bss
    .skip 64
"""
SCRIPT = """
MEMORY { flash : ORIGIN = 0x08000000, LENGTH = 128K  ram : ORIGIN = 0x20000000, LENGTH = 20K }
start = 0x08000131;
ENTRY(start)
SECTIONS {
    .vectors : { *(.vectors) } > flash
    .text ALIGN(256) : { *(.text) } > flash
    .data : { *(.data) } > ram AT> flash
    .bss : { *(.bss) } > ram
}
"""


def run(*words: object) -> None:
    """Run a program from outside; it must succeed."""
    subprocess.run([str(word) for word in words], check=True, capture_output=True)


def content(image: Image) -> list[tuple[int, bytes]]:
    return [(segment.address, segment.data) for segment in image.segments]


@pytest.fixture
def linked(tmp_path: Path) -> Path:
    """A program as GNU ld links it. Only the machine is set afterwards: an assembler for it may not be at hand."""
    source, script, made = tmp_path / "tern.s", tmp_path / "tern.ld", tmp_path / "linked.elf"
    source.write_text(PROGRAM)
    script.write_text(SCRIPT)
    run("as", "--32", source, "-o", tmp_path / "tern.o")
    run("ld", "-m", "elf_i386", "-T", script, tmp_path / "tern.o", "-o", made)
    data = bytearray(made.read_bytes())
    data[18:20] = EM_ARM.to_bytes(2, "little")  # e_machine, ELF 1.2 book I figure 1-3
    made.write_bytes(data)
    return made


@pytest.fixture
def by_hand(tmp_path: Path) -> Path:
    """A program assembled by hand from the ELF specification, with headers inside the first segment."""
    made = tmp_path / "hand.elf"
    made.write_bytes(elf(PARTS, ENTRY, head=32))
    return made


@pytest.mark.parametrize("which", ["linked", "by_hand"])
@pytest.mark.parametrize("target", ["ihex", "srec"])
def test_objcopy_copies_the_same_bytes_out_of_a_program(
    which: str, target: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    program: Path = request.getfixturevalue(which)
    run(*OBJCOPY, target, program, tmp_path / "out")
    image, copied = load_image(program), load_image(tmp_path / "out")
    assert image.segments == copied.segments
    assert image.entry == copied.entry == ENTRY
    assert (image.crc32, image.sha256) == (copied.crc32, copied.sha256)


@pytest.mark.parametrize("which", ["linked", "by_hand"])
def test_objcopy_makes_the_same_raw_file_with_gaps_filled(
    which: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    program: Path = request.getfixturevalue(which)
    run(*OBJCOPY, "binary", "--gap-fill", "0xFF", program, tmp_path / "out.bin")
    image = load_image(program)
    filled = bytearray(b"\xff") * (image.end - image.start)
    for segment in image.segments:
        filled[segment.address - image.start : segment.end - image.start] = segment.data
    assert load_image(tmp_path / "out.bin", address=image.start).segments[0].data == filled


def test_a_linked_program_lies_where_its_script_says(linked: Path) -> None:
    image = load_image(linked)
    assert image.word(0x0800_0000) == 0x2000_5000
    assert image.word(0x0800_0004) == ENTRY
    # 301 bytes of code from the next 256 on; the data behind it in flash, not at its address in RAM
    assert [(segment.address, segment.size) for segment in image.segments] == [
        (0x0800_0000, 8),
        (0x0800_0100, 301 + 11),
    ]
    assert image.segments[1].data.endswith(b"river level")


@pytest.mark.parametrize(
    ("option", "more"),
    [
        ("-Intel", []),
        ("-Intel", ["-Address_Length=4", "-Line_Length=80"]),
        ("-Intel", ["-Line_Length=30"]),
        ("-Motorola", []),
        ("-Motorola", ["-Address_Length=4"]),
        ("-Motorola", ["-Line_Length=40"]),
    ],
)
def test_what_srec_cat_writes_is_read(option: str, more: list[str], tmp_path: Path) -> None:
    (tmp_path / "in").write_text(s_records(PARTS, ENTRY))
    run("srec_cat", tmp_path / "in", "-Motorola", "-o", tmp_path / "out", option, *more)
    image = load_image(tmp_path / "out")
    assert content(image) == PARTS
    assert image.entry == ENTRY


def test_what_srec_cat_writes_with_segments_of_real_mode_is_read(tmp_path: Path) -> None:
    low = [(0x1_0000, b"low"), (0x2_FFF0, BYTES[:64])]
    (tmp_path / "in").write_text(s_records(low))
    run("srec_cat", tmp_path / "in", "-Motorola", "-o", tmp_path / "out", "-Intel", "-Address_Length=3")
    assert ":02000002" in (tmp_path / "out").read_text()
    assert content(load_image(tmp_path / "out")) == low


@pytest.mark.parametrize(("writer", "option"), [(intel_hex, "-Intel"), (s_records, "-Motorola")])
def test_the_writers_of_the_tests_write_what_srec_cat_reads(writer: object, option: str, tmp_path: Path) -> None:
    (tmp_path / "in").write_text(writer(PARTS, ENTRY))  # type: ignore[operator]
    first = PARTS[0][0]
    run("srec_cat", tmp_path / "in", option, "-offset", f"-{first}", "-fill", "0xFF", "0", PARTS[-1][0] + 40 - first,
        "-o", tmp_path / "out.bin", "-Binary")  # fmt: skip
    image, filled = load_image(tmp_path / "in"), (tmp_path / "out.bin").read_bytes()
    assert content(image) == PARTS
    for address, data in PARTS:
        assert filled[address - first :][: len(data)] == data


def test_srec_cat_computes_the_same_crc_32(tmp_path: Path) -> None:
    (tmp_path / "in").write_text(intel_hex(PARTS[:1]))
    end = PARTS[0][0] + len(BYTES)
    run("srec_cat", tmp_path / "in", "-Intel", "-CRC32_Little_Endian", end, "-o", tmp_path / "out", "-Intel")
    assert load_image(tmp_path / "out").word(end) == load_image(tmp_path / "in").crc32


def test_srec_cat_finds_the_same_files_wrong(tmp_path: Path) -> None:
    good = intel_hex([(0, b"abc")])
    (tmp_path / "in").write_text(good.replace("616263", "616264"))
    with pytest.raises(subprocess.CalledProcessError):
        run("srec_cat", tmp_path / "in", "-Intel", "-o", tmp_path / "out", "-Binary")
