"""Reads a firmware file of any known format. The format is told by content, never by name; the caller may force it.

Raw files carry no address, so one must be given; for the others none may be, because they carry their own.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from console.errors import InputTrouble, UsageTrouble
from console.images import elf, intel_hex, s_record
from console.images.image import ADDRESS_LIMIT, Image, Segment
from console.inputs import read_input
from console.text import clean

RAW: Final = "raw"
FORMATS: Final = (intel_hex.NAME, s_record.NAME, elf.NAME, RAW)
# a chip of these families holds a few MiB; ELF files carry debugging information beside it
MAX_FILE_BYTES: Final = 128 << 20
_SAMPLE: Final = 512
_TEXT: Final = frozenset(b"\t\n\r\x1a") | frozenset(range(0x20, 0x7F))
# files that are often at hand beside the right one; no vector table begins like these, a stack pointer being aligned
_OTHERS: Final = (
    (b"\xff\xfe", "UTF-16 text, as some shells write when output is sent into a file", "write the file as plain text"),
    (b"\xfe\xff", "UTF-16 text", "write the file as plain text"),
    (b"\xef\xbb\xbf", "text with a byte order mark in front", "write the file as plain ASCII text"),
    (b"PK\x03\x04", "a zip archive", "unpack it and give the file inside"),
    (b"\x1f\x8b", "a gzip archive", "unpack it and give the file inside"),
    (b"!<arch>\n", "a library of object files", "give the file that the linker made"),
    (b"MZ", "a program for another system", "give the file that the linker made for this chip"),
)


def load_image(path: str | Path, *, address: int | None = None, format: str | None = None) -> Image:
    """The image in a file; `address` (0..0xFFFFFFFF) only for raw ones, `format` one of FORMATS or None to find out.

    Raises InputTrouble for a file that is missing, unreadable or wrong, UsageTrouble for an address too few or many.
    """
    data = read_input(path, MAX_FILE_BYTES, "image-file", "a firmware file")
    return parse_image(data, clean(str(path)), address=address, format=format)


def parse_image(data: bytes, path: str, *, address: int | None = None, format: str | None = None) -> Image:
    """The image in `data`; `path` is only its name in messages. Raises as `load_image` does."""
    if not data:
        raise InputTrouble("image-empty", "the file is empty (0 bytes)", where=path, help="make the file again")
    kind = format or recognise(data, path)
    if kind == RAW:
        return _raw(data, path, address)
    if address is not None:
        raise UsageTrouble(
            "image-address",
            f"an address was given, but this is {kind} and carries its own addresses",
            where=path,
            help="leave --address out, or link the program for the other address",
        )
    readers = {intel_hex.NAME: intel_hex.read_intel_hex, s_record.NAME: s_record.read_s_record, elf.NAME: elf.read_elf}
    return readers[kind](data, path)


def recognise(data: bytes, path: str) -> str:
    """Which of FORMATS `data` has. Raises InputTrouble `image-format` for what is surely no firmware image.

    An aligned stack pointer begins with a byte divisible by 4, and neither a colon nor an S is: a raw image of a
    program is never taken for a text format.
    """
    if data.startswith(elf.MAGIC):
        return elf.NAME
    for magic, words, help in _OTHERS:
        if data.startswith(magic):
            raise InputTrouble("image-format", f"the file is {words}", where=path, help=help)
    begin = data[:_SAMPLE].lstrip()
    if begin[:1] == b":":
        return intel_hex.NAME
    if begin[:1] == b"S" and begin[1:2].isdigit():
        return s_record.NAME
    if _TEXT.issuperset(data[:_SAMPLE]):
        raise InputTrouble(
            "image-format",
            "the file is text, but neither Intel HEX (lines begin with a colon) nor S-records (lines begin with S)",
            where=path,
            help="give a firmware file; if it really is raw data, say --format raw",
        )
    return RAW


def _raw(data: bytes, path: str, address: int | None) -> Image:
    if address is None:
        raise UsageTrouble(
            "image-address",
            "the file is raw data and says not where it belongs",
            where=path,
            help="give --address, for instance 0x0800_0000 for the start of the flash",
        )
    if address + len(data) > ADDRESS_LIMIT:
        raise InputTrouble(
            "image-address",
            f"{len(data)} bytes from 0x{address:08X} go beyond address 0xFFFFFFFF",
            where=path,
            help="lower --address",
        )
    return Image(path, RAW, (Segment(address, data),))
