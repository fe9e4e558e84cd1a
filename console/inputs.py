"""Reading a whole file that a user named: only real files, only up to a limit, and every refusal in words."""

from __future__ import annotations

import hashlib
from pathlib import Path

from console.errors import InputTrouble
from console.text import clean


def read_input(path: str | Path, limit: int, code: str, wanted: str) -> bytes:
    """The bytes of a file of at most `limit` bytes. `wanted` says what it should be, for messages.

    Raises InputTrouble `code` for a file that is missing, forbidden, larger, or no file (a pipe would hang).
    """
    file = Path(path)
    where = clean(str(file))
    try:
        if file.exists() and not file.is_file():
            raise InputTrouble(code, "this is not a file", where=where, help=f"give {wanted}")
        with file.open("rb") as stream:
            data = stream.read(limit + 1)
    except (OSError, ValueError) as error:  # ValueError: a name with a zero byte
        words = clean(getattr(error, "strerror", None) or str(error))
        raise InputTrouble(
            code, f"cannot read the file: {words}", where=where, help="check the name and its permissions"
        ) from error
    if len(data) > limit:
        raise InputTrouble(code, f"the file has more than {limit >> 20} MiB", where=where, help=f"give {wanted}")
    return data


def sha256_of(path: str | Path) -> str:
    """A file's SHA-256 in hex. Raises OSError."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
