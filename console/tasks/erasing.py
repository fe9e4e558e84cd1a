"""Erasing: some units or everything, only with the chip's own id as consent, and proven by reading back."""

from __future__ import annotations

from console.errors import TargetTrouble, UsageTrouble
from console.programming.planner import erase_plan
from console.programming.run import announce, carry_out
from console.tasks.job import Job
from console.tasks.on_chip import Body, OnChip


def erase(job: Job) -> Body:
    """Erase `job.pages` or everything. Raises UsageTrouble where it is not said which."""
    if (job.pages is None) == (not job.everything):
        raise UsageTrouble("usage", "what shall be erased?", help="give --pages or --all, one of them")

    async def body(on: OnChip) -> None:
        chip = on.chip
        pages = None if job.everything else job.pages
        beyond = [page for page in pages or () if page >= chip.page_count]
        if beyond:
            raise UsageTrouble(
                "usage", f"{chip.name} has no {chip.unit} {beyond[0]}", help=f"they go from 0 to {chip.page_count - 1}"
            )
        if job.consent not in (None, on.product_id):
            raise TargetTrouble(
                "wrong-chip",
                f"the consent is for 0x{job.consent:03X}, this chip says {on.id_words}",
                help=f"make sure which board this is; give its own id, {on.id_words} (without 0x digits are decimal)",
            )
        on.take(erase_plan(chip, pages, on.work.programmer))
        on.caution()
        if job.consent is None:
            await on.agree("This erases what the plan says, for good.", on.id_words, f"--consent {on.id_words}")
        announce(on.session, "erase", on.work.plan, on.expected())
        await carry_out(on.session, on.work)

    return body
