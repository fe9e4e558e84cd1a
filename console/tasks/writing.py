"""Tasks that write: program an image, update a board in use, restore what was saved; and start what was written.

Each is made from its job before a port is opened, so that a wrong file costs no handshake.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final

from console.errors import InputTrouble, TargetTrouble, UsageTrouble
from console.images.image import Image, Segment, Span, joined
from console.programming.plan import Options, Plan
from console.programming.planner import make_plan, wanted
from console.programming.run import announce, carry_out, read_pages, start
from console.programming.version import VersionPlace, find_version
from console.record.backup import load_backup
from console.tasks.cut import Held, begin, ended, held_for
from console.tasks.job import CONSENT, Job
from console.tasks.on_chip import Body, OnChip, check_backup
from console.text import clean, quoted
from console.words import count_of

_SHOWN_WORDS: Final = 400


def program(job: Job) -> Body:
    """Check, erase, write, read back. Raises InputTrouble and UsageTrouble for the image and for where to save what is
    kept."""
    image, wishes = job.load(), job.plan_options()
    if job.no_erase and job.lift_protection is not None:
        raise UsageTrouble(
            "usage",
            "lifting the protection erases everything, which --no-erase forbids",
            help="leave --no-erase or --lift-protection out",
        )
    if job.keep_neighbours:
        check_backup(job)

    def check(on: OnChip) -> Plan:
        on.fits(image)
        return on.on_blank(image, wishes)

    async def run(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        there = await on.content_for(image, wishes)
        plan = on.plan_image(image, wishes, there, await held_for(on, image, there, keeps=wishes.keep_neighbours))
        if job.plan:
            return
        if plan.kept and on.held is None:  # between the erase and the write these bytes are nowhere else
            pages = on.chip.pages_covering(plan.kept)
            whole = range(pages[0], pages[-1] + 1)
            if between := [number for number in whole if number not in there]:
                there |= await read_pages(on.session, on.work, between)
            data = b"".join(there[number] for number in whole)
            start = on.chip.page_range(pages[0]).start
            await on.save(start, data, (Span(start, len(data)),))
        await _write(on, image, "program", "Write this to the board?")

    return Body(check, run, _asks(job))


def update(job: Job) -> Body:
    """Read what is there; where the image changes it, save it first, show the old and the new version, ask, program,
    prove. Raises InputTrouble and UsageTrouble for the image, also for a version that it does not have, and for where
    to save what is there."""
    image = job.load()
    if job.changed_only and job.write_anyway:
        raise UsageTrouble(
            "usage",
            "to write only what changed and to write anyway exclude each other",
            help="leave --changed-only or --write-anyway out",
        )
    place = _place(job)
    new = None if place is None else _version_of(image, place)
    wishes = job.plan_options()
    if not job.erase_all:
        # whatever the image does not change stays; after a cut that is also what was written before it
        wishes = replace(wishes, changed_only=job.resume or not job.write_anyway, keep_neighbours=True)
    check_backup(job)

    def check(on: OnChip) -> Plan:
        on.fits(image)
        return on.on_blank(image, wishes)

    async def run(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        pages = await on.content_for(image, wishes)
        whole = await held_for(on, image, pages, keeps=wishes.keep_neighbours)
        plan = on.plan_image(image, wishes, pages, whole)
        # where the image goes first: elsewhere may be another program with a version of its own
        first = on.held
        old = _version_in(_read_so_far(on, pages) if first is None else _saved(first), place)
        saves = plan.changes and not job.no_backup and first is None
        if saves or (place is not None and old is None):
            on.say("reading the rest of the flash")
            pages |= await read_pages(on.session, on.work, [n for n in range(on.chip.page_count) if n not in pages])
        there = _read_so_far(on, pages)
        same = _holds(on, there, image)
        if saves:
            flash = b"".join(pages[number] for number in range(on.chip.page_count))
            # also what is written into the blank: should that fail, its unit is erased after all
            keeps = [on.chip.page_range(number) for number in sorted(plan.content) if wishes.keep_neighbours]
            await on.save(on.chip.flash_start, flash, tuple(keeps))
        if same and plan.erases:
            on.say("the chip holds this image already; it is written anyway")
        old = old or _version_in(there, place)
        on.more["version"] = {"old": old, "new": new}
        if place is not None:
            blank = set(b"".join(pages.values())) <= {on.chip.erased}
            _tell_versions(on, old, new, blank=blank, same=same, when="" if first is None else " before the cut")
        await _write(on, image, "update", "The board's program is about to be replaced.")

    return Body(check, run, _asks(job))


def restore(job: Job) -> Body:
    """What `update` saved, back into the chip it came from. Raises InputTrouble for the backup."""
    path = Path(job.backup or "")
    backup = load_backup(path)
    image = Image(clean(str(path)), "raw", (Segment(backup.address, backup.data),))
    wishes = Options(changed_only=True, keep_neighbours=True)

    def check(on: OnChip) -> Plan:
        if on.product_id != backup.product_id:
            raise TargetTrouble(
                "wrong-chip",
                f"the backup is of a chip 0x{backup.product_id:03X}, this one says {on.id_words}",
                help="look for the backup of this board",
            )
        if on.protected and _one_board(on) and not job.other_board:
            raise TargetTrouble(
                "protected",
                "while the chip is protected nobody can see whether the backup is of this board",
                help="look which board this is; --other-board puts it here whichever it is",
            )
        return on.on_blank(image, wishes)

    def _one_board(on: OnChip) -> bool:
        """Whether it can be told which board of its kind the backup is of."""
        return bool(backup.unique_id) and on.chip.unique_id_address is not None

    async def run(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        if _one_board(on) and not job.other_board and on.unique_id != backup.unique_id:
            raise TargetTrouble(
                "wrong-chip",
                "the backup is of another board with the same kind of chip",
                help="look for the backup of this board, or give --other-board to put it here all the same",
            )
        on.held = Held(path, backup, (), noted=True)  # once it is back, a run that was cut off since is of no account
        on.take(make_plan(image, on.chip, on.work.programmer, wishes, await on.content_for(image, wishes)))
        await _write(on, image, "restore", "What the backup holds replaces what is on the board.")

    return Body(check, run, _asks(job))


def _asks(job: Job) -> str:
    """The option with the consent that `_write` will want, unless it was given or nothing will be written."""
    if job.plan:
        return ""
    if job.erase_all:
        return CONSENT if job.asks_for_id else ""
    return "" if job.yes else "--yes"


async def _write(on: OnChip, image: Image, task: str, question: str) -> None:
    """Ask where something changes, for the chip's own id where all of it is lost; carry the plan out, and start the
    program if that was asked for."""
    plan = on.work.plan
    on.caution()
    on.more["changed"] = plan.changes
    if not plan.changes:
        size = count_of(sum(span.size for span in plan.already), "byte")
        on.say(f"the chip holds this already: {size} read and found right; nothing is saved, erased or written")
    elif plan.erases_everything:
        if not on.consented:
            await on.agree(question, on.id_words, f"--consent {on.id_words}")
    elif not on.job.yes:
        await on.agree(question, "yes", "--yes")
    begin(on, task, image)
    announce(on.session, task, plan, on.expected(), source=image.path)
    await carry_out(on.session, on.work)
    ended(on)
    if on.job.start is not None:
        await start_program(on, on.chip.flash_start if on.job.start is True else on.job.start)


async def start_program(on: OnChip, address: int) -> None:
    """Let the program at `address` run and hear its first words; the boot loader is left by that."""
    heard = await start(on.session, on.work, address, on.job.start_listen)
    words = quoted(heard, _SHOWN_WORDS)
    on.more["started"] = {"address": f"0x{address:08X}", "heard_bytes": len(heard), "heard": words}
    on.say(f"started at 0x{address:08X}; first words: {words or 'none (silence proves nothing)'}")
    on.say("the boot loader was left: reset the board into it before the next command for the chip")


def image_words(image: Image) -> dict[str, object]:
    """The image in the JSON object."""
    return {"file": image.path, "format": image.format, "size": image.size, "sha256": image.sha256}


def _place(job: Job) -> VersionPlace | None:
    """Where the version was said to be; None where nothing was said."""
    if job.version_at is not None and job.version_pattern is not None:
        raise UsageTrouble(
            "usage",
            "a version is found by its place or by how it looks, not by both",
            help="leave --version-at or --version-pattern out",
        )
    if job.version_at is not None:
        return VersionPlace(*job.version_at)
    return None if job.version_pattern is None else VersionPlace(pattern=job.version_pattern)


def _version_of(image: Image, place: VersionPlace) -> str:
    """What the new program says of itself. A file without it is another one than was meant, or the place is wrong:
    neither should reach a board. Raises InputTrouble."""
    found = find_version(place, image.read, image.segments)
    if found is None:
        what = "nothing in this image looks like that version"
        if place.address is not None:
            what = f"this image has no text at 0x{place.address:08X}"
        raise InputTrouble(
            "version-missing",
            what,
            where=image.path,
            help="look whether this is the right file, and check --version-at or --version-pattern",
        )
    return found


def _read_so_far(on: OnChip, pages: Mapping[int, bytes]) -> Image | None:
    parts = joined(Segment(on.chip.page_range(number).start, data) for number, data in pages.items())
    return Image("chip", "raw", parts) if parts else None


def _saved(held: Held) -> Image:
    return Image(held.name, "raw", (Segment(held.backup.address, held.backup.data),))


def _holds(on: OnChip, there: Image | None, image: Image) -> bool:
    """Whether what was read of the flash is what the image puts there; False also where that is not known."""
    parts = (part for part in wanted(image, on.chip, on.job.spans) if on.chip.flash.holds(part.address, part.size))
    return there is not None and all(there.read(part.address, part.size) == part.data for part in parts)


def _version_in(there: Image | None, place: VersionPlace | None) -> str | None:
    return None if there is None or place is None else find_version(place, there.read, there.segments)


def _tell_versions(on: OnChip, old: str | None, new: str | None, *, blank: bool, same: bool, when: str) -> None:
    if old is None and blank:
        on.say("version on the chip: none, its flash is blank")
    elif old is None:
        on.warn("no version was found on the chip: it holds another program than expected, or one that does not say it")
    else:
        on.say(f"version on the chip{when}: {old}")
    on.say(f"version in the image: {new}")
    if old == new and not same:
        on.warn("both say the same version, and yet their bytes differ")
