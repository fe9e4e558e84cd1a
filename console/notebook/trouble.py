"""What SQLite says when it cannot, as errors a person can act on."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from console.errors import InputTrouble
from console.text import clean

# what may pass while a session goes on
PASSING: Final = frozenset({"notebook-full", "notebook-busy", "notebook-disk"})
# primary result codes (sqlite.org/rescode.html); the low byte of an extended code
_WORDS: Final = {
    sqlite3.SQLITE_FULL: ("notebook-full", "the disk is full", "make room, then repeat; what was kept before is whole"),
    sqlite3.SQLITE_BUSY: ("notebook-busy", "another program keeps the notebook locked", "close it, then repeat"),
    sqlite3.SQLITE_LOCKED: ("notebook-busy", "another program keeps the notebook locked", "close it, then repeat"),
    sqlite3.SQLITE_READONLY: (
        "notebook-read-only",
        "the notebook or its folder may not be written to",
        "change its permissions, or name another file with --notebook FILE",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "notebook-place",
        "the notebook cannot be opened there",
        "look at the folder and its permissions, or name another file with --notebook FILE",
    ),
    sqlite3.SQLITE_NOTADB: (
        "notebook-foreign",
        "this file is not a notebook",
        "name another file with --notebook FILE; this one was not changed",
    ),
    sqlite3.SQLITE_CORRUPT: (
        "notebook-damaged",
        "the notebook is damaged",
        "take the file from your backup; a copy of the damaged one may still give parts of itself",
    ),
    sqlite3.SQLITE_IOERR: (
        "notebook-disk",
        "the disk did not do what was asked",
        "look at the disk and its free space, then repeat",
    ),
}


def trouble_of(error: sqlite3.Error, path: Path) -> InputTrouble:
    """The error with file and cure; the system's own words stand in the note."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    default = ("notebook", "the notebook cannot be used", "name another file with --notebook FILE")
    name, message, cure = _WORDS.get(code, default)
    return InputTrouble(name, message, where=clean(str(path)), note=clean(str(error)), help=cure)


@contextlib.contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into ours. Raises InputTrouble."""
    try:
        yield
    except sqlite3.Error as error:
        raise trouble_of(error, path) from error


@contextlib.contextmanager
def sound(path: Path) -> Iterator[None]:
    """Turn values that cannot be what they should into an error of the file. Raises InputTrouble."""
    try:
        yield
    except (ValueError, TypeError, OverflowError, RecursionError) as error:
        raise InputTrouble(
            "notebook-damaged",
            "the notebook holds what no wakeline wrote",
            where=clean(str(path)),
            note=clean(str(error)),
            help="take the file from your backup, or name another file with --notebook FILE",
        ) from error


def missing(path: Path) -> InputTrouble:
    """There is no notebook yet."""
    return InputTrouble(
        "notebook-missing",
        "there is no notebook yet",
        where=clean(str(path)),
        help="`wakeline handshake PORT --board NAME` begins one",
    )


def foreign(path: Path) -> InputTrouble:
    """A database, but somebody else's."""
    return InputTrouble(
        "notebook-foreign",
        "this file is another program's database",
        where=clean(str(path)),
        help="name another file with --notebook FILE; this one was not changed",
    )


def newer(path: Path, found: int, known: int) -> InputTrouble:
    """Made by a later wakeline."""
    return InputTrouble(
        "notebook-newer",
        f"a newer wakeline made this notebook: format {found}, this one knows {known}",
        where=clean(str(path)),
        note="it was opened for reading only and nothing was changed",
        help="use the newer wakeline, or its `wakeline notebook export`, or name another file with --notebook FILE",
    )
