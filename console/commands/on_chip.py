"""What commands that read or program a chip share: port, handshake, the chip's facts, Ctrl-C, the report."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
from argparse import Namespace
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from console.commands.attempt import keeper_from, opened, settings_from, tell_kept
from console.commands.image import chip_named, fit_trouble
from console.commands.progress_text import ProgressText
from console.errors import InputTrouble, Outcome, Stopped, TargetTrouble, UsageTrouble, WakelineError
from console.events import MarkKind
from console.images.image import Image, Span
from console.images.layout import Severity, check_layout
from console.images.load import load_image
from console.programming.chip_file import find_chip
from console.programming.chips import Chip
from console.programming.outlook import outlook, plan_lines
from console.programming.plan import Options, Plan
from console.programming.planner import erase_plan, make_plan, touched_pages
from console.programming.run import (
    chip_at_hand,
    lift_protection,
    offered,
    protected,
    read_pages,
    read_spans,
    recorded,
    wake,
)
from console.programming.stages import Work
from console.record.backup import Backup, beside, save_backup
from console.session.session import Session
from console.snapshot import Fold, Snapshot, exit_code
from console.summary import as_object, cause_lines, dumps, proof_lines, stage_lines, target_lines
from console.text import clean, file_name

_ID_BYTES = 12
# common practice, no source; local rules and the maker's instructions come first
CAUTIONS = (
    "caution: do not unplug, reset or move the board until this is done; a laptop belongs on mains, with sleep off",
    "         if it is cut off all the same: the boot loader is in ROM and stays; connect again and add --resume",
)


@dataclass(slots=True)
class OnChip:
    """A chip that is awake, for the body of a command. `more` goes into the JSON object beside the rest."""

    options: Namespace
    session: Session
    work: Work
    live: ProgressText | None
    more: dict[str, Any] = field(default_factory=dict)

    @property
    def chip(self) -> Chip:
        """The chip at hand."""
        return self.work.plan.chip

    @property
    def product_id(self) -> int:
        """What it answers to Get ID."""
        identity = self.session.identity
        return identity.product_id if identity is not None and identity.product_id is not None else 0

    def say(self, *lines: str) -> None:
        """Lines for a person; none with --json."""
        if self.live is not None:
            self.live.say(*lines)

    def finish(self, task: str, *, proven: str, size: int) -> None:
        """The record's last word on a task that only looked: it was done."""
        self.session.mark(MarkKind.PROOF, task=task, complete=True, proven=proven, proven_bytes=size)

    def stop(self, message: str, help: str) -> Stopped:
        """The user does not want to go on, and the record says so."""
        self.session.mark(MarkKind.STOPPED)
        return Stopped("stopped", message, help=help)

    def ask(self, question: str, wanted: str, option: str) -> None:
        """Go on only if the user types `wanted`. Raises Stopped, or UsageTrouble where nobody can answer."""
        need_somebody(self.options, option)
        if self.live is not None:
            self.live.flush()
        before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a question can be left with Ctrl-C
        try:
            answer = input(f"{question} Type {wanted} to go on: ")
        except (EOFError, KeyboardInterrupt) as leave:
            raise self.stop("left at the question; nothing was changed", "start again when ready") from leave
        finally:
            signal.signal(signal.SIGINT, before)
        if answer.strip().casefold() != wanted.casefold():
            raise self.stop("not confirmed; nothing was changed", "start again when ready")

    async def save(self, address: int, data: bytes) -> None:
        """Memory as it was read into a file, unless that was declined. Raises InputTrouble."""
        if self.options.no_backup:
            return
        unique = ""
        if self.chip.unique_id_address is not None:
            (found,) = await read_spans(self.session, self.work, [Span(self.chip.unique_id_address, _ID_BYTES)])
            unique = "" if found == b"\xff" * _ID_BYTES else found.hex()
        now = datetime.now(UTC)
        path = Path(self.options.backup or file_name(f"{self.chip.name}-{now:%Y%m%d-%H%M%S}-before.bin"))
        save_backup(path, Backup(address, data, self.product_id, self.chip.name, unique), now)
        self.more["backup"] = clean(str(path))
        self.say(f"saved in {clean(str(path))} and {clean(str(beside(path)))}; `wakeline restore` brings it back")

    async def lift_protection(self) -> None:
        """Only if the user asked for it and gave the chip's id as consent."""
        consent = self.options.lift_protection
        if consent is None:
            raise protected(self.session.identity)
        if consent is True:
            wanted = f"0x{self.product_id:03X}"
            self.say("caution: lifting the readout protection erases everything on the chip, for good; ask the owner")
            self.ask("The chip will be erased.", wanted, f"the id: --lift-protection {wanted}")
            consent = self.product_id
        self.say("lifting the readout protection, which erases everything on the chip")
        await lift_protection(self.session, self.work, consent)

    def plan(self, image: Image, options: Options, current: dict[int, bytes] | None = None) -> Plan:
        """The plan for an image that fits; told to the user."""
        findings = check_layout(image, self.chip)
        trouble = fit_trouble(image, self.chip, findings)
        if trouble is not None:
            raise trouble
        plan = make_plan(image, self.chip, self.work.programmer, options, current)
        settings = self.session.link.settings
        expected = outlook(plan, self.work.programmer, settings.frame.char_s(settings.baud))
        self.work.plan = plan
        self.more["plan"] = plan_lines(plan, expected)
        warnings = [f"look: {each.words}" for each in findings if each.severity is Severity.WARNS]
        self.say(*warnings, *plan_lines(plan, expected))
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
        return await read_pages(self.session, self.work, pages)


def need_somebody(options: Namespace, option: str) -> None:
    """Raise UsageTrouble where a question is sure to come and nobody can answer it."""
    if options.json or not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageTrouble("consent", "this needs your consent, and nobody is there to ask", help=f"add {option}")


Body = Callable[[OnChip], Awaitable[None]]


def run_on_chip(options: Namespace, body: Body) -> int:
    """Open the port, wake the chip, run `body`, print the report; returns the exit code."""
    keeper = keeper_from(options)
    fold = Fold(keeper.priors)
    more: dict[str, Any] = {}
    live = None if options.json else ProgressText(fold, sys.stdout, sys.stdout.isatty())
    trouble: WakelineError | None = None
    try:
        asyncio.run(_run(options, fold, live, body, more))
    except WakelineError as error:
        if not len(fold.trace):  # not even a port to speak of: nothing was folded
            raise
        trouble = error
    except KeyboardInterrupt:
        if not len(fold.trace):
            raise
    snapshot = fold.snapshot()
    kept = keeper.keep(snapshot, capture=options.record or "")
    if options.json:
        notes = {} if kept is None else {"notebook": kept.as_object()}
        print(dumps(as_object(snapshot) | more | notes))
    else:
        print("\n".join(report_lines(snapshot, told=trouble is not None)))
        if trouble is not None:
            sys.stdout.flush()
            print("\n".join(trouble.lines()), file=sys.stderr)
        tell_kept(kept, keeper, snapshot)
    return exit_code(snapshot)


async def _run(options: Namespace, fold: Fold, live: ProgressText | None, body: Body, more: dict[str, Any]) -> None:
    # a failed stage is in the fold, with its words and what to do next
    from protocols.errors import ProtocolError

    with contextlib.suppress(ProtocolError):
        async with opened(
            settings_from(options),
            options.family,
            fold=fold,
            record=options.record,
            overwrite=options.overwrite,
            live=live,
        ) as session:
            with recorded(session):
                await _awake(options, session, fold, live, body, more)


async def _awake(
    options: Namespace, session: Session, fold: Fold, live: ProgressText | None, body: Body, more: dict[str, Any]
) -> None:
    stop = StopKey(session, fold, live)
    with stop.listening():
        if await wake(session, listen_s=options.listen, realign=options.resume) is not Outcome.OK:
            if live is not None and not options.resume:
                live.say("if a run was cut off on this board, add --resume: the chip may wait for half a command")
            return
        programmer = offered(session)
        chip = chip_for(options, session)
        work = stop.work = Work(programmer, erase_plan(chip, (), programmer), quick=options.quick)
        on = OnChip(options, session, work, live, more)
        if session.identity is not None and session.identity.readout_protected:
            await on.lift_protection()
        work.plan = erase_plan(await chip_at_hand(session, work), (), programmer)
        await body(on)


class StopKey:
    """Ctrl-C: in the middle of a run the first press ends it at the next block's border, the second at once."""

    def __init__(self, session: Session, fold: Fold, live: ProgressText | None) -> None:
        self.work: Work | None = None
        self._session = session
        self._fold = fold
        self._live = live

    @contextlib.contextmanager
    def listening(self) -> Iterator[None]:
        """While the block runs."""
        loop = asyncio.get_running_loop()
        try:
            loop.add_signal_handler(signal.SIGINT, self._pressed)
        except (NotImplementedError, RuntimeError, ValueError):  # this system, or a thread: Ctrl-C then ends at once
            yield
            return
        try:
            yield
        finally:
            loop.remove_signal_handler(signal.SIGINT)

    def _pressed(self) -> None:
        if self.work is None or self.work.stop.wanted or self._fold.snapshot().running_stage is None:
            self._session.cancel()
            if self.work is not None:
                self.work.stop.wanted = True
            return
        self.work.stop.wanted = True
        if self._live is not None:
            self._live.say("stopping when this block is done; Ctrl-C again stops at once")


def chip_for(options: Namespace, session: Session) -> Chip:
    """The facts of the chip that answered: named by the user, or found by its product id.

    Raises UsageTrouble `chip` where it is not clear which, TargetTrouble `wrong-chip` where another one answered.
    """
    product = session.identity.product_id if session.identity is not None else None
    chip = chip_named(options)
    if chip is None:
        if product is None:
            raise UsageTrouble("chip", "the target does not say which chip it is", help="say it with --chip")
        return find_chip(f"0x{product:03X}")
    if product is not None and product not in chip.product_ids:
        raise TargetTrouble(
            "wrong-chip",
            f"the chip on this board says 0x{product:03X}, which {chip.name} does not",
            help="look at the type on the chip, or leave --chip out",
        )
    return chip


def image_of(options: Namespace) -> Image:
    """The image that the command names. Raises InputTrouble or UsageTrouble."""
    return load_image(options.image, address=options.address, format=options.format)


def plan_options(options: Namespace) -> Options:
    """What the command line says about the plan."""
    return Options(
        changed_only=options.changed_only or options.resume,
        keep_neighbours=options.keep_neighbours,
        no_erase=options.no_erase,
        erase_all=options.erase_all,
        ranges=tuple(Span(start, size) for start, size in options.range or ()),
    )


def report_lines(snapshot: Snapshot, told: bool = False) -> list[str]:
    """The end of a run as text: stages, target, what is proven, and why it ended badly unless that is `told`."""
    out = ["", *stage_lines(snapshot), "", *target_lines(snapshot)]
    out += proof_lines(snapshot.programming)
    if snapshot.problem is not None and not told:
        out.append(f"{snapshot.problem.code}: {snapshot.problem.message}")
        out += cause_lines(snapshot) if snapshot.programming is None else [f"next: {snapshot.problem.help}"]
    return out
