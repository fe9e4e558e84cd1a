"""Where the notebook is: one file in the folder that the system gives a user's own data, or the file that is named."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Final

FILE: Final = "notebook.sqlite"


def default_path() -> Path:
    """The user's own notebook, whether it is there or not.

    XDG Base Directory Specification 0.8: $XDG_DATA_HOME if it is absolute, else ~/.local/share. Elsewhere the place
    that the system's own programs use (from memory).
    """
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        named = Path(os.environ.get("XDG_DATA_HOME") or "")
        base = named if named.is_absolute() else Path.home() / ".local" / "share"
    return base / "wakeline" / FILE


def is_there(path: Path) -> bool:
    """Whether anything is there, or may be: of a folder that nobody may look into, opening says what is wrong."""
    return _size(path) is not None


def is_begun(path: Path) -> bool:
    """Whether something is there that is or could be a notebook; an empty file is one that did not begin yet."""
    return bool(_size(path))


def why_not(path: Path) -> str:
    """Why what is there can be no notebook, in words; "" where it is a file, or nothing yet. Raises OSError."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return ""
    return "" if S_ISREG(mode) else "this is a folder" if S_ISDIR(mode) else "this is no ordinary file"


def _size(path: Path) -> int | None:
    """Bytes of the file; None where nothing is; 1 for whatever is no file or may not be looked at."""
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError:
        return 1
    return found.st_size if S_ISREG(found.st_mode) else 1
