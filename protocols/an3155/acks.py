"""The rules that every command of AN3155 Rev 20 shares (s.3): its code first, then ACK or NACK after each part.

Belongs here: how a command begins, how its address goes out, and how an acknowledge is told from a refusal and from
noise. Whoever sends a command is in `host`, `special` and `contact`.
"""

from __future__ import annotations

from typing import Final

from protocols.an3155 import frames, times
from protocols.an3155.frames import ACK, NACK, Opcode, opcode_name
from protocols.conversation import Conversation, Send, Stray, Want
from protocols.errors import NoReply, Refused, UnexpectedReply

MAX_STRAY: Final = 16
AT_OPCODE: Final = "the opcode"  # where a command is refused as such


def start(opcode: Opcode, within_s: float) -> Conversation[str]:
    """Send a command whose ACK stands alone; returns the command's name."""
    name = opcode_name(opcode)
    yield Send(frames.command(opcode), f"{name}: opcode")
    yield from lone_ack(name, AT_OPCODE, within_s)
    return name


def ask(opcode: Opcode, within_s: float) -> Conversation[str]:
    """Send a command whose ACK is followed by data; returns the command's name."""
    name = opcode_name(opcode)
    yield Send(frames.command(opcode), f"{name}: opcode")
    yield from ack_before_data(name, AT_OPCODE, within_s)
    return name


def send_address(name: str, address: int, within_s: float, silent_refusal: bool = False) -> Conversation[None]:
    """Send an address (s.3.4 bytes 3-7) and wait for its ACK; `silent_refusal`: silence is the refusal that it is."""
    yield Send(frames.address(address), f"{name}: address 0x{address:08X}")
    try:
        yield from lone_ack(name, "the address", within_s)
    except NoReply as silence:
        if silent_refusal:
            raise Refused(name, "the address (in silence, as loaders before v3.1 do)") from silence
        raise


def _refusal(command: str, step: str) -> Conversation[Refused]:
    """Swallow the second NACK that some loaders send while protected (AN2606 Rev 70 Tables 30, 34, 54, 74...)."""
    extra = yield Want(1, times.TRAIL_S, "a second refusal (NACK), which some loaders send", optional=True)
    if extra and extra[0] != NACK:
        yield Stray(extra, "came right after the refusal")
    return Refused(command, step)


def lone_ack(command: str, step: str, within_s: float) -> Conversation[None]:
    """Wait for an ACK that nothing follows: strays in front of it are reported and passed over."""
    passed = bytearray()
    while len(passed) < MAX_STRAY:
        try:
            got = yield Want(1, within_s, f"the acknowledge (ACK) of {command}: {step}")
        except NoReply as silence:
            if passed:
                raise UnexpectedReply(f"ACK or NACK for {command}: {step}", bytes(passed)) from silence
            raise
        if got[0] == ACK:
            return
        if got[0] == NACK:
            raise (yield from _refusal(command, step))
        yield Stray(got, "neither ACK nor NACK, where only these may come")
        passed += got
    raise UnexpectedReply(f"ACK or NACK for {command}: {step}", bytes(passed))


def ack_before_data(command: str, step: str, within_s: float) -> Conversation[None]:
    """Wait for an ACK that data follow: no hunting, or a data byte 0x79 would pass for the ACK."""
    got = yield Want(1, within_s, f"the acknowledge (ACK) of {command}: {step}")
    if got[0] == NACK:
        raise (yield from _refusal(command, step))
    if got[0] != ACK:
        yield Stray(got, "neither ACK nor NACK, where only these may come")
        raise UnexpectedReply(f"ACK or NACK for {command}: {step}", got)


def closing_ack(command: str, data: bytes) -> bytes:
    """Check that an answer ends with ACK and return it without."""
    if data[-1] != ACK:
        raise UnexpectedReply(f"{command} to end with ACK", data)
    return data[:-1]
