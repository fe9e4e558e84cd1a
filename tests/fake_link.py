"""A link without a port, and the worked answers of a good board, for tests of what stands above the link."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

from console.clock import Clock, MonotonicClock
from console.errors import PortTrouble
from console.link.base import LinkSettings, OpenReport, Receiver
from protocols.uart import EIGHT_E_ONE, Frame

# AN3155 Rev 20 s.1, s.3.1, s.3.3, s.3.4: sync 7F -> 79; Get, Get Version, Get ID, Read Memory of a v3.1 device
ANSWERS = {
    b"\x7f": b"\x79",
    b"\x00\xff": bytes.fromhex("790B31000102112131436373829279"),
    b"\x01\xfe": bytes.fromhex("7931000079"),
    b"\x02\xfd": bytes.fromhex("7901041079"),
    b"\x11\xee": b"\x79",
    bytes.fromhex("0800000008"): b"\x79",
    b"\x03\xfc": b"\x79\x00\x50\x00\x20",
}


class FakeLink:
    """Answers each write with whatever `answer` returns for it, in the next turn of the loop."""

    def __init__(
        self,
        answer: Callable[[bytes], bytes] = lambda data: b"",
        settings: LinkSettings | None = None,
        clock: Clock | None = None,
    ) -> None:
        self.settings = settings or LinkSettings(port="fake")
        self.clock = clock or MonotonicClock()
        self.answer = answer
        self.receiver: Receiver | None = None
        self.written: list[bytes] = []
        self.closed = 0
        self.refuse: PortTrouble | None = None
        self.not_taken: set[tuple[int, Frame]] = set()

    async def open(self, receiver: Receiver) -> OpenReport:
        if self.refuse is not None:
            raise self.refuse
        self.receiver = receiver
        return OpenReport(EIGHT_E_ONE, "not available", None, None, 0.01)

    def write(self, data: bytes) -> None:
        self.written.append(data)
        reply = self.answer(data)
        if reply:
            asyncio.get_running_loop().call_soon(self.arrive, reply)

    async def retune(self, baud: int, frame: Frame) -> OpenReport:
        if (baud, frame) in self.not_taken:
            raise PortTrouble("port-unusable", f"the port does not take {baud} baud {frame}", help="leave it out")
        self.settings = replace(self.settings, baud=baud, frame=frame)
        return OpenReport(frame, "not available", None, None, 0.01)

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
