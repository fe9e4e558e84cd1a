"""A simulated chip behind a link without a port, in virtual time, with a layer that spoils what passes.

The chip is `protocols.an3155.target`; the spoiling is ours. Virtual time makes an hour of timeouts cost nothing.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any, TypeVar

from console.errors import PortTrouble
from console.link.base import LinkSettings, OpenReport, Receiver
from protocols.an3155.target import Target
from protocols.uart import EIGHT_E_ONE

T = TypeVar("T")
_BUNDLE = 62  # what a full-speed USB adapter with two bytes of status in a packet of 64 hands over at most (AN232B-04)


class WarpLoop(asyncio.SelectorEventLoop):
    """An event loop whose time jumps to the next timer instead of waiting for it."""

    def __init__(self) -> None:
        self.now = 1000.0
        super().__init__(_WarpSelector(self))

    def time(self) -> float:
        return self.now


class Hang(Exception):
    """The program waits for what cannot come."""


class _WarpSelector(selectors.SelectSelector):
    def __init__(self, loop: WarpLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[Any]:
        found = super().select(0)
        if found:
            return found
        if timeout is None:
            raise Hang("nothing will ever happen")
        self._loop.now += max(0.0, timeout)
        return []


def warp(main: Coroutine[Any, Any, T]) -> T:
    """Run a coroutine in virtual time."""
    with asyncio.Runner(loop_factory=WarpLoop) as runner:
        return runner.run(main)


class LoopClock:
    """The session's clock, from the loop's time."""

    def now_ns(self) -> int:
        return round(asyncio.get_running_loop().time() * 1e9)


@dataclass
class Spoiler:
    """What happens to the bytes. Counts run over the whole life of the link.

    `out(n, byte)` and `into(n, byte)` return the byte, another one, or None for a lost one. `at_out` has actions to
    take when the n-th byte reaches the chip ("reset", "vanish", "power", "stall" and "late").
    """

    out: Callable[[int, int], int | None] = lambda n, byte: byte
    into: Callable[[int, int], int | None] = lambda n, byte: byte
    at_out: dict[int, str] | None = None


class ChipLink:
    """Implements `console.link.base.Link`."""

    def __init__(
        self, target: Target, spoiler: Spoiler | None = None, baud: int = 115200, latency_s: float = 0.005
    ) -> None:
        self.target = target
        self.spoiler = spoiler or Spoiler()
        self.settings = LinkSettings(port="chip", baud=baud)
        self.clock = LoopClock()
        self.sent = 0
        self.came = 0
        self.gone = False
        self._receiver: Receiver | None = None
        self._latency_s = latency_s
        self._char_s = EIGHT_E_ONE.char_s(baud)
        self._line_free = 0.0
        self._board_free = 0.0
        self._deaf_until = 0.0

    async def open(self, receiver: Receiver) -> OpenReport:
        if self.gone:
            raise PortTrouble("port-missing", "the port is gone", help="plug it in")
        self._receiver = receiver
        return OpenReport(EIGHT_E_ONE, "not available", None, None, self._latency_s)

    def write(self, data: bytes) -> None:
        if self.gone:
            raise PortTrouble("link-lost", "the port went away", help="plug it in again")
        loop = asyncio.get_running_loop()
        for byte in data:
            self._line_free = max(self._line_free, loop.time()) + self._char_s
            loop.call_at(self._line_free, self._reach, byte)

    def _reach(self, byte: int) -> None:
        """One byte has arrived at the chip."""
        n, self.sent = self.sent, self.sent + 1
        loop = asyncio.get_running_loop()
        action = (self.spoiler.at_out or {}).get(n, "")
        late_s = 0.0
        match action:
            case "reset":
                self.target.reset()
                return
            case "power":
                self.target.power_cycle()
                return
            case "vanish":
                self._vanish()
                return
            case "stall":
                self._deaf_until = loop.time() + 1.0
            case "late":
                late_s = 0.6
            case _:
                pass
        if self.gone or loop.time() < self._deaf_until:
            return
        seen = self.spoiler.out(n, byte)
        if seen is None:
            return
        at = loop.time() + late_s
        for reply in self.target.receive(seen):
            at = max(at + reply.after_s, self._board_free)
            for start in range(0, len(reply.data), _BUNDLE):
                bundle = reply.data[start : start + _BUNDLE]
                at += len(bundle) * self._char_s
                loop.call_at(at, self._arrive, bundle)
            self._board_free = at

    def _arrive(self, bundle: bytes) -> None:
        each = [self.spoiler.into(n, byte) for n, byte in enumerate(bundle, self.came)]
        self.came += len(bundle)
        seen = bytes(byte for byte in each if byte is not None)
        if seen and self._receiver is not None and not self.gone:
            self._receiver.data_in(seen, self.clock.now_ns())

    def _vanish(self) -> None:
        self.gone = True
        if self._receiver is not None:
            self._receiver.lost(PortTrouble("link-lost", "the port went away", help="plug it in again"))

    async def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> bool:
        return False

    async def close(self) -> None:
        self._receiver = None
