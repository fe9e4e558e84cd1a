"""Files that commands write where the user says: never over an existing one unasked, and every trouble told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from console.errors import InputTrouble


def write_output(out: Path, write: Callable[[TextIO], object], *, overwrite: bool) -> None:
    """Let `write` fill the file. Raises InputTrouble when it is there already or cannot be written."""
    try:
        with out.open("w" if overwrite else "x", encoding="utf-8", newline="") as stream:
            write(stream)
    except FileExistsError as error:
        raise InputTrouble(
            "output-exists", "the file is there already", where=str(out), help="choose another name or add --overwrite"
        ) from error
    except OSError as error:
        raise InputTrouble(
            "output", f"cannot write: {error.strerror or error}", where=str(out), help="choose another place"
        ) from error
