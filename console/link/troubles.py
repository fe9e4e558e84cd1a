"""From what the system or the serial library raised to a PortTrouble that says what to do next.

port-missing      ENOENT, ENODEV, ENXIO            nothing there
port-busy         EBUSY, EAGAIN (flock)            another program has it
port-permission   EACCES, EPERM                    with the cure for this system
port-unusable     everything else while opening    not a serial port, settings refused, no answer in time
link-lost         everything once it was open
"""

from __future__ import annotations

import errno
import os
import re
import sys
from typing import TYPE_CHECKING, Final

from console.errors import PortTrouble
from console.text import clean

if TYPE_CHECKING:  # listing ports must not wait for it
    from protocols.uart import Frame

_MISSING: Final = frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO})
_BUSY: Final = frozenset({errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK})
_FORBIDDEN: Final = frozenset({errno.EACCES, errno.EPERM})
_GONE: Final = frozenset({errno.EIO, errno.EBADF, *_MISSING})
# the Windows back end keeps the number only in its text: "could not open port 'COM5': PermissionError(13, ..."
_NUMBER_IN_TEXT: Final = re.compile(r"(?:Error\(|\[Errno |configure port: \()(\d+)")


def error_number(error: BaseException) -> int | None:
    """The errno of an error of the system, of termios or of the serial library; None where there is none."""
    number = getattr(error, "errno", None)
    if isinstance(number, int):
        return number
    if error.args and isinstance(error.args[0], int):
        return error.args[0]  # termios.error is (number, text)
    found = _NUMBER_IN_TEXT.search(str(error))
    return int(found[1]) if found else None


def permission_cure(device: str, system: str = sys.platform) -> str:
    """What gives this user the right to open `device`; `system` is as in `sys.platform`."""
    if system.startswith("linux"):
        group = node_group(device)
        if group is None or group == "root":
            return f"let an administrator give your group access to {clean(device)} (udev rule), then plug it in again"
        return f"sudo usermod -aG {clean(group)} $USER, then log out and in again"
    if system == "darwin":
        return f"use the /dev/cu.* name of the adapter, and look at its rights with: ls -l {clean(device)}"
    return "close every other program that may use the port, then try again"


def node_group(device: str) -> str | None:
    """The name of the group that owns the device node, None where that cannot be told."""
    try:
        import grp

        return grp.getgrgid(os.stat(device).st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return None


def open_trouble(
    port: str, error: BaseException, *, holder: str | None = None, system: str = sys.platform
) -> PortTrouble:
    """The PortTrouble for an error that was raised while opening `port`."""
    where = clean(port)
    number = error_number(error)
    if number in _FORBIDDEN and system == "win32":
        number = errno.EBUSY  # there, access denied means that another program has it open
    if number in _MISSING:
        return PortTrouble(
            "port-missing",
            "there is no such port",
            where=where,
            help="plug the adapter in and run `wakeline ports`; `wakeline ports --watch` says why it does not show up",
        )
    if number in _BUSY:
        return busy_trouble(port, holder)
    if number in _FORBIDDEN:
        return PortTrouble(
            "port-permission", "you may not open this port", where=where, help=permission_cure(port, system)
        )
    if number in (errno.ENOTTY, errno.EISDIR):
        return not_a_port(port)
    return PortTrouble(
        "port-unusable",
        "the port cannot be set up",
        where=where,
        note=clean(str(error) or type(error).__name__, 200),
        help="try another rate or frame; if that fails too, unplug the adapter, wait a moment and plug it in again",
    )


def busy_trouble(port: str, holder: str | None) -> PortTrouble:
    """The trouble of a port that another program has; `holder` is its name, None where it cannot be seen."""
    by, whom = (f" by {holder}", holder) if holder else ("", "the other program that uses it")
    return PortTrouble("port-busy", f"the port is in use{by}", where=clean(port), help=f"close {whom}, then try again")


def retune_trouble(port: str, error: BaseException, baud: int, frame: Frame) -> PortTrouble:
    """The trouble of an open port that was asked for another rate or frame: gone, or it does not take them."""
    if error_number(error) in _GONE:
        return lost_trouble(port, error)
    return PortTrouble(
        "port-unusable",
        f"the port does not take {baud} baud {frame}",
        where=clean(port),
        note=clean(str(error) or type(error).__name__, 200),
        help="leave this rate or frame out; the port keeps the former one",
    )


def not_a_port(port: str) -> PortTrouble:
    """The trouble of a path that leads to something else than a serial port."""
    return PortTrouble(
        "port-unusable",
        "this is not a serial port",
        where=clean(port),
        help="choose a device that `wakeline ports` lists",
    )


def slow_trouble(port: str, seconds: float) -> PortTrouble:
    """The trouble of a port that did not open in time."""
    return PortTrouble(
        "port-unusable",
        f"the port did not open within {seconds:g} s",
        where=clean(port),
        help="unplug the adapter, wait a moment, plug it in again and retry",
    )


def lost_trouble(port: str, error: BaseException | None = None, *, remote: bool = False) -> PortTrouble:
    """The trouble of a link that was open and is gone."""
    return PortTrouble(
        "link-lost",
        "the connection was closed by the other end" if remote else "the port went away",
        where=clean(port),
        note=clean(str(error), 200) if error is not None and str(error) else "",
        help="see that the server of the port runs and that no other program uses it, then retry"
        if remote
        else "look at the USB cable and plug, then retry; the port may come back under another name",
    )


def closed_trouble(port: str) -> PortTrouble:
    """The trouble of using a link that is not open."""
    return PortTrouble("link-lost", "the port is not open", where=clean(port), help="open it again")
