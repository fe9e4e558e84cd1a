"""Tiny writers of firmware files, each written from its format's specification and never from the readers.

Intel HEX: Intel, "Hexadecimal Object File Format Specification", Revision A, 1988. S-records: M68000 Family
Programmer's Reference Manual, Appendix C. ELF: Tool Interface Standard "Executable and Linking Format" version 1.2,
book I.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

Parts = Sequence[tuple[int, bytes]]

EM_386, EM_ARM = 3, 40
ET_REL, ET_EXEC = 1, 2


def hex_record(kind: int, offset: int, data: bytes) -> str:
    """One Intel HEX record: the checksum makes the sum of all bytes zero."""
    body = bytes((len(data), offset >> 8, offset & 0xFF, kind)) + data
    return f":{body.hex().upper()}{-sum(body) & 0xFF:02X}"


def intel_hex(parts: Parts, entry: int | None = None, width: int = 16) -> str:
    """Parts as an Intel HEX file with extended linear addresses."""
    lines, upper = [], 0
    for address, data in parts:
        at = 0
        while at < len(data):
            place = address + at
            if place >> 16 != upper:
                upper = place >> 16
                lines.append(hex_record(4, 0, upper.to_bytes(2)))
            count = min(width, len(data) - at, 0x1_0000 - (place & 0xFFFF))
            lines.append(hex_record(0, place & 0xFFFF, data[at : at + count]))
            at += count
    if entry is not None:
        lines.append(hex_record(5, 0, entry.to_bytes(4)))
    return "\n".join([*lines, ":00000001FF", ""])


def s_record(kind: int, address: int, data: bytes = b"") -> str:
    """One S-record: the checksum is the ones' complement of the sum of all bytes."""
    size = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}[kind]
    body = address.to_bytes(size) + data
    body = bytes((len(body) + 1,)) + body
    return f"S{kind}{body.hex().upper()}{~sum(body) & 0xFF:02X}"


def s_records(parts: Parts, entry: int = 0, width: int = 16) -> str:
    """Parts as a file of S3 records with header, count and end."""
    lines = [s_record(0, 0, b"tern")]
    for address, data in parts:
        lines += [s_record(3, address + at, data[at : at + width]) for at in range(0, len(data), width)]
    lines.append(s_record(5, len(lines) - 1 & 0xFFFF))
    return "\n".join([*lines, s_record(7, entry), ""])


def elf(
    parts: Parts,
    entry: int = 0,
    *,
    machine: int = EM_ARM,
    kind: int = ET_EXEC,
    bits: int = 32,
    order: str = "<",
    sections: bool = True,
    head: int = 0,
) -> bytes:
    """Parts as an ELF file: one loadable segment and one allocated section for each.

    `head` bytes of each segment lie before its section, as where a linker lets the first one begin with the headers.
    """
    program_at, program_size = 52, 32 * len(parts)
    blobs, programs, tables = b"", b"", bytes(40)  # section 0 is all zero
    names = b"\0.part\0.names\0"
    for address, data in parts:
        at = program_at + program_size + len(blobs)
        blobs += bytes(head) + data
        # type PT_LOAD, offset, virtual and physical address, file and memory size, flags R+X, alignment
        start = address - head
        programs += struct.pack(f"{order}8I", 1, at, start, start, head + len(data), head + len(data), 5, 4)
        # name, type PROGBITS, flags ALLOC+EXEC, address, offset, size, link, info, alignment, entry size
        tables += struct.pack(f"{order}10I", 1, 1, 6, address, at + head, len(data), 0, 0, 1, 0)
    names_at = program_at + program_size + len(blobs)
    tables += struct.pack(f"{order}10I", 7, 3, 0, 0, names_at, len(names), 0, 0, 1, 0)
    count = len(parts) + 2 if sections else 0
    header = b"\x7fELF" + bytes((1 if bits == 32 else 2, 1 if order == "<" else 2, 1)) + bytes(9)
    header += struct.pack(
        f"{order}HHIIIIIHHHHHH",
        kind, machine, 1, entry, program_at, names_at + len(names) if sections else 0, 0x0500_0000, 52, 32,
        len(parts), 40, count, len(parts) + 1 if sections else 0,
    )  # fmt: skip
    return header + programs + blobs + names + tables
