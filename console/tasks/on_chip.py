"""A chip that is awake, for the body of a task: its facts, the plan for it, consent, what is saved before it changes.

The bodies (`writing`, `looking`, `erasing`) are the same whether a command or the screens run them.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from console.errors import InputTrouble, Outcome, PortTrouble, Stopped, TargetTrouble, UsageTrouble
from console.events import MarkKind
from console.images.image import Image
from console.images.layout import Severity, check_layout, fit_trouble
from console.programming.chip_file import candidates, chip_named, find_chip
from console.programming.chips import Chip
from console.programming.fold import after_a_cut
from console.programming.outlook import Outlook, outlook, plan_lines
from console.programming.plan import Options, Plan, SupplyStep
from console.programming.planner import erase_plan, make_plan, touched_pages
from console.programming.run import (
    chip_at_hand,
    lift_protection,
    offered,
    protected,
    read_pages,
    recorded,
    unique_id,
    wake,
)
from console.programming.stages import Work
from console.programming.supply import supply_step
from console.record.backup import Backup, beside, load_backup, save_backup
from console.session.session import Session
from console.tasks.job import Front, Job
from console.text import clean, file_name
from protocols.errors import Refused, TheirBehaviour

# common practice, no source; local rules and the maker's instructions come first
CAUTIONS: Final = (
    "caution: do not unplug, reset or move the board until this is done; a laptop belongs on mains, with sleep off;",
    "         if it is cut off all the same: the boot loader is in ROM and stays; connect and power the board, reset",
    "         it into the boot loader (boot strap set), then --resume, and nothing else before that",
)
SUPPLY_CAUTION: Final = (
    "caution: state a supply only if you measured it, at the chip, with the board powered as it is now: told more than",
    "         there is, the loader erases and writes in a way that the supply cannot carry, and spoils its work",
)
CUT_OFF: Final = (
    "reset the board into its boot loader (boot strap set) and try again; if a run was cut off on it, add --resume: "
    "the chip may wait for half a command"
)
STILL_SILENT: Final = (
    "reset the board into its boot loader (boot strap set), then give --resume again: a board that was reset or lost "
    "its power is in its own program, or in a loader that did not hear the sync"
)
# AN3155 Rev 20 knows no timeout, and the second byte of an ordinary sync can complete what was cut: a page is erased
CUT_SHORT: Final = (
    "the chip may wait for the rest of a command: reset the board, or go on with --resume (or r), before anything else "
    "is sent to it"
)


@dataclass(slots=True)
class OnChip:
    """A chip that is awake. `more` goes into the JSON object beside the rest; `unique_id` in hex, "" where unknown."""

    job: Job
    session: Session
    work: Work
    front: Front
    more: dict[str, Any] = field(default_factory=dict)
    unique_id: str = ""
    supply: SupplyStep | None = None

    @property
    def chip(self) -> Chip:
        """The chip at hand."""
        return self.work.plan.chip

    @property
    def product_id(self) -> int:
        """What it answers to Get ID."""
        identity = self.session.identity
        return identity.product_id if identity is not None and identity.product_id is not None else 0

    @property
    def id_words(self) -> str:
        """The product id as it is typed for consent."""
        return f"0x{self.product_id:03X}"

    def say(self, *lines: str) -> None:
        """Lines for a person."""
        self.front.say(*lines)

    def warn(self, words: str) -> None:
        """Something to look at before going on; a script finds it among the warnings."""
        self.more["warnings"].append(words)
        self.say(f"look: {words}")

    def finish(self, task: str, *, proven: str, size: int) -> None:
        """The record's last word on a task that only looked: it was done."""
        self.session.mark(MarkKind.PROOF, task=task, complete=True, proven=proven, proven_bytes=size)

    async def agree(self, question: str, wanted: str, option: str) -> None:
        """Go on only if the person agrees. Raises Stopped, which the record says too, and UsageTrouble."""
        if not await self.front.ask(question, wanted, option):
            self.session.mark(MarkKind.STOPPED)
            raise Stopped("stopped", "not confirmed; nothing was changed", help="start again when ready")

    def expected(self) -> Outlook:
        """How long the plan takes on this line."""
        settings = self.session.link.settings
        return outlook(self.work.plan, self.work.programmer, settings.frame.char_s(settings.baud))

    def take(self, plan: Plan) -> None:
        """This is the plan, with the supply stated where it changes anything; tell it."""
        if plan.erases or plan.all_writes:
            plan = replace(plan, supply=self.supply)
        self.work.plan = plan
        lines = plan_lines(plan, self.expected())
        self.more["plan"] = lines
        self.say(*lines)

    def caution(self) -> None:
        """What to keep in mind where the plan changes anything."""
        if self.work.plan.changes:
            self.say("", *CAUTIONS, *(SUPPLY_CAUTION if self.work.plan.supply is not None else ()), "")

    def plan_image(self, image: Image, options: Options, current: dict[int, bytes] | None = None) -> Plan:
        """The plan for an image that fits; told to the user. Raises InputTrouble and UsageTrouble."""
        findings = check_layout(image, self.chip)
        trouble = fit_trouble(image, self.chip, findings)
        if trouble is not None:
            raise trouble
        plan = make_plan(image, self.chip, self.work.programmer, options, current)
        for each in findings:
            if each.severity is Severity.WARNS:
                self.warn(each.words)
        self.take(plan)
        return plan

    async def content_for(self, image: Image, options: Options) -> dict[int, bytes]:
        """What the chip holds where the plan needs to know it."""
        if not options.needs_content:
            return {}
        try:
            pages = touched_pages(image, self.chip, options.ranges)
        except InputTrouble:
            return {}  # the layout check says it better
        self.say("reading what is there")
        return await read_pages(self.session, self.work, pages, image.read)

    async def save(self, address: int, data: bytes) -> None:
        """Memory as it was read into a file, unless that was declined. Raises InputTrouble."""
        if self.job.no_backup:
            return
        now = datetime.now(UTC)
        path = Path(self.job.backup or file_name(f"{self.chip.name}-{now:%Y%m%d-%H%M%S}-before.bin"))
        backup = Backup(address, data, self.product_id, self.chip.name, self.unique_id)
        self.more["backup"] = clean(str(path))
        if self.job.resume and _saved_before(path, backup):
            self.say(f"{clean(str(path))} was saved before the cut and fits this chip: it stays as it is")
            return
        save_backup(path, backup, now)
        self.say(f"saved in {clean(str(path))} and {clean(str(beside(path)))}; `wakeline restore` brings it back")
        if self.job.resume:
            self.say("note: that is what the cut left; what was there before it is in the backup of the first run")

    async def lift_protection(self) -> None:
        """Only if the user asked for it and gave the chip's id as consent."""
        consent = self.job.lift_protection
        if consent is None:
            raise protected(self.session.identity)
        if consent is True:
            self.say("caution: lifting the readout protection erases everything on the chip, for good; ask the owner")
            await self.agree("The chip will be erased.", self.id_words, f"the id: --lift-protection {self.id_words}")
            consent = self.product_id
        self.say("lifting the readout protection, which erases everything on the chip")
        await lift_protection(self.session, self.work, consent)


def _saved_before(path: Path, backup: Backup) -> bool:
    """Whether `path` is a backup of the same board already. Raises InputTrouble for a file that is none."""
    return path.exists() and load_backup(path).same_place(backup)


def stop(session: Session, work: Work | None, running: bool) -> bool:
    """Stop a task: at the next block's border (True), or at once where it was asked for before, where no stage is
    `running` and where no `work` has begun."""
    softly = work is not None and running and not work.stop.wanted
    if work is not None:
        work.stop.wanted = True
    if not softly:
        if work is not None:
            work.stop.at_once = True
        session.cancel()
    return softly


@contextmanager
def _told_if_cut(session: Session, work: Work) -> Iterator[None]:
    """What ends the block in the middle of a command leaves a word in the record of what must not come next."""
    try:
        yield
    except (PortTrouble, TheirBehaviour, Stopped) as error:
        whole = isinstance(error, Refused) or (isinstance(error, Stopped) and not work.stop.at_once)
        if not whole:
            session.mark(MarkKind.NOTE, text=CUT_SHORT)
        if isinstance(error, PortTrouble):
            help = after_a_cut(error.help)
            raise PortTrouble(error.code, error.message, where=error.where, note=error.note, help=help) from error
        raise


Body = Callable[[OnChip], Awaitable[None]]


async def perform(session: Session, job: Job, body: Body, front: Front, more: dict[str, Any]) -> OnChip | None:
    """Wake the chip, find out what it is, run `body` on it; None where it does not wake up.

    Raises WakelineError and ProtocolError; all of ours is in the record before.
    """
    with recorded(session):
        if await wake(session, listen_s=job.listen, realign=job.resume) is not Outcome.OK:
            front.say(STILL_SILENT if job.resume else CUT_OFF)
            return None
        programmer = offered(session)
        chip = await chip_for(job, session, front)
        work = Work(programmer, erase_plan(chip, (), programmer), quick=job.quick)
        front.began(work)
        more["warnings"] = []
        on = OnChip(job, session, work, front, more)
        if job.supply_volts is not None:  # before anything is erased, protection included
            on.supply = supply_step(job.supply_volts, chip, programmer)
        with _told_if_cut(session, work):
            if session.identity is not None and session.identity.readout_protected:
                await on.lift_protection()
            work.plan = erase_plan(await chip_at_hand(session, work), (), programmer)
            on.unique_id = await unique_id(session, work)
            await body(on)
        return on


async def chip_for(job: Job, session: Session, front: Front) -> Chip:
    """The facts of the chip that answered: named by the user, or found by its product id.

    Raises UsageTrouble `chip` where it is not clear which, TargetTrouble `wrong-chip` where another one answered.
    """
    product = session.identity.product_id if session.identity is not None else None
    chip = chip_named(job.chip, job.chip_file)
    if chip is None:
        if product is None:
            raise UsageTrouble("chip", "the target does not say which chip it is", help="say it with --chip")
        try:
            return find_chip(f"0x{product:03X}")
        except UsageTrouble:
            chip = await front.which_chip(product, candidates(product))
            if chip is None:
                raise
    if product is not None and product not in chip.product_ids:
        raise TargetTrouble(
            "wrong-chip",
            f"the chip on this board says 0x{product:03X}, which {chip.name} does not",
            help="look at the type on the chip, or name none",
        )
    return chip
