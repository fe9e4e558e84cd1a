"""What every protocol family offers to the console, whatever its bytes are."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal, Protocol

from protocols.conversation import Conversation
from protocols.programmer import Programmer
from protocols.uart import Frame

Direction = Literal["out", "in"]
"""Seen from the host: "out" leaves the adapter's TX, "in" arrives at its RX."""


class Role(StrEnum):
    """What a run of bytes is, in words every family shares."""

    SYNC = "sync"
    COMMAND = "command"
    ACK = "ack"
    NACK = "nack"
    ADDRESS = "address"
    LENGTH = "length"
    DATA = "data"
    CHECK = "check"
    VALUE = "value"
    STRAY = "stray"


@dataclass(frozen=True, slots=True)
class Span:
    """A run of bytes of one direction with one meaning.

    `offset` counts from the first byte this observer saw in that direction. `command` names the command the bytes
    belong to ("" outside any command). `text` is plain words and holds no raw target bytes.
    """

    direction: Direction
    offset: int
    data: bytes
    role: Role
    text: str
    command: str = ""


@dataclass(frozen=True, slots=True)
class Identity:
    """What the target has said about itself so far; None = not said."""

    product_id: int | None = None
    names: tuple[str, ...] = ()
    loader_version: str | None = None
    commands: tuple[str, ...] = ()
    readout_protected: bool | None = None


class Observer(Protocol):
    """Names every byte of both directions, passively.

    `feed` returns spans whose data, joined, equal the bytes fed: nothing is dropped, nothing waits.
    """

    def feed(self, direction: Direction, data: bytes) -> Sequence[Span]:
        """Name `data`, which follows what was fed before in that direction."""
        ...

    def restart(self) -> None:
        """The target was reset or a new attempt begins: forget what was pending, keep the identity and offsets."""
        ...

    @property
    def identity(self) -> Identity:
        """What the target has said so far."""
        ...


@dataclass(frozen=True, slots=True)
class SyncResult:
    """How the target answered the sync."""

    already_synchronised: bool = False
    extra_acks: int = 0
    stray: bytes = b""


@dataclass(frozen=True, slots=True)
class Family:
    """One published boot protocol. `source` names the document and the revision read.

    `programmer` gives what a chip that said so much about itself offers for programming; None: the family offers none.
    `telling` are the bytes that mean something by themselves (sync, acknowledge, refusal): test patterns avoid them.
    `products` are the product ids that chips of this family are known to answer with, and whose they are.
    """

    name: str
    title: str
    source: str
    baud: int
    frame: Frame
    observer: Callable[[], Observer]
    sync: Callable[[], Conversation[SyncResult]]
    identify: Callable[[], Conversation[Identity]]
    programmer: Callable[[Identity], Programmer] | None = None
    telling: bytes = b""
    products: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
