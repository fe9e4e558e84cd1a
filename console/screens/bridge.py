"""From events to widgets: events go into a fold at once; the screen hears of it at most ten times a second."""

from __future__ import annotations

import asyncio
from typing import Final

from textual.message import Message
from textual.message_pump import MessagePump

from console.events import Event
from console.snapshot import Fold, Snapshot

FRAME_S: Final = 0.1


class SnapshotReady(Message):
    """A new picture; one that is still waiting gives way to a later one."""

    bubble = False

    def __init__(self, snapshot: Snapshot) -> None:
        super().__init__()
        self.snapshot = snapshot

    def can_replace(self, message: Message) -> bool:
        """A later picture makes an earlier one pointless."""
        return isinstance(message, SnapshotReady)


class Bridge:
    """A sink for events on the loop's thread. `target` is set once a screen is there to be told."""

    def __init__(self, fold: Fold | None = None) -> None:
        self.fold = Fold() if fold is None else fold
        self.target: MessagePump | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._last_s = float("-inf")

    def event(self, event: Event) -> None:
        """Take one event; never touches a widget."""
        self.fold.add(event)
        self.stir()

    def stir(self) -> None:
        """Something changed: see that the screen hears of it within a frame."""
        if self._timer is None:
            loop = asyncio.get_running_loop()
            self._timer = loop.call_at(max(loop.time(), self._last_s + FRAME_S), self._post)

    def close(self) -> None:
        """Tell nobody any more."""
        self.target = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _post(self) -> None:
        self._timer = None
        if self.target is not None:
            self.target.post_message(SnapshotReady(self.fold.snapshot()))
        self._last_s = asyncio.get_running_loop().time()  # after the work, so that it cannot eat the pause
