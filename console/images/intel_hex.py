"""Intel HEX: records of hex digits, ``:`` count, offset, type, data, checksum.

Source: Intel, "Hexadecimal Object File Format Specification", Revision A, 6 January 1988. Types 00 data, 01 end,
02 extended segment address, 03 start segment address, 04 extended linear address, 05 start linear address.
"""

from __future__ import annotations

from binascii import unhexlify
from typing import Final

from console.images.image import Image
from console.images.records import Pieces, lines_of
from console.text import quoted
from console.words import count_of

NAME: Final = "intel-hex"
CODE: Final = "image-intel-hex"
_DATA, _END, _SEGMENT, _START_SEGMENT, _LINEAR, _START_LINEAR = range(6)
_LENGTHS: Final = {_END: 0, _SEGMENT: 2, _START_SEGMENT: 4, _LINEAR: 2, _START_LINEAR: 4}
_COLON: Final = 0x3A
_SEGMENT_END: Final = 0x1_0000
_OVERHEAD: Final = 5  # count, two of offset, type, checksum


def read_intel_hex(data: bytes, path: str) -> Image:
    """The image in `data`. Raises InputTrouble `image-intel-hex` with line and column."""
    pieces = Pieces(CODE, path)
    base, linear, entry, ended = 0, False, None, 0
    end, run = -1, []  # type: tuple[int, list[bytes]]
    number = 0
    for number, line in enumerate(lines_of(data), 1):
        text = line.rstrip()
        try:
            raw = unhexlify(text[1:])
            good = text[0] == _COLON and len(raw) == raw[0] + _OVERHEAD and not sum(raw) & 0xFF and not ended
        except (ValueError, IndexError):
            good = False
        if not good:
            if not text:
                end = -1
                continue
            _explain(pieces, number, text, ended)
        kind = raw[3]
        if kind == _DATA:
            offset = raw[1] << 8 | raw[2]
            if base + offset != end:
                end = base + offset
                run = pieces.begin(end, number)
            if not linear and offset + raw[0] > _SEGMENT_END:
                pieces.wrong(
                    number,
                    4,
                    f"the record runs over the end of its 64 KiB segment (offset 0x{offset:04X})",
                    "a new record from there on (by the specification this one would wrap to the segment's start)",
                )
            if raw[0]:
                run.append(raw[4:-1])
                end += raw[0]
            else:
                end = -1
            continue
        end = -1
        if kind not in _LENGTHS:
            pieces.wrong(number, 8, f"record type {kind:02X} does not exist", "00 to 05")
        if raw[0] != _LENGTHS[kind]:
            pieces.wrong(number, 2, f"a record of type {kind:02X} with {count_of(raw[0], 'byte')}", f"{_LENGTHS[kind]}")
        value = int.from_bytes(raw[4:-1])
        if kind == _END:
            ended = number
        elif kind in (_SEGMENT, _LINEAR):
            linear = kind == _LINEAR
            base = value << 16 if linear else value << 4
        else:
            start = value if kind == _START_LINEAR else (value >> 16 << 4) + (value & 0xFFFF)
            if entry not in (None, start):
                pieces.wrong(number, 10, f"a second start address, 0x{start:08X}", f"0x{entry:08X} as before, or none")
            entry = start
    if not ended:
        pieces.unfinished(number, ":00000001FF")
    return Image(path, NAME, pieces.segments(), entry)


def _explain(pieces: Pieces, number: int, text: bytes, ended: int) -> None:
    """Raise for the first thing wrong with a record."""
    if ended:
        pieces.wrong(number, 1, f"something stands behind the end record of line {ended}", "nothing more")
    if text[0] != _COLON:
        pieces.wrong(number, 1, f"the line begins with '{quoted(text[:8])}'", "a colon")
    try:
        raw = unhexlify(text[1:])
    except ValueError:
        pieces.digits(number, text, 1)
    if len(raw) < _OVERHEAD:
        pieces.wrong(number, len(text), f"a record of {count_of(len(raw), 'byte')}", f"at least {_OVERHEAD}")
    if len(raw) != raw[0] + _OVERHEAD:
        pieces.count(number, 2, raw[0], len(raw) - _OVERHEAD)
    pieces.checksum(number, text, raw[-1], -sum(raw[:-1]) & 0xFF)
