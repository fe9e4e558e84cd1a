"""The kernel's own log, read from its end on, and the format of its records.

Format and behaviour of /dev/kmsg: the kernel's Documentation/ABI/testing/dev-kmsg. A record is
``priority,sequence,microseconds,flags[,more];text`` and, on lines that begin with a blank, ``KEY=value``; characters
that cannot be printed, and the backslash, come as ``\\xNN``. Each read gives one record.
"""

from __future__ import annotations

import errno
import os
import re
from pathlib import Path
from typing import Final

from console.text import clean
from console.usb import KernelLine

KMSG: Final = Path("/dev/kmsg")
_MOST_BYTES: Final = 16384  # a record is at most 8 KiB (CONSOLE_EXT_LOG_MAX); a shorter buffer gives EINVAL
_MOST_PER_LOOK: Final = 2000  # a flood must not hold the watch
_TEXT_LIMIT: Final = 240
_HEAD: Final = re.compile(rb"(\d{1,10}),(\d{1,20}),(\d{1,20}),[^;]*;")
_ESCAPE: Final = re.compile(rb"\\x([0-9a-fA-F]{2})")


def parse(data: bytes) -> list[KernelLine]:
    """The kernel's own records in `data`, which may hold several; never raises.

    What is no record is passed over, and so is what programs wrote into the log (a facility other than 0): only the
    kernel's own words may count as evidence. ``KEY=value`` lines say nothing that the text does not say.
    """
    found = []
    for line in data.split(b"\n"):
        head = _HEAD.match(line)
        if head is not None and not int(head[1]) >> 3:
            text = clean(unescape(line[head.end() :]), _TEXT_LIMIT)
            found.append(KernelLine(int(head[1]) & 7, int(head[2]), int(head[3]) / 1e6, text))
    return found


def unescape(text: bytes) -> str:
    """The text with ``\\xNN`` turned back into the bytes of UTF-8; not yet safe to show."""
    raw = _ESCAPE.sub(lambda found: bytes([int(found[1], 16)]), text)
    return raw.decode("utf-8", errors="backslashreplace")


class KernelLog:
    """New records since it was opened. Never blocks, never raises after opening."""

    def __init__(self, path: Path = KMSG) -> None:
        """Open at the end. Raises OSError where there is no such log or this user may not read it."""
        self._fd = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0))
        try:
            os.lseek(self._fd, 0, os.SEEK_END)
        except OSError as error:
            if error.errno != errno.ESPIPE:
                os.close(self._fd)
                raise

    def read(self) -> tuple[list[KernelLine], bool]:
        """The records since the last call, and whether some were overwritten before they could be read."""
        data, lost = [], False
        for _ in range(_MOST_PER_LOOK):
            try:
                part = os.read(self._fd, _MOST_BYTES)
            except OSError as error:
                if error.errno == errno.EPIPE:  # overwritten: the next read goes on with the oldest there is
                    lost = True
                    continue
                break  # EAGAIN: all is read
            if not part:
                break
            data.append(part if part.endswith(b"\n") else part + b"\n")
        return parse(b"".join(data)), lost

    def close(self) -> None:
        """Close; may be called twice."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)


def why_not(error: OSError) -> str:
    """Why the log cannot be read, in words, with what would help."""
    if error.errno in (errno.EPERM, errno.EACCES):
        return "the kernel log may not be read by this user (an administrator may); going on without it"
    return "this system shows no kernel log; going on without it"
