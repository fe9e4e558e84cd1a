"""`wakeline bringup BOARD`: a whole board by its plan, from the first look to the label on its box.

On a terminal the screens lead through it; with --ask, --answers or --bench it runs as text. --check only reads.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from console.boards.board_file import load_board
from console.boards.plan import Plan
from console.bringup.words import plan_lines, report_lines
from console.commands.attempt import keeper_for, tell_kept
from console.commands.board_run import at_port, carry_out, on_bench
from console.commands.hands import FileHands, PromptHands
from console.errors import UsageTrouble, WakelineError
from console.snapshot import Fold, exit_code
from console.summary import as_object, dumps

if TYPE_CHECKING:
    from console.notebook.keeper import Keeper


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
    keeper = plan_keeper(options.notebook, plan, options.serial)
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
            keeper=keeper,
        )
        return run_app(plan=source, keeper=keeper)
    fold = Fold(keeper.priors)
    try:
        asyncio.run(_bringup(options, plan, fold, keeper))
    except WakelineError as error:
        if fold.snapshot().bringup is None:
            raise
        if not options.json:
            sys.stdout.flush()
            print("\n".join(error.lines()), file=sys.stderr)
    snapshot = fold.snapshot()
    kept = keeper.keep(snapshot, capture=options.record or "")
    if options.json:
        notes = {} if kept is None else {"notebook": kept.as_object()}
        print(dumps(as_object(snapshot) | notes))
    elif snapshot.bringup is not None:
        print("\n".join(["", *report_lines(snapshot.bringup)]))
        tell_kept(kept, keeper, snapshot)
    return exit_code(snapshot)


def plan_keeper(notebook: str | None, plan: Plan, serial: str | None) -> Keeper:
    """The notebook for a board of this plan, named by its serial number. Raises InputTrouble, UsageTrouble.

    Digits alone would be the number of a session there: the plan's name goes before them.
    """
    board = f"{plan.name}-{serial}" if serial is not None and serial.strip().isdecimal() else serial
    return keeper_for(notebook, board or None, plan.name, plan.revision or None)


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


async def _bringup(options: Namespace, plan: Plan, fold: Fold, keeper: Keeper) -> None:
    # with --json standard output carries one object and nothing else
    stream = sys.stderr if options.json else sys.stdout

    def say(text: str) -> None:
        print(text, file=stream, flush=True)

    async with contextlib.AsyncExitStack() as stack:
        if options.bench is not None:
            place = await stack.enter_async_context(on_bench(options.bench, plan, say))
        else:
            hands = FileHands(Path(options.answers), say) if options.answers else PromptHands(say)
            place = at_port(options.port, hands)
        await carry_out(
            plan,
            place,
            fold,
            say,
            serial=options.serial or "",
            start_at=options.start_at,
            record=options.record,
            overwrite=options.overwrite,
            experience=keeper.experience,
            past=keeper.past,
        )
