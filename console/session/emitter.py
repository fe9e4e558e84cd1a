"""How a session's events reach those who listen: in order, and never while the line waits for our next byte.

Keeping books costs about as long as a few characters at a high rate. While the answer to what was just sent can be here
at any moment they wait; they are done when the line is known to be busy for a while, at the latest a few milliseconds
after the event. Events carry their own times, so nobody sees the difference but the line.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from console.events import Event

Sink = Callable[[Event], None]
WORTH_S: Final = 0.00025  # what fold, observer and record take for the events of one turn, with a margin
LATEST_S: Final = 0.003  # a silent chip must not keep what was sent from being seen; a killed process loses so much


class Emitter:
    """Gives events to sinks; between `hold` and `release` they wait."""

    def __init__(self, sinks: Sequence[Sink] = ()) -> None:
        self._sinks = list(sinks)
        self._waiting: deque[Event] = deque()
        self._held = False
        self._pouring = False
        self._timer: asyncio.TimerHandle | None = None

    def add(self, sink: Sink) -> None:
        """From now on, also give events to `sink`."""
        self.pour()
        self._sinks.append(sink)

    def remove(self, sink: Sink) -> None:
        """Stop giving events to `sink`, which gets what happened until now; unknown sinks are ignored."""
        self.pour()
        if sink in self._sinks:
            self._sinks.remove(sink)

    def emit(self, event: Event) -> None:
        """Give `event` to every sink after all that came before it, or keep it while held."""
        self._waiting.append(event)
        if not self._held:
            self.pour()

    def hold(self) -> None:
        """Keep events until `release`."""
        self._held = True

    def release(self, free_s: float) -> None:
        """Give what was held, now if nothing can be due for `free_s` seconds (>= WORTH_S), else soon."""
        self._held = False
        if free_s >= WORTH_S:
            self.pour()
        elif self._waiting and self._timer is None:
            self._timer = asyncio.get_running_loop().call_later(LATEST_S, self.pour)

    def pour(self) -> None:
        """Give all that waits, whatever the line does; what a sink emits meanwhile comes after it."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._pouring:
            return
        self._pouring = True
        try:
            while self._waiting:
                event = self._waiting.popleft()
                for sink in tuple(self._sinks):
                    sink(event)
        finally:
            self._pouring = False
