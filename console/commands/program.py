"""`wakeline program PORT IMAGE`: check, erase, write, read back; with --start let it run and hear its first words."""

from __future__ import annotations

from argparse import Namespace

from console.commands.on_chip import CAUTIONS, OnChip, image_of, plan_options, run_on_chip
from console.images.image import Image, Span
from console.programming.outlook import outlook
from console.programming.run import announce, carry_out, read_spans, start
from console.text import quoted

_SHOWN_WORDS = 400


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    image = image_of(options)  # a wrong file must not cost a handshake

    async def body(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        wishes = plan_options(options)
        current = await on.content_for(image, wishes)
        plan = on.plan(image, wishes, current)
        if options.plan:
            return
        if plan.kept:  # between the erase and the write these bytes are nowhere else
            pages = on.chip.pages_covering(plan.kept)
            first, last = on.chip.page_range(pages[0]), on.chip.page_range(pages[-1])
            (data,) = await read_spans(on.session, on.work, [Span(first.start, last.end - first.start)])
            await on.save(first.start, data)
        await write(on, image, "program")

    return run_on_chip(options, body)


async def write(on: OnChip, image: Image, task: str) -> None:
    """Carry the plan out, and start the program if that was asked for."""
    plan = on.work.plan
    settings = on.session.link.settings
    if plan.erases or plan.all_writes:
        on.say("", *CAUTIONS, "")
    expected = outlook(plan, on.work.programmer, settings.frame.char_s(settings.baud))
    announce(on.session, task, plan, expected, source=image.path)
    await carry_out(on.session, on.work)
    if on.options.start is None:
        return
    address = on.chip.flash_start if on.options.start is True else on.options.start
    heard = await start(on.session, on.work, address, on.options.start_listen)
    words = quoted(heard, _SHOWN_WORDS)
    on.more["started"] = {"address": f"0x{address:08X}", "heard_bytes": len(heard), "heard": words}
    on.say(f"started at 0x{address:08X}; first words: {words or 'none (silence proves nothing)'}")


def image_words(image: Image) -> dict[str, object]:
    """The image in the JSON object."""
    return {"file": image.path, "format": image.format, "size": image.size, "sha256": image.sha256}
