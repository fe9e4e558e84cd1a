"""`wakeline update PORT IMAGE`: save what is there, show the old and the new version, ask, program, prove."""

from __future__ import annotations

from argparse import Namespace
from dataclasses import replace

from console.commands.on_chip import OnChip, image_of, need_somebody, plan_options, run_on_chip
from console.commands.program import image_words, write
from console.images.image import Image, Segment
from console.programming.run import read_spans
from console.programming.version import VersionPlace, find_version


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    image = image_of(options)
    if not options.yes:
        need_somebody(options, "--yes")

    async def body(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        on.say("reading what is there")
        (data,) = await read_spans(on.session, on.work, [on.chip.flash])
        await on.save(on.chip.flash_start, data)
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


def _version(options: Namespace, image: Image) -> str | None:
    place = VersionPlace(pattern=options.version_pattern)
    if options.version_at is not None:
        place = VersionPlace(*options.version_at)
    return find_version(place, image.read, image.segments)
