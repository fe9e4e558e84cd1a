"""The commands that read or program a chip, as text: port, consent at a prompt, Ctrl-C, the report at the end."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from argparse import Namespace
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import fields
from typing import Any, Final

from console.commands.attempt import keeper_from, opened, settings_from, tell_kept
from console.commands.progress_text import ProgressText
from console.errors import UsageTrouble, WakelineError
from console.programming.chips import Chip
from console.programming.stages import Work
from console.session.session import Session
from console.signals import heeded, interrupting
from console.snapshot import Fold, Snapshot, exit_code
from console.summary import as_object, cause_lines, dumps, proof_lines, stage_lines, target_lines
from console.tasks.catalogue import TASKS
from console.tasks.job import Job
from console.tasks.on_chip import Body, perform, stop

# a question is sure to come: said before a handshake where nobody can answer it
_ASKS: Final = {"update": "--yes", "restore": "--yes", "erase": "--consent with the chip's product id, as 0x410"}


def run(options: Namespace) -> int:
    """Open the port, wake the chip, do what the command says, print the report; returns the exit code."""
    job = job_of(options)
    body = TASKS[options.command](job)  # a wrong file must not cost a handshake
    if options.command in _ASKS and not job.yes and job.consent is None:
        need_somebody(options.json, _ASKS[options.command])
    keeper = keeper_from(options)
    fold = Fold(keeper.priors)
    more: dict[str, Any] = {}
    live = None if options.json else ProgressText(fold, sys.stdout, sys.stdout.isatty())
    trouble: WakelineError | None = None
    try:
        asyncio.run(_run(options, job, fold, live, body, more))
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


def job_of(options: Namespace) -> Job:
    """The command line's options as a job."""
    known = {each.name for each in fields(Job)}
    return Job(**{name: value for name, value in vars(options).items() if name in known})


def need_somebody(as_json: bool, option: str) -> None:
    """Raise UsageTrouble where nobody can answer a question."""
    if as_json or not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageTrouble("consent", "this needs your consent, and nobody is there to ask", help=f"add {option}")


async def _run(
    options: Namespace, job: Job, fold: Fold, live: ProgressText | None, body: Body, more: dict[str, Any]
) -> None:
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
            front = TextFront(session, fold, live)
            with front.listening():
                await perform(session, job, body, front, more)


class TextFront:
    """Implements `console.tasks.job.Front` with lines and a prompt; `live` None: nobody reads and nobody answers.

    Ctrl-C in the middle of a run: the first press ends it at the next block's border, the second at once. So do the
    other signals that ask for an end.
    """

    def __init__(self, session: Session, fold: Fold, live: ProgressText | None) -> None:
        self._work: Work | None = None
        self._session = session
        self._fold = fold
        self._live = live

    def say(self, *lines: str) -> None:
        """Lines for a person; none with --json."""
        if self._live is not None:
            self._live.say(*lines)

    def began(self, work: Work) -> None:
        """From now on Ctrl-C is heeded at a block's border."""
        self._work = work

    async def ask(self, question: str, wanted: str, option: str) -> bool:
        """Whether the user types `wanted`; the loop has nothing else to do meanwhile."""
        need_somebody(self._live is None, option)
        if self._live is not None:
            self._live.flush()
        try:
            with interrupting():
                answer = input(f"{question} Type {wanted} to go on: ")  # noqa: ASYNC250  # the chip waits too
        except (EOFError, KeyboardInterrupt, OSError):  # the last: the terminal is gone
            return False
        return answer.strip().casefold() == wanted.casefold()

    async def which_chip(self, product_id: int, fitting: Sequence[Chip]) -> Chip | None:
        """The command line says it, or nobody does."""
        return None

    def listening(self) -> AbstractContextManager[None]:
        """While the block runs, Ctrl-C and what else asks for an end is ours."""
        return heeded(self._pressed)

    def _pressed(self) -> None:
        if stop(self._session, self._work, self._fold.snapshot().running_stage is not None):
            self.say("stopping when this block is done; Ctrl-C again stops at once")


def report_lines(snapshot: Snapshot, told: bool = False) -> list[str]:
    """The end of a run as text: stages, target, what is proven, and why it ended badly unless that is `told`."""
    out = ["", *stage_lines(snapshot), "", *target_lines(snapshot)]
    out += proof_lines(snapshot.programming)
    if snapshot.problem is not None and not told:
        out.append(f"{snapshot.problem.code}: {snapshot.problem.message}")
        out += cause_lines(snapshot) if snapshot.programming is None else [f"next: {snapshot.problem.help}"]
    return out
