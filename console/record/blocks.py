"""The general block and option layer of pcapng: bytes to and from blocks, nothing about serial lines.

Source: draft-ietf-opsawg-pcapng (General Block Structure, Options, SHB, IDB, EPB). `struct` instead of a
declarative parser because a capture of a million packets has to open in about a second.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, Protocol

from console.words import count_of

SECTION: Final = 0x0A0D0D0A
INTERFACE: Final = 1
SIMPLE_PACKET: Final = 3
PACKET: Final = 6
MAGIC: Final = 0x1A2B3C4D
MINIMUM: Final = 12
EPB_HEAD: Final = 28  # type, length, interface, time high, time low, captured, original
OPT_COMMENT: Final = 1
OPT_USERAPPL: Final = 4
OPT_IF_NAME: Final = 2
OPT_IF_SPEED: Final = 8
OPT_IF_TSRESOL: Final = 9
OPT_IF_TSOFFSET: Final = 14
OPT_EPB_FLAGS: Final = 2
OPTION_LIMIT: Final = 0xFFFF
_NS: Final = 1_000_000_000
_OPTION: Final = struct.Struct("<HH")
_EPB: Final = struct.Struct("<7I")
_U32: Final = struct.Struct("<I")


class Buffer(Protocol):
    """What a block is read from: bytes or a memory map."""

    def __len__(self) -> int: ...

    def __getitem__(self, key: slice, /) -> bytes: ...


class Damage(Exception):
    """The file is not readable from `offset` on. `code` is a capture-... code; `cut` tells a cut tail from a wrong
    number.
    """

    def __init__(self, code: str, offset: int, message: str, cut: bool = False) -> None:
        super().__init__(message)
        self.code = code
        self.offset = offset
        self.message = message
        self.cut = cut


@dataclass(frozen=True, slots=True)
class Interface:
    """One interface of a section; time in ns = units scaled by resolution + `offset_s` seconds."""

    link_type: int
    name: str = ""
    speed: int = 0
    resolution: int = 6
    offset_s: int = 0

    def time_ns(self, units: int) -> int:
        """Nanoseconds since the epoch of a time stamp in if_tsresol units; finer ones are rounded down."""
        exponent = self.resolution & 0x7F
        if self.resolution & 0x80:
            scaled = (units * _NS) >> exponent
        elif exponent <= 9:
            scaled = units * 10 ** (9 - exponent)
        else:
            scaled = units // 10 ** (exponent - 9)
        return scaled + self.offset_s * _NS


def padded(length: int) -> int:
    """`length` rounded up to the 32-bit boundary that every field is padded to."""
    return (length + 3) & ~3


def block(kind: int, body: bytes) -> bytes:
    """A whole little-endian block; `body` is a multiple of four long."""
    total = len(body) + MINIMUM
    return struct.pack("<II", kind, total) + body + _U32.pack(total)


def options(items: Iterable[tuple[int, bytes]]) -> bytes:
    """A little-endian option list with its end marker; nothing when there is no option."""
    out = b"".join(_OPTION.pack(code, len(v)) + v + bytes(-len(v) % 4) for code, v in items)
    return out + bytes(4) if out else b""


def packet(t_ns: int, data: bytes, option_list: bytes) -> bytes:
    """An enhanced packet of interface 0 with a time stamp in nanoseconds (0 .. 2**64 - 1)."""
    size = len(data)
    total = EPB_HEAD + padded(size) + len(option_list) + 4
    head = _EPB.pack(PACKET, total, 0, t_ns >> 32, t_ns & 0xFFFFFFFF, size, size)
    return b"".join((head, data, bytes(-size % 4), option_list, _U32.pack(total)))


def read_options(buffer: Buffer, begin: int, end: int, order: str) -> Iterator[tuple[int, bytes]]:
    """Options between two offsets, with or without an end marker. Raises Damage when one reaches beyond `end`."""
    at = begin
    while at + 4 <= end:
        code, size = struct.unpack(order + "HH", buffer[at : at + 4])
        if code == 0:
            return
        if at + 4 + size > end:
            raise Damage(
                "capture-option-length",
                at,
                f"an option of {count_of(size, 'byte')} reaches beyond its block, which ends at {end}",
            )
        yield code, buffer[at + 4 : at + 4 + size]
        at += 4 + padded(size)


def block_length(buffer: Buffer, at: int, order: str) -> int:
    """The checked total length of the block at `at`, of which 8 bytes are there. Raises Damage."""
    size = len(buffer)
    (total,) = struct.unpack(order + "I", buffer[at + 4 : at + 8])
    length = int(total)
    if length < MINIMUM:
        raise Damage(
            "capture-block-short", at, f"a block says it is {count_of(length, 'byte')} long; {MINIMUM} is the least"
        )
    if length & 3:
        raise Damage("capture-block-unaligned", at, f"a block says it is {length} bytes long, not a multiple of 4")
    if length > size - at:
        raise Damage(
            "capture-cut", at, f"a block of {length} bytes begins here, {size - at} of them are there", cut=True
        )
    (again,) = struct.unpack(order + "I", buffer[at + length - 4 : at + length])
    if again != length:
        raise Damage("capture-block-lengths", at, f"a block's two lengths differ: first {length}, second {again}")
    return length


def section_order(buffer: Buffer, at: int) -> str:
    """The struct byte order sign of the section header at `at`. Raises Damage."""
    magic = buffer[at + 8 : at + 12]
    if len(magic) < 4:
        raise Damage("capture-cut", at, "the file ends inside a section header", cut=True)
    for order in "<>":
        if magic == struct.pack(order + "I", MAGIC):
            return order
    raise Damage("capture-byte-order", at, f"the byte-order magic is {magic.hex().upper()}")


def read_section(buffer: Buffer, at: int, length: int, order: str) -> str:
    """Check a section header; returns the name of the program that wrote it ("" = not said). Raises Damage."""
    if length < 28:
        raise Damage("capture-block-short", at, f"a section header of {length} bytes; 28 is the least")
    major, minor = struct.unpack(order + "HH", buffer[at + 12 : at + 16])
    if major != 1 or minor not in (0, 2):
        raise Damage("capture-version", at, f"the file is of version {major}.{minor}; 1.0 and 1.2 are read")
    for code, value in read_options(buffer, at + 24, at + length - 4, order):
        if code == OPT_USERAPPL:
            return value.decode("utf-8", "backslashreplace")
    return ""


def read_interface(buffer: Buffer, at: int, length: int, order: str) -> Interface:
    """The interface description at `at`. Raises Damage."""
    if length < 20:
        raise Damage("capture-block-short", at, f"an interface description of {length} bytes; 20 is the least")
    (link_type,) = struct.unpack(order + "H", buffer[at + 8 : at + 10])
    name, speed, resolution, offset_s = "", 0, 6, 0
    for code, value in read_options(buffer, at + 16, at + length - 4, order):
        if code == OPT_IF_NAME:
            name = value.decode("utf-8", "backslashreplace")
        elif code == OPT_IF_SPEED and len(value) == 8:
            (speed,) = struct.unpack(order + "Q", value)
        elif code == OPT_IF_TSRESOL and len(value) == 1:
            resolution = value[0]
        elif code == OPT_IF_TSOFFSET and len(value) == 8:
            (offset_s,) = struct.unpack(order + "q", value)
    return Interface(link_type, name, speed, resolution, offset_s)
