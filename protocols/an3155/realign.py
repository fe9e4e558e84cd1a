"""Bringing a chip that waits for the rest of a half command back to where it takes commands.

AN3155 knows no timeout: a chip whose host was killed, or that lost a byte, waits for as long as it takes. The way back
is to send it bytes until the packet it waits for is complete and refused: a NACK always means that it takes commands
again (Table 2 note 1). What those bytes are decides whether that is safe, because a packet whose xor happens to fit is
carried out. With X the xor of what the chip has of the packet, the n-th filler completes it if X equals P(n), the xor
of the first n fillers. No sequence avoids every X; this one, 7F FC 7F 7F 7F ..., is chosen so that

- P(n) is 7F, then 83 and FC in turn: never 0, so a packet of fillers alone never fits; never FF or 00, so a block of
  which only the count FF was sent, or that is blank or zero so far, does not; from the second filler on never below 80,
  so no list of counts and page numbers up to 127 does, nor the beginning of an address in flash or RAM; and where P(n)
  is FC, no shorter block's count is (they are one less than a multiple of 4);
- P(1) = 7F fits only where nothing but the checksum is missing and no byte was lost: the command that was asked for.
  Where a byte was lost in front of it, X is that byte: `pending` lets the caller rule that out for a page list;
- no two neighbours are a byte and its complement, and neither complement, 80 and 03, is an opcode: nothing begins;
- it has no FF, so neither Erase (s.3.7) nor Extended Erase (s.3.8) sees the code for everything;
- the first byte is the sync: a chip that was reset meanwhile measures its rate from it (AN2606 Rev 70 s.101.2).

An ACK in between means that the chip took a part (an address that fitted) and now waits for the next: there the
sequence starts anew, without the sync. What remains is the data of a block, whose X is arbitrary: one time in 256 the
write is carried out with fillers in place of what was missing. It can only touch the block that the chip was being
sent, which nobody has proven by then; whoever goes on reads it back first.

When a NACK came, Get Version proves the alignment: its bytes 01 FE complete none of the above.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain, repeat
from typing import Final

from protocols.an3155 import frames, host
from protocols.conversation import Conversation, Send, Stray, Want
from protocols.errors import NoReply, TheirBehaviour

# s.3.15 has the longest packet, 1024 data bytes; Extended Erase of 512 pages has 1027
LIMIT: Final = 1100
# how long an answer to the byte just sent may take; the loader polls its USART (common practice, no source)
LOOK_S: Final = 0.01
_SINGLE: Final = 4  # mostly one or two bytes are missing: look after each, then in bursts
_BURST: Final = 16
_DRAIN: Final = 64
_MOST_DRAINED: Final = 64  # times _DRAIN bytes: a board that talks all the time is not in its loader


def fillers(sync: bool = True, pending: bytes = b"") -> Iterator[int]:
    """The sequence of the module's rule; without the sync it begins with FC, as it does where `pending` holds 7F."""
    if sync and (frames.SYNC not in pending or frames.FILLER in pending):
        return chain((frames.SYNC, frames.FILLER), repeat(frames.SYNC))
    return chain((frames.FILLER,), repeat(frames.SYNC))


def realign(pending: bytes = b"") -> Conversation[int]:
    """Implements `protocols.programmer.Realign`; returns the number of fillers sent, 0..LIMIT."""
    yield from _quiet("left over from before")
    sequence = fillers(pending=pending)
    sent = 0
    while sent < LIMIT:
        size = 1 if sent < _SINGLE else _BURST
        yield Send(bytes(next(sequence) for _ in range(size)), "filler, until the chip says that it takes commands")
        sent += size
        came = yield from _look()
        if frames.NACK in came:
            if (yield from _proven()):
                return sent
            # half a pair is pending: one more byte completes it
            yield Send(bytes((frames.SYNC,)), "filler, the other half of a pair")
            sent += 1
            if frames.NACK in (yield from _look()) and (yield from _proven()):
                return sent
        elif frames.ACK in came:
            sequence = fillers(sync=False)
    raise NoReply(f"any sign that the chip takes commands, after {sent} fillers")


def _proven() -> Conversation[bool]:
    """Whether Get Version is answered as the note says."""
    try:
        yield from host.get_version()
    except TheirBehaviour:
        yield from _quiet("after a Get Version that was not answered in full")
        return False
    return not (yield from _quiet("after the answer to Get Version"))


def _look() -> Conversation[bytes]:
    """What the chip answers to the byte just sent: nothing if it waits for more."""
    got = yield Want(1, LOOK_S, "a sign that the chip takes commands", optional=True)
    return got + (yield from _more()) if got else b""


def _quiet(why: str) -> Conversation[bool]:
    """Wait until nothing more comes; whether something did."""
    got = yield from _more()
    if got:
        yield Stray(got, why)
    return bool(got)


def _more() -> Conversation[bytes]:
    got = b""
    for _ in range(_MOST_DRAINED):
        more = yield Want(_DRAIN, LOOK_S, "the line to fall silent", optional=True)
        got += more
        if not more:
            break
    return got
