"""What a programming run needs of a session, of which `console.session.session.Session` is one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeVar

from console.errors import Outcome, WakelineError
from console.events import Event, MarkKind, Value
from protocols.conversation import Conversation
from protocols.family import Family, Identity, SyncResult

T = TypeVar("T")


class Door(Protocol):
    """One port, opened, with a board behind it. What each of these does and raises, the session says."""

    identity: Identity | None

    @property
    def family(self) -> Family:
        """The protocol spoken."""
        ...

    async def handshake(self, listen_s: float, sync: Conversation[SyncResult] | None = None) -> Outcome:
        """Listen, sync, identify."""
        ...

    async def converse(
        self, name: str, conversation: Conversation[T], judge: Callable[[T], tuple[Outcome, str]] | None = None
    ) -> T:
        """One conversation as a stage; `judge` tells from its result how the stage ended, and in which words."""
        ...

    async def hear(self, name: str, seconds: float) -> None:
        """Only listen, as a stage."""
        ...

    def mark(self, kind: MarkKind, **fields: Value) -> None:
        """Into the record."""
        ...

    def trouble(self, error: WakelineError) -> None:
        """Why the run ends, into the record."""
        ...

    def add_sink(self, sink: Callable[[Event], None]) -> None:
        """Events to `sink` from now on."""
        ...

    def remove_sink(self, sink: Callable[[Event], None]) -> None:
        """And no more."""
        ...
