"""Files the screens write for the operator: never over an existing one, and always told where."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from console.text import file_name


def fresh_path(what: str, of: str, suffix: str) -> Path:
    """A name in the working folder that is not taken yet, such as ``ttyUSB0-rows-20260314-101500.txt``."""
    stem = f"{file_name(of, 'session')}-{what}-{datetime.now():%Y%m%d-%H%M%S}"
    path = Path.cwd() / f"{stem}{suffix}"
    number = 2
    while path.exists():
        path = path.with_name(f"{stem}-{number}{suffix}")
        number += 1
    return path


def write_lines(path: Path, lines: Iterable[str]) -> int:
    """Write lines to a new file; returns how many. Raises OSError."""
    count = 0
    with path.open("x", encoding="utf-8") as stream:
        for line in lines:
            stream.write(line.rstrip() + "\n")
            count += 1
    return count
