"""A link without a port: what a test writes into it arrives as if it came from the wire."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import pytest

from console.clock import MonotonicClock
from console.errors import PortTrouble
from console.events import Event
from console.link.base import LinkSettings, OpenReport, Receiver
from protocols.uart import EIGHT_E_ONE


class FakeLink:
    """Answers each write with whatever `answer` returns for it, in the next turn of the loop."""

    def __init__(self, answer: Callable[[bytes], bytes] = lambda data: b"") -> None:
        self.settings = LinkSettings(port="fake")
        self.clock = MonotonicClock()
        self.answer = answer
        self.receiver: Receiver | None = None
        self.written: list[bytes] = []
        self.closed = 0
        self.refuse: PortTrouble | None = None
        self.wrote = asyncio.Event()

    async def open(self, receiver: Receiver) -> OpenReport:
        if self.refuse is not None:
            raise self.refuse
        self.receiver = receiver
        return OpenReport(EIGHT_E_ONE, "not available", None, None, 0.01)

    def write(self, data: bytes) -> None:
        self.written.append(data)
        self.wrote.set()
        reply = self.answer(data)
        if reply:
            asyncio.get_running_loop().call_soon(self.arrive, reply)

    def arrive(self, data: bytes) -> None:
        assert self.receiver is not None
        self.receiver.data_in(data, self.clock.now_ns())

    def lose(self) -> None:
        assert self.receiver is not None
        self.receiver.lost(PortTrouble("link-lost", "the port went away", help="plug it in again"))

    async def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> bool:
        return False

    async def close(self) -> None:
        self.closed += 1


@pytest.fixture
def fake_link() -> type[FakeLink]:
    return FakeLink


@pytest.fixture
def events() -> list[Event]:
    return []
