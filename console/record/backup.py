"""A backup of a chip's memory: the bytes as they were read, and beside them a TOML file that says what they are.

    memory.bin          the bytes
    memory.bin.toml     what they are: kind, address, size, sha256, product_id, chip, unique_id, taken, tool

Neither is ever written over another file. A backup counts only when both are on the disk.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from errno import EACCES
from hashlib import sha256
from pathlib import Path
from typing import Final

from console import __version__
from console.errors import InputTrouble
from console.images.image import ADDRESS_LIMIT
from console.inputs import read_input
from console.text import clean
from console.tomlfile import parse_toml
from console.words import count_of

KIND: Final = "memory backup, version 1"
_CODE: Final = "backup"
_UNIQUE: Final = re.compile(r"|[0-9a-f]{24}")
_MOST_BYTES: Final = 64 << 20
_OTHER_NAME: Final = "choose another name"


@dataclass(frozen=True, slots=True)
class Backup:
    """Memory from `address` on as it was read from a chip that answered Get ID with `product_id`."""

    address: int
    data: bytes
    product_id: int
    chip: str
    unique_id: str = ""


def save_backup(path: Path, backup: Backup, taken: datetime | None = None) -> None:
    """Write the bytes to `path` and what they are to `path`.toml, and wait until both are on the disk.

    Raises InputTrouble `output-exists` or `output` (cannot be written).
    """
    said: Mapping[str, str] = {
        "kind": f'"{KIND}"',
        "address": f"0x{backup.address:08X}",
        "size": str(len(backup.data)),
        "sha256": f'"{sha256(backup.data).hexdigest()}"',
        "product_id": f"0x{backup.product_id:03X}",
        "chip": f'"{plain(backup.chip)}"',
        "unique_id": f'"{plain(backup.unique_id)}"',
        "taken": f'"{(taken or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M:%S UTC")}"',
        "tool": f'"wakeline {__version__}"',
    }
    words = "# what was read from the chip; `wakeline restore` checks it before it writes anything\n"
    words += "".join(f"{key} = {value}\n" for key, value in said.items() if value != '""')
    write_new(beside(path), words.encode())  # first, so that bytes without words never look like a whole backup
    try:
        write_new(path, backup.data)
    except InputTrouble:
        beside(path).unlink(missing_ok=True)
        raise


def load_backup(path: Path) -> Backup:
    """Read a backup and check it. Raises InputTrouble `backup` with what is wrong where."""
    name = clean(str(beside(path)))
    if path.is_file() and not beside(path).exists():
        raise InputTrouble(
            _CODE,
            "this is no backup: the file that tells what it is of is missing",
            where=name,
            help="give a file that update saved; plain memory goes back with program --address",
        )
    text = read_input(beside(path), 1 << 16, _CODE, "a backup made by wakeline, with its .toml file beside it")
    table = parse_toml(text.decode("utf-8", "replace"), name, _CODE)
    if table.text("kind") != KIND:
        table.wrong("kind", table.text("kind"), KIND)
    size = table.integer("size", 1, _MOST_BYTES)
    address = table.integer("address", 0, ADDRESS_LIMIT - size)
    data = read_input(path, _MOST_BYTES, _CODE, "a backup made by wakeline")
    other = "another SHA-256" if sha256(data).hexdigest() != table.text("sha256") else ""
    if len(data) != size:
        other = f"{count_of(len(data), 'byte')} in place of {size}"
    if other:
        raise InputTrouble(
            _CODE,
            f"the bytes are not those that were saved: {other}",
            where=clean(str(path)),
            help="use another copy of the backup",
        )
    unique = table.text("unique_id") if "unique_id" in table.data else ""
    if not _UNIQUE.fullmatch(unique):
        table.wrong("unique_id", unique, "24 hex digits")
    return Backup(address, data, table.integer("product_id", 0, 0xFFFF), table.text("chip"), unique)


def beside(path: Path) -> Path:
    """The file that says what the bytes in `path` are."""
    return path.with_name(path.name + ".toml")


def write_new(path: Path, data: bytes, *, overwrite: bool = False) -> None:
    """Write a file that was not there and wait until it is on the disk.

    Raises InputTrouble as `check_new` does.
    """
    try:
        with path.open("wb" if overwrite else "xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
    except (OSError, ValueError) as error:
        raise _not_written(path, error) from error


def check_new(path: Path, *, overwrite: bool = False, help: str = _OTHER_NAME) -> None:
    """Find out now whether `write_new` could write there later: the file is made, and taken away again. `help`: what
    to do where one is there already.

    Raises InputTrouble `output-exists` or `output`.
    """
    try:
        if not (overwrite and path.exists()):
            with path.open("xb"):
                pass
            path.unlink()
        elif path.is_dir():
            raise IsADirectoryError
        elif not os.access(path, os.W_OK):
            raise PermissionError(EACCES, os.strerror(EACCES))
    except (OSError, ValueError) as error:
        raise _not_written(path, error, help) from error


def free_name(path: Path) -> Path:
    """`path` with the lowest number from 2 on that makes it a new name."""
    number = 2
    while (free := path.with_stem(f"{path.stem}-{number}")).exists():
        number += 1
    return free


def _not_written(path: Path, error: Exception, help: str = _OTHER_NAME) -> InputTrouble:
    where = clean(str(path))
    words = clean(getattr(error, "strerror", None) or str(error))  # a name with a zero byte has no such words
    if isinstance(error, FileExistsError | IsADirectoryError):
        if not path.is_dir():
            return InputTrouble("output-exists", "the file is there already", where=where, help=help)
        words = "this is a folder"
    return InputTrouble("output", f"cannot write: {words}", where=where, help="choose another place")


def plain(text: str) -> str:
    """Text that a basic TOML string may hold as it is."""
    return clean(text).replace("\\", "/").replace('"', "'")
