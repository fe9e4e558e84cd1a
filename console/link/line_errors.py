"""What the line says beside clean bytes: marked bytes in the stream, and the driver's error counters.

Marking, termios(3) (Linux man-pages), PARMRK with IGNPAR and ISTRIP off: a byte c with a framing or parity error is
read as FF 00 c (with INPCK set), a break as FF 00 00, and a received FF as FF FF. The two error kinds look alike, and
so do a break and a 00 with an error.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from console.events import LineKind

_TIOCGICOUNT: Final = 0x545D  # include/uapi/asm-generic/ioctls.h
_ICOUNT: Final = struct.Struct("20i")  # struct serial_icounter_struct, include/uapi/linux/serial.h


@dataclass(frozen=True, slots=True)
class ErrorMark:
    """One marked byte: BREAK, or FRAMING_OR_PARITY with the byte it was received as."""

    kind: LineKind
    data: bytes


class Unmarker:
    """Splits a marked stream into clean bytes and marks, in order; a mark may be split over any number of reads."""

    def __init__(self) -> None:
        self._held = b""  # b"", FF or FF 00: the start of a sequence that is not complete yet

    @property
    def held(self) -> bytes:
        """Bytes received but not yet told apart (at most two)."""
        return self._held

    def feed(self, data: bytes) -> Iterator[bytes | ErrorMark]:
        """Clean runs (never empty) and marks of `data`, in the order of the line.

        A FF followed by neither FF nor 00 cannot be sent by the system; it is passed on as it is.
        """
        data = self._held + data
        self._held = b""
        start = 0  # of the clean run not yet given
        clean: list[bytes] = []
        while (at := data.find(0xFF, start)) >= 0:
            after = data[at + 1 : at + 3]
            if not after or (after[0] == 0 and len(after) == 1):
                clean.append(data[start:at])
                self._held = data[at:]
                start = len(data)
                break
            if after[0] == 0:
                clean.append(data[start:at])
                run = b"".join(clean)
                clean.clear()
                if run:
                    yield run
                byte = after[1:2]
                yield ErrorMark(LineKind.BREAK if byte == b"\0" else LineKind.FRAMING_OR_PARITY, byte)
                start = at + 3
            else:
                clean.append(data[start : at + 1])
                start = at + 2 if after[0] == 0xFF else at + 1
        clean.append(data[start:])
        run = b"".join(clean)
        if run:
            yield run


@dataclass(frozen=True, slots=True)
class Counters:
    """The driver's counts since the port exists: only differences mean anything."""

    framing: int
    overrun: int
    parity: int
    breaks: int

    def since(self, before: Counters) -> dict[LineKind, int]:
        """How many of each kind came since `before` (overrun: those of the chip and of the system's buffer)."""
        new = {
            LineKind.BREAK: self.breaks - before.breaks,
            LineKind.FRAMING: self.framing - before.framing,
            LineKind.PARITY: self.parity - before.parity,
            LineKind.OVERRUN: self.overrun - before.overrun,
        }
        return {kind: count for kind, count in new.items() if count > 0}


def counters(fd: int) -> Counters | None:
    """The driver's counters; None where it has none (ptys, many adapters, other systems). May block for seconds."""
    try:
        import fcntl

        raw = fcntl.ioctl(fd, _TIOCGICOUNT, bytes(_ICOUNT.size))
    except (ImportError, OSError):
        return None
    fields = _ICOUNT.unpack(raw)
    return Counters(framing=fields[6], overrun=fields[7] + fields[10], parity=fields[8], breaks=fields[9])
