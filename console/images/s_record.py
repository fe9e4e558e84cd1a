"""Motorola S-records: ``S``, type, count, address, data, checksum, all in hex digits.

Source: M68000 Family Programmer's Reference Manual (M68000PM/AD Rev 1), Appendix C "S-Record Output Format"; S6 (24-bit
count of records) is common practice, no source. S0 header, S1 to S3 data with 16, 24, 32-bit address, S5 and S6 the
number of data records, S7 to S9 end with a start address; 0 there is what tools write when there is none. Some tools
leave the end record out; then a count that comes last proves as well that nothing is missing.
"""

from __future__ import annotations

from binascii import unhexlify
from typing import Final

from console.images.image import Image
from console.images.records import Pieces, lines_of
from console.text import quoted
from console.words import count_of

NAME: Final = "s-record"
CODE: Final = "image-s-record"
_S: Final = 0x53
_ADDRESS_BYTES: Final = {0x30: 2, 0x31: 2, 0x32: 3, 0x33: 4, 0x35: 2, 0x36: 3, 0x37: 4, 0x38: 3, 0x39: 2}
_DATA: Final = frozenset(b"123")
_COUNTS: Final = frozenset(b"56")
_ENDS: Final = frozenset(b"789")


def read_s_record(data: bytes, path: str) -> Image:
    """The image in `data`. Raises InputTrouble `image-s-record` with line and column."""
    pieces = Pieces(CODE, path)
    entry, records, counted, ended = 0, 0, False, 0
    end, run = -1, []  # type: tuple[int, list[bytes]]
    number = 0
    for number, line in enumerate(lines_of(data), 1):
        text = line.rstrip()
        try:
            raw = unhexlify(text[2:])
            kind = text[1]
            behind = _ADDRESS_BYTES[kind] + 1
            good = text[0] == _S and behind < len(raw) == raw[0] + 1 and sum(raw) & 0xFF == 0xFF and not ended
        except (ValueError, LookupError):
            good = False
        if not good:
            if not text:
                end = -1
                continue
            _explain(pieces, number, text, ended)
        if kind in _DATA:
            records += 1
            counted = False
            address = int.from_bytes(raw[1:behind])
            if address != end:
                end = address
                run = pieces.begin(address, number)
            if len(raw) > behind + 1:
                run.append(raw[behind:-1])
                end += len(raw) - behind - 1
            else:
                end = -1
            continue
        end = -1
        value = int.from_bytes(raw[1:behind])
        if kind in _COUNTS | _ENDS and len(raw) != behind + 1:
            pieces.wrong(
                number, 3, f"an S{kind - 0x30} record of {count_of(raw[0], 'byte')}", f"{behind} bytes: it has no data"
            )
        counted = counted or kind in _COUNTS
        if kind in _COUNTS and value != records & (1 << 8 * _ADDRESS_BYTES[kind]) - 1:
            pieces.wrong(
                number,
                5,
                f"the file says it has {count_of(value, 'data record')}, but {records} came before",
                note="records were lost on the way, or came twice",
            )
        if kind in _ENDS:
            entry, ended = value, number
    if not (ended or counted):
        pieces.unfinished(number, "S7, S8 or S9")
    return Image(path, NAME, pieces.segments(), entry or None)


def _explain(pieces: Pieces, number: int, text: bytes, ended: int) -> None:
    """Raise for the first thing wrong with a record."""
    if ended:
        pieces.wrong(number, 1, f"something stands behind the end record of line {ended}", "nothing more")
    if text[0] != _S:
        pieces.wrong(number, 1, f"the line begins with '{quoted(text[:8])}'", "a capital S")
    kind = text[1] if len(text) > 1 else None
    if kind not in _ADDRESS_BYTES:
        pieces.wrong(number, 2, f"there is no record type '{quoted(text[:2])}'", "S0 to S3 or S5 to S9")
    try:
        raw = unhexlify(text[2:])
    except ValueError:
        pieces.digits(number, text, 2)
    least = _ADDRESS_BYTES[kind] + 2
    if len(raw) < least:
        pieces.wrong(number, len(text), f"a record of {count_of(len(raw), 'byte')}", f"at least {least} for this type")
    if len(raw) != raw[0] + 1:
        pieces.count(number, 3, raw[0], len(raw) - 1)
    pieces.checksum(number, text, raw[-1], ~sum(raw[:-1]) & 0xFF)
