"""`wakeline erase PORT`: some units or everything, only with the chip's own id typed as consent."""

from __future__ import annotations

from argparse import Namespace

from console.commands.on_chip import CAUTIONS, OnChip, need_somebody, run_on_chip
from console.errors import TargetTrouble, UsageTrouble
from console.programming.outlook import outlook, plan_lines
from console.programming.planner import erase_plan
from console.programming.run import announce, carry_out


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    if (options.pages is None) == (not options.all):
        raise UsageTrouble("usage", "what shall be erased?", help="give --pages or --all, one of them")
    if options.consent is None:
        need_somebody(options, "--consent with the chip's product id, as 0x410")

    async def body(on: OnChip) -> None:
        chip = on.chip
        pages = None if options.all else options.pages
        beyond = [page for page in pages or () if page >= chip.page_count]
        if beyond:
            raise UsageTrouble(
                "usage", f"{chip.name} has no {chip.unit} {beyond[0]}", help=f"they go from 0 to {chip.page_count - 1}"
            )
        plan = on.work.plan = erase_plan(chip, pages, on.work.programmer)
        settings = on.session.link.settings
        expected = outlook(plan, on.work.programmer, settings.frame.char_s(settings.baud))
        on.more["plan"] = plan_lines(plan, expected)
        on.say(*plan_lines(plan, expected), "", *CAUTIONS, "")
        wanted = f"0x{on.product_id:03X}"
        if options.consent is None:
            on.ask("This erases what the plan says, for good.", wanted, f"--consent {wanted}")
        elif options.consent != on.product_id:
            raise TargetTrouble(
                "wrong-chip",
                f"the consent is for 0x{options.consent:03X}, this chip says {wanted}",
                help="make sure which board this is; give its own id",
            )
        announce(on.session, "erase", plan, expected)
        await carry_out(on.session, on.work)

    return run_on_chip(options, body)
