"""A plain program at the other end of the bench's port: no part of the console is used to talk to it."""

from __future__ import annotations

import asyncio
import os
import socket
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from urllib.parse import urlsplit

import pytest

from console.bench.client import SimulatedBench


class Program:
    """Opens a port as any program would, raw and non-blocking; reading waits for the event, never for a time."""

    def __init__(self, port: str, baud: int | None = 115200) -> None:
        self._socket: socket.socket | None = None
        if port.startswith("socket:"):
            address = urlsplit(port)
            self._socket = socket.create_connection((address.hostname, address.port))
            self._socket.setblocking(False)
            self.fd = self._socket.fileno()
            return
        import termios
        import tty

        self.fd = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self.fd)
        if baud is not None:
            attributes = termios.tcgetattr(self.fd)
            attributes[4] = attributes[5] = getattr(termios, f"B{baud}")
            termios.tcsetattr(self.fd, termios.TCSANOW, attributes)

    def send(self, data: bytes) -> None:
        assert os.write(self.fd, data) == len(data)

    async def _ready(self) -> None:
        loop = asyncio.get_running_loop()
        ready = loop.create_future()
        loop.add_reader(self.fd, lambda: ready.done() or ready.set_result(None))
        try:
            await ready
        finally:
            loop.remove_reader(self.fd)

    async def receive(self, count: int) -> bytes:
        """Exactly `count` bytes; EOFError when the device is gone."""
        got = b""
        while len(got) < count:
            await self._ready()
            try:
                data = os.read(self.fd, count - len(got))
            except OSError as error:
                raise EOFError from error
            if not data:
                raise EOFError
            got += data
        return got

    def waiting(self) -> bytes:
        """What has arrived and was not read."""
        try:
            return os.read(self.fd, 65536)
        except BlockingIOError:
            return b""

    def close(self) -> None:
        if self.fd >= 0:
            (self._socket.close if self._socket is not None else lambda: os.close(self.fd))()
            self.fd = -1


@pytest.fixture
def program() -> Iterator[Callable[..., Program]]:
    """Open a port; closed at the end whatever happened."""
    opened: list[Program] = []

    def make(port: str, baud: int | None = 115200) -> Program:
        opened.append(Program(port, baud))
        return opened[-1]

    yield make
    for each in opened:
        each.close()


@pytest.fixture
async def bench() -> AsyncIterator[Callable[..., Awaitable[SimulatedBench]]]:
    """Start a bench in its own process; ended whatever happened."""
    if sys.platform == "win32":
        pytest.skip("this system has no pseudo terminals")
    started: list[SimulatedBench] = []

    async def start(**options: object) -> SimulatedBench:
        started.append(SimulatedBench())
        await started[-1].start(**options)  # type: ignore[arg-type]
        return started[-1]

    yield start
    for each in started:
        await each.stop()
