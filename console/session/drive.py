"""Runs one conversation inside the link's data callback: no task switch per byte, one timer per conversation.

Deadlines stand on exchanges, never on reads: a Want's clock starts when the last bit sent has left the line, and it
allows for the chip's time, the line time of the bytes wanted and the port's latency.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from protocols.conversation import Conversation, Send, Stray, Tell, Want
from protocols.errors import NoReply

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Pace:
    """What the driver must know of the line: seconds per character, and the port's own latency in seconds."""

    char_s: float
    latency_s: float


class Drive(Generic[T]):
    """One conversation on its way.

    Bytes that arrive after the conversation's end are not kept for the next one: they are in the record, and a reply
    that came too late must not answer a later question. After a failure the state of the target is unknown.
    """

    def __init__(
        self,
        conversation: Conversation[T],
        *,
        write: Callable[[bytes], None],
        pace: Pace,
        loop: asyncio.AbstractEventLoop,
        stray: Callable[[bytes, str], None],
        tell: Callable[[Tell], None] = lambda tell: None,
    ) -> None:
        self.result: asyncio.Future[T] = loop.create_future()
        self._conversation = conversation
        self._write = write
        self._pace = pace
        self._loop = loop
        self._stray = stray
        self._tell = tell
        self._buffer = bytearray()
        self._want: Want | None = None
        self._deadline = 0.0
        self._line_free = 0.0  # loop time at which the last bit sent has left
        self._timer: asyncio.TimerHandle | None = None

    def start(self) -> None:
        """Take the first step; the result arrives in `result`."""
        self._advance(None)

    def feed(self, data: bytes) -> None:
        """Bytes arrived; answers the pending Want as soon as it is complete."""
        if self.result.done():
            return
        self._buffer += data
        if self._want is not None and len(self._buffer) >= self._want.count:
            self._advance(self._take(self._want.count))

    def free_s(self) -> float:
        """Seconds in which the line cannot bring what is wanted next, even if the chip takes no time."""
        if self._want is None:
            return math.inf
        missing = self._want.count - len(self._buffer)
        return max(0.0, self._line_free - self._loop.time()) + missing * self._pace.char_s

    def fail(self, error: BaseException) -> None:
        """End the conversation from outside (link lost, stopped by the user)."""
        if not self.result.done():
            self._conversation.close()
            self._finish()
            self.result.set_exception(error)

    def _take(self, count: int) -> bytes:
        data = bytes(self._buffer[:count])
        del self._buffer[:count]
        return data

    def _advance(self, answer: bytes | None, error: NoReply | None = None) -> None:
        """Step the conversation until it waits for bytes that are not here yet, or ends."""
        self._want = None
        try:
            while True:
                if error is not None:
                    ask = self._conversation.throw(error)
                    error = None
                else:
                    # a fresh generator takes None, a running one the bytes it asked for
                    ask = self._conversation.send(answer)  # type: ignore[arg-type]
                match ask:
                    case Send(data):
                        self._write(data)
                        now = self._loop.time()
                        self._line_free = max(now, self._line_free) + len(data) * self._pace.char_s
                        answer = b""
                    case Stray(data, why):
                        self._stray(data, why)
                        answer = b""
                    case Tell():
                        self._tell(ask)
                        answer = b""
                    case Want(count):
                        if len(self._buffer) < count:
                            self._wait_for(ask)
                            return
                        answer = self._take(count)
        except StopIteration as stop:
            self._finish()
            if not self.result.done():
                self.result.set_result(stop.value)
        except Exception as failure:  # protocol errors and a lost link alike end the conversation
            self._finish()
            if not self.result.done():
                self.result.set_exception(failure)

    def _wait_for(self, want: Want) -> None:
        self._want = want
        start = max(self._line_free, self._loop.time())
        self._deadline = start + want.within_s + want.count * self._pace.char_s + self._pace.latency_s
        # one timer serves all turns: it looks at the deadline of the moment when it fires
        if self._timer is None or self._timer.when() > self._deadline:
            if self._timer is not None:
                self._timer.cancel()
            self._timer = self._loop.call_at(self._deadline, self._expired)

    def _expired(self) -> None:
        self._timer = None
        if self._want is None or self.result.done():
            return
        if self._loop.time() < self._deadline:
            self._timer = self._loop.call_at(self._deadline, self._expired)
            return
        want, got = self._want, self._take(len(self._buffer))
        if want.optional:
            self._advance(got)
        else:
            self._advance(None, NoReply(want.what, got))

    def _finish(self) -> None:
        self._want = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
