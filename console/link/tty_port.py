"""A serial port of the serial library that never blocks the event loop and tells what the device really took.

Everything here that touches the device is meant for a thread, except `read` and `write`, which never wait.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import serial

from console.link.base import LinkSettings
from console.link.line_errors import counters
from console.link.sysfs import driver_of, latency_timer_s, usb_ids
from protocols.uart import Frame, Parity

try:
    import fcntl
    import termios
except ImportError:  # a system without termios: the library's own back end does what it can
    POSIX = False
    DEVICE_ERRORS: tuple[type[BaseException], ...] = (serial.SerialException, OSError, ValueError, OverflowError)
else:
    POSIX = True
    # termios.error is neither an OSError nor a SerialException
    DEVICE_ERRORS = (serial.SerialException, OSError, ValueError, OverflowError, termios.error)

LineErrors = Literal["marked", "counted", "not available"]
READ_SIZE: Final = 65536
# drivers/usb/serial and drivers/tty of Linux 6.1: these flag single characters (or whole packets) with their errors
_MARKING_DRIVERS: Final = frozenset({"ftdi_sio", "cp210x", "pl2303", "serial8250", "serial", "port", "uart-pl011"})
_PTY_MAJORS: Final = range(136, 144)  # Documentation/admin-guide/devices.txt: Unix98 pty slaves


@dataclass(frozen=True, slots=True)
class Found:
    """What opening really gave."""

    frame: Frame
    pty: bool
    lines: bool
    marking: bool
    counted: bool
    line_errors: LineErrors
    low_latency: bool | None
    latency_timer_s: float | None
    hangs_up: bool
    usb_ids: tuple[int, int] | None = None


class TtyPort(serial.Serial):  # type: ignore[misc, name-defined]
    """`open` configures once; later property assignments leave the device alone (they would undo the marking).

    `failed` is called once from `read` or `write` when the device is gone. `flush` and `close` do nothing, because
    the transport calls them on the event loop; `release` really closes.
    """

    def __init__(self, failed: Callable[[BaseException], None]) -> None:
        super().__init__()
        self._failed = failed
        self._parity: str = "N"
        self._bytesize: int = 8
        self._settled = False
        self._gone = False
        self._finished = threading.Event()
        self.guard = threading.RLock()  # ioctls of other threads against closing

    def _reconfigure_port(self, force_update: bool = False) -> None:
        if self._settled:
            return
        if not POSIX:
            super()._reconfigure_port()
            return
        try:
            super()._reconfigure_port(force_update=force_update)
        except termios.error as error:
            # A pty takes neither parity nor 7 bits, and glibc's tcsetattr says EINVAL when nothing of what was asked
            # for took effect.
            if error.args[0] != errno.EINVAL or (self._parity, self._bytesize) == ("N", 8):
                raise
            self._parity, self._bytesize = "N", 8
            super()._reconfigure_port(force_update=force_update)

    def start(self, settings: LinkSettings) -> Found:
        """Open exclusively with `settings`, discard what waits, and report. Blocks; raises one of DEVICE_ERRORS."""
        try:
            return self._start(settings)
        finally:
            self._finished.set()

    def _start(self, settings: LinkSettings) -> Found:
        self.port = settings.port
        self._take(settings)
        self.timeout = 0
        self.write_timeout = 0
        if POSIX:
            self.exclusive = True  # advisory lock: stops every program that asks, root's too
        self.dtr = settings.dtr
        self.rts = settings.rts
        self.open()
        try:
            found = self._look(settings)
        except BaseException:
            self.release()
            raise
        self._settled = True
        return found

    def retune(self, settings: LinkSettings) -> Found:
        """Take rate and frame of `settings` while open; what was received and not read is discarded.

        Blocks; raises one of DEVICE_ERRORS, and then the former rate and frame are asked for again.
        """
        with self.guard:
            if not self.is_open:
                raise OSError(errno.EBADF, "the port is closed")
            before = self.get_settings()
            self._settled = True  # the library would configure the device at each assignment
            try:
                self._take(settings)
                self._settled = False
                self._reconfigure_port()
                return self._look(settings)
            except BaseException:
                self.apply_settings(before)  # settled: they are taken with the next line
                self._settled = False
                with contextlib.suppress(*DEVICE_ERRORS):
                    self._reconfigure_port()
                    self._look(settings)
                raise
            finally:
                self._settled = True

    def _take(self, settings: LinkSettings) -> None:
        self.baudrate = settings.baud
        self.bytesize = settings.frame.data_bits
        self.parity = settings.frame.parity
        self.stopbits = settings.frame.stop_bits

    def _look(self, settings: LinkSettings) -> Found:
        if POSIX:
            return self._inspect(settings)
        return Found(settings.frame, False, True, False, False, "not available", None, None, False)

    def _inspect(self, settings: LinkSettings) -> Found:
        fd = self.fd
        pty = os.major(os.fstat(fd).st_rdev) in _PTY_MAJORS
        if not pty:
            # Stops other users' programs that do not ask for the lock. Not on a pty: the flag would outlive a killed
            # program there, for as long as the other end is open.
            with contextlib.suppress(OSError):
                fcntl.ioctl(fd, termios.TIOCEXCL)
        attributes = termios.tcgetattr(fd)
        cflag = attributes[2]
        attributes[0] &= ~(termios.BRKINT | termios.IGNPAR)
        attributes[0] |= termios.PARMRK | termios.INPCK
        # with VMIN 0 an empty read would look like a hang-up
        attributes[6][termios.VMIN], attributes[6][termios.VTIME] = 1, 0
        termios.tcsetattr(fd, termios.TCSANOW, attributes)
        marking = bool(termios.tcgetattr(fd)[0] & termios.PARMRK)
        # bytes from before the port was raw may wait in both directions: a tty echoes until then
        termios.tcflush(fd, termios.TCIOFLUSH)
        lines = True
        try:
            fcntl.ioctl(fd, termios.TIOCMGET, bytes(4))
        except OSError as error:
            if error.errno not in (errno.ENOTTY, errno.EINVAL):
                raise
            lines = False
        driver = driver_of(settings.port)
        counted = counters(fd) is not None
        line_errors: LineErrors = "counted" if counted else "not available"
        if marking and not pty and driver in _MARKING_DRIVERS:
            line_errors = "marked"
        timed = driver == "ftdi_sio"
        low_latency: bool | None = None
        if not pty:
            with contextlib.suppress(ValueError, OSError, NotImplementedError):
                self.set_low_latency_mode(settings.low_latency)
                low_latency = settings.low_latency if timed else None  # elsewhere the flag is taken without effect
        return Found(
            frame=_frame_of(cflag),
            pty=pty,
            lines=lines,
            marking=marking,
            counted=counted,
            line_errors=line_errors,
            low_latency=low_latency,
            latency_timer_s=latency_timer_s(settings.port),
            hangs_up=bool(cflag & termios.HUPCL),
            usb_ids=usb_ids(settings.port),
        )

    def _fail(self, error: BaseException) -> None:
        if not self._gone:
            self._gone = True
            self._failed(error)

    def read(self, size: int = 1) -> bytes:
        """What is there now; b"" when nothing is or the device is gone (then `failed` was called)."""
        if not POSIX:
            try:
                return bytes(super().read(size))
            except DEVICE_ERRORS as error:
                self._fail(error)
                return b""
        try:
            data = os.read(self.fd, max(size, READ_SIZE))
        except (BlockingIOError, InterruptedError):
            return b""
        except OSError as error:
            self._fail(error)
            return b""
        if not data:
            self._fail(OSError(errno.EIO, "the device hung up"))
        return data

    def write(self, data: bytes) -> int:
        """Write what fits now. Raises BlockingIOError when nothing does or the device is gone (see `failed`)."""
        try:
            if not POSIX:
                return int(super().write(data) or 0)
            return os.write(self.fd, data)
        except (BlockingIOError, InterruptedError):
            raise
        except DEVICE_ERRORS as error:
            self._fail(error)
            raise BlockingIOError from error

    def flush(self) -> None:
        """Nothing: waiting for the device has no place on the event loop."""

    def close(self) -> None:
        """Nothing: see `release`."""

    def release(self) -> None:
        """Discard what is unsent and close. May block; never raises one of DEVICE_ERRORS; may be called twice."""
        with self.guard:
            if not self.is_open:
                return
            if POSIX:
                for call in (
                    lambda: termios.tcflush(self.fd, termios.TCIOFLUSH),
                    lambda: fcntl.ioctl(self.fd, termios.TIOCNXCL),
                    lambda: fcntl.flock(self.fd, fcntl.LOCK_UN),
                ):
                    with contextlib.suppress(*DEVICE_ERRORS):
                        call()
            with contextlib.suppress(*DEVICE_ERRORS):
                super().close()

    def abandon(self) -> None:
        """Wait for a `start` that nobody waits for any more, then release. Blocks."""
        self._finished.wait()
        self.release()

    def drive(self, dtr: bool | None, rts: bool | None) -> bool:
        """Set control lines; False where the port has none. May block; raises one of DEVICE_ERRORS."""
        with self.guard:
            if not self.is_open:
                raise OSError(errno.EBADF, "the port is closed")
            try:
                if dtr is not None:
                    self.dtr = dtr
                if rts is not None:
                    self.rts = rts
            except OSError as error:
                if error.errno in (errno.ENOTTY, errno.EINVAL):
                    return False
                raise
        return True


def _frame_of(cflag: int) -> Frame:
    """The character frame that the system says is in use."""
    sizes = {termios.CS5: 5, termios.CS6: 6, termios.CS7: 7, termios.CS8: 8}
    parity: Parity = "N"
    if cflag & termios.PARENB:
        parity = "O" if cflag & termios.PARODD else "E"
    return Frame(sizes[cflag & termios.CSIZE], parity, 2 if cflag & termios.CSTOPB else 1)
