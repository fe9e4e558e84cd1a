"""`wakeline bringup BOARD`: a whole board by its plan, from the first look to the label on its box.

On a terminal the screens lead through it; with --ask, --answers or --bench it runs as text. --check only reads.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
from argparse import Namespace
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from console.boards.board_file import load_board
from console.boards.plan import Plan
from console.bringup.around import SystemPorts, settings_for
from console.bringup.run import Bringup
from console.bringup.words import plan_lines, report_lines
from console.clock import MonotonicClock
from console.commands.attempt import opened
from console.commands.hands import FileHands, PromptHands
from console.commands.plan_text import PlanText
from console.errors import UsageTrouble, WakelineError
from console.operating import Hands
from console.session.session import Session
from console.snapshot import Fold, Snapshot, exit_code
from console.summary import as_object, cause_lines, dumps

_STANDS_IN = "the simulated board's port is there"


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    plan = load_board(options.board)
    if options.check:
        return _check(plan, options)
    modes = [bool(options.ask), options.answers is not None, options.bench is not None]
    if sum(modes) > 1:
        raise UsageTrouble("usage", "--ask, --answers and --bench exclude each other", help="leave one of them")
    if (options.bench is None) == (options.port is None):
        raise UsageTrouble(
            "usage", "a board needs a port, or the simulated bench", help="give --port PORT or --bench, not both"
        )
    if not any(modes):
        if options.json or not (sys.stdin.isatty() and sys.stdout.isatty()):
            raise UsageTrouble(
                "usage", "nobody is there to do the steps", help="add --ask, --answers FILE, or run it on a terminal"
            )
        from console.screens.app import run_app
        from console.screens.plan_source import PlanSource

        source = PlanSource(
            plan,
            options.port,
            serial=options.serial or "",
            start_at=options.start_at,
            record=options.record,
            overwrite=options.overwrite,
        )
        return run_app(plan=source)
    fold = Fold()
    try:
        asyncio.run(_bringup(options, plan, fold))
    except WakelineError as error:
        if fold.snapshot().bringup is None:
            raise
        if not options.json:
            sys.stdout.flush()
            print("\n".join(error.lines()), file=sys.stderr)
    snapshot = fold.snapshot()
    if options.json:
        print(dumps(as_object(snapshot)))
    elif snapshot.bringup is not None:
        print("\n".join(["", *report_lines(snapshot.bringup)]))
    return exit_code(snapshot)


def _check(plan: Plan, options: Namespace) -> int:
    if options.json:
        print(dumps(checked_object(plan)))
    else:
        print("\n".join([*plan_lines(plan), *(f"warning: {note}" for note in plan.notes)]))
    return 0


def checked_object(plan: Plan) -> dict[str, Any]:
    """What --check says, for JSON."""
    return {
        "outcome": "ok",
        "board": plan.name,
        "revision": plan.revision,
        "file": plan.file,
        "digest": plan.digest,
        "parts": len(plan.board.circuit.parts),
        "nets": len(plan.board.circuit.nets),
        "images": [
            {"role": one.role, "size": one.image.size, "sha256": one.image.sha256, "chip": one.chip.name}
            for one in plan.images.values()
        ],
        "stages": [
            {"id": one.id, "kind": one.work.value, "title": one.title, "after": list(one.after)} for one in plan.stages
        ],
        "warnings": list(plan.notes),
        "error": None,
    }


async def _bringup(options: Namespace, plan: Plan, fold: Fold) -> None:
    # with --json standard output carries one object and nothing else
    stream = sys.stderr if options.json else sys.stdout

    def say(text: str) -> None:
        print(text, file=stream, flush=True)

    def show(snapshot: Snapshot, attempted: bool) -> None:
        say("\n".join(f"  {row}" for row in cause_lines(snapshot)))

    async with _board(options, plan, say) as (port, hands, stands_in):
        settings = settings_for(port, plan.loader)
        live = PlanText(say)
        async with opened(
            settings,
            plan.family,
            fold=fold,
            record=options.record,
            overwrite=options.overwrite,
            live=live,
            at_once=False,
        ) as session:
            around = SystemPorts(port, MonotonicClock(), stands_in)
            bringup = Bringup(
                plan, session, fold, hands, around, serial=options.serial or "", start_at=options.start_at, show=show
            )
            await _until_stopped(bringup, session)


@contextlib.asynccontextmanager
async def _board(options: Namespace, plan: Plan, say: Callable[[str], None]) -> AsyncIterator[tuple[str, Hands, str]]:
    """The port, who does the steps, and what stands in for its plug."""
    if options.bench is None:
        from console.bench import control

        hands = FileHands(Path(options.answers), say) if options.answers else PromptHands(say)
        yield options.port, hands, _STANDS_IN if control.find(options.port) is not None else ""
        return
    from console.bench.client import SimulatedBench
    from console.bench.scenes import scenes
    from console.commands.board_hands import BoardBenchHands

    async with SimulatedBench() as bench:
        key = "scene" if options.bench in {one.name for one in scenes()} else "fault"
        await bench.start(**({key: options.bench} if options.bench else {}))
        await bench.act("power-off")
        yield bench.port, BoardBenchHands(bench, plan, say), _STANDS_IN


async def _until_stopped(bringup: Bringup, session: Session) -> None:
    """Ctrl-C ends what runs over the port, at a block's border while something is written; else it leaves the plan."""
    loop, task = asyncio.get_running_loop(), asyncio.ensure_future(bringup.run())

    def pressed() -> None:
        if session.busy:
            bringup.stop()
        else:
            task.cancel()

    try:
        loop.add_signal_handler(signal.SIGINT, pressed)
    except (NotImplementedError, RuntimeError, ValueError):  # this system, or a thread: Ctrl-C then ends at once
        await task
        return
    try:
        with contextlib.suppress(asyncio.CancelledError):
            await task
    finally:
        loop.remove_signal_handler(signal.SIGINT)
