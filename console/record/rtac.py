"""Events to and from packets of link type 250 (LINKTYPE_RTAC_SERIAL): header, event types, comments.

Source: tcpdump.org link-layer header type page LINKTYPE_RTAC_SERIAL. The 12-byte header is big-endian whatever the
section is. What the link type has no field for travels as comments that any analyser shows.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from typing import Final

from console.events import Chunk, Event, Line, LineEvent, LineKind, Mark, MarkKind, Value

LINK_TYPE: Final = 250
HEADER: Final = 12
STATUS_CHANGE: Final = 0x00
TX_START: Final = 0x01
RX_START: Final = 0x02
TX_END: Final = 0x03
RX_END: Final = 0x04
COMPLETE: Final = 0x06
KIND_CODES: Final = {
    LineKind.LINES: STATUS_CHANGE,
    LineKind.LOST: 0x05,
    LineKind.FRAMING: 0x07,
    LineKind.FRAMING_OR_PARITY: 0x07,
    LineKind.PARITY: 0x08,
    LineKind.BREAK: 0x09,
    LineKind.OVERRUN: 0x0A,
}
_KINDS: Final[dict[int, LineKind]] = {
    code: kind for kind, code in KIND_CODES.items() if kind is not LineKind.FRAMING_OR_PARITY
}
_BITS: Final = {Line.CTS: 1, Line.DCD: 2, Line.DSR: 4, Line.RTS: 8, Line.DTR: 16, Line.RING: 32}
_CANNOT_TELL: Final = "framing-or-parity: the system reports both alike, which of the two it was cannot be told"
_LINES_WORD: Final = "lines-with-event "
_COMMENT_LIMIT: Final = 60_000  # an option holds 65535 bytes; longer marks go on in the next comment
_MARK_NAMES: Final = frozenset(kind.value for kind in MarkKind)
_HEADER: Final = struct.Struct(">IIBBH")


def header(t_ns: int, kind: int, state: int) -> bytes:
    """The 12 bytes in front of the payload; seconds wrap after 2106 as their field does, the block's time does not."""
    seconds, rest = divmod(t_ns, 1_000_000_000)
    return _HEADER.pack(seconds & 0xFFFFFFFF, rest // 1000, kind, state, 0)


def line_bits(lines: frozenset[Line]) -> int:
    """Asserted lines as the header's state byte."""
    return sum(_BITS[line] for line in lines)


def bits_lines(state: int) -> frozenset[Line]:
    """Asserted lines of a state byte; the adapter's own bits 0x40 and 0x80 are no lines."""
    return frozenset(line for line, bit in _BITS.items() if state & bit)


def line_comments(event: LineEvent) -> list[str]:
    """What a line event has beyond the packet's own fields."""
    out = [_CANNOT_TELL] if event.kind is LineKind.FRAMING_OR_PARITY else []
    if event.lines and event.kind is not LineKind.LINES:
        out.append(f"{_LINES_WORD}{','.join(sorted(event.lines))}")
    return out


def mark_comments(mark: Mark) -> list[str]:
    """A mark as ``KIND {json}``; more than one comment only when it is longer than one may be."""
    text = f"{mark.kind.value} {json.dumps(dict(mark.fields), sort_keys=True, ensure_ascii=True)}"
    return [text[at : at + _COMMENT_LIMIT] for at in range(0, len(text), _COMMENT_LIMIT)]


def decode(t_ns: int, kind: int, state: int, payload: bytes, comments: list[str]) -> Iterator[Event]:
    """One packet's events: its own, then a note for each comment that is not ours; unknown kinds give only notes."""
    if kind in (TX_START, RX_START) or (kind in (TX_END, RX_END) and payload):
        yield Chunk(t_ns, "out" if kind in (TX_START, TX_END) else "in", payload)
    elif kind in (STATUS_CHANGE, COMPLETE) and not payload:
        mark, used = _read_mark(t_ns, comments)
        if mark is not None and (mark.kind is MarkKind.END) == (kind == COMPLETE):
            comments = comments[used:]
            yield mark
        elif kind == COMPLETE:
            yield Mark(t_ns, MarkKind.END)
        else:
            yield LineEvent(t_ns, LineKind.LINES, b"", bits_lines(state))
    elif kind == COMPLETE:
        yield Mark(t_ns, MarkKind.END)
    elif kind in _KINDS:
        found: LineKind = _KINDS[kind]
        lines = bits_lines(state) if found is LineKind.LINES else frozenset()
        if found is LineKind.FRAMING and _CANNOT_TELL in comments:
            found = LineKind.FRAMING_OR_PARITY
        rest = []
        for text in comments:
            named = _read_lines(text) if found is not LineKind.LINES else None
            if named is not None:
                lines = named
            elif not (found is LineKind.FRAMING_OR_PARITY and text == _CANNOT_TELL):
                rest.append(text)
        comments = rest
        yield LineEvent(t_ns, found, payload, lines)
    for text in comments:
        yield Mark(t_ns, MarkKind.NOTE, {"text": text})


def known(kind: int) -> bool:
    """Whether the event type is one the link type defines."""
    return 0 <= kind <= 0x0A


def _read_lines(text: str) -> frozenset[Line] | None:
    if not text.startswith(_LINES_WORD):
        return None
    try:
        return frozenset(Line(name) for name in text[len(_LINES_WORD) :].split(","))
    except ValueError:
        return None


def _read_mark(t_ns: int, comments: list[str]) -> tuple[Mark | None, int]:
    """The mark that the first comments spell, and how many they are."""
    if not comments:
        return None, 0
    name, _, _ = comments[0].partition(" ")
    if name not in _MARK_NAMES or not comments[0].startswith(f"{name} {{"):
        return None, 0
    used = 1
    while used < len(comments) and len(comments[used - 1]) == _COMMENT_LIMIT:
        used += 1
    try:
        fields = json.loads("".join(comments[:used])[len(name) + 1 :])
    except (ValueError, RecursionError):
        return None, 0
    if not all(isinstance(value, Value) for value in fields.values()):
        return None, 0
    return Mark(t_ns, MarkKind(name), fields), used
