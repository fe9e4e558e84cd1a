"""A run that was cut off leaves a backup and a note beside it: what a resumed run finds there, and what it says.

The first backup keeps its part: what a cut left is no backup of what was there before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from console.errors import InputTrouble
from console.images.image import Image, Span
from console.programming.before import Before, blank_beside, goal, left, unlike
from console.programming.outlook import span_words
from console.programming.run import read_pages
from console.record.backup import Backup, load_backup
from console.record.unfinished import Unfinished, end_note, load_note, note_of, unfinished_in, write_note
from console.text import clean

if TYPE_CHECKING:
    from console.tasks.on_chip import OnChip

_MOST_NOTES: Final = 50
_MOST_SPOILED: Final = 1  # units that a cut can leave with neither the old content nor none


@dataclass(frozen=True, slots=True)
class Held:
    """The file that holds what was on the chip before the run began to change it. `begun` is empty for a run of which
    no note tells; `noted`: a note of it is there already."""

    path: Path
    backup: Backup
    keeps: tuple[Span, ...]
    begun: str = ""
    noted: bool = False

    @property
    def name(self) -> str:
        """The file, for a person."""
        return clean(str(self.path))

    @property
    def before(self) -> Before:
        """Its content."""
        return Before(self.backup.address, self.backup.data, self.keeps)


async def held_for(on: OnChip, image: Image, now: dict[int, bytes], *, keeps: bool) -> Image:
    """What a resumed run is to bring about: the image, and around it what was there before the cut, where a file says
    it. `now`: the units that the image touches, as they were read. `keeps`: what is beside the image is wanted, and
    it is said where no file has it.

    Raises InputTrouble for a backup that was named and does not fit, and what reading raises.
    """
    if not on.job.resume:
        return image
    named = Path(on.job.backup) if on.job.backup is not None and Path(on.job.backup).exists() else None
    on.held = _named(on, named) if named is not None else await _found(on, image, now)
    if on.held is None:
        if keeps:
            _tell_blank(on, image, now)
        return image
    if on.job.erase_all:
        on.held = replace(on.held, keeps=())
    held = on.held
    on.more["backup"] = held.name
    since = f" (saved for the run that began {held.begun})" if held.begun else ""
    on.say(f"what was there before the cut is in {held.name}{since}; `wakeline restore` brings that back")
    whole, put_back = goal(image, on.chip, on.job.spans, held.before)
    if put_back:
        on.say(f"kept beside the image, from {held.name}: {span_words(put_back)}")
    if not held.backup.unique_id:
        on.warn(
            f"this chip has no number that tells it from others of its kind: make sure {held.name} is of this board"
        )
    spoiled = unlike(image, on.chip, on.job.spans, held.before, now)
    if spoiled:
        where = span_words([on.chip.page_range(number) for number in spoiled])
        on.warn(f"beside the image in {where} is neither what {held.name} has nor nothing: it becomes what that has")
    return whole


def begin(on: OnChip, task: str, image: Image) -> None:
    """The chip is about to be changed: from now on a cut leaves a note. Raises InputTrouble where it cannot be
    written."""
    held = on.held
    if held is None or held.noted or not on.work.plan.changes:
        return
    begun = f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S UTC}"
    run = Unfinished(task, image.path, on.product_id, held.backup.unique_id, begun, held.keeps)
    write_note(held.path, run)


def ended(on: OnChip) -> None:
    """Everything is proven: the notes go that are about nothing else any more."""
    if on.held is not None:
        end_note(on.held.path)
    done = [on.chip.page_range(number) for number in (*on.work.plan.content, *on.work.plan.erased_pages)]
    for path, run in _notes():
        mine = run.unique_id and (run.product_id, run.unique_id) == (on.product_id, on.unique_id)
        if mine and not left(run.keeps, done):
            end_note(path)


def _notes() -> list[tuple[Path, Unfinished]]:
    """The notes here that can be read, the latest first."""
    found = []
    for path in unfinished_in(Path())[:_MOST_NOTES]:
        try:
            found.append((path, load_note(path)))
        except InputTrouble:
            continue
    return found


def _named(on: OnChip, path: Path) -> Held:
    """The backup that the person names: a note of it says more, but need not be there."""
    backup = load_backup(path)
    if (backup.product_id, backup.unique_id) != (on.product_id, on.unique_id):
        raise InputTrouble(
            "backup",
            "this backup is of another board",
            where=clean(str(path)),
            help="look which board this is, or choose another name for its backup",
        )
    if not note_of(path).exists():
        return Held(path, backup, (Span(backup.address, len(backup.data)),))
    run = load_note(path)
    return Held(path, backup, run.keeps, run.begun, noted=True)


async def _found(on: OnChip, image: Image, now: dict[int, bytes]) -> Held | None:
    """The latest run that was cut off on this board, of those that left a note here."""
    for path, run in _notes():
        if (run.product_id, run.unique_id) != (on.product_id, on.unique_id):
            continue
        try:
            backup = load_backup(path)
        except InputTrouble as trouble:
            on.say(*trouble.lines())
            continue
        held = Held(path, backup, run.keeps, run.begun, noted=True)
        if (backup.product_id, backup.unique_id) == (on.product_id, on.unique_id) and await _fits(on, image, now, held):
            return held
        on.say(f"{held.name} is not of this board as it was before the cut: it is left alone")
    return None


async def _fits(on: OnChip, image: Image, now: dict[int, bytes], held: Held) -> bool:
    """Whether the chip holds what that run left: a chip without a number of its own is known by what it was to keep."""
    if not on.chip.flash.holds(held.before.span.start, held.before.span.size):
        return False
    if len(unlike(image, on.chip, on.job.spans, held.before, now)) > _MOST_SPOILED:
        return False
    if held.backup.unique_id:
        return True
    units = on.chip.pages_covering((held.before.span,))
    same = [page for page in units if not any(on.chip.page_range(page).overlap(keep) for keep in held.keeps)]
    if same:
        on.say(f"is {held.name} of this board? comparing with it what the run was not to touch")
    there = await read_pages(on.session, on.work, same)
    return all(held.before.read(on.chip.page_range(page)) == there[page] for page in same)


def _tell_blank(on: OnChip, image: Image, now: dict[int, bytes]) -> None:
    blank = blank_beside(image, on.chip, on.job.spans, now, on.work.programmer.max_block)
    if blank:
        on.warn(
            f"no note of a run that was cut off on this board is here: beside the image {span_words(blank)} is blank, "
            "and whether it was before the cut only the backup of the first run says; name it with --backup FILE, and "
            "what it has there is written again, now or later"
        )
