"""A link over a serial device or pty of this machine.

Opening, line driving, counting and closing happen in threads with deadlines; only reads and writes that never wait
happen on the event loop. After a cancelled `open` or a loss it is unknown which of the written bytes left the port.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import stat
from dataclasses import replace
from typing import Any, Final

import serial_asyncio

from console.clock import Clock
from console.errors import PortTrouble
from console.events import LineEvent, LineKind
from console.link import threads, troubles
from console.link.base import LinkSettings, OpenReport, Receiver
from console.link.bridge_rates import line_rate, rate_words, too_far
from console.link.holder import holder_of
from console.link.line_errors import Counters, Unmarker, counters
from console.link.sysfs import SLOW_TIMER_S, latency_advice
from console.link.tty_port import DEVICE_ERRORS, POSIX, Found, TtyPort
from protocols.uart import Frame

OPEN_DEADLINE_S: Final = 5.0
CLOSE_DEADLINE_S: Final = 1.0
COUNTERS_EVERY_S: Final = 0.25
WRITE_BUFFER: Final = 1024
# An answer shorter than a USB packet waits for the adapter's timer (AN232B-04: 16 ms by default), then for USB frames
# and the system; common practice is not to expect anything within 50 ms. A pty has only the scheduler's delay.
USB_LATENCY_S: Final = 0.05
PTY_LATENCY_S: Final = 0.02
_MOST_EVENTS_PER_COUNT: Final = 64


class SerialLink:
    """A `Link` over a device; see `console.link.base` for the contract."""

    def __init__(self, settings: LinkSettings, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock
        self._receiver: Receiver | None = None
        self._port: TtyPort | None = None
        self._transport: asyncio.Transport | None = None
        self._opening: asyncio.Future[Found] | None = None
        self._released: asyncio.Future[None] | None = None
        self._counting: asyncio.Task[None] | None = None
        self._unmarker: Unmarker | None = None
        self._lost: PortTrouble | None = None
        self._close_asked = False

    @property
    def settings(self) -> LinkSettings:
        """What the link was made with."""
        return self._settings

    async def open(self, receiver: Receiver) -> OpenReport:
        """Open exclusively and start reading. Raises PortTrouble; a second open while open is a RuntimeError."""
        if self._port is not None or self._opening is not None:
            raise RuntimeError("the link is open already")
        if self._released is not None:
            await asyncio.wait([self._released], timeout=CLOSE_DEADLINE_S)
        self._lost = None
        self._close_asked = False
        _check_path(self._settings.port)
        port = TtyPort(self._device_failed)
        self._opening = threads.start(lambda: port.start(self._settings), "open port")
        opening = self._opening
        try:
            async with asyncio.timeout(OPEN_DEADLINE_S):
                found = await asyncio.shield(opening)
        except TimeoutError:
            self._abandon(opening, port)
            raise troubles.slow_trouble(self._settings.port, OPEN_DEADLINE_S) from None
        except asyncio.CancelledError:
            by_close = opening.cancelled()
            self._abandon(opening, port)
            if by_close:
                raise troubles.closed_trouble(self._settings.port) from None
            raise
        except DEVICE_ERRORS as error:
            trouble = troubles.open_trouble(self._settings.port, error)
            if trouble.code == "port-busy":
                holder = await threads.start(lambda: holder_of(self._settings.port), "find holder")
                trouble = troubles.open_trouble(self._settings.port, error, holder=holder)
            raise trouble from error
        finally:
            self._opening = None
        if self._close_asked:  # it came while the thread had finished and this task had not been woken yet
            self._abandon(opening, port)
            raise troubles.closed_trouble(self._settings.port)
        self._receiver, self._port = receiver, port
        self._unmarker = Unmarker() if found.marking else None
        loop = asyncio.get_running_loop()
        connect: Any = serial_asyncio.connection_for_serial
        transport, _ = await connect(loop, lambda: _Protocol(self), port)
        transport.set_write_buffer_limits(high=WRITE_BUFFER)
        self._transport = transport
        if found.counted:
            self._counting = asyncio.create_task(self._count(port, found))
        return self._report(found)

    def _report(self, found: Found) -> OpenReport:
        wanted, notes = self._settings.frame, []
        if found.frame.parity != wanted.parity and found.frame.parity == "N":
            notes.append("this port cannot do parity")
        if found.frame != wanted:
            notes.append(f"asked for {wanted}, the port uses {found.frame}")
        if not found.pty and found.hangs_up:
            notes.append("closing the port drops DTR and RTS")
        rate = line_rate(*found.usb_ids, self._settings.baud) if found.usb_ids else None
        if rate is not None and too_far(rate, found.frame):
            notes.append(f"the adapter misses the rate: {rate_words(rate)} [{rate.source}]; choose another rate")
        timer_s = found.latency_timer_s or 0
        if timer_s > SLOW_TIMER_S and not found.low_latency:
            notes.append(latency_advice(self._settings.port, timer_s))
        latency_s = PTY_LATENCY_S if found.pty else max(USB_LATENCY_S, (found.latency_timer_s or 0) + 0.02)
        return OpenReport(
            frame_in_use=found.frame,
            line_errors=found.line_errors,
            low_latency=found.low_latency,
            # Linux raises both lines on opening, before the program can say no (drivers/tty/tty_port.c)
            opening_pulse=True if POSIX and found.lines else None,
            latency_s=latency_s,
            notes=tuple(notes),
        )

    def write(self, data: bytes) -> None:
        """Hand bytes to the port without blocking; raises PortTrouble link-lost after a loss or when not open."""
        if self._lost is not None:
            raise self._lost
        if self._transport is None:
            raise troubles.closed_trouble(self._settings.port)
        if POSIX and self._port is not None and not self._transport.get_write_buffer_size():
            # the transport would wait for the next turn of the loop; most requests fit into the system's buffer now
            with contextlib.suppress(BlockingIOError):
                data = data[self._port.write(data) :]
        if data and self._lost is None:
            self._transport.write(data)

    async def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> bool:
        """Drive control lines (None = leave); False where the port has none. Raises PortTrouble link-lost."""
        if self._lost is not None:
            raise self._lost
        port = self._port
        if port is None:
            raise troubles.closed_trouble(self._settings.port)
        try:
            return await threads.start(lambda: port.drive(dtr, rts), "drive lines")
        except DEVICE_ERRORS as error:
            if self._port is port:
                self._device_failed(error)
            raise self._lost or troubles.closed_trouble(self._settings.port) from error

    async def retune(self, baud: int, frame: Frame) -> OpenReport:
        """Another rate and frame on the open port: no line moves, bytes not yet read are discarded.

        Raises PortTrouble: link-lost, or port-unusable where the device does not take them (then it keeps the former).
        """
        if self._lost is not None:
            raise self._lost
        port = self._port
        if port is None:
            raise troubles.closed_trouble(self._settings.port)
        transport, wanted = self._transport, replace(self._settings, baud=baud, frame=frame)
        if transport is not None:
            transport.pause_reading()  # while the library sets the port up, an empty read looks like a hang-up
        try:
            found = await threads.start(lambda: port.retune(wanted), "retune port")
        except DEVICE_ERRORS as error:
            trouble = troubles.retune_trouble(self._settings.port, error, baud, frame)
            if trouble.code == "link-lost" and self._port is port:
                self._device_failed(error)
            raise self._lost or trouble from error
        finally:
            if transport is not None and transport is self._transport:
                transport.resume_reading()
        if self._port is not port:  # it was lost or closed meanwhile
            raise self._lost or troubles.closed_trouble(self._settings.port)
        self._settings = wanted
        self._unmarker = Unmarker() if found.marking else None
        return self._report(found)

    async def close(self) -> None:
        """Close within about a second, discarding unsent bytes; may be called twice, while opening, after a loss."""
        if self._opening is not None:
            self._close_asked = True
            self._opening.cancel()
        self._let_go()
        if self._released is not None:
            await asyncio.wait([self._released], timeout=CLOSE_DEADLINE_S)
            await asyncio.sleep(0)  # lets the transport end its own part

    def received(self, data: bytes) -> None:
        """Bytes from the transport; passed on in the same turn of the loop."""
        receiver, unmarker = self._receiver, self._unmarker
        if receiver is None:
            return
        t_ns = self._clock.now_ns()
        if unmarker is None:
            receiver.data_in(data, t_ns)
            return
        for part in unmarker.feed(data):
            if isinstance(part, bytes):
                receiver.data_in(part, t_ns)
            else:
                receiver.line_event(LineEvent(t_ns, part.kind, part.data))
            if self._receiver is not receiver:  # it closed the link meanwhile
                return

    def ended(self, transport: asyncio.BaseTransport | None, error: Exception | None) -> None:
        """The transport gave up by itself, as it does on systems where it polls; an older one's end means nothing."""
        if transport is self._transport:
            self._device_failed(error)

    def _device_failed(self, error: BaseException | None) -> None:
        receiver = self._receiver
        if receiver is None:
            return
        self._lost = troubles.lost_trouble(self._settings.port, error)
        self._let_go()
        receiver.lost(self._lost)

    def _abandon(self, opening: asyncio.Future[Found], port: TtyPort) -> None:
        """A port that opens after nobody waits for it any more is closed again."""
        opening.cancel()
        self._released = threads.start(port.abandon, "close port")

    def _let_go(self) -> None:
        """Stop delivering and start closing; the port is free when `_released` is done."""
        port, transport = self._port, self._transport
        self._receiver = self._port = self._transport = None
        if self._counting is not None:
            self._counting.cancel()
            self._counting = None
        if transport is not None and not transport.is_closing():  # aborting twice would end it twice
            transport.abort()
        if port is not None:
            self._released = threads.start(port.release, "close port")

    async def _count(self, port: TtyPort, found: Found) -> None:
        """Turn the driver's counters into events, as long as the port has any.

        A count has no byte and no exact time. Breaks are left out where they are marked in the stream.
        """

        def read() -> Counters | None:
            with port.guard:
                return counters(port.fd) if port.is_open else None

        before = await threads.start(read, "read counters")
        while before is not None:
            await asyncio.sleep(COUNTERS_EVERY_S)
            now = await threads.start(read, "read counters")
            if now is None or self._receiver is None:
                return
            for kind, count in now.since(before).items():
                if kind is LineKind.BREAK and found.line_errors == "marked":
                    continue
                for _ in range(min(count, _MOST_EVENTS_PER_COUNT)):
                    self._receiver.line_event(LineEvent(self._clock.now_ns(), kind))
            before = now


class _Protocol(asyncio.Protocol):
    """Between the transport and the link."""

    def __init__(self, link: SerialLink) -> None:
        self._link = link
        self._transport: asyncio.BaseTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        self._link.received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._link.ended(self._transport, exc)


def _check_path(port: str) -> None:
    """Refuse what is no device before it is opened: opening a named pipe or a file may do something."""
    if not POSIX:
        return
    try:
        mode = os.stat(port).st_mode
    except (OSError, ValueError) as error:
        raise troubles.open_trouble(port, error) from error
    if not stat.S_ISCHR(mode):
        raise troubles.not_a_port(port)
