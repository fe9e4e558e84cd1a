"""`wakeline update PORT IMAGE`: save what is there, show the old and the new version, ask, program, prove."""

from __future__ import annotations

from argparse import Namespace
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from console.commands.on_chip import OnChip, image_of, need_somebody, plan_options, run_on_chip
from console.commands.program import image_words, write
from console.images.image import Image, Segment, Span
from console.programming.run import read_spans
from console.programming.version import VersionPlace, find_version
from console.record.backup import Backup, beside, save_backup
from console.text import clean, file_name

_ID_BYTES = 12


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    image = image_of(options)
    if not options.yes:
        need_somebody(options, "--yes")

    async def body(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        on.say("reading what is there")
        (data,) = await read_spans(on.session, on.work, [on.chip.flash])
        await save(on, data)
        old = _version(options, Image("chip", "raw", (Segment(on.chip.flash_start, data),)))
        new = _version(options, image)
        on.more["version"] = {"old": old, "new": new}
        pages = {
            page: data[where.start - on.chip.flash_start : where.end - on.chip.flash_start]
            for page in range(on.chip.page_count)
            if (where := on.chip.page_range(page))
        }
        # what is there is known by now: whatever the image does not change stays
        gently = not options.erase_all
        wishes = replace(plan_options(options), changed_only=gently, keep_neighbours=gently)
        plan = on.plan(image, wishes, pages)
        on.say(f"version on the chip: {old or 'not found'}", f"version in the image: {new or 'not found'}")
        if (plan.erases or plan.all_writes) and not options.yes:
            on.ask("The board's program is about to be replaced.", "yes", "--yes")
        await write(on, image, "update")

    return run_on_chip(options, body)


async def save(on: OnChip, data: bytes) -> None:
    """The flash's content into a file, unless that was declined."""
    if on.options.no_backup:
        return
    unique = ""
    if on.chip.unique_id_address is not None:
        (found,) = await read_spans(on.session, on.work, [Span(on.chip.unique_id_address, _ID_BYTES)])
        unique = "" if found == b"\xff" * _ID_BYTES else found.hex()
    now = datetime.now(UTC)
    path = Path(on.options.backup or file_name(f"{on.chip.name}-{now:%Y%m%d-%H%M%S}-before.bin"))
    save_backup(path, Backup(on.chip.flash_start, data, on.product_id, on.chip.name, unique), now)
    on.more["backup"] = clean(str(path))
    on.say(f"saved in {clean(str(path))} and {clean(str(beside(path)))}; `wakeline restore` brings it back")


def _version(options: Namespace, image: Image) -> str | None:
    place = VersionPlace(pattern=options.version_pattern)
    if options.version_at is not None:
        place = VersionPlace(*options.version_at)
    return find_version(place, image.read, image.segments)
