# construct carries no annotations: the calls below cannot be typed, the functions at the end are
# mypy: disable-error-code="no-untyped-call"
"""What the bytes of the protocol look like: AN3155 Rev 20 (03 Jul 2025), in the order of the note.

Belongs here: constants, formats and the xor rule; the only file that the host's side and the chip's side share.
Nothing here knows who sends what when. Formats are not compiled: that gained nothing (21 us for 256 bytes either way).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import IntEnum
from functools import cache, reduce
from operator import xor as _xor
from typing import Any, Final

from construct import (
    Adapter,
    Array,
    Byte,
    Bytes,
    Checksum,
    Const,
    Int16ub,
    Int32ub,
    RawCopy,
    Rebuild,
    Struct,
    len_,
    this,
)

# s.1: the byte that starts everything; 11 bit times of 8E1
SYNC: Final = 0x7F
FILLER: Final = 0xFC  # follows a 7F that may have become a part of half a command; why, says `realign`
# s.3
ACK: Final = 0x79
NACK: Final = 0x1F
# s.3.4, s.3.6: N + 1 bytes, N in one byte
MAX_BLOCK: Final = 256
# s.3.7: N in one byte, 0xFF means "everything"
MAX_ERASE_PAGES: Final = 255
ERASE_ALL: Final = 0xFF
# s.3.8: codes from 0xFFF0 up are not page counts
SPECIAL_ERASE_FROM: Final = 0xFFF0
# s.3.14, s.3.15
MAX_SPECIAL_DATA: Final = 128
MAX_EXTENDED_DATA: Final = 1024


class Opcode(IntEnum):
    """AN3155 Rev 20 s.3, Table 2."""

    GET = 0x00
    GET_VERSION = 0x01
    GET_ID = 0x02
    READ_MEMORY = 0x11
    GO = 0x21
    WRITE_MEMORY = 0x31
    ERASE = 0x43
    EXTENDED_ERASE = 0x44
    SPECIAL = 0x50
    EXTENDED_SPECIAL = 0x51
    WRITE_PROTECT = 0x63
    WRITE_UNPROTECT = 0x73
    READOUT_PROTECT = 0x82
    READOUT_UNPROTECT = 0x92
    GET_CHECKSUM = 0xA1


class SpecialErase(IntEnum):
    """AN3155 Rev 20 s.3.8: codes in place of a page count."""

    BANK_2 = 0xFFFD
    BANK_1 = 0xFFFE
    MASS = 0xFFFF


_NAMES: Final = {op: op.name.replace("_", " ").title().replace("Id", "ID") for op in Opcode}


def opcode_name(code: int) -> str:
    """Name of a command code as Table 2 writes it; an unknown code is shown as a number."""
    return _NAMES[Opcode(code)] if code in Opcode._value2member_map_ else f"0x{code:02X}"


def version_text(version: int) -> str:
    """Protocol version byte as text: 0x31 -> "3.1" (s.3.1, Table 3: one nibble each)."""
    return f"{version >> 4}.{version & 0x0F}"


def xor(data: Iterable[int]) -> int:
    """Xor of all bytes (s.3); 0 over a packet that carries its own checksum."""
    return reduce(_xor, data, 0)


class Checked(Adapter):
    """A packet followed by the xor of all its bytes (s.3)."""

    def __init__(self, packet: Any) -> None:
        super().__init__(Struct("body" / RawCopy(packet), "check" / Checksum(Byte, xor, this.body.data)))

    def _decode(self, obj: Any, context: Any, path: Any) -> Any:
        return obj.body.value

    def _encode(self, obj: Any, context: Any, path: Any) -> Any:
        return {"body": {"value": obj}}


class Complemented(Adapter):
    """A lone byte followed by its complement (s.3, and byte 9 of s.3.4)."""

    def __init__(self) -> None:
        super().__init__(Struct("value" / Byte, "complement" / Checksum(Byte, lambda value: value ^ 0xFF, this.value)))

    def _decode(self, obj: Any, context: Any, path: Any) -> Any:
        return obj.value

    def _encode(self, obj: Any, context: Any, path: Any) -> Any:
        return {"value": obj}


def _counted(count: Any, name: str, item: Any) -> Any:
    """A count that holds "items - 1", then the items."""
    return Struct("n" / Rebuild(count, len_(this[name]) - 1), name / Array(this.n + 1, item))


# s.3: every command
COMMAND: Final = Complemented()
# s.3.1: N counts the version and the codes, less one
GET_REPLY: Final = Struct(
    "ack" / Const(ACK, Byte),
    "n" / Rebuild(Byte, len_(this.commands)),
    "version" / Byte,
    "commands" / Bytes(this.n),
    "end" / Const(ACK, Byte),
)
# s.3.2
GET_VERSION_REPLY: Final = Struct(
    "ack" / Const(ACK, Byte), "version" / Byte, "option" / Bytes(2), "end" / Const(ACK, Byte)
)
# s.3.3: N = bytes - 1
GET_ID_REPLY: Final = Struct(
    "ack" / Const(ACK, Byte),
    "n" / Rebuild(Byte, len_(this.product) - 1),
    "product" / Bytes(this.n + 1),
    "end" / Const(ACK, Byte),
)
# s.3.4 bytes 3-7, used again by s.3.5, s.3.6 and s.3.13
ADDRESS: Final = Checked(Int32ub)
# s.3.4 bytes 8-9: bytes to read - 1
READ_COUNT: Final = Complemented()
# s.3.6
WRITE_BLOCK: Final = Checked(Struct("n" / Rebuild(Byte, len_(this.data) - 1), "data" / Bytes(this.n + 1)))
# s.3.7; 0xFF alone is the global erase
ERASE_PAGES: Final = Checked(_counted(Byte, "pages", Byte))
ERASE_GLOBAL: Final = Complemented()
# s.3.8
EXTENDED_ERASE_PAGES: Final = Checked(_counted(Int16ub, "pages", Int16ub))
EXTENDED_ERASE_SPECIAL: Final = Checked(Int16ub)
# s.3.9
WRITE_PROTECT_SECTORS: Final = Checked(_counted(Byte, "sectors", Byte))
# s.3.13: size in words, polynomial and initial value travel like an address
WORD: Final = Checked(Int32ub)
# s.3.14
SPECIAL_OPCODE: Final = Checked(Int16ub)
SPECIAL_DATA: Final = Checked(Struct("n" / Rebuild(Int16ub, len_(this.data)), "data" / Bytes(this.n)))
SPECIAL_REPLY: Final = Struct(
    "n" / Rebuild(Int16ub, len_(this.data)),
    "data" / Bytes(this.n),
    "status_n" / Rebuild(Int16ub, len_(this.status)),
    "status" / Bytes(this.status_n),
    "end" / Const(ACK, Byte),
)
# s.3.15
EXTENDED_SPECIAL_REPLY: Final = Struct(
    "status_n" / Rebuild(Int16ub, len_(this.status)), "status" / Bytes(this.status_n), "end" / Const(ACK, Byte)
)


@cache  # 256 of them, each built anew in every turn of a run otherwise
def command(opcode: int) -> bytes:
    """A command code (0..255) and its complement."""
    return bytes(COMMAND.build(opcode))


def address(value: int) -> bytes:
    """An address (0..2**32-1), most significant byte first, and its checksum."""
    return bytes(ADDRESS.build(value))


def word(value: int) -> bytes:
    """Size, polynomial or initial value of Get Checksum (0..2**32-1) and its checksum."""
    return bytes(WORD.build(value))


@cache  # 256 of them
def read_count(count: int) -> bytes:
    """How many bytes to read (1..256)."""
    return bytes(READ_COUNT.build(count - 1))


def write_block(data: bytes) -> bytes:
    """N, the data (1..256 bytes) and the checksum."""
    return bytes(WRITE_BLOCK.build({"data": data}))


def erase_pages(pages: Sequence[int]) -> bytes:
    """Page list of Erase: 1..255 numbers of one byte."""
    return bytes(ERASE_PAGES.build({"pages": pages}))


def erase_global() -> bytes:
    """The two bytes of the global erase."""
    return bytes(ERASE_GLOBAL.build(ERASE_ALL))


def extended_erase_pages(pages: Sequence[int]) -> bytes:
    """Page list of Extended Erase: 1..0xFFF0 numbers of two bytes."""
    return bytes(EXTENDED_ERASE_PAGES.build({"pages": pages}))


def extended_erase_special(code: int) -> bytes:
    """A special erase code (0xFFF0..0xFFFF) and its checksum."""
    return bytes(EXTENDED_ERASE_SPECIAL.build(code))


def write_protect_sectors(sectors: Sequence[int]) -> bytes:
    """Sector list of Write Protect: 1..256 numbers of one byte."""
    return bytes(WRITE_PROTECT_SECTORS.build({"sectors": sectors}))


def special_opcode(code: int) -> bytes:
    """Sub-command of Special (0..0xFFFF) and its checksum."""
    return bytes(SPECIAL_OPCODE.build(code))


def special_data(data: bytes) -> bytes:
    """Data packet of Special: length, data, checksum over both."""
    return bytes(SPECIAL_DATA.build({"data": data}))
