"""Keeps programs of one user apart on one TCP address, as the lock on a device does there.

TCP itself does not: a connection is a pair of sockets (RFC 9293), so a listening address takes any number of programs,
and what their bytes do to each other on the line behind it is the server's affair. This lock is advisory (flock(2)):
it knows the programs of this user on this machine that ask for it, and no others.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from console.link.holder import holder_of
from console.runtime import own_folder

try:
    import fcntl
except ImportError:  # this system has no advisory locks of this kind
    HAVE_LOCKS = False
else:
    HAVE_LOCKS = True

# XDG Base Directory Specification 0.8: files without the sticky bit may be cleaned away while they are in use
_MODE: Final = stat.S_ISVTX | 0o600


class AddressTaken(Exception):
    """Another program holds an address; `holder` is its name and number where the system shows it."""

    def __init__(self, holder: str | None) -> None:
        super().__init__(holder)
        self.holder = holder


class AddressLock:
    """Held until it is released, or until this process ends, however it ends."""

    def __init__(self, descriptors: Iterable[int] = ()) -> None:
        self._descriptors = list(descriptors)

    @property
    def held(self) -> bool:
        """Whether it keeps anybody out; else this system or this user's folder has no locks."""
        return bool(self._descriptors)

    def release(self) -> None:
        """Let the next program in; may be called twice. The files stay: removing one would let two programs in."""
        while self._descriptors:
            os.close(self._descriptors.pop())


def lock_addresses(addresses: Iterable[tuple[str, int]]) -> AddressLock:
    """Lock all numeric addresses, each with its TCP port, that a name stands for. Raises AddressTaken."""
    held = AddressLock()
    if not HAVE_LOCKS:
        return held
    try:
        folder = own_folder("ports")
        for host, port in sorted(set(addresses)):
            path = folder / f"{host.replace(':', '-').replace('%', '-')}_{port}"
            held._descriptors.append(_locked(path))
    except AddressTaken:
        held.release()
        raise
    except OSError:  # no folder of our own: not to be kept apart is better than not to work
        held.release()
    return held


def _locked(path: Path) -> int:
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)  # else we would be seen ourselves
        raise AddressTaken(holder_of(str(path))) from None
    except OSError:
        os.close(descriptor)
        raise
    with contextlib.suppress(OSError):
        os.fchmod(descriptor, _MODE)
    return descriptor
