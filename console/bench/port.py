"""The end of the line a program opens: a real pseudo terminal, or a TCP socket on 127.0.0.1. No pacing here.

The slave is never kept open, so a program's closing shows here as a hang-up and our closing as one there, as with a
device that is pulled. Seen on Linux; other systems with ptys behave alike as far as POSIX goes (not measured).
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import stat
import struct
import sys
from pathlib import Path
from typing import Final, Protocol

from console.bench.setup import PortState
from console.errors import PortTrouble

try:
    import fcntl
    import termios
    import tty
except ImportError:  # no terminals here: sockets only
    HAVE_PTY = False
else:
    HAVE_PTY = hasattr(os, "openpty")

_BACKLOG: Final = 2 * 1024 * 1024
_HAVE_HANG_UP: Final = hasattr(select, "poll") and hasattr(select, "POLLRDHUP")
_LINUX: Final[bool] = sys.platform.startswith("linux")
# asm-generic/ioctls.h and termbits.h of Linux: struct termios2 gives the rate as a number, whatever it is
_TCGETS2: Final = 0x802C542A
_TERMIOS2: Final = struct.Struct("4IB19B2I")


class End(Protocol):
    """One port, closed or open at the program's side."""

    name: str

    @property
    def waits(self) -> bool:
        """Whether opening must be asked for now and then, because nothing can be watched for it."""
        ...

    def watch(self) -> tuple[int, ...]:
        """The descriptors to watch for bytes, and for somebody who comes; none where nothing can be."""
        ...

    def is_open(self) -> bool:
        """Whether a program has it open now."""
        ...

    def read(self, most: int) -> bytes:
        """Up to `most` bytes the program wrote; empty when there are none."""
        ...

    def write(self, data: bytes) -> None:
        """Bytes for the program; what it does not read is kept up to a bound, then dropped as an adapter does."""
        ...

    def behind(self) -> bool:
        """Whether bytes wait for the program to read."""
        ...

    def baud(self) -> float | None:
        """The rate the program set, if the port can tell."""
        ...

    def forget(self) -> None:
        """The program closed the port: what it did not read is gone."""
        ...

    def stage(self, state: PortState) -> None:
        """How programs that open it are met from now on; one that has it open keeps it."""
        ...

    def close(self) -> None:
        """The device goes away."""
        ...


class _Kept:
    """Bytes the system has not taken yet."""

    def __init__(self) -> None:
        self.data = bytearray()

    def add(self, data: bytes) -> None:
        room = _BACKLOG - len(self.data)
        self.data += data[:room]


class PtyEnd:
    """A pseudo terminal."""

    waits = True

    def __init__(self) -> None:
        """Raises PortTrouble `port-unusable` where the system gives none."""
        try:
            self._master, slave = os.openpty()
        except OSError as error:
            raise PortTrouble(
                "port-unusable",
                f"the system gives no pseudo terminal ({error.strerror})",
                help="use a socket: wakeline bench --socket",
            ) from error
        self.name = os.ttyname(slave)
        tty.setraw(slave)
        os.close(slave)  # from now on "nobody has it open" can be seen
        os.set_blocking(self._master, False)
        self._poll = select.poll()
        self._poll.register(self._master, 0)
        self._kept = _Kept()
        self._holder: int | None = None
        self._access = stat.S_IMODE(os.stat(self.name).st_mode)

    def watch(self) -> tuple[int, ...]:
        """The master, only while somebody has the slave open: a hang-up would be reported without end."""
        return (self._master,) if self.is_open() else ()

    def is_open(self) -> bool:
        """No hang-up is reported; a program of ours that holds it busy does not count."""
        return self._holder is None and not any(event & select.POLLHUP for _, event in self._poll.poll(0))

    def read(self, most: int) -> bytes:
        """See `End`."""
        try:
            return os.read(self._master, most)
        except OSError:  # nothing there, or EIO: the program closed it
            return b""

    def write(self, data: bytes) -> None:
        """See `End`."""
        self._kept.add(data)
        with contextlib.suppress(OSError):
            while self._kept.data:
                done = os.write(self._master, self._kept.data[:4096])
                del self._kept.data[:done]

    def behind(self) -> bool:
        """See `End`."""
        return bool(self._kept.data)

    def forget(self) -> None:
        """The program closed the port: what it did not read is gone, and the next one finds a raw terminal."""
        self._kept.data.clear()
        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(self._master, termios.TCIOFLUSH)
            attributes = termios.tcgetattr(self._master)
            if attributes[3] & (termios.ICANON | termios.ECHO):
                tty.setraw(self._master)

    def baud(self) -> float | None:
        """The rate in the terminal's settings, which both ends share on Linux."""
        with contextlib.suppress(OSError, termios.error):
            if _LINUX:
                answer = fcntl.ioctl(self._master, _TCGETS2, bytes(_TERMIOS2.size))
                return float(_TERMIOS2.unpack(answer)[-1]) or None
            return float(termios.tcgetattr(self._master)[5]) or None
        return None

    def stage(self, state: PortState) -> None:
        """Busy: we open it ourselves and lock it, as a terminal program does. Denied: no permission bit is set."""
        if self._holder is not None:
            os.close(self._holder)
            self._holder = None
        os.chmod(self.name, 0 if state is PortState.DENIED else self._access)
        if state is PortState.BUSY:
            self._holder = os.open(self.name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            with contextlib.suppress(OSError):  # a program that has it open was first
                fcntl.flock(self._holder, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def close(self) -> None:
        """See `End`."""
        self.stage(PortState.FREE)
        os.close(self._master)


class SocketEnd:
    """A TCP port on 127.0.0.1 for one program at a time."""

    waits = False

    def __init__(self, port: int = 0) -> None:
        self._listener = socket.create_server(("127.0.0.1", port))
        self._listener.setblocking(False)
        self.number: int = self._listener.getsockname()[1]
        self.name = f"socket://127.0.0.1:{self.number}"
        self._client: socket.socket | None = None
        self._kept = _Kept()

    def watch(self) -> tuple[int, ...]:
        """The listener, and the program's connection; that alone once the program has left and is still read."""
        if self._client is None:
            return (self._listener.fileno(),)
        if self._left():
            return (self._client.fileno(),)
        return (self._client.fileno(), self._listener.fileno())

    def is_open(self) -> bool:
        """Whether a program is connected. Lets one in that waits; a second one is sent away, and its bytes with it."""
        if self._client is None:
            with contextlib.suppress(OSError):
                self._client, _ = self._listener.accept()
                self._client.setblocking(False)
                self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        elif not self._left():
            with contextlib.suppress(OSError):
                second, _ = self._listener.accept()
                # closed without a time to linger: the ABORT of RFC 9293, what it sent is never read
                second.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                second.close()
        return self._client is not None

    def _left(self) -> bool:
        """Whether the program has gone, perhaps with bytes that are still to be read; the next may wait already."""
        if self._client is None:
            return True
        if _HAVE_HANG_UP:
            poll = select.poll()
            poll.register(self._client, select.POLLRDHUP)
            return bool(poll.poll(0))
        try:  # here it shows only once all is read
            return not self._client.recv(1, socket.MSG_PEEK)
        except BlockingIOError:
            return False
        except OSError:
            return True

    def read(self, most: int) -> bytes:
        """See `End`."""
        if self._client is None:
            return b""
        try:
            data = self._client.recv(most)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._client.close()
            self._client = None
        return data

    def write(self, data: bytes) -> None:
        """See `End`."""
        self._kept.add(data)
        with contextlib.suppress(OSError):
            while self._client is not None and self._kept.data:
                done = self._client.send(self._kept.data[:4096])
                del self._kept.data[:done]

    def behind(self) -> bool:
        """See `End`."""
        return bool(self._kept.data)

    def forget(self) -> None:
        """The program left."""
        self._kept.data.clear()

    def stage(self, state: PortState) -> None:
        """A socket has neither lock nor permissions: always free."""

    def baud(self) -> float | None:
        """A raw socket does not tell."""
        return None

    def close(self) -> None:
        """See `End`."""
        if self._client is not None:
            self._client.close()
        self._listener.close()


def point_link(link: Path, target: str) -> None:
    """Make `link` a symbolic link to `target` in one step.

    Raises PortTrouble `link-path` when something else than a symbolic link is there, or it cannot be made.
    """
    draft = link.with_name(f".{link.name}.{os.getpid()}")
    try:
        if os.path.lexists(link) and not link.is_symlink():
            raise PortTrouble(
                "link-path",
                "something else than a symbolic link is there",
                where=str(link),
                help="choose another name for --link",
            )
        with contextlib.suppress(FileNotFoundError):
            draft.unlink()
        draft.symlink_to(target)
        draft.replace(link)
    except OSError as error:
        raise PortTrouble(
            "link-path",
            f"the link cannot be made ({error.strerror})",
            where=str(link),
            help="choose a name in a folder you can write to",
        ) from error


def drop_link(link: Path, target: str) -> None:
    """Remove `link` if it is still the one made for `target`."""
    with contextlib.suppress(OSError):
        if link.is_symlink() and os.readlink(link) == target:
            link.unlink()
