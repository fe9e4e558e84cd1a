"""A chip that is awake, for the body of a task: its facts, the plan for it, consent, what is saved before it changes.

The bodies (`writing`, `looking`, `erasing`) are the same whether a command or the screens run them.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from console.errors import Outcome, PortTrouble, Stopped, TargetTrouble, UsageTrouble
from console.events import MarkKind
from console.images.image import Image, Span
from console.images.layout import Finding, Severity, check_layout, fit_trouble
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
from console.record.backup import Backup, beside, check_new, load_backup, save_backup
from console.session.session import Session
from console.tasks.cut import Held
from console.tasks.job import Front, Job
from console.text import clean, file_name
from console.words import size
from protocols.errors import Refused, TheirBehaviour

# common practice, no source; local rules and the maker's instructions come first
CAUTIONS: Final = (
    "caution: do not unplug, reset or move the board until this is done; a laptop belongs on mains, with sleep off;",
    "         if it is cut off all the same: the boot loader is in ROM and stays; reset the board into it, then",
    "         --resume, and nothing else before that",
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
LIFTING: Final = (
    "the chip is protected: nothing on it can be read, and so nothing can be saved or kept",
    "caution: lifting the readout protection erases everything on the chip, for good; ask the owner",
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
    lifted: bool = False
    """Whether this task lifted the chip's protection, which erased everything."""
    held: Held | None = None
    """The file with what was there before this run, or before the one that it goes on with, began to change it."""

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

    @property
    def protected(self) -> bool:
        """Whether nothing of it can be read now."""
        identity = self.session.identity
        return identity is not None and identity.readout_protected is True

    @property
    def consented(self) -> bool:
        """Whether the chip's own id was given as consent to lose everything on it."""
        return self.lifted or self.job.consent is not None  # `check` looks whose id it is

    def say(self, *lines: str) -> None:
        """Lines for a person."""
        self.front.say(*lines)

    def warn(self, words: str) -> None:
        """Something to look at before going on; a script finds it among the warnings. Said once."""
        if words not in self.more["warnings"]:
            self.more["warnings"].append(words)
            self.say(f"look: {words}")

    def finish(self, task: str, *, proven: str, size: int) -> None:
        """The record's last word on a task that only looked: it was done."""
        self.session.mark(MarkKind.PROOF, task=task, complete=True, proven=proven, proven_bytes=size)

    async def agree(self, question: str, wanted: str, option: str) -> None:
        """Go on only if the person agrees. Raises Stopped, which the record says too, and UsageTrouble."""
        if not await self.front.ask(question, wanted, option):
            self.session.mark(MarkKind.STOPPED)
            done = "the protection was lifted, which erased the chip" if self.lifted else "nothing was changed"
            raise Stopped("stopped", f"not confirmed; {done}", help="start again when ready")

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

    def fits(self, image: Image) -> Sequence[Finding]:
        """What there is to be said about an image that fits. Raises InputTrouble."""
        findings = check_layout(image, self.chip)
        trouble = fit_trouble(image, self.chip, findings)
        if trouble is not None:
            raise trouble
        return findings

    def on_blank(self, image: Image, options: Options) -> Plan:
        """The plan as it would be if nothing were on the chip: all that can be known before it is read. Raises
        InputTrouble and UsageTrouble for what no chip of this kind can hold."""
        pages = touched_pages(image, self.chip, options.ranges)
        blank = {page: bytes((self.chip.erased,)) * self.chip.page_range(page).size for page in pages}
        return make_plan(image, self.chip, self.work.programmer, options, blank)

    def plan_image(
        self, image: Image, options: Options, current: dict[int, bytes] | None = None, whole: Image | None = None
    ) -> Plan:
        """The plan for an image that fits; told to the user. `whole`: the image's part that is wanted, with what a
        resumed run puts back around it. Raises InputTrouble and UsageTrouble."""
        findings = self.fits(image)
        if whole is not None and whole is not image:
            plan = make_plan(whole, self.chip, self.work.programmer, replace(options, ranges=()), current)
        else:
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
        self.say("reading what is there")
        pages = touched_pages(image, self.chip, options.ranges)
        return await read_pages(self.session, self.work, pages, image.read)

    async def save(self, address: int, data: bytes, keeps: tuple[Span, ...]) -> None:
        """Memory as it was read into a file, unless that was declined; in `keeps` a run that is cut off was to leave
        what is beside its image. Raises InputTrouble."""
        if self.job.no_backup:
            return
        now = datetime.now(UTC)
        when = "after-cut" if self.job.resume else "before"
        path = Path(self.job.backup or file_name(f"{self.chip.name}-{now:%Y%m%d-%H%M%S}-{when}.bin"))
        backup = Backup(address, data, self.product_id, self.chip.name, self.unique_id)
        self.more["backup"] = clean(str(path))
        save_backup(path, backup, now)
        self.held = Held(path, backup, keeps)
        files = f"{clean(str(path))} and {clean(str(beside(path)))}"
        if self.job.resume:
            self.say(f"what the cut left is saved in {files}; it is not what was there before the cut")
        else:
            self.say(f"saved in {files}; `wakeline restore` brings it back")

    def check(self, body: Body) -> Plan:
        """All that can be known of the job before the chip is read: whether consent given beforehand is for this chip,
        and what `Body.check` raises."""
        for consent in (self.job.consent, self.job.lift_protection):
            if isinstance(consent, int) and not isinstance(consent, bool) and consent != self.product_id:
                raise TargetTrouble(
                    "wrong-chip",
                    f"the consent is for 0x{consent:03X}, this chip says {self.id_words}",
                    help=f"make sure which board this is; give its own id, {self.id_words} (without 0x digits are "
                    "decimal)",
                )
        return body.check(self)

    async def lift_protection(self, after: Plan) -> bool:
        """Only if the user asked for it and gave the chip's id as consent; `after` is what will be done then. False
        where only the plan was asked for: it is told, and nothing is lifted."""
        job = self.job
        if job.plan or job.lift_protection is True:
            self.say(*LIFTING, "then, on a chip that is blank:")
            self.take(after)
        smallest = self.chip.flash_start + self.chip.least_flash_size
        if any(self.chip.flash.holds(step.address) and step.span.end > smallest for step in after.all_writes):
            self.warn(
                f"the size of the flash cannot be read before, and the smallest {self.chip.name} has only "
                f"{size(self.chip.least_flash_size)}: look at the full type on the chip"
            )
        if job.plan:
            self.say("this is the plan alone: the protection is still set, and nothing was changed")
            return False
        if job.lift_protection is True:
            await self.agree("The chip will be erased.", self.id_words, f"the id: --lift-protection {self.id_words}")
        self.say("lifting the readout protection, which erases everything on the chip")
        await lift_protection(self.session, self.work, self.product_id)
        self.lifted = self.more["lifted"] = True
        return True


@dataclass(frozen=True, slots=True)
class Body:
    """A task that is made of its job, for a chip that is awake."""

    check: Callable[[OnChip], Plan]
    """Raises whatever of files, options and the chip's facts forbids the job, and gives the plan as it would be on a
    blank chip. It reads, says, asks and changes nothing, so that it can come before everything that does."""
    run: Callable[[OnChip], Awaitable[None]]
    """Does it."""
    asks: str = ""
    """The option that gives the consent for which `run` is sure to ask; empty where it will not."""


def check_backup(job: Job) -> None:
    """Find out whether the backup can be saved, before anything is read for it. Raises InputTrouble."""
    if job.no_backup or job.plan:
        return
    path = Path(job.backup or f"{datetime.now(UTC):%Y%m%d-%H%M%S}-before.bin")
    if job.resume and path.exists():  # saved before the cut
        load_backup(path)
        return
    for each in (path, beside(path)):
        check_new(each)


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
        if on.protected and job.lift_protection is None:
            raise protected(session.identity)
        on_blank = on.check(body)
        with _told_if_cut(session, work):
            if on.protected and not await on.lift_protection(on_blank):
                return on
            sized = await chip_at_hand(session, work)
            work.plan = erase_plan(sized, (), programmer)
            if sized != chip:
                on.check(body)
            on.unique_id = await unique_id(session, work)
            await body.run(on)
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
        named = [name for name, given in (("--chip", job.chip), ("--chip-file", job.chip_file)) if given is not None]
        raise TargetTrouble(
            "wrong-chip",
            f"the chip on this board says 0x{product:03X}, which {chip.name} does not",
            help="look at the type on the chip" + (f", or leave {' and '.join(named)} out" if named else ""),
        )
    return chip
