"""Tasks that write: program an image, update a board in use, restore what was saved; and start what was written.

Each is made from its job before a port is opened, so that a wrong file costs no handshake.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

from console.errors import TargetTrouble
from console.images.image import Image, Segment, Span
from console.programming.plan import Options
from console.programming.planner import make_plan, touched_pages
from console.programming.run import announce, carry_out, read_pages, read_spans, start
from console.programming.version import VersionPlace, find_version
from console.record.backup import load_backup
from console.tasks.job import Job
from console.tasks.on_chip import Body, OnChip
from console.text import clean, quoted

_SHOWN_WORDS: Final = 400


def program(job: Job) -> Body:
    """Check, erase, write, read back. Raises InputTrouble and UsageTrouble for the image."""
    image = job.load()

    async def body(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        wishes = job.plan_options()
        plan = on.plan_image(image, wishes, await on.content_for(image, wishes))
        if job.plan:
            return
        if plan.kept:  # between the erase and the write these bytes are nowhere else
            pages = on.chip.pages_covering(plan.kept)
            first, last = on.chip.page_range(pages[0]), on.chip.page_range(pages[-1])
            (data,) = await read_spans(on.session, on.work, [Span(first.start, last.end - first.start)])
            await on.save(first.start, data)
        everything = any(step.pages is None for step in plan.erases)
        await _write(on, image, "program", "Write this to the board?", on.id_words if everything else "yes")

    return body


def update(job: Job) -> Body:
    """Save what is there, show the old and the new version, ask, program, prove."""
    image = job.load()

    async def body(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        on.say("reading what is there")
        (data,) = await read_spans(on.session, on.work, [on.chip.flash])
        await on.save(on.chip.flash_start, data)
        old = _version(job, Image("chip", "raw", (Segment(on.chip.flash_start, data),)))
        new = _version(job, image)
        on.more["version"] = {"old": old, "new": new}
        pages = {
            page: data[where.start - on.chip.flash_start : where.end - on.chip.flash_start]
            for page in range(on.chip.page_count)
            if (where := on.chip.page_range(page))
        }
        # what is there is known by now: whatever the image does not change stays
        gently = not job.erase_all
        on.plan_image(image, replace(job.plan_options(), changed_only=gently, keep_neighbours=gently), pages)
        on.say(f"version on the chip: {old or 'not found'}", f"version in the image: {new or 'not found'}")
        wanted = "yes" if gently else on.id_words
        await _write(on, image, "update", "The board's program is about to be replaced.", wanted)

    return body


def restore(job: Job) -> Body:
    """What `update` saved, back into the chip it came from. Raises InputTrouble for the backup."""
    path = Path(job.backup or "")
    backup = load_backup(path)
    image = Image(clean(str(path)), "raw", (Segment(backup.address, backup.data),))

    async def body(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        if on.product_id != backup.product_id:
            raise TargetTrouble(
                "wrong-chip",
                f"the backup is of a chip 0x{backup.product_id:03X}, this one says {on.id_words}",
                help="look for the backup of this board",
            )
        known = bool(backup.unique_id) and on.chip.unique_id_address is not None
        if known and on.unique_id != backup.unique_id and not job.other_board:
            raise TargetTrouble(
                "wrong-chip",
                "the backup is of another board with the same kind of chip",
                help="look for the backup of this board, or add --other-board to put it here all the same",
            )
        on.say("reading what is there")
        current = await read_pages(on.session, on.work, touched_pages(image, on.chip))
        wishes = Options(changed_only=True, keep_neighbours=True)
        on.take(make_plan(image, on.chip, on.work.programmer, wishes, current))
        await _write(on, image, "restore", "What the backup holds replaces what is on the board.", "yes")

    return body


async def _write(on: OnChip, image: Image, task: str, question: str, wanted: str) -> None:
    """Ask where something changes, carry the plan out, and start the program if that was asked for."""
    plan = on.work.plan
    on.caution()
    if (plan.erases or plan.all_writes) and not on.job.yes:
        await on.agree(question, wanted, "--yes")
    announce(on.session, task, plan, on.expected(), source=image.path)
    await carry_out(on.session, on.work)
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


def _version(job: Job, image: Image) -> str | None:
    place = VersionPlace(pattern=job.version_pattern)
    if job.version_at is not None:
        place = VersionPlace(*job.version_at)
    return find_version(place, image.read, image.segments)
