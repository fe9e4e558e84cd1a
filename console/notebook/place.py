"""Where the notebook is: one file in the folder that the system gives a user's own data, or the file that is named."""

from __future__ import annotations

import os
import sys
from pathlib import Path
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


def is_begun(path: Path) -> bool:
    """Whether something is there that is or could be a notebook; an empty file is one that did not begin yet."""
    return path.exists() and not (path.is_file() and path.stat().st_size == 0)
