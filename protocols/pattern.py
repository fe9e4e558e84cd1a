"""Random bytes sent to see whether they come back, and what a comparison with what came tells.

A real answer is never mistaken for an echo: the pattern is random, and bytes that mean something by themselves are left
out. No byte is followed by its complement, because boot loaders take such a pair for a command (AN3155 s.3).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from difflib import SequenceMatcher
from enum import StrEnum
from typing import Final

LEAST: Final = 8
MOST: Final = 256
_GLITCH: Final = b"\x00\xff"
_GLITCHES: Final = 2  # a wire that is joined or a port that opens may leave so many of them in front
_RUN: Final = 2  # one equal byte is an accident, two in order are hardly one
_MOSTLY: Final = 0.5


class Came(StrEnum):
    """What came back of a pattern."""

    SAME = "same"
    NOTHING = "nothing"
    DAMAGED = "damaged"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Comparison:
    """`matched` of `sent` bytes came back in order among the `received` ones."""

    came: Came
    sent: int
    received: int
    matched: int


def random_pattern(random_bytes: Callable[[int], bytes], count: int = 64, avoid: bytes = b"") -> bytes:
    """`count` bytes (8 to 256) out of `random_bytes`, none of `avoid`, none followed by its complement.

    Raises ValueError for another count, or when `avoid` leaves fewer than 64 values to choose from.
    """
    if not LEAST <= count <= MOST:
        raise ValueError(f"a pattern has {LEAST} to {MOST} bytes, not {count}")
    values = bytes(value for value in range(256) if value not in avoid)
    if len(values) < 64:
        raise ValueError("too few byte values are left to be told from an answer")
    out = bytearray()
    for number in random_bytes(count):
        at = number % len(values)
        if out and values[at] == out[-1] ^ 0xFF:
            at = (at + 1) % len(values)
        out.append(values[at])
    return bytes(out)


def compare(sent: bytes, received: bytes) -> Comparison:
    """What `received` has of `sent`. Up to two bytes 00 or FF in front are forgiven: they are no data."""
    for skip in range(_GLITCHES + 1):
        if received[skip:] == sent and not received[:skip].strip(_GLITCH):
            return Comparison(Came.SAME, len(sent), len(received), len(sent))
    if len(received) <= _GLITCHES and not received.strip(_GLITCH):
        return Comparison(Came.NOTHING, len(sent), len(received), 0)
    few = received[: 4 * MOST]
    blocks = SequenceMatcher(None, sent, few, autojunk=False).get_matching_blocks()
    matched = sum(block.size for block in blocks if block.size >= _RUN)
    came = Came.DAMAGED if matched >= _MOSTLY * len(sent) else Came.OTHER
    return Comparison(came, len(sent), len(received), matched)
