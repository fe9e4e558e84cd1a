"""A link over a raw TCP connection, ``socket://host:port``: the same contract, without control lines or line errors."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from typing import Final
from urllib.parse import urlsplit

from console.clock import Clock
from console.errors import PortTrouble
from console.link import troubles
from console.link.address_lock import AddressLock, AddressTaken, lock_addresses
from console.link.base import LinkSettings, OpenReport, Receiver
from console.text import clean
from protocols.uart import Frame

CONNECT_DEADLINE_S: Final = 5.0
CLOSE_DEADLINE_S: Final = 1.0
WRITE_BUFFER: Final = 1024
LOCAL_LATENCY_S: Final = 0.02
# from memory: a wireless or routed path inside one house or town, with one retransmission
NETWORK_LATENCY_S: Final = 0.3
_RATE_NOTE: Final = "rate and frame are set at the other end of the connection"
_ALONE_NOTE: Final = "nothing keeps another program off this address: see that none uses it"


class SocketLink:
    """A `Link` over TCP; see `console.link.base` for the contract."""

    def __init__(self, settings: LinkSettings, clock: Clock) -> None:
        """Raises PortTrouble port-url when the address is not ``socket://host:port``."""
        self._settings = settings
        self._clock = clock
        self._host, self._tcp_port = _address(settings.port)
        self._receiver: Receiver | None = None
        self._transport: asyncio.Transport | None = None
        self._opening: asyncio.Task[asyncio.Transport] | None = None
        self._lock = AddressLock()
        self._gone: asyncio.Future[None] | None = None
        self._lost: PortTrouble | None = None

    @property
    def settings(self) -> LinkSettings:
        """What the link was made with; rate, frame and lines are those of the server's port."""
        return self._settings

    async def open(self, receiver: Receiver) -> OpenReport:
        """Connect and start reading. Raises PortTrouble; a second open while open is a RuntimeError."""
        if self._transport is not None or self._opening is not None:
            raise RuntimeError("the link is open already")
        self._lost = None
        gone: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._receiver = receiver  # bytes may arrive before the connecting task ends
        opening = asyncio.create_task(self._connect(gone))
        self._opening = opening
        try:
            async with asyncio.timeout(CONNECT_DEADLINE_S):
                transport = await opening
        except asyncio.CancelledError:
            closed = self._receiver is None
            self._let_go()
            if closed:
                raise troubles.closed_trouble(self._settings.port) from None
            raise
        except (OSError, ValueError, AddressTaken) as error:  # a TimeoutError is one of the first
            self._let_go()
            raise _connect_trouble(self._settings.port, error) from error
        finally:
            self._opening = None
        self._gone = gone
        if self._lost is not None:
            raise self._lost
        if self._unheard():  # the closing came when the connection stood and this task had not been woken yet
            transport.abort()
            self._let_go()
            raise troubles.closed_trouble(self._settings.port)
        self._transport = transport
        transport.set_write_buffer_limits(high=WRITE_BUFFER)
        raw: socket.socket | None = transport.get_extra_info("socket")
        if raw is not None:
            with contextlib.suppress(OSError):  # some loops set it themselves; answers must not wait for each other
                raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        peer = transport.get_extra_info("peername")
        local = bool(peer) and (peer[0].startswith("127.") or peer[0] == "::1")
        return OpenReport(
            frame_in_use=self._settings.frame,
            line_errors="not available",
            low_latency=None,
            opening_pulse=None,
            latency_s=LOCAL_LATENCY_S if local else NETWORK_LATENCY_S,
            notes=(_RATE_NOTE,) if self._lock.held else (_RATE_NOTE, _ALONE_NOTE),
        )

    async def _connect(self, gone: asyncio.Future[None]) -> asyncio.Transport:
        """Lock what the name stands for, then connect: a second connection may already disturb the first program."""
        loop = asyncio.get_running_loop()
        found = await loop.getaddrinfo(self._host, self._tcp_port, type=socket.SOCK_STREAM)
        self._lock = lock_addresses((str(address[0]), self._tcp_port) for *_, address in found)
        transport, _ = await loop.create_connection(lambda: _Protocol(self, gone), self._host, self._tcp_port)
        return transport

    def _let_go(self) -> None:
        self._receiver = None
        self._lock.release()

    def write(self, data: bytes) -> None:
        """Hand bytes to the connection without blocking; raises PortTrouble link-lost after a loss or when not open."""
        if self._lost is not None:
            raise self._lost
        if self._transport is None:
            raise troubles.closed_trouble(self._settings.port)
        if data:
            self._transport.write(data)

    async def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> bool:
        """False: a raw connection carries no control lines."""
        return False

    async def retune(self, baud: int, frame: Frame) -> OpenReport:
        """Always raises PortTrouble port-unusable: rate and frame belong to the server's port."""
        raise PortTrouble(
            "port-unusable",
            "rate and frame cannot be changed over a raw connection",
            where=clean(self._settings.port),
            help="set them at the server of the port and run this again, or plug the adapter into this machine",
        )

    async def close(self) -> None:
        """Close at once, discarding unsent bytes; may be called twice, while connecting, after a loss."""
        self._receiver = None
        if self._opening is not None:
            self._opening.cancel()
        transport, self._transport = self._transport, None
        if transport is not None:
            transport.abort()
        if self._gone is not None:
            await asyncio.wait([self._gone], timeout=CLOSE_DEADLINE_S)
        if self._opening is None:  # else the one who opens lets go of it
            self._lock.release()

    def _unheard(self) -> bool:
        return self._receiver is None

    def received(self, data: bytes) -> None:
        """Bytes from the transport; passed on in the same turn of the loop."""
        if self._receiver is None:
            return
        try:
            self._receiver.data_in(data, self._clock.now_ns())
        except Exception as error:  # asyncio would end the connection for it
            asyncio.get_running_loop().call_exception_handler({"message": "receiver failed", "exception": error})

    def ended(self, error: Exception | None) -> None:
        """The connection is gone."""
        receiver, self._receiver, self._transport = self._receiver, None, None
        self._lock.release()
        if receiver is not None:
            self._lost = troubles.lost_trouble(self._settings.port, error, remote=True)
            if self._opening is None:  # else opening raises it
                receiver.lost(self._lost)


class _Protocol(asyncio.Protocol):
    """Between the transport and the link."""

    def __init__(self, link: SocketLink, gone: asyncio.Future[None]) -> None:
        self._link = link
        self._gone = gone

    def data_received(self, data: bytes) -> None:
        self._link.received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        try:
            self._link.ended(exc)
        finally:
            if not self._gone.done():
                self._gone.set_result(None)


def _address(url: str) -> tuple[str, int]:
    """Host and TCP port of ``socket://host:port``. Raises PortTrouble port-url."""
    try:
        parts = urlsplit(url.strip())
        host, port = parts.hostname, parts.port
        if not host or not port or parts.path not in ("", "/") or parts.query or parts.fragment or parts.username:
            raise ValueError(url)
        host.encode("idna")
    except ValueError as error:  # UnicodeError is one too
        raise PortTrouble(
            "port-url",
            "this is not an address of the form socket://host:port",
            where=clean(url),
            help="write it as in socket://127.0.0.1:3217",
        ) from error
    return host, port


def _connect_trouble(port: str, error: BaseException) -> PortTrouble:
    """The trouble of a connection that was not made."""
    if isinstance(error, TimeoutError):
        return troubles.slow_trouble(port, CONNECT_DEADLINE_S)
    if isinstance(error, AddressTaken):
        return troubles.busy_trouble(port, error.holder)
    note = clean(str(error), 200)
    if isinstance(error, ConnectionRefusedError):
        message, help_ = "nothing listens at this address", "start the server of the port, or correct the port number"
    elif isinstance(error, socket.gaierror):
        message, help_ = "there is no host of this name", "correct the host name, or use its numbers"
    else:
        message, help_ = "the host cannot be reached", "look at the network and at the address, then retry"
    return PortTrouble("port-missing", message, where=clean(port), note=note, help=help_)
