"""Where a command writes its result: a new file unless told otherwise, or standard output, in lines of whole words."""

from __future__ import annotations

import shutil
import textwrap
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


def teller(stream: TextIO) -> Callable[[str], None]:
    """Prints text at once; on a terminal its lines break between words, in a pipe they stay whole."""

    def say(text: str) -> None:
        if stream.isatty():
            width = shutil.get_terminal_size().columns
            text = "\n".join(row for line in text.split("\n") for row in broken(line, width))
        print(text, file=stream, flush=True)

    return say


def broken(line: str, width: int) -> list[str]:
    """A line in pieces of at most `width` columns; what follows the first stands under it, two columns further in."""
    if len(line) <= width:
        return [line]
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(line, max(len(indent) + 10, width), subsequent_indent=indent, break_on_hyphens=False)
