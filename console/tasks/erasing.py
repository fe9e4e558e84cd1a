"""Erasing: some units or everything, only with the chip's own id as consent, and proven by reading back."""

from __future__ import annotations

from console.errors import UsageTrouble
from console.programming.plan import Plan
from console.programming.planner import erase_plan
from console.programming.run import announce, carry_out
from console.tasks.job import CONSENT, Job
from console.tasks.on_chip import Body, OnChip


def erase(job: Job) -> Body:
    """Erase `job.pages` or everything. Raises UsageTrouble where it is not said which."""
    if (job.pages is None) == (not job.everything):
        raise UsageTrouble("usage", "what shall be erased?", help="give --pages or --all, one of them")
    pages = None if job.everything else job.pages

    def check(on: OnChip) -> Plan:
        chip = on.chip
        beyond = [page for page in pages or () if page >= chip.page_count]
        if beyond:
            raise UsageTrouble(
                "usage", f"{chip.name} has no {chip.unit} {beyond[0]}", help=f"they go from 0 to {chip.page_count - 1}"
            )
        return erase_plan(chip, pages, on.work.programmer)

    async def run(on: OnChip) -> None:
        on.take(erase_plan(on.chip, pages, on.work.programmer))
        on.caution()
        if not on.consented:
            await on.agree("This erases what the plan says, for good.", on.id_words, f"--consent {on.id_words}")
        announce(on.session, "erase", on.work.plan, on.expected())
        await carry_out(on.session, on.work)

    return Body(check, run, CONSENT if job.asks_for_id else "")
