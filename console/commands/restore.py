"""`wakeline restore PORT BACKUP`: what `update` saved, back into the chip it came from, and proven."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from console.commands.on_chip import OnChip, need_somebody, run_on_chip
from console.commands.program import image_words, write
from console.errors import TargetTrouble
from console.images.image import Image, Segment, Span
from console.programming.outlook import outlook, plan_lines
from console.programming.plan import Options
from console.programming.planner import make_plan, touched_pages
from console.programming.run import read_pages, read_spans
from console.record.backup import load_backup
from console.text import clean


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    path = Path(options.backup)
    backup = load_backup(path)
    image = Image(clean(str(path)), "raw", (Segment(backup.address, backup.data),))
    if not options.yes:
        need_somebody(options, "--yes")

    async def body(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        if on.product_id != backup.product_id:
            raise TargetTrouble(
                "wrong-chip",
                f"the backup is of a chip 0x{backup.product_id:03X}, this one says 0x{on.product_id:03X}",
                help="look for the backup of this board",
            )
        if backup.unique_id and on.chip.unique_id_address is not None:
            size = len(backup.unique_id) // 2
            (found,) = await read_spans(on.session, on.work, [Span(on.chip.unique_id_address, size)])
            if found.hex() != backup.unique_id and not options.other_board:
                raise TargetTrouble(
                    "wrong-chip",
                    "the backup is of another board with the same kind of chip",
                    help="look for the backup of this board, or add --other-board to put it here all the same",
                )
        on.say("reading what is there")
        pages = touched_pages(image, on.chip)
        current = await read_pages(on.session, on.work, pages)
        wishes = Options(changed_only=True, keep_neighbours=True)
        plan = on.work.plan = make_plan(image, on.chip, on.work.programmer, wishes, current)
        settings = on.session.link.settings
        lines = plan_lines(plan, outlook(plan, on.work.programmer, settings.frame.char_s(settings.baud)))
        on.more["plan"] = lines
        on.say(*lines)
        if (plan.erases or plan.all_writes) and not options.yes:
            on.ask("What the backup holds replaces what is on the board.", "yes", "--yes")
        await write(on, image, "restore")

    return run_on_chip(options, body)
