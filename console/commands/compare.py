"""`wakeline compare PORT IMAGE`: does the chip hold this image? Nothing is changed."""

from __future__ import annotations

from argparse import Namespace

from console.commands.on_chip import OnChip, image_of, run_on_chip
from console.commands.program import image_words
from console.errors import Mismatch
from console.images.image import Span
from console.programming.plan import Options, Plan
from console.programming.planner import make_plan
from console.programming.run import announce, compared

_SHOWN = 8


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    image = image_of(options)

    async def body(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        ranges = tuple(Span(start, size) for start, size in options.range or ())
        full = make_plan(image, on.chip, on.work.programmer, Options(ranges=ranges))
        on.work.plan = Plan(on.chip, (), (), full.all_verifies)
        announce(on.session, "compare", on.work.plan, source=image.path)
        wrong = await compared(on.session, on.work)
        on.more["differences"] = [
            {"address": f"0x{each.address:08X}", "expected": each.expected, "got": each.got, "count": each.count}
            for each in wrong
        ]
        if not wrong:
            return
        on.say(*(f"differs at {each.where}" for each in wrong[:_SHOWN]))
        total = sum(each.count for each in wrong)
        raise Mismatch(
            "differs",
            f"the chip does not hold this image: {total} bytes in {len(wrong)} blocks differ, the first at "
            f"{wrong[0].where}",
            where=image.path,
            help="program it, or look whether this is the right image",
        )

    return run_on_chip(options, body)
