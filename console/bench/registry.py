"""Which simulated boards run for this user: one private file each, so that lists of ports can show them.

The folder is the user's own (mode 0700) and so is each file (0600), because it holds the token that lets somebody act
on the board.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from pathlib import Path
from typing import Final, NamedTuple

from console.errors import PortTrouble
from console.runtime import own_folder

_MOST_BYTES: Final = 65536


class BenchEntry(NamedTuple):
    """One running bench. `port` is what a program opens ("" while it has vanished), `link` the name asked for."""

    pid: int
    port: str
    link: str | None
    control: int
    token: str
    scene: str


def folder() -> Path:
    """Where the entries are; made if missing. Raises PortTrouble when it is not private to this user."""
    try:
        return own_folder("bench")
    except PermissionError as error:
        raise PortTrouble(
            "bench-folder",
            "the folder for running benches is not private to you",
            where=str(error.filename),
            help="remove it, or set XDG_RUNTIME_DIR to a folder of your own",
        ) from error


def register(entry: BenchEntry) -> Path:
    """Write the entry of this process; returns its file. An older one of the same process is replaced."""
    path = folder() / f"{entry.pid}.json"
    draft = path.with_suffix(".new")
    with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as stream:
        json.dump(entry._asdict(), stream)
    draft.replace(path)  # a reader never sees half an entry
    return path


def leave(pid: int) -> None:
    """Remove the entry of a process that ends."""
    with contextlib.suppress(OSError, PortTrouble):
        (folder() / f"{pid}.json").unlink()


def running() -> list[BenchEntry]:
    """Every bench whose port is there now, in order of process number; entries of dead processes are removed."""
    return [entry for entry in _entries() if entry.port]


def _entries() -> list[BenchEntry]:
    found = []
    try:
        paths = sorted(folder().glob("*.json"))
    except (OSError, PortTrouble):  # no folder of our own, so no bench of ours
        return []
    for path in paths:
        entry = read(path)
        if entry is not None and alive(entry.pid):
            found.append(entry)
        else:
            with contextlib.suppress(OSError):
                path.unlink()
    return sorted(found, key=lambda entry: entry.pid)


def find(port: str) -> BenchEntry | None:
    """The running bench behind a port name, or None; a link is followed. One that vanished is found by its link."""
    if not port:
        return None
    real = os.path.realpath(port)
    for entry in _entries():
        if port in (entry.port, entry.link):
            return entry
        if entry.port and "://" not in entry.port and real == os.path.realpath(entry.port):
            return entry
        if entry.link is not None and os.path.abspath(port) == os.path.abspath(entry.link):
            return entry
    return None


def read(path: Path) -> BenchEntry | None:
    """One entry, or None where the file is not what it should be."""
    try:
        with path.open("rb") as stream:
            data = json.loads(stream.read(_MOST_BYTES))
        entry = BenchEntry(**data)
    except (OSError, ValueError, TypeError, RecursionError):
        return None
    kinds = ((entry.pid, int), (entry.port, str), (entry.control, int), (entry.token, str), (entry.scene, str))
    if any(not isinstance(value, kind) for value, kind in kinds) or not isinstance(entry.link, str | None):
        return None
    return entry if 0 < entry.pid < 2**31 and 0 < entry.control < 65536 else None


def alive(pid: int) -> bool:
    """Whether a process with this number exists."""
    if sys.platform == "win32":  # signal 0 would end it there
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return False  # somebody else's: the number was used again
    return True
