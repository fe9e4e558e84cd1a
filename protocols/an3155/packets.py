"""How the chip takes what a command consists of (AN3155 Rev 20 s.3), byte by byte, and what ends a command early.

Belongs to the chip's side: written from the note and never from the host's side. A generator here is sent one byte of
0..255 at a time and returns what the bytes were.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import TypeAlias

from protocols.an3155.frames import xor

Steps: TypeAlias = Generator[None, int, None]


class Reject(Exception):
    """Ends a command with NACK."""


class Drop(Exception):
    """Ends a command in silence."""


def take(count: int) -> Generator[None, int, bytes]:
    """`count` bytes as they come."""
    data = bytearray()
    for _ in range(count):
        data.append((yield))
    return bytes(data)


def checked(count: int, before: bytes = b"") -> Generator[None, int, bytes]:
    """`count` bytes and a checksum over them and what came `before`. Raises Reject where it does not fit."""
    data = yield from take(count)
    if xor(before) ^ xor(data) != (yield):
        raise Reject
    return data


def lone() -> Generator[None, int, int]:
    """A byte and its complement. Raises Reject where they do not fit."""
    value = yield
    if value ^ (yield) != 0xFF:
        raise Reject
    return value
