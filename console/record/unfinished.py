"""A run that has begun to change a chip and has not ended well: a note beside the backup of what was there before.

    memory.bin                    the backup's bytes,
    memory.bin.toml               what they are (see `backup`), and
    memory.bin.unfinished.toml    the note: kind, task, image, product_id, unique_id, begun, keeps

The note is written before the first erase and taken away when everything is proven; a run that is cut off, or killed,
leaves it. `keeps` are the ranges in which that run was to leave what is beside its image.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from console.images.image import ADDRESS_LIMIT, Span
from console.inputs import read_input
from console.record.backup import plain, write_new
from console.text import clean
from console.tomlfile import Table, parse_toml

KIND: Final = "unfinished run, version 1"
_ENDING: Final = ".unfinished.toml"
_CODE: Final = "unfinished"
_MOST_BYTES: Final = 1 << 20
_MOST_KEPT: Final = 10_000


@dataclass(frozen=True, slots=True)
class Unfinished:
    """The run; `begun` and `image` are words for a person, `unique_id` is empty where the chip has none."""

    task: str
    image: str
    product_id: int
    unique_id: str
    begun: str
    keeps: tuple[Span, ...]


def note_of(backup: Path) -> Path:
    """Where the note lies that belongs to a backup."""
    return backup.with_name(backup.name + _ENDING)


def write_note(backup: Path, run: Unfinished) -> None:
    """Write the note and wait until it is on the disk. Raises InputTrouble as `backup.write_new`."""
    keeps = ", ".join(f"[0x{span.start:08X}, {span.size}]" for span in run.keeps)
    lines = (
        f"# a run began to change the chip after {_quoted(backup.name)} was saved; go on with --resume",
        f"kind = {_quoted(KIND)}",
        f"task = {_quoted(run.task)}",
        f"image = {_quoted(run.image)}",
        f"product_id = 0x{run.product_id:03X}",
        f"unique_id = {_quoted(run.unique_id)}",
        f"begun = {_quoted(run.begun)}",
        f"keeps = [{keeps}]",
    )
    write_new(note_of(backup), "".join(f"{line}\n" for line in lines).encode())


def load_note(backup: Path) -> Unfinished:
    """The note beside `backup`. Raises InputTrouble `unfinished` with what is wrong where."""
    path = note_of(backup)
    text = read_input(path, _MOST_BYTES, _CODE, "a note made by wakeline")
    table = parse_toml(text.decode("utf-8", "replace"), clean(str(path)), _CODE)
    if table.text("kind") != KIND:
        table.wrong("kind", table.text("kind"), KIND)
    unique = table.data.get("unique_id")
    if not isinstance(unique, str):
        table.wrong("unique_id", unique, "24 hex digits, or an empty text")
    task, image, begun = (clean(table.text(key)) for key in ("task", "image", "begun"))
    return Unfinished(task, image, table.integer("product_id", 0, 0xFFFF), unique, begun, _keeps(table))


def unfinished_in(folder: Path) -> list[Path]:
    """The backups in `folder` that have a note beside them, the latest note first; nothing where it cannot be read."""
    try:
        found = [(each.stat().st_mtime_ns, each) for each in folder.glob(f"*{_ENDING}")]
    except OSError:
        return []
    return [note.with_name(note.name.removesuffix(_ENDING)) for _, note in sorted(found, reverse=True)]


def end_note(backup: Path) -> None:
    """The run has ended well: its note goes. One that cannot be taken away stays."""
    try:
        note_of(backup).unlink(missing_ok=True)
    except OSError:
        return


def _keeps(table: Table) -> tuple[Span, ...]:
    rows = table.data.get("keeps")
    right = "a list of [address, number of bytes]"
    if not isinstance(rows, list) or len(rows) > _MOST_KEPT:
        table.wrong("keeps", rows, right)
    out = []
    for row in rows:
        if not (isinstance(row, list) and len(row) == 2 and all(type(number) is int for number in row)):
            table.wrong("keeps", row, right)
        start, size = row
        if not (0 <= start < ADDRESS_LIMIT and 0 < size <= ADDRESS_LIMIT - start):
            table.wrong("keeps", row, right)
        out.append(Span(start, size))
    return tuple(out)


def _quoted(text: str) -> str:
    return f'"{plain(text)}"'
