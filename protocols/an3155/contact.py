"""Making contact with a chip in its boot ROM (AN3155 Rev 20 s.1): the sync, and who answers it."""

from __future__ import annotations

from typing import Final

from protocols.an3155 import frames, host, times
from protocols.an3155.acks import AT_OPCODE, MAX_STRAY
from protocols.an3155.frames import ACK, NACK, Opcode, opcode_name, version_text
from protocols.an3155.products import names_for
from protocols.conversation import Conversation, Send, Stray, Want
from protocols.errors import NoReply, Refused, TheirBehaviour, UnexpectedReply
from protocols.family import Identity, SyncResult

_FLASH_START: Final = 0x0800_0000


def sync(within_s: float = times.SYNC_S, *, careful: bool = False) -> Conversation[SyncResult]:
    """Send 0x7F and find out where the chip is (s.1); a chip that was synchronised before is brought in step.

    On silence half a command may be pending: a second byte completes it, which a NACK tells. It is 7F again, or FC if
    `careful`. No byte suits both: 7F 7F erases page 127 after an erase that was cut at its count 0 (s.3.7), or at the
    first 00 of its page (s.3.8), and any byte but 7F spoils the rate of a chip that missed the first one (AN2606 Rev 70
    s.101.2) or that wants two (Table 135). So the caller says which is more likely: `careful` where a command may have
    been cut off and the chip was not reset since. Raises NoReply, UnexpectedReply (noise).
    """
    stray = bytearray()
    for last in (False, True):
        yield Send(bytes((frames.FILLER if last and careful else frames.SYNC,)), f"sync{', second try' * last}")
        while len(stray) < MAX_STRAY:
            try:
                got = yield Want(1, within_s, "the answer to the sync")
            except NoReply as silence:
                if not last:
                    break
                if stray:
                    raise UnexpectedReply("ACK for the sync", bytes(stray)) from silence
                raise
            if got[0] == ACK:
                return (yield from _after_sync_ack(stray))
            if got[0] == NACK:
                return SyncResult(already_synchronised=True, stray=bytes(stray))
            yield Stray(got, "before the answer to the sync")
            stray += got
    raise UnexpectedReply("ACK for the sync", bytes(stray))


def _after_sync_ack(stray: bytearray) -> Conversation[SyncResult]:
    """Take the second ACK that L412/422 send (AN2606 Rev 70 Table 163)."""
    extra = yield Want(1, times.TRAIL_S, "a second ACK, which some loaders send", optional=True)
    if extra and extra[0] != ACK:
        yield Stray(extra, "right after the answer to the sync")
        stray += extra
        return SyncResult(stray=bytes(stray))
    return SyncResult(extra_acks=len(extra), stray=bytes(stray))


def identify(within_s: float = times.ANSWER_S) -> Conversation[Identity]:
    """Get, Get Version, Get ID, and whether the memory may be read.

    The last is found with one Read Memory of 4 bytes at the start of the flash, if the chip lists the command;
    anything but data or a refusal leaves it unknown. Commands the chip does not list are not sent.
    """
    version, codes = yield from host.get(within_s)
    if Opcode.GET_VERSION in codes:
        version, _ = yield from host.get_version(within_s)
    product = None
    if Opcode.GET_ID in codes:
        product = yield from host.get_id(within_s)
    protected = None
    if Opcode.READ_MEMORY in codes:
        protected = yield from _is_protected(within_s)
    return Identity(
        product_id=product,
        names=names_for(product) if product is not None else (),
        loader_version=version_text(version),
        commands=tuple(opcode_name(code) for code in codes),
        readout_protected=protected,
    )


def _is_protected(within_s: float) -> Conversation[bool | None]:
    try:
        yield from host.read_memory(_FLASH_START, 4, within_s)
    except TheirBehaviour as failure:
        return True if isinstance(failure, Refused) and failure.step == AT_OPCODE else None
    return False
