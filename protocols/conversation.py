"""The vocabulary between a protocol and whoever drives it.

A conversation is a generator: it yields what it asks for, receives the bytes it asked for, and returns its result.
It knows no port, no clock and no event loop; the driver owns time. A driver answers

    Send   -> b""  once the bytes are handed to the line
    Want   -> exactly `count` bytes; on the deadline it throws `errors.NoReply` into the generator,
              or, for an optional Want, answers with the bytes that came (perhaps b"")
    Stray  -> b""  after taking note that these bytes were received and could not be placed
    Tell   -> b""  after passing it on to whoever watches; nothing goes over the line
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias, TypeVar

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Send:
    """Put these bytes on the line."""

    data: bytes
    what: str


@dataclass(frozen=True, slots=True)
class Want:
    """Wait for `count` (>= 1) bytes.

    `within_s` is the time the target itself may take, in seconds from the end of the last bit sent. The driver
    adds the line time of the bytes wanted and the latency of its own port.
    """

    count: int
    within_s: float
    what: str
    optional: bool = False


@dataclass(frozen=True, slots=True)
class Stray:
    """Bytes that were taken from the line and belong to nothing; never dropped in silence."""

    data: bytes
    why: str


@dataclass(frozen=True, slots=True)
class Tell:
    """Something worth telling in the middle of a long conversation. `topic` is "progress" or "note"; plain values."""

    topic: Literal["progress", "note"]
    fields: Mapping[str, str | int | float | bool | None]


Ask: TypeAlias = Send | Want | Stray | Tell
Conversation: TypeAlias = Generator[Ask, bytes, T]
