"""The host's side of Special and Extended Special (AN3155 Rev 20 s.3.14, s.3.15), whose meaning each chip defines."""

from __future__ import annotations

from protocols.an3155 import frames, times
from protocols.an3155.acks import ack_before_data, lone_ack, start
from protocols.an3155.frames import Opcode
from protocols.conversation import Conversation, Send, Want
from protocols.errors import OurMistake, UnexpectedReply


def _special_packet(name: str, data: bytes, step: str, within_s: float) -> Conversation[None]:
    yield Send(frames.special_data(data), f"{name}: {len(data)} data bytes")
    yield from ack_before_data(name, step, within_s)


def _counted_answer(what: str, within_s: float) -> Conversation[bytes]:
    size = int.from_bytes((yield Want(2, within_s, f"the length of the {what}")))
    if size > frames.MAX_EXTENDED_DATA:
        raise UnexpectedReply(f"a {what} of at most {frames.MAX_EXTENDED_DATA} bytes", size.to_bytes(2))
    return (yield Want(size, within_s, f"the {what}")) if size else b""


def _check_special(code: int, data: bytes) -> None:
    if not 0 <= code <= 0xFFFF:
        raise OurMistake(f"sub-command {code:#x} does not fit into 16 bits")
    if len(data) > frames.MAX_SPECIAL_DATA:
        raise OurMistake(f"{len(data)} data bytes: Special takes at most {frames.MAX_SPECIAL_DATA}")


def special(code: int, data: bytes = b"", within_s: float = times.ANSWER_S) -> Conversation[tuple[bytes, bytes]]:
    """Special (s.3.14): sub-command 0..0xFFFF with up to 128 bytes; returns data and status."""
    _check_special(code, data)
    name = yield from start(Opcode.SPECIAL, within_s)
    yield Send(frames.special_opcode(code), f"{name}: sub-command 0x{code:04X}")
    yield from lone_ack(name, "the sub-command", within_s)
    yield from _special_packet(name, data, "the data", within_s)
    answer = yield from _counted_answer("answer", within_s)
    status = yield from _counted_answer("status", within_s)
    yield from lone_ack(name, "the end", within_s)
    return answer, status


def extended_special(
    code: int, data: bytes = b"", more: bytes = b"", within_s: float = times.ANSWER_S
) -> Conversation[bytes]:
    """Extended Special (s.3.15): two data packets (at most 128 and 1024 bytes); returns the status."""
    _check_special(code, data)
    if len(more) > frames.MAX_EXTENDED_DATA:
        raise OurMistake(f"{len(more)} data bytes: the second packet takes at most {frames.MAX_EXTENDED_DATA}")
    name = yield from start(Opcode.EXTENDED_SPECIAL, within_s)
    yield Send(frames.special_opcode(code), f"{name}: sub-command 0x{code:04X}")
    yield from lone_ack(name, "the sub-command", within_s)
    yield Send(frames.special_data(data), f"{name}: {len(data)} data bytes")
    yield from lone_ack(name, "the first data", within_s)
    yield from _special_packet(name, more, "the second data", within_s)
    status = yield from _counted_answer("status", within_s)
    yield from lone_ack(name, "the end", within_s)
    return status
