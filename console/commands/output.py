"""Where a command writes its result: a new file unless told otherwise, or standard output."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from console.errors import InputTrouble


def write_file(path: Path, overwrite: bool, save: Callable[[TextIO], object]) -> None:
    """Let `save` fill a new file in UTF-8. Raises InputTrouble when it is there already or cannot be written."""
    try:
        with path.open("w" if overwrite else "x", encoding="utf-8", newline="") as stream:
            save(stream)
    except FileExistsError as error:
        raise InputTrouble(
            "output-exists", "the file is there already", where=str(path), help="choose another name or add --overwrite"
        ) from error
    except OSError as error:
        raise InputTrouble(
            "output", f"cannot write: {error.strerror or error}", where=str(path), help="choose another place"
        ) from error
