"""Folders for what belongs to a program that runs now: this user's own, gone with the user's last session.

XDG Base Directory Specification, version 0.8: XDG_RUNTIME_DIR is owned by the user, mode 0700; where it is not set, a
folder with the same rights takes its place.
"""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path


def _temporary() -> str:
    """The system's folder for temporary files; the library that finds it is slow to load and only needed elsewhere."""
    if os.name == "posix":
        return os.environ.get("TMPDIR") or "/tmp"
    import tempfile

    return tempfile.gettempdir()


def own_folder(purpose: str) -> Path:
    """The folder for `purpose`, a plain word; made if missing.

    Raises PermissionError, with the folder as its file name, when it is not private to this user; OSError when it
    cannot be made.
    """
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    base = Path(runtime) if runtime and Path(runtime).is_dir() else Path(_temporary())
    path = base / f"wakeline-{purpose}-{os.getuid() if hasattr(os, 'getuid') else os.environ.get('USERNAME', 'user')}"
    with contextlib.suppress(FileExistsError):
        path.mkdir(mode=0o700)
    if hasattr(os, "getuid"):
        state = path.lstat()
        if not stat.S_ISDIR(state.st_mode) or state.st_uid != os.getuid() or state.st_mode & 0o077:
            raise PermissionError(0, "this folder is not private to you", str(path))
    return path
