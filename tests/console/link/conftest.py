"""Real ptys and sockets to open links on, and a receiver that can be awaited."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from typing import Protocol

import pytest

from console.clock import ManualClock
from console.errors import PortTrouble
from console.events import LineEvent
from console.link import make_link
from console.link.base import Link, LinkSettings


@pytest.fixture(autouse=True)
async def debugged_loop() -> None:
    """What is never awaited, or called from another thread, is told where it was made."""
    asyncio.get_running_loop().set_debug(True)


class Recorder:
    """A receiver that keeps everything."""

    def __init__(self) -> None:
        self.data = bytearray()
        self.calls: list[bytes | LineEvent] = []
        self.times: list[int] = []
        self.losses: list[PortTrouble] = []
        self.tasks: set[asyncio.Task[object] | None] = set()
        self._news = asyncio.Event()

    def data_in(self, data: bytes, t_ns: int) -> None:
        self.data += data
        self.calls.append(data)
        self.times.append(t_ns)
        self.tasks.add(asyncio.current_task())
        self._news.set()

    def line_event(self, event: LineEvent) -> None:
        self.calls.append(event)
        self._news.set()

    def lost(self, error: PortTrouble) -> None:
        self.losses.append(error)
        self._news.set()

    async def until(self, met: Callable[[Recorder], bool]) -> None:
        """Wait until `met`."""
        while not met(self):
            self._news.clear()
            await self._news.wait()


class Peer(Protocol):
    """The other end of a port."""

    port: str

    async def send(self, data: bytes) -> None: ...
    async def receive(self, count: int) -> bytes: ...
    def hang_up(self) -> None: ...


class PtyPeer:
    """The master side of a pty."""

    def __init__(self) -> None:
        self.master, slave = pty.openpty()
        self.port = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self.master, False)

    async def _ready(self, *, write: bool = False) -> None:
        loop = asyncio.get_running_loop()
        ready = loop.create_future()
        add, remove = (loop.add_writer, loop.remove_writer) if write else (loop.add_reader, loop.remove_reader)
        add(self.master, lambda: ready.done() or ready.set_result(None))
        try:
            await ready
        finally:
            remove(self.master)

    async def send(self, data: bytes) -> None:
        while data:
            await self._ready(write=True)
            with contextlib.suppress(BlockingIOError):
                data = data[os.write(self.master, data) :]

    async def receive(self, count: int) -> bytes:
        got = b""
        while len(got) < count:
            await self._ready()
            got += os.read(self.master, count - len(got))
        return got

    def hang_up(self) -> None:
        if self.master >= 0:
            os.close(self.master)
            self.master = -1


class SocketPeer:
    """A listening socket on 127.0.0.1 with one connection at a time."""

    def __init__(self) -> None:
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.listening.setblocking(False)
        self.port = f"socket://127.0.0.1:{self.listening.getsockname()[1]}"
        self.connection: socket.socket | None = None

    async def _connected(self) -> socket.socket:
        if self.connection is None:
            self.connection, _ = await asyncio.get_running_loop().sock_accept(self.listening)
            self.connection.setblocking(False)
        return self.connection

    async def send(self, data: bytes) -> None:
        await asyncio.get_running_loop().sock_sendall(await self._connected(), data)

    async def receive(self, count: int) -> bytes:
        got = b""
        connection = await self._connected()
        while len(got) < count:
            part = await asyncio.get_running_loop().sock_recv(connection, count - len(got))
            if not part:  # the link closed this one and opened another
                connection.close()
                self.connection = None
                connection = await self._connected()
            got += part
        return got

    def hang_up(self) -> None:
        if self.connection is None:
            with contextlib.suppress(OSError):  # nobody came, or nobody listens any more
                self.connection, _ = self.listening.accept()
        if self.connection is not None:
            self.connection.close()
            self.connection = None

    def shut(self) -> None:
        self.hang_up()
        self.listening.close()


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def recorder() -> Callable[[], Recorder]:
    return Recorder


@pytest.fixture
def pty_peer() -> Iterator[PtyPeer]:
    peer = PtyPeer()
    yield peer
    peer.hang_up()


@pytest.fixture
def socket_peer() -> Iterator[SocketPeer]:
    peer = SocketPeer()
    yield peer
    peer.shut()


@pytest.fixture(params=["pty", "socket"])
def peer(request: pytest.FixtureRequest) -> Peer:
    got: Peer = request.getfixturevalue(f"{request.param}_peer")
    return got


@pytest.fixture
async def link_to(clock: ManualClock) -> AsyncIterator[Callable[..., Link]]:
    """Makes links (not opened) and closes them at the end."""
    made: list[Link] = []

    def make(port: str, **settings: object) -> Link:
        link = make_link(LinkSettings(port, **settings), clock)  # type: ignore[arg-type]
        made.append(link)
        return link

    yield make
    for link in made:
        await link.close()


@pytest.fixture
def turn() -> Callable[[], Awaitable[None]]:
    """Lets the event loop take one turn."""

    async def one() -> None:
        taken = asyncio.Event()
        asyncio.get_running_loop().call_soon(taken.set)
        await taken.wait()

    return one
