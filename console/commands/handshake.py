"""`wakeline handshake PORT`: listen, sync, identify, with the live trace and the causes when it fails.

With --ask or --answers it goes on: proposes the next check, takes what the operator found, and tries again.
"""

from __future__ import annotations

import asyncio
import sys
import time
from argparse import Namespace
from collections.abc import Coroutine
from dataclasses import replace
from pathlib import Path
from typing import Any

from console.commands.attempt import LiveText, keeper_from, opened, settings_from, tell_kept
from console.commands.hands import FileHands, PromptHands
from console.errors import Outcome, PortTrouble, UsageTrouble
from console.events import Mark, MarkKind
from console.notebook.keeper import Keeper
from console.operating import Hands, walk
from console.snapshot import Fold, Snapshot, exit_code
from console.summary import as_object, cause_lines, dumps, step_lines, verdict_lines


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    hands = _hands(options)
    keeper = keeper_from(options)
    fold = Fold(keeper.priors)
    return tell(options, keeper, fold, _attempt(options, fold, hands), told=hands is not None)


def tell(
    options: Namespace, keeper: Keeper, fold: Fold, work: Coroutine[Any, Any, Outcome | None], *, told: bool = False
) -> int:
    """Do `work`, which fills the fold, keep it, and tell how it ended as text or JSON; returns the exit code.

    `told`: the text was told on the way already. Where `work` returns an outcome, it is the board's; that of a test of
    the line, which may have come last, is not.
    """
    trouble: PortTrouble | None = None
    outcome = None
    try:
        outcome = asyncio.run(work)
    except PortTrouble as error:
        if not len(fold.trace):  # not even a port to speak of: nothing was folded
            raise
        trouble = error
    except KeyboardInterrupt:
        if not len(fold.trace):
            raise
        stopped = Mark(time.time_ns(), MarkKind.STOPPED)
        if fold.snapshot().outcome is not Outcome.STOPPED:  # between attempts nobody else has told it
            fold.add(stopped)
    snapshot = fold.snapshot()
    if outcome is not None and snapshot.test:
        snapshot = replace(snapshot, outcome=outcome)
    kept = keeper.keep(snapshot, capture=options.record or "")
    if options.json:
        notes = {} if kept is None else {"notebook": kept.as_object()}
        print(dumps(as_object(snapshot) | notes))
    elif trouble is not None:
        causes = cause_lines(snapshot) if snapshot.causes else []
        print("\n".join([*trouble.lines(), *causes]), file=sys.stderr)
    elif not told:
        print("\n".join(verdict_lines(snapshot)))
    if not options.json:
        tell_kept(kept, keeper, snapshot)
    return exit_code(snapshot)


def _hands(options: Namespace) -> Hands | None:
    # with --json standard output carries one object and nothing else
    stream = sys.stderr if options.json else sys.stdout

    def say(text: str) -> None:
        print(text, file=stream, flush=True)

    if options.ask and options.answers:
        raise UsageTrouble("usage", "--ask and --answers exclude each other", help="leave one of them out")
    if options.answers:
        return FileHands(Path(options.answers), say)
    return PromptHands(say) if options.ask else None


async def _attempt(options: Namespace, fold: Fold, hands: Hands | None) -> Outcome:
    live = None if options.json else LiveText(fold, sys.stdout)

    def show(snapshot: Snapshot, attempted: bool) -> None:
        if live is not None:
            live.flush()
            print("\n".join(step_lines(snapshot, attempted)), flush=True)

    async with opened(
        settings_from(options), options.family, fold=fold, record=options.record, overwrite=options.overwrite, live=live
    ) as session:
        if hands is None:
            return await session.handshake(options.listen)
        return await walk(session, fold, hands, show, listen_s=options.listen)
