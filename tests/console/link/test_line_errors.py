"""The un-marking of PARMRK streams against termios(3), and the counters against the kernel's structure."""

from __future__ import annotations

import fcntl
import struct
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from console.events import LineKind
from console.link.line_errors import Counters, ErrorMark, Unmarker, counters

CLEAN = st.binary(min_size=1, max_size=12)
ERROR = st.integers(1, 255).map(lambda byte: ErrorMark(LineKind.FRAMING_OR_PARITY, bytes([byte])))
BREAK = st.just(ErrorMark(LineKind.BREAK, b"\0"))
LINE = st.lists(st.one_of(CLEAN, ERROR, BREAK), max_size=12)


def marked(line):
    """The line as the system gives it: termios(3), man-pages 6.03, PARMRK and INPCK set, IGNPAR and ISTRIP off."""
    out = b""
    for part in line:
        if isinstance(part, bytes):
            out += b"".join(b"\xff\xff" if byte == 0xFF else bytes([byte]) for byte in part)
        else:
            out += b"\xff\x00" + part.data
    return out


def joined(parts):
    """Neighbouring clean runs as one."""
    out = []
    for part in parts:
        if isinstance(part, bytes) and out and isinstance(out[-1], bytes):
            out[-1] += part
        else:
            out.append(part)
    return out


def fed(pieces):
    unmarker = Unmarker()
    parts = [part for piece in pieces for part in unmarker.feed(piece)]
    return parts, unmarker


def split(data, cuts):
    edges = sorted({cut % (len(data) + 1) for cut in cuts} | {0, len(data)})
    return [data[a:b] for a, b in pairwise(edges)]


@given(LINE, st.lists(st.integers(0, 200), max_size=8))
@example([b"\xff\xff", ErrorMark(LineKind.FRAMING_OR_PARITY, b"\xff"), b"\xff"], [1, 2, 3, 4, 5, 6, 7])
def test_what_was_on_the_line_comes_back_whatever_the_splitting(line, cuts):
    parts, unmarker = fed(split(marked(line), cuts))
    assert joined(parts) == joined(line)
    assert unmarker.held == b""
    assert b"" not in parts


@given(st.binary(max_size=60), st.lists(st.integers(0, 60), max_size=6))
def test_any_bytes_at_all_give_the_same_whole_and_in_pieces(data, cuts):
    whole, one = fed([data])
    pieces, other = fed(split(data, cuts))
    bytewise, third = fed([data[i : i + 1] for i in range(len(data))])
    assert joined(whole) == joined(pieces) == joined(bytewise)
    assert one.held == other.held == third.held
    assert len(one.held) <= 2


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        # termios(3): FF FF is a received FF; FF 00 c a byte with an error; FF 00 00 a break
        (b"A\xff\xff\x00B", [b"A\xff\x00B"]),
        (b"\xff\x00\x86", [ErrorMark(LineKind.FRAMING_OR_PARITY, b"\x86")]),
        (b"\xff\x00\x00", [ErrorMark(LineKind.BREAK, b"\0")]),
        (b"\xff\x00\xff\xff\xff", [ErrorMark(LineKind.FRAMING_OR_PARITY, b"\xff"), b"\xff"]),
        # no rule makes this one (common practice, no source): nothing may be dropped
        (b"\xffA", [b"\xffA"]),
    ],
)
def test_worked_examples(raw, line):
    assert fed([raw])[0] == line


def test_a_clean_chunk_is_passed_on_as_it_is():
    data = bytes(range(255))
    (part,) = Unmarker().feed(data)
    assert part == data


def test_counters_are_read_as_the_kernel_lays_them_out(monkeypatch):
    # struct serial_icounter_struct, include/uapi/linux/serial.h: cts dsr rng dcd rx tx frame overrun parity brk
    # buf_overrun reserved[9]
    asked = []

    def driver(fd, request, buffer):
        asked.append((fd, request, len(buffer)))
        return struct.pack("20i", 1, 2, 3, 4, 5, 6, 70, 80, 90, 100, 11, *range(9))

    monkeypatch.setattr(fcntl, "ioctl", driver)
    assert counters(5) == Counters(framing=70, overrun=91, parity=90, breaks=100)
    assert asked == [(5, 0x545D, 80)]  # TIOCGICOUNT, include/uapi/asm-generic/ioctls.h


def test_a_port_without_counters_has_none_rather_than_zero(pty_peer):
    assert counters(pty_peer.master) is None


def test_only_differences_count():
    before = Counters(framing=5, overrun=5, parity=5, breaks=5)
    after = Counters(framing=7, overrun=5, parity=4, breaks=6)  # a count that fell: the driver was loaded anew
    assert after.since(before) == {LineKind.FRAMING: 2, LineKind.BREAK: 1}
